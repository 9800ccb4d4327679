"""Stretches are short enough: halving every one of them moves no level that matters.

Leq sums over all stretches of a road; the maximum is that of the loudest stretch at its
point nearest to the home, as maps evaluate it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pytest
from propagation_support import ALPHA, FloatArray

from noisemap.levels import a_weighted, from_energy
from noisemap.propagation.kernel import Flag, Surface, pairs_within, propagate
from noisemap.scene.model import (
    ON_GROUND,
    GroundCover,
    Obstacles,
    Receivers,
    Road,
    Stretches,
    Terrain,
)
from noisemap.scene.obstacles import no_obstacles
from noisemap.scene.sight import HEIGHTS, SHORTEST_M, sight_cuts
from noisemap.scene.stretches import cut_stretches, split_stretches
from noisemap.scene.surface import kernel_surface
from noisemap.scene.terrain import burn_roads, height_at
from noisemap.transfer.job import SOURCE_HEIGHTS

CELL, SIZE, REACH_M = 10.0, 260, 800.0
POWER = np.array([98.0, 100.0, 100.0, 97.0, 95.0, 92.0, 87.0, 81.0])
ENERGY = np.array(
    [10.0 ** (0.1 * a_weighted(np.where(np.arange(8) == b, POWER, -300.0))) for b in range(8)]
)


class Town(NamedTuple):
    road: Road
    receivers: Receivers
    terrain: Terrain
    obstacles: Obstacles


def town(relief: float, seed: int = 5, homes: int = 150) -> Town:
    """A winding road through hills of so many metres, with homes at 5 to 400 m."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:SIZE, 0:SIZE] * CELL
    height = relief * (
        np.sin(x / 90.0 + 1.0) * np.cos(y / 110.0) + 0.4 * np.sin(x / 35.0 + y / 50.0)
    )
    terrain = Terrain(0.0, 0.0, CELL, height, np.zeros(height.shape, bool), CELL)
    at = np.arange(300.0, 2300.0, 5.0)
    place = 1300.0 + 120.0 * np.sin(at / 250.0)
    chainage = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(at), np.diff(place)))])
    surface = height_at(terrain, at, place)
    steps = len(at) - 1
    road = Road(
        "r", "r", "primary", at, place, chainage, surface, np.zeros(steps),
        np.full(steps, ON_GROUND, np.uint8), np.full(steps, 80.0), np.zeros(steps, bool),
        np.ones(steps, bool), 0, surface=surface, emits=np.ones(steps, bool),
    )  # fmt: skip
    terrain = burn_roads(terrain, [road], 6.0)
    rx = rng.uniform(500.0, 2100.0, homes)
    beside = rng.choice([-1.0, 1.0], homes) * 10.0 ** rng.uniform(np.log10(5.0), 2.6, homes)
    ry = 1300.0 + 120.0 * np.sin(rx / 250.0) + beside
    people = Receivers(np.arange(homes), rx, ry, np.full(homes, 4.0), np.ones(homes))
    return Town(road, people, terrain, no_obstacles())


def cut(place: Town) -> Stretches:
    """The stretches of a scene: by distance, then by sight."""
    whole = cut_stretches([place.road], place.receivers)
    cuts = sight_cuts(whole, [place.road], place.receivers, surface_of(place)).cuts
    return split_stretches(whole, [place.road], cuts)[0]


def surface_of(place: Town) -> Surface:
    terrain, shape = place.terrain, place.terrain.height.shape
    nowhere = np.zeros(shape, bool)
    ground = GroundCover(0.0, 0.0, CELL, np.full(shape, 0.5, np.float32), nowhere, 0.0)
    return kernel_surface(terrain, ground, place.obstacles)


def halved(place: Town, stretches: Stretches) -> Stretches:
    middle = ((stretches.from_m + stretches.to_m) / 2.0).tolist()
    return split_stretches(stretches, [place.road], {0: middle})[0]


class Levels(NamedTuple):
    equivalent: FloatArray  # [dB]
    maximum: FloatArray  # [dB]
    grazing: npt.NDArray[np.bool_]  # a path that matters passes near grazing


