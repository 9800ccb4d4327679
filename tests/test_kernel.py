"""Pitfalls of the map kernel: sampling, rims, void terrain, near sources, obstacles, threads.

Paths around sides are switched off where the top alone is held against `path`.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import numba
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from propagation_support import ALPHA, FloatArray, bilinear, place, rows

from noisemap.errors import BadDataError, OutOfDomainError
from noisemap.levels import a_weighted, from_energy
from noisemap.propagation.case import path_result
from noisemap.propagation.kernel import Flag, PathBlock, Surface, pairs_within, propagate
from noisemap.propagation.machine import path_kernel
from noisemap.propagation.machine.compiled import compiled, source_digest
from noisemap.propagation.machine.fast_exp import exp_in_place
from noisemap.propagation.machine.obstacle_index import (
    containing_buildings,
    obstacle_index,
    row_span,
)
from noisemap.propagation.machine.sampling import terrain_height

TABLE_20_70 = np.array([0.1, 0.3, 1.1, 2.8, 5.0, 9.0, 22.9, 76.6]) / 1000.0


def one(
    surface: Surface,
    receiver: tuple[float, float, float],
    source: tuple[float, float, float],
    heights: tuple[float, ...] = (0.5,),
    **options: Any,
) -> PathBlock:
    return propagate(surface, [receiver], [source], heights, [0, 1], [0], ALPHA, **options)


def loss(block: PathBlock, height: int = 0) -> FloatArray:
    return np.asarray(-from_energy(block.t[0, height].astype(float)))


def square(x: float, y: float, half: float) -> list[tuple[float, float, float, float]]:
    ring = [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]
    return [(*a, *b) for a, b in zip(ring, ring[1:] + ring[:1], strict=True)]


# --- values ------------------------------------------------------------------------------


@pytest.mark.parametrize("factor", [0.0, 0.5, 1.0])
def test_flat_ground_levels(factor: float) -> None:
    """44.29 / 41.53 / 39.14 dB(A) at 20 degC / 70 % (COMPUTED), as `path` gives them."""
    expected = {
        float(r["ground_factor"]): float(r["level_dba"]) for r in rows("flat_test_paths.csv")
    }
    block = propagate(
        place(factor=factor), [[200, 50, 4]], [[10, 10, 0]], [1.0], [0, 1], [0], TABLE_20_70
    )
    level = float(a_weighted(93.0 + from_energy(block.t[0, 0])))
    assert round(level, 2) == round(expected[factor], 2)
    assert float(block.distance[0]) == pytest.approx(194.1881, abs=1e-4)
    dp = math.hypot(190.0, 40.0)
    case = {"x": [0, dp], "ground": [0, 0], "hs": 1, "hr": 4, "G": [[0, dp, factor]],
            "T": 20, "LW": [93] * 8}  # fmt: skip
    assert level == pytest.approx(path_result(case)["LA"], abs=0.002)


def test_vector_exponential() -> None:
    x = np.concatenate([np.linspace(-699.0, 5.0, 4001), [0.0, -0.0, -1e-300, 700.0]])
    value, whole = x.copy(), np.empty(len(x))
    exp_in_place(value, whole.view(np.int64), whole, len(x))
    np.testing.assert_allclose(value, np.exp(x), rtol=1e-14)
    far = np.array([-1e6])
    exp_in_place(far, whole.view(np.int64), whole, 1)
    assert 0.0 < far[0] < 1e-300


# --- terrain -----------------------------------------------------------------------------


def test_a_tilted_plane_is_sampled_exactly() -> None:
    yy, xx = np.mgrid[0:60, 0:60] * 10.0
    plane = place(5.0 + 0.07 * xx - 0.03 * yy)
    rng = np.random.default_rng(3)
    for x, y in rng.uniform(0.0, 590.0, (200, 2)):
        exact = 5.0 + 0.07 * x - 0.03 * y
        assert terrain_height(plane.terrain_arrays, x, y) == pytest.approx(exact, abs=1e-11)


def test_a_tilted_plane_is_as_good_as_flat_ground() -> None:
    """No point of a plane screens, and heights count from local ground."""
    _, xx = np.mgrid[0:60, 0:60] * 10.0
    plane = place(0.1 * xx)
    level = place()
    tilted = one(plane, (400.0, 300.0, 4.0), (100.0, 300.0, 10.0), (0.5, 3.7))
    flat = one(level, (400.0, 300.0, 4.0), (100.0, 300.0, 0.0), (0.5, 3.7))
    for h, hs in enumerate((0.5, 3.7)):
        up, along = math.hypot(300.0, 34.0 - hs), math.hypot(300.0, 4.0 - hs)
        further = 20.0 * math.log10(up / along) + (up - along) * ALPHA
        np.testing.assert_allclose(loss(tilted, h), loss(flat, h) + further, atol=1e-5)
    assert (tilted.grazing_z < 0.0).all()


def test_the_source_stands_on_its_road_not_on_the_terrain() -> None:
    """A bridge 20 m above the ground: same path as `path` with that foot, no screening."""
    surface = place(factor=0.0)
    block = one(surface, (400.0, 300.0, 4.0), (100.0, 300.0, 20.0), (0.5,))
    assert float(block.distance[0]) == pytest.approx(math.hypot(300.0, 16.5))
    x = np.linspace(0.0, 300.0, 31)
    case = {"x": x.tolist(), "ground": [20.0] + [0.0] * 30, "hs": 0.5, "hr": 4,
            "G": [[0, 300, 0]]}  # fmt: skip
    np.testing.assert_allclose(loss(block), path_result(case)["A"], atol=1e-6)


def test_grazing_z_and_flag() -> None:
    ridge = np.zeros((60, 60))
    ridge[:, 25] = 2.0
    source, receiver = (100.0, 300.0, 0.0), (400.0, 300.0, 2.0)
    for top, near, cut in (
        (2.2, True, True),
        (1.8, True, False),
        (3.5, False, True),
        (1.0, False, False),
    ):
        ridge[:, 25] = top
        block = one(place(ridge.copy()), receiver, source, (2.0,))
        z = float(block.grazing_z[0, 0])
        exact = math.hypot(150.0, top - 2.0) * 2.0 - 300.0
        assert z == pytest.approx(exact if cut else -exact, rel=1e-5)
        assert bool(block.flags[0] & Flag.NEAR_GRAZING) == near
    open_ground = one(place(cell=1000.0), (400.0, 300.0, 2.0), (100.0, 300.0, 0.0))
    assert open_ground.grazing_z[0, 0] == -np.inf


def test_flags_of_range_height_and_filled_terrain() -> None:
    deep = np.zeros((60, 250))
    deep[:, 20:230] = -90.0
    far = one(place(deep), (2200.0, 300.0, 4.0), (100.0, 300.0, 0.0))
    assert far.flags[0] == Flag.BEYOND_1000_M | Flag.ABOVE_30_M
    filled = np.zeros((60, 60), dtype=bool)
    filled[30, 20] = True
    surface = place(filled=filled)
    assert one(surface, (400.0, 300.0, 4.0), (100.0, 300.0, 0.0)).flags[0] & Flag.FILLED_TERRAIN
    assert one(surface, (400.0, 295.0, 4.0), (100.0, 295.0, 0.0)).flags[0] & Flag.FILLED_TERRAIN
    assert not one(surface, (400.0, 320.0, 4.0), (100.0, 320.0, 0.0)).flags[0]
    assert one(surface, (200.0, 500.0, 4.0), (200.0, 100.0, 0.0)).flags[0] & Flag.FILLED_TERRAIN
    assert not one(surface, (230.0, 500.0, 4.0), (230.0, 100.0, 0.0)).flags[0]


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_void_terrain_is_refused_before_computing(bad: float) -> None:
    height = np.zeros((60, 60))
    height[3, 4] = bad
    with pytest.raises(OutOfDomainError, match=r"terrain height: 1 of 3600 values.*fill"):
        place(height)


def test_points_outside_a_raster_are_refused() -> None:
    surface = place()
    inside, outside = (100.0, 300.0, 4.0), (590.5, 300.0, 4.0)
    with pytest.raises(OutOfDomainError, match=r"receiver 0 at \(590.5, 300.0\) m.*terrain"):
        one(surface, outside, (100.0, 300.0, 0.0))
    with pytest.raises(OutOfDomainError, match=r"source 0 .*terrain.*0 more"):
        one(surface, inside, (-0.5, 300.0, 0.0))
    small = Surface(
        surface.x0, surface.y0, surface.cell, surface.height, surface.filled, 0.0, 0.0, 10.0,
        np.zeros((60, 9), dtype=np.float32), np.zeros((60, 9), dtype=bool), 0.0,
        surface.edges, surface.edge_height, surface.edge_block,
    )  # fmt: skip
    with pytest.raises(OutOfDomainError, match="ground cover"):
        one(small, inside, (50.0, 300.0, 0.0))


@pytest.mark.parametrize(
    ("x", "y", "inside"),
    [
        (300.0, 564.9, True), (300.0, 565.1, False), (300.0, 15.1, True), (300.0, 14.9, False),
        (564.9, 300.0, True), (565.1, 300.0, False), (15.1, 300.0, True), (14.9, 300.0, False),
    ],
)  # fmt: skip
def test_ground_is_known_to_the_outer_edges_of_its_cells(x: float, y: float, inside: bool) -> None:
    """55 x 55 cells of 10 m whose first centre lies at 20 m reach from 15 m to 565 m."""
    whole = place()
    small = replace(
        whole, gx0=20.0, gy0=20.0, factor=whole.factor[:55, :55], foliage=whole.foliage[:55, :55]
    )
    if inside:
        assert one(small, (x, y, 4.0), (300.0, 250.0, 0.0)).t.min() > 0.0
        return
    with pytest.raises(OutOfDomainError, match=r"ground cover raster \(15.0..565.0, 15.0..565.0\)"):
        one(small, (x, y, 4.0), (300.0, 250.0, 0.0))


def test_the_rim_of_the_raster_itself_works() -> None:
    surface = place()
    corner = one(surface, (590.0, 590.0, 4.0), (0.0, 0.0, 0.0))
    middle = one(place(np.zeros((80, 80))), (690.0, 690.0, 4.0), (100.0, 100.0, 0.0))
    np.testing.assert_allclose(loss(corner), loss(middle), atol=1e-6)


# --- near sources ------------------------------------------------------------------------


@pytest.mark.parametrize("away", [0.0, 1e-9, 2.0, 4.999])
def test_minimum_distance(away: float) -> None:
    surface = place()
    near = one(surface, (100.0 + away, 300.0, 4.0), (100.0, 300.0, 0.0))
    at_five = one(surface, (105.0, 300.0, 4.0), (100.0, 300.0, 0.0))
    assert near.flags[0] & Flag.MINIMUM_DISTANCE
    assert not at_five.flags[0] & Flag.MINIMUM_DISTANCE
    np.testing.assert_allclose(near.t, at_five.t, rtol=1e-6)
    assert near.distance[0] == pytest.approx(math.hypot(5.0, 3.5))


# --- obstacles ---------------------------------------------------------------------------


def crossing_case(**objects: Any) -> FloatArray:
    case = {"x": [0, 300], "ground": [0, 0], "hs": 0.5, "hr": 4, "G": [[0, 300, 0.5]], **objects}
    return np.array(path_result(case)["A"])


SOURCE, RECEIVER = (100.0, 300.0, 0.0), (400.0, 300.0, 4.0)


def test_wall_and_building_equal_path() -> None:
    wall = place(edges=[(120.0, 200.0, 120.0, 400.0)], edge_height=[3.0], edge_block=[-1])
    np.testing.assert_allclose(
        loss(one(wall, RECEIVER, SOURCE, sides=False)),
        crossing_case(objects=[{"kind": "screen", "x": 20, "h": 3}]),
        atol=1e-6,
    )
    house = place(edges=square(200.0, 300.0, 6.0), edge_height=[7.0] * 4, edge_block=[0] * 4)
    np.testing.assert_allclose(
        loss(one(house, RECEIVER, SOURCE, sides=False)),
        crossing_case(objects=[{"kind": "block", "x1": 94, "x2": 106, "h": 7}]),
        atol=1e-6,
    )


def test_a_yard_is_open() -> None:
    """A ring-shaped building is two blocks on the way, with its yard between."""
    ring = square(200.0, 300.0, 30.0) + square(200.0, 300.0, 20.0)
    surface = place(edges=ring, edge_height=[7.0] * 8, edge_block=[5] * 8)
    blocks = [
        {"kind": "block", "x1": 70, "x2": 80, "h": 7},
        {"kind": "block", "x1": 120, "x2": 130, "h": 7},
    ]
    np.testing.assert_allclose(
        loss(one(surface, RECEIVER, SOURCE, sides=False)), crossing_case(objects=blocks), atol=1e-6
    )


def test_a_building_around_an_end_point_is_left_out_and_flagged() -> None:
    around_receiver = square(400.0, 300.0, 8.0)
    surface = place(edges=around_receiver, edge_height=[9.0] * 4, edge_block=[7] * 4)
    block = one(surface, RECEIVER, SOURCE, sides=False)
    assert block.flags[0] & Flag.INSIDE_BUILDING
    np.testing.assert_allclose(loss(block), crossing_case(), atol=1e-6)
    both = place(edges=square(250.0, 300.0, 200.0), edge_height=[9.0] * 4, edge_block=[0] * 4)
    assert one(both, RECEIVER, SOURCE, sides=False).flags[0] & Flag.INSIDE_BUILDING
    other = square(200.0, 300.0, 6.0)
    mixed = place(
        edges=around_receiver + other,
        edge_height=[9.0] * 4 + [7.0] * 4,
        edge_block=[7] * 4 + [3] * 4,
    )
    answer = one(mixed, RECEIVER, SOURCE, sides=False)
    assert answer.flags[0] & Flag.INSIDE_BUILDING
    expected = crossing_case(objects=[{"kind": "block", "x1": 94, "x2": 106, "h": 7}])
    np.testing.assert_allclose(loss(answer), expected, atol=1e-6)


def test_a_receiver_in_front_of_and_behind_its_facade() -> None:
    """On the facade towards the road nothing screens, on the far one the house does."""
    front = place(edges=square(408.1, 300.0, 8.0), edge_height=[9.0] * 4, edge_block=[0] * 4)
    before = one(front, RECEIVER, SOURCE)
    assert before.flags[0] & Flag.INSIDE_BUILDING == 0
    np.testing.assert_allclose(loss(before), crossing_case(), atol=1e-6)
    behind = place(edges=square(391.9, 300.0, 8.0), edge_height=[9.0] * 4, edge_block=[0] * 4)
    assert (loss(one(behind, RECEIVER, SOURCE)) > crossing_case() + 4.0).all()
    on_rim = place(edges=square(392.0, 300.0, 8.0), edge_height=[9.0] * 4, edge_block=[0] * 4)
    assert (loss(one(on_rim, RECEIVER, SOURCE)) > crossing_case() + 4.0).all()


def test_a_path_through_corners_and_along_walls() -> None:
    turned = [(200.0, 300.0), (210.0, 310.0), (220.0, 300.0), (210.0, 290.0)]
    edges = [(*a, *b) for a, b in zip(turned, turned[1:] + turned[:1], strict=True)]
    surface = place(edges=edges, edge_height=[7.0] * 4, edge_block=[0] * 4)
    expected = crossing_case(objects=[{"kind": "block", "x1": 100, "x2": 120, "h": 7}])
    np.testing.assert_allclose(
        loss(one(surface, RECEIVER, SOURCE, sides=False)), expected, atol=1e-6
    )
    along = place(edges=[(150.0, 300.0, 250.0, 300.0)], edge_height=[5.0], edge_block=[-1])
    np.testing.assert_allclose(
        loss(one(along, RECEIVER, SOURCE, sides=False)), crossing_case(), atol=1e-6
    )


def test_many_obstacles_need_more_room_than_the_first_scratch() -> None:
    walls = [(100.0 + 5.0 * i, 200.0, 100.0 + 5.0 * i, 400.0) for i in range(1, 60)]
    heights = 2.0 + 0.1 * np.arange(59)
    surface = place(edges=walls, edge_height=heights, edge_block=[-1] * 59)
    screens = [{"kind": "screen", "x": 5.0 * i, "h": 2.0 + 0.1 * (i - 1)} for i in range(1, 60)]
    np.testing.assert_allclose(
        loss(one(surface, RECEIVER, SOURCE)), crossing_case(objects=screens), atol=1e-6
    )


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000_000))
def test_the_index_finds_what_a_full_search_finds(seed: int) -> None:
    """Levels with 200 random walls equal those with each wall's own crossing searched."""
    rng = np.random.default_rng(seed)
    middle = rng.uniform(30.0, 560.0, (200, 2))
    half = rng.uniform(-25.0, 25.0, (200, 2))
    edges = np.column_stack([middle - half, middle + half])
    heights = rng.uniform(1.0, 9.0, 200)
    s, r = rng.uniform(5.0, 585.0, (2, 2))
    if np.hypot(*(r - s)) < 20.0:
        return
    met = []
    for (x1, y1, x2, y2), h in zip(edges, heights, strict=True):
        a = np.array([x1, y1])
        matrix = np.array([r - s, a - np.array([x2, y2])]).T
        t, u = np.linalg.solve(matrix, a - s)
        if 1e-6 < t < 1.0 - 1e-6 and 0.0 <= u <= 1.0:
            met.append((t, h))
    dp = float(np.hypot(*(r - s)))
    case = {"x": [0, dp], "ground": [0, 0], "hs": 0.5, "hr": 4, "G": [[0, dp, 0.5]],
            "objects": [{"kind": "screen", "x": t * dp, "h": h} for t, h in met]}  # fmt: skip
    surface = place(edges=edges, edge_height=heights, edge_block=[-1] * 200)
    block = one(surface, (*r, 4.0), (*s, 0.0), sides=False)
    np.testing.assert_allclose(loss(block), path_result(case)["A"], atol=1e-6)


