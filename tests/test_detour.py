"""Another way past the zone: found, driven, heard along it, never netted; or said to be none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import zone_cases
from test_arrivals import links

from noisemap.exposure.driving import drive_road
from noisemap.scene.model import Scene
from noisemap.states import Zone
from noisemap.study.detour import Leg, detour_alternative, hottest_on, way_past
from noisemap.zones.conditions import NORMAL, cases

ZONE = Zone("z", "hill", 1000.0, 2000.0, binds="compression_release", observance=0.8)
BYPASS_Y = 500.0


def two_roads() -> Scene:
    """The small town's hill, and a second road beside it that leaves at its top and joins again."""
    place = zone_cases.town()
    first = place.roads[0]
    second = replace(first, road_id="bypass", name="Bypass", y=np.full(len(first.y), BYPASS_Y))
    one = place.stretches
    beside = replace(
        one,
        road=np.ones(len(one.x), np.int64),
        y=np.full(len(one.x), BYPASS_Y),
        ends=one.ends + np.array([0.0, BYPASS_Y, 0.0, BYPASS_Y]),
        grade=np.full(len(one.x), -0.05),
    )
    both = replace(
        one,
        **{
            name: np.concatenate([getattr(one, name), getattr(beside, name)])
            for name, value in vars(one).items()
            if isinstance(value, np.ndarray) and len(value) == len(one.x)
        },
    )
    count = len(one.x)
    homes = len(place.homes.x)
    near = np.arange(homes) % 2 == 1
    y = np.where(near, BYPASS_Y + 40.0, place.homes.y)
    return replace(
        place,
        roads=(first, second),
        stretches=both,
        homes=replace(place.homes, y=y),
        receivers=replace(place.receivers, y=y),
        links=links((0, 0, 20, 1, 5), (0, 20, 40, 5, 6), (0, 40, count, 6, 2), (1, 0, count, 1, 2)),
    )


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory):
    return zone_cases.weighed(tmp_path_factory.mktemp("store"), two_roads())[0]


def test_the_way_leaves_the_zone_out(base) -> None:
    assert way_past(base, 0, 1, ZONE) == [Leg(1, 1, 0.0, 3000.0)]


def test_who_gains_and_who_gets_louder(base) -> None:
    row = detour_alternative(base, ZONE)
    assert row.computed
    assert row.name.endswith("Bypass")
    assert "every trip uphill and other trucks stay" in row.remark
    assert "the way is 3,000 m (9,843 ft) long, this road 3,000 m (9,843 ft)" in row.remark
    assert row.spared.low < row.spared.best < row.spared.high
    louder = {home for home, _ in row.louder_homes}
    beside = set(np.flatnonzero(base.scene.homes.y > BYPASS_Y).tolist())
    at_the_road = set(np.flatnonzero(base.scene.homes.y < 150.0).tolist())
    assert beside <= louder
    assert not louder & at_the_road
    assert len(at_the_road) >= 2
    assert row.louder == pytest.approx(float(base.scene.homes.people[list(louder)].sum()))
    nobody = detour_alternative(base, replace(ZONE, observance=0.0))
    assert nobody.spared.best == pytest.approx(0.0, abs=1e-4)
    assert nobody.louder_homes == ()


def test_brakes_on_the_way_are_those_of_its_drive(base) -> None:
    legs = way_past(base, 0, 1, ZONE)
    case = cases(base.practice, base.scene.stretches, 10.0)[0]
    assert case.condition == NORMAL
    heavy = base.trucks[2]
    one = drive_road(base.scene.stretches, 1, 1, heavy, base.practice)
    assert hottest_on(base, legs, heavy, case) == pytest.approx(one.peak_c)
    half = [Leg(1, 1, 0.0, 1500.0), Leg(1, 1, 1500.0, 3000.0)]  # carried from leg to leg
    assert hottest_on(base, half, heavy, case) == pytest.approx(one.peak_c)


def test_without_a_way_the_row_says_why(base, tmp_path: Path) -> None:
    shut = replace(base.scene.links, access=("yes", "yes", "yes", "no"))
    none = detour_alternative(replace(base, scene=replace(base.scene, links=shut)), ZONE)
    assert not none.computed
    assert none.remark.startswith("none: the study's roads hold no other way")
    own = base.scene.stretches.road == 0
    quiet = replace(
        base.scene.stretches,
        **{
            name: value[own]
            for name, value in vars(base.scene.stretches).items()
            if isinstance(value, np.ndarray) and len(value) == len(own)
        },
    )
    bare = detour_alternative(replace(base, scene=replace(base.scene, stretches=quiet)), ZONE)
    assert "does not model" in bare.remark
    assert "Bypass" in bare.remark
