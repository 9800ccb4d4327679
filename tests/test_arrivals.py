"""The hill above: brakes come to a road as warm as what lies above has made them."""

from __future__ import annotations

from dataclasses import replace

import hill
import numpy as np
import pytest

from noisemap.descent.brake_temperature import Conditions
from noisemap.exposure.arrivals import HillsAbove, junctions_before
from noisemap.exposure.driving import Practice, drive_road
from noisemap.scene.model import Links, Road, Scene

TRUCK = hill.truck()
PRACTICE = hill.PRACTICE


def links(*rows: tuple[int, int, int, int, int]) -> Links:
    """Links by road, first and last point, start and end junction."""
    table = np.array(rows, np.int64)
    count = len(rows)
    return Links(
        *table.T,
        way=tuple(map(str, range(count))),
        height_m=np.full(count, np.nan),
        mass_t=np.full(count, np.nan),
        access=("yes",) * count,
        hazmat=("yes",) * count,
    )


def piece_of(road: Road, low: int, high: int, name: str) -> Road:
    """Part of a road between two of its points, counted from its own beginning."""
    part, steps = slice(low, high + 1), slice(low, high)
    return replace(
        road,
        road_id=name,
        x=road.x[part],
        y=road.y[part],
        chainage=road.chainage[part] - road.chainage[low],
        height=road.height[part],
        surface=road.height[part],
        grade_sigma=road.grade_sigma[steps],
        structure=road.structure[steps],
        speed_limit_kmh=road.speed_limit_kmh[steps],
        speed_limit_assumed=road.speed_limit_assumed[steps],
        trucks_allowed=road.trucks_allowed[steps],
        direction=road.direction[steps],
        emits=road.emits[steps],
    )


def broken(length: float = 4000.0, cut: int = 100) -> tuple[Scene, Scene]:
    """One hill as one road, and the same hill as two roads that meet."""
    whole = hill.scene(length=length)
    count = len(whole.stretches.x)
    own = np.arange(count)
    offset = np.where(own < cut, 0.0, whole.stretches.from_m[cut])
    stretches = replace(
        whole.stretches,
        road=(own >= cut).astype(np.int64),
        from_m=whole.stretches.from_m - offset,
        to_m=whole.stretches.to_m - offset,
    )
    road = whole.roads[0]
    roads = (piece_of(road, 0, cut, "above"), piece_of(road, cut, count, "below"))
    joined = links((0, 0, cut, 1, 2), (1, 0, count - cut, 2, 3))
    return whole, replace(whole, roads=roads, stretches=stretches, links=joined)


@pytest.mark.parametrize("preset", ["modern_drag", "first_principles"])
@pytest.mark.parametrize("retarder", [None, "none"])
def test_a_broken_hill_is_as_hot_as_the_whole_one(preset, retarder) -> None:
    whole, two = broken()
    practice = Practice(Conditions(preset))
    one = drive_road(whole.stretches, 0, 1, TRUCK, practice, retarder=retarder)
    warm = HillsAbove(two).practice(1, 1, TRUCK, practice, retarder=retarder)
    arrived = max(one.temperature_c[100], practice.conditions.entry_c)
    assert warm.conditions.entry_c == pytest.approx(arrived, abs=1e-9)
    below = drive_road(two.stretches, 1, 1, TRUCK, warm, retarder=retarder)
    if retarder == "none":
        assert arrived > 120.0
        assert below.peak_c == pytest.approx(one.peak_c, abs=1e-6)
    assert HillsAbove(two).leads_to(1, 1) == (0,)


def test_a_steeper_hill_above_arrives_warmer() -> None:
    _, two = broken()
    hills = HillsAbove(two)
    plain = hills.practice(1, 1, TRUCK, PRACTICE, retarder="none").conditions.entry_c
    steep = hills.practice(1, 1, TRUCK, PRACTICE, retarder="none", steeper=0.01)
    assert steep.conditions.entry_c > plain + 5.0
    again = hills.practice(1, 1, TRUCK, PRACTICE, retarder="none").conditions.entry_c
    assert again == plain


def test_nothing_above_means_the_studys_entry() -> None:
    whole, two = broken()
    assert HillsAbove(whole).practice(0, 1, TRUCK, PRACTICE) is PRACTICE
    hills = HillsAbove(two)
    assert hills.practice(0, 1, TRUCK, PRACTICE) is PRACTICE  # nothing leads to its top
    up = hills.practice(0, -1, TRUCK, PRACTICE)  # up the lower piece brakes only cool
    assert up.conditions.entry_c == PRACTICE.conditions.entry_c


def test_a_closed_direction_leads_nowhere() -> None:
    _, two = broken()
    uphill = replace(two, roads=(replace(two.roads[0], one_way=-1), two.roads[1]))
    assert (1, 1) not in junctions_before(uphill)


def test_a_side_road_leaves_where_it_leaves() -> None:
    """A road that begins half way down another takes the heat of that half."""
    _, two = broken()
    half = links((0, 0, 50, 1, 7), (0, 50, 100, 7, 2), (1, 0, 100, 7, 3))
    side = HillsAbove(replace(two, links=half)).practice(1, 1, TRUCK, PRACTICE, retarder="none")
    full = drive_road(two.stretches, 0, 1, TRUCK, PRACTICE, retarder="none")
    assert side.conditions.entry_c == pytest.approx(full.temperature_c[50])


def test_a_loop_settles() -> None:
    """Two roads that lead to each other: the arrival is that of going round until it settles."""
    _, two = broken()
    ring = replace(two, links=links((0, 0, 100, 1, 2), (1, 0, 100, 2, 1)))
    hills = HillsAbove(ring)
    found = hills.practice(0, 1, TRUCK, PRACTICE, retarder="none").conditions.entry_c
    entry = PRACTICE.conditions.entry_c
    for _ in range(400):
        for road in (0, 1):
            warm = replace(PRACTICE, conditions=replace(PRACTICE.conditions, entry_c=entry))
            entry = drive_road(ring.stretches, road, 1, TRUCK, warm, retarder="none").temperature_c[
                -1
            ]
    assert found == pytest.approx(entry, abs=2.0)
    assert found > 200.0