def test_buildings_that_hold_a_point() -> None:
    edges = square(50.0, 50.0, 10.0) + square(50.0, 50.0, 5.0) + square(80.0, 50.0, 30.0)
    index = obstacle_index(edges, [5.0] * 12, [40] * 8 + [2] * 4)
    points = np.array([[50.0, 50.0], [42.0, 50.0], [58.0, 50.0], [100.0, 50.0], [500.0, 50.0]])
    pointer, item = containing_buildings(index, points)
    held = [sorted(item[a:b].tolist()) for a, b in itertools.pairwise(pointer)]
    assert held == [[0], [1], [0, 1], [0], []]  # renumbered: 2 -> 0, 40 -> 1


def test_wrong_obstacles_are_refused() -> None:
    for edges, high, block, message in (
        ([(0, 0, 1, 1)], [0.0], [-1], "above 0 m"),
        ([(0, 0, 1, np.nan)], [1.0], [-1], "not finite"),
        ([(0, 0, 1, 1)], [1.0, 2.0], [-1], "1 edges, 2 heights"),
        ([(0, 0, 1, 1)], [1.0], [-2], "0 and up, or -1"),
    ):
        with pytest.raises(BadDataError, match=message):
            obstacle_index(edges, high, block)


# --- ground and foliage ------------------------------------------------------------------


