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
from noisemap.scene.model import ON_GROUND, Obstacles, Receivers, Road, Stretches, Terrain
from noisemap.scene.obstacles import no_obstacles
from noisemap.scene.sight import HEIGHTS, sight_cuts
from noisemap.scene.stretches import cut_stretches, split_stretches
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
    cuts = sight_cuts(whole, [place.road], place.receivers, place.terrain, place.obstacles)
    return split_stretches(whole, [place.road], cuts)[0]


def halved(place: Town, stretches: Stretches) -> Stretches:
    middle = ((stretches.from_m + stretches.to_m) / 2.0).tolist()
    return split_stretches(stretches, [place.road], {0: middle})[0]


class Levels(NamedTuple):
    equivalent: FloatArray  # [dB]
    maximum: FloatArray  # [dB]
    grazing: npt.NDArray[np.bool_]  # a path that matters passes near grazing


def levels(place: Town, stretches: Stretches) -> Levels:
    terrain, r = place.terrain, place.receivers
    half = np.full(terrain.height.shape, 0.5, np.float32)
    surface = Surface(
        0.0, 0.0, CELL, terrain.height, terrain.filled, 0.0, 0.0, CELL, half,
        np.zeros(half.shape, bool), 0.0, np.zeros((0, 4)), np.zeros(0), np.zeros(0, np.int64),
    )  # fmt: skip
    points = np.column_stack([r.x, r.y, r.height])
    sources = np.column_stack([stretches.x, stretches.y, stretches.z])
    pointer, source = pairs_within(points, sources, REACH_M)
    block = propagate(surface, points, sources, SOURCE_HEIGHTS, pointer, source, ALPHA)
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
    assert sight_cuts(whole, [place.road], place.receivers, place.terrain, place.obstacles) == {}


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


def test_cuts_lie_where_the_sight_changes() -> None:
    """A wall along part of the road hides it from the only home: cut at the wall's shadow."""
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
    wall = Obstacles(np.array([[1200.0, 1250.0, 1400.0, 1250.0]]), np.array([20.0]),
                     np.array([-1]), np.zeros(1, bool))  # fmt: skip
    whole = cut_stretches([road], home)
    cuts = np.array(sight_cuts(whole, [road], home, place.terrain, wall)[0])
    before = np.abs(cuts + road.x[0] - 1200.0)  # in line with the wall's western end
    lengths = whole.length[np.searchsorted(whole.to_m, cuts)]
    assert len(cuts) == 1
    assert (before <= lengths / 8.0 + 1e-6).all()