def levels(place: Town, stretches: Stretches) -> Levels:
    r = place.receivers
    points = np.column_stack([r.x, r.y, r.height])
    sources = np.column_stack([stretches.x, stretches.y, stretches.z])
    pointer, source = pairs_within(points, sources, REACH_M)
    block = propagate(
        surface_of(place), points, sources, SOURCE_HEIGHTS, pointer, source, ALPHA,
        reflection_order=1,
    )  # fmt: skip
    owner = np.repeat(np.arange(len(points)), np.diff(pointer))
    energy = block.t.astype(float) @ ENERGY
    ends = stretches.ends[source]
    along = ends[:, 2:] - ends[:, :2]
    off = points[owner, :2] - ends[:, :2]
    share = np.clip((off * along).sum(axis=1) / (along**2).sum(axis=1), 0.0, 1.0)
    rise = block.distance.astype(float) ** 2 - ((points[owner] - sources[source])[:, :2] ** 2).sum(
        1
    )
    nearest = np.sqrt(((off - share[:, None] * along) ** 2).sum(axis=1) + np.maximum(rise, 0.0))
    exposure = energy.sum(axis=1) * stretches.length[source]
    total = np.bincount(owner, exposure, len(points))
    loudest = np.zeros(len(points))
    gain = (block.distance / np.minimum(nearest, block.distance)) ** 2
    np.maximum.at(loudest, owner, energy.max(axis=1) * gain)
    grazing = np.zeros(len(points), bool)
    matters = (exposure > 0.01 * total[owner]) & (block.flags & Flag.NEAR_GRAZING > 0)
    grazing[owner[matters]] = True
    return Levels(from_energy(total), from_energy(loudest), grazing)


def test_the_heights_are_those_of_the_sources() -> None:
    assert HEIGHTS == SOURCE_HEIGHTS


def test_a_stretch_is_at_most_half_as_long_as_its_nearest_home_is_far() -> None:
    place = town(12.0)
    stretches = cut(place)
    away = np.full(len(stretches.x), np.inf)
    for share in np.linspace(0.0, 1.0, 9):
        at = stretches.from_m + share * stretches.length
        x, y = (np.interp(at, place.road.chainage, v) for v in (place.road.x, place.road.y))
        distance = np.hypot(x[:, None] - place.receivers.x, y[:, None] - place.receivers.y)
        away = np.minimum(away, distance.min(axis=1))
    # the nearest point may lie between two of the cut's probes, an eighth of a stretch off
    assert (stretches.length <= 1.01 * np.maximum(0.5 * away, 2.5)).all()


def test_nothing_is_cut_by_sight_on_flat_open_ground() -> None:
    place = town(0.0)
    whole = cut_stretches([place.road], place.receivers)
    assert sight_cuts(whole, [place.road], place.receivers, surface_of(place)).cuts == {}


def test_halving_on_flat_open_ground() -> None:
    place = town(0.0)
    stretches = cut(place)
    whole, fine = levels(place, stretches), levels(place, halved(place, stretches))
    assert np.abs(fine.equivalent - whole.equivalent).max() < 0.02
    assert np.abs(fine.maximum - whole.maximum).max() < 0.1


@pytest.mark.parametrize("seed", [5, 6])
def test_halving_on_hills(seed: int) -> None:
    """95 % of homes within 0.1 dB, 99 % within 0.3 dB (Leq) and 0.5 dB (maximum)."""
    place = town(12.0, seed)
    stretches = cut(place)
    whole, fine = levels(place, stretches), levels(place, halved(place, stretches))
    heard = whole.equivalent > whole.equivalent.max() - 80.0
    moved = np.abs(fine.equivalent - whole.equivalent)[heard]
    louder = np.abs(fine.maximum - whole.maximum)[heard]
    assert (moved <= 0.1).mean() >= 0.95
    assert (moved <= 0.3).mean() >= 0.99
    assert (louder <= 0.5).mean() >= 0.99
    movers = moved > 0.3
    assert (whole.grazing | fine.grazing)[heard][movers].all()