def test_ground_changes_act_in_their_region() -> None:
    """Porous cells under the last 120 m act through Ar only (0.5 m source, 4 m receiver)."""
    factor = np.zeros((60, 60))
    factor[:, 29:] = 1.0
    block = one(place(factor=factor), RECEIVER, SOURCE)
    strips = [[0, 185, 0.0], [185, 300, 1.0]]
    case = {"x": [0, 300], "ground": [0, 0], "hs": 0.5, "hr": 4, "G": strips}
    np.testing.assert_allclose(loss(block), path_result(case)["A"], atol=1e-6)


def test_foliage_counts_where_the_line_is_below_the_tree_tops() -> None:
    trees = np.zeros((60, 60), dtype=bool)
    trees[:, 20:26] = True  # 195..255 m: 60 m
    open_loss = loss(one(place(), RECEIVER, SOURCE))
    through = one(place(foliage=trees), RECEIVER, SOURCE)
    expected = 60.0 * np.array([0.02, 0.03, 0.04, 0.05, 0.06, 0.08, 0.09, 0.12])
    np.testing.assert_allclose(loss(through) - open_loss, expected, atol=1e-5)
    assert through.flags[0] & Flag.FOLIAGE
    over = one(place(foliage=trees, foliage_height=1.0), RECEIVER, SOURCE)
    np.testing.assert_allclose(loss(over), open_loss, atol=1e-9)
    assert not over.flags[0] & Flag.FOLIAGE
    strip = np.zeros((60, 60), dtype=bool)
    strip[:, 20] = True
    short = one(place(foliage=strip), RECEIVER, SOURCE)
    np.testing.assert_allclose(loss(short) - open_loss, [0, 0, 1, 1, 1, 1, 2, 3], atol=1e-5)


# --- the job -----------------------------------------------------------------------------


def town() -> tuple[Surface, FloatArray, FloatArray]:
    rng = np.random.default_rng(11)
    yy, xx = np.mgrid[0:60, 0:60] * 10.0
    height = 12.0 * np.sin(xx / 70.0) * np.cos(yy / 90.0)
    houses = [square(x, y, 6.0) for x, y in rng.uniform(40.0, 550.0, (60, 2))]
    edges = [edge for house in houses for edge in house]
    surface = place(
        height,
        rng.random((60, 60)),
        edges=edges,
        edge_height=[7.0] * 240,
        edge_block=np.repeat(np.arange(60), 4),
        foliage=rng.random((60, 60)) < 0.2,
    )
    receivers = np.column_stack([rng.uniform(20.0, 570.0, (40, 2)), rng.uniform(1.5, 8.0, 40)])
    x = np.linspace(10.0, 580.0, 60)
    y = 300.0 + 100.0 * np.sin(x / 100.0)
    sources = np.column_stack([x, y, bilinear(surface, x, y)])
    return surface, receivers, sources


def run_town(
    order: npt.NDArray[np.int64] | None = None,
) -> tuple[PathBlock, npt.NDArray[np.int64]]:
    surface, receivers, sources = town()
    chosen = receivers if order is None else receivers[order]
    pointer, source = pairs_within(chosen, sources, 400.0)
    return propagate(surface, chosen, sources, [0.5, 3.7], pointer, source, ALPHA, c0=2.0), pointer