def among_houses() -> Town:
    """A village: houses in uneven rows on both sides of the road, homes behind them."""
    place = town(3.0, homes=1)
    rng = np.random.default_rng(8)
    boxes: list[tuple[float, float, float, float]] = []
    for side in (-1.0, 1.0):
        west = 400.0 + np.cumsum(rng.uniform(20.0, 60.0, 45))
        middle = 1300.0 + 120.0 * np.sin(west / 250.0) + side * rng.uniform(14.0, 40.0, 45)
        deep, wide = rng.uniform(4.0, 8.0, 45), rng.uniform(8.0, 16.0, 45)
        boxes += zip(west, middle - deep, west + wide, middle + deep, strict=True)
    edges = [
        edge
        for x1, y1, x2, y2 in boxes
        for edge in ((x1, y1, x2, y1), (x2, y1, x2, y2), (x2, y2, x1, y2), (x1, y2, x1, y1))
    ]
    houses = Obstacles(
        np.array(edges), np.full(len(edges), 7.0), np.repeat(np.arange(len(boxes)), 4),
        np.zeros(len(edges), bool),
    )  # fmt: skip
    rx = rng.uniform(500.0, 2100.0, 120)
    off = rng.choice([-1.0, 1.0], 120) * rng.uniform(35.0, 300.0, 120)
    ry = 1300.0 + 120.0 * np.sin(rx / 250.0) + off
    people = Receivers(np.arange(120), rx, ry, np.full(120, 4.0), np.ones(120))
    return place._replace(receivers=people, obstacles=houses)


def test_halving_among_houses() -> None:
    """Gaps and reflections come and go: 99 % of homes within 0.3 dB (Leq), 0.5 dB (maximum)."""
    place = among_houses()
    stretches = cut(place)
    whole, fine = levels(place, stretches), levels(place, halved(place, stretches))
    moved = np.abs(fine.equivalent - whole.equivalent)
    louder = np.abs(fine.maximum - whole.maximum)
    assert (moved <= 0.1).mean() >= 0.9
    assert (moved <= 0.3).mean() >= 0.99
    assert (louder <= 0.5).mean() >= 0.99
    by_distance = cut_stretches([place.road], place.receivers)
    rough, less = levels(place, by_distance), levels(place, halved(place, by_distance))
    assert (np.abs(less.maximum - rough.maximum) > 0.5).mean() > 0.05


def test_cuts_lie_where_the_sight_changes() -> None:
    """A wall hides the road from the only home but for a gap: cut at both ends of what it sees."""
    place = town(0.0, homes=1)
    home = Receivers(np.zeros(1, np.int64), np.array([1200.0]), np.array([1300.0]),
                     np.array([4.0]), np.ones(1))  # fmt: skip
    straight = np.full(len(place.road.x), 1200.0)
    road = place.road
    road = Road(
        "r", "r", "primary", road.x, straight, road.x - road.x[0], road.surface, road.grade_sigma,
        road.structure, road.speed_limit_kmh, road.speed_limit_assumed, road.trucks_allowed, 0,
        surface=np.zeros(len(straight)), emits=road.emits,
    )  # fmt: skip
    wall = Obstacles(
        np.array([[800.0, 1250.0, 1197.0, 1250.0], [1203.0, 1250.0, 1600.0, 1250.0]]),
        np.full(2, 20.0), np.full(2, -1), np.zeros(2, bool),
    )  # fmt: skip
    whole = cut_stretches([road], home)
    town_of_one = place._replace(road=road, receivers=home, obstacles=wall)
    cuts = np.array(sight_cuts(whole, [road], home, surface_of(town_of_one)).cuts[0])
    cuts += road.x[0]
    for end in (1194.0, 1206.0):  # in line with the ends of the gap
        assert np.abs(cuts - end).min() <= SHORTEST_M
    assert np.abs(cuts - 1200.0).max() <= whole.length.max()