def same_bits(a: PathBlock, b: PathBlock) -> bool:
    return all(
        getattr(a, name).tobytes() == getattr(b, name).tobytes()
        for name in ("t", "cmet_factor", "distance", "flags", "grazing_z")
    )


def test_the_number_of_threads_changes_no_bit() -> None:
    before = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        alone, _ = run_town()
        numba.set_num_threads(min(2, numba.config.NUMBA_NUM_THREADS))
        together, _ = run_town()
    finally:
        numba.set_num_threads(before)
    assert same_bits(alone, together)
    assert len(set(alone.flags.tolist())) > 5


def test_order_and_cutting_of_the_receivers_change_no_bit() -> None:
    whole, pointer = run_town()
    order = np.random.default_rng(5).permutation(40)
    shuffled, shuffled_pointer = run_town(order)
    for place_of, number in enumerate(order):
        a = slice(int(pointer[number]), int(pointer[number + 1]))
        b = slice(int(shuffled_pointer[place_of]), int(shuffled_pointer[place_of + 1]))
        assert whole.t[a].tobytes() == shuffled.t[b].tobytes()
        assert whole.grazing_z[a].tobytes() == shuffled.grazing_z[b].tobytes()
        assert whole.flags[a].tobytes() == shuffled.flags[b].tobytes()
    surface, receivers, sources = town()
    parts = []
    for first in range(0, 40, 7):
        some = receivers[first : first + 7]
        cut, source = pairs_within(some, sources, 400.0)
        parts.append(propagate(surface, some, sources, [0.5, 3.7], cut, source, ALPHA, c0=2.0).t)
    assert np.concatenate(parts).tobytes() == whole.t.tobytes()


def test_an_empty_job_is_no_fault() -> None:
    surface, receivers, sources = town()
    none = propagate(surface, receivers, sources, [0.5], np.zeros(41), np.zeros(0), ALPHA)
    assert none.t.shape == (0, 1, 8)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"receivers": [[100.0, 300.0, 0.0]]}, "receiver height: 0 m"),
        ({"receivers": [[np.nan, 300.0, 4.0]]}, "receivers: 1 of 3 values are not finite"),
        ({"source_heights": [0.5, -1.0]}, "source height: -1 m"),
        ({"absorption": [0.1] * 7}, "one for each of 8 bands"),
        ({"absorption": [117.0] * 8}, "dB per metre"),
        ({"pair_pointer": [0, 2]}, "pointer must rise"),
        ({"pair_source": [1]}, "source numbers must lie within 0..0"),
        ({"reading": "other"}, "literal, positive"),
        ({"c0": -1.0}, "C0: -1"),
        ({"minimum_distance": 0.0}, "minimum distance: 0"),
    ],
)
def test_a_wrong_job_is_refused(change: dict[str, Any], message: str) -> None:
    job: dict[str, Any] = {
        "surface": place(), "receivers": [RECEIVER], "sources": [SOURCE],
        "source_heights": [0.5], "pair_pointer": [0, 1], "pair_source": [0],
        "absorption": ALPHA,
    }  # fmt: skip
    with pytest.raises((BadDataError, OutOfDomainError), match=message):
        propagate(**{**job, **change})


def test_wrong_rasters_are_refused() -> None:
    with pytest.raises(BadDataError, match="at least 2 x 2"):
        place(np.zeros((1, 5)))
    with pytest.raises(OutOfDomainError, match=r"ground factor: 1\.5"):
        place(factor=1.5)
    with pytest.raises(BadDataError, match="same two-dimensional shape"):
        place(filled=np.zeros((3, 3), dtype=bool))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000_000), st.floats(1.0, 2000.0))
def test_pairs_equal_a_full_search(seed: int, limit: float) -> None:
    rng = np.random.default_rng(seed)
    receivers = rng.uniform(-500.0, 1500.0, (rng.integers(1, 40), 3))
    sources = rng.uniform(0.0, 1000.0, (rng.integers(1, 60), 3))
    pointer, source = pairs_within(receivers, sources, limit)
    for i, receiver in enumerate(receivers):
        away = (sources[:, 0] - receiver[0]) ** 2 + (sources[:, 1] - receiver[1]) ** 2
        expected = np.flatnonzero(away <= limit**2)
        assert source[pointer[i] : pointer[i + 1]].tolist() == expected.tolist()


def test_pairs_of_nothing() -> None:
    pointer, source = pairs_within(np.zeros((3, 2)), np.zeros((0, 2)), 10.0)
    assert (pointer.tolist(), len(source)) == ([0, 0, 0, 0], 0)
    with pytest.raises(OutOfDomainError, match="longest distance"):
        pairs_within(np.zeros((3, 2)), np.zeros((3, 2)), 0.0)


def test_kept_machine_code_is_never_older_than_its_sources() -> None:
    """The stamp of every kept function covers all sources, not its own file alone."""
    kept: list[Any] = [path_kernel.all_receivers, terrain_height]
    for function in kept:
        stamp = function._cache._cache_file._source_stamp
        assert stamp[1] == source_digest()


def test_without_a_folder_for_machine_code_all_still_works(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(**options: Any) -> Any:
        if options.get("cache"):
            raise RuntimeError("cannot cache function: no locator available")
        return numba.njit(**options)

    monkeypatch.setattr("noisemap.propagation.machine.compiled.njit", refuse)

    def double(x: float) -> float:
        return 2.0 * x

    assert compiled(double)(1.5) == 3.0


# --- flags and the index on their own -----------------------------------------------------


def test_every_flag_is_a_bit_of_its_own() -> None:
    bits = [value for name, value in vars(Flag).items() if name.isupper()]
    assert sorted(bits) == [1 << place for place in range(len(bits))]
    assert path_kernel.BEYOND_DISTANCE | path_kernel.BEYOND_HEIGHT == 3


@pytest.mark.parametrize(
    ("above", "near"), [(-0.45, False), (-0.25, True), (0.25, True), (0.45, False)]
)
def test_a_wall_near_a_sloping_line_of_sight_is_flagged(above: float, near: bool) -> None:
    """A third of the way from a source 2 m high to a receiver 17 m high: the line at 7 m."""
    wall = place(edges=[(200.0, 200.0, 200.0, 400.0)], edge_height=[7.0 + above], edge_block=[-1])
    block = one(wall, (400.0, 300.0, 17.0), (100.0, 300.0, 0.0), (2.0,), sides=False)
    assert bool(block.flags[0] & Flag.NEAR_GRAZING) == near


def test_tree_tops_are_at_most_150_m_high() -> None:
    assert place(foliage_height=150.0).foliage_height == 150.0
    assert place(foliage_height=0.0).foliage_height == 0.0
    for wrong in (150.1, -0.1, math.nan):
        with pytest.raises(OutOfDomainError, match="foliage height"):
            place(foliage_height=wrong)


def test_an_index_without_obstacles_holds_no_point() -> None:
    index = obstacle_index([], [], [])
    assert index.empty
    pointer, item = containing_buildings(index, np.array([[1.0, 2.0], [3.0, 4.0]]))
    assert (pointer.tolist(), item.tolist()) == ([0, 0, 0], [])
    wall = obstacle_index([(0.0, 0.0, 9.0, 0.0)], [2.0], [-1])
    assert not wall.empty
    pointer, item = containing_buildings(wall, np.array([[1.0, 0.0]]))
    assert (pointer.tolist(), item.tolist()) == ([0, 0], [])


@pytest.mark.parametrize(
    ("line", "row", "span"),
    [
        ((0.5, 0.2, 3.5, 1.2), 0, (0, 2)),  # leaves the row at x = 2.9
        ((0.5, 0.2, 3.5, 1.2), 1, (2, 3)),
        ((0.5, 0.2, 3.5, 1.2), 2, (0, -1)),
        ((3.5, 1.2, 0.5, 0.2), 0, (0, 2)),
        ((0.5, 0.5, 7.5, 0.5), 0, (0, 7)),
        ((0.5, 1.0, 3.5, 1.0), 0, (0, 3)),  # on the seam: both rows
        ((0.5, 1.0, 3.5, 1.0), 1, (0, 3)),
        ((2.0, 0.1, 2.0, 5.0), 3, (1, 2)),  # on the seam: both columns
        ((-4.5, 0.5, 30.5, 0.5), 0, (0, 9)),
        ((1.5, 0.0, 5.5, 8.0), 4, (3, 4)),
    ],
)
def test_columns_of_a_row_that_a_line_meets(
    line: tuple[float, float, float, float], row: int, span: tuple[int, int]
) -> None:
    assert row_span(*line, row, 10) == span


def test_the_index_lists_edges_buildings_groups_and_corners() -> None:
    """Two walls that hang together, one alone, and a building, on a grid counted by hand."""
    edges = [(0.0, 0.0, 10.0, 0.0), (10.0, 0.0, 10.0, 8.0), (40.0, 30.0, 50.0, 30.0),
             *square(25.0, 15.0, 5.0)]  # fmt: skip
    index = obstacle_index(edges, [1.0, 2.0, 3.0, 4.0, 4.0, 4.0, 4.0], [-1] * 3 + [7] * 4)
    assert (index.x0, index.y0) == (0.0, 0.0)
    assert index.cell == pytest.approx(math.sqrt(50.0 * 30.0 / 14.0))
    assert (index.columns, index.rows) == (5, 3)
    assert index.height.tolist() == [1.0, 2.0, 3.0, 4.0, 4.0, 4.0, 4.0]
    assert index.block.tolist() == [-1, -1, -1, 0, 0, 0, 0]
    assert (index.member_pointer.tolist(), index.member_item.tolist()) == ([0, 4], [3, 4, 5, 6])
    assert index.group.tolist() == [1, 1, 2, 0, 0, 0, 0]
    corners = [
        index.corner[a:b].tolist() for a, b in itertools.pairwise(index.corner_pointer.tolist())
    ]
    assert corners == [
        [[20.0, 10.0], [20.0, 20.0], [30.0, 10.0], [30.0, 20.0]],
        [[0.0, 0.0], [10.0, 0.0], [10.0, 8.0]],
        [[40.0, 30.0], [50.0, 30.0]],
    ]
    size = index.cell
    for number, (pointer, item) in enumerate(
        ((index.edge_pointer, index.edge_item), (index.building_pointer, index.building_item))
    ):
        for row, column in itertools.product(range(3), range(5)):
            cell = row * 5 + column
            west, south = column * size, row * size
            expected = []
            for k, (x1, y1, x2, y2) in enumerate(edges if number == 0 else [(20, 10, 30, 20)]):
                across = min(x1, x2) <= west + size and max(x1, x2) >= west
                along = min(y1, y2) <= south + size and max(y1, y2) >= south
                if across and along:
                    expected.append(k)
            assert item[pointer[cell] : pointer[cell + 1]].tolist() == expected
