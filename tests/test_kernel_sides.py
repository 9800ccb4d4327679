"""Paths around the sides of walls and buildings in the map kernel (convention C18).

The band of each side is found here by a second way: the convex hull of source,
receiver and corners from a library, and crossings from a geometry library.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from propagation_support import ALPHA, FloatArray, bilinear, place, random_place, reference_path

from noisemap.levels import from_energy
from noisemap.propagation.attenuation import attenuation
from noisemap.propagation.case import path_result
from noisemap.propagation.kernel import PathBlock, Surface, propagate
from noisemap.propagation.screening import Reading, screening

SOURCE, RECEIVER = np.array([100.0, 300.0, 0.0]), np.array([200.0, 300.0, 4.0])


def one(surface: Surface, hs: float = 0.5, receiver: FloatArray = RECEIVER,
        source: FloatArray = SOURCE, **options: bool) -> FloatArray:  # fmt: skip
    block: PathBlock = propagate(surface, [receiver], [source], [hs], [0, 1], [0], ALPHA, **options)
    return np.asarray(-from_energy(block.t[0, 0].astype(float)))


def ring(*corners: tuple[float, float]) -> list[tuple[float, float, float, float]]:
    return [(*a, *b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]


def test_finite_block_with_both_sides_of_the_prototype() -> None:
    """Case 19 (COMPUTED by an independent prototype): all three paths together."""
    house = ring((120, 294), (130, 294), (130, 310), (120, 310))
    surface = place(factor=0.0, edges=house, edge_height=[8.0] * 4, edge_block=[0] * 4)
    printed = [53.884, 56.714, 60.720, 64.916, 68.080, 69.991, 72.303, 80.719]
    np.testing.assert_allclose(one(surface), printed, atol=0.0015)  # three digits are printed
    case = {"x": [0, 100], "ground": [0, 0], "hs": 0.5, "hr": 4, "G": [[0, 100, 0]],
            "objects": [{"kind": "block", "x1": 20, "x2": 30, "h": 8}],
            "lateral_corners": [[20, 10], [30, 10], [20, -6], [30, -6]]}  # fmt: skip
    np.testing.assert_allclose(one(surface), path_result(case)["A"], atol=1e-6)


def test_switched_off_the_top_alone_counts() -> None:
    house = ring((120, 294), (130, 294), (130, 310), (120, 310))
    surface = place(factor=0.0, edges=house, edge_height=[8.0] * 4, edge_block=[0] * 4)
    case = {"x": [0, 100], "ground": [0, 0], "hs": 0.5, "hr": 4, "G": [[0, 100, 0]],
            "objects": [{"kind": "block", "x1": 20, "x2": 30, "h": 8}]}  # fmt: skip
    np.testing.assert_allclose(one(surface, sides=False), path_result(case)["A"], atol=1e-6)


def test_a_wall_that_bends_is_gone_round_at_its_ends() -> None:
    """Three pieces that hang together; each end's detour in closed form."""
    wall = [(150, 290, 150, 305), (150, 305, 140, 320), (150, 290, 150, 270)]
    surface = place(factor=0.0, edges=wall, edge_height=[30.0] * 3, edge_block=[-1] * 3)
    rise = 3.5
    d = math.hypot(100.0, rise)
    left = math.hypot(40, 20) + math.hypot(60, 20)
    right = math.hypot(50, 30) * 2.0
    z = [math.hypot(length, rise) - d for length in (left, right)]
    case = {"x": [0, 100], "ground": [0, 0], "hs": 0.5, "hr": 4, "G": [[0, 100, 0]],
            "objects": [{"kind": "screen", "x": 50, "h": 30}]}  # fmt: skip
    top = np.array(path_result(case)["A"])
    bare = np.array(path_result({**case, "objects": []})["A"])
    ways = [top, *(bare + screening(difference) for difference in z)]
    expected = -10.0 * np.log10(sum(10.0 ** (-way / 10.0) for way in ways))
    np.testing.assert_allclose(one(surface), expected, atol=1e-6)


def test_a_corner_beyond_the_receiver_is_gone_round() -> None:
    """A hook around the receiver: out behind it and back, not through the wall."""
    wall = [(180, 260, 180, 330), (180, 330, 230, 330)]
    surface = place(factor=0.0, edges=wall, edge_height=[30.0] * 2, edge_block=[-1] * 2)
    rise, d = 3.5, math.hypot(100.0, 3.5)
    corner, end = (80.0, 30.0), (130.0, 30.0)
    legs = (math.hypot(*corner), 50.0, math.hypot(end[0] - 100.0, end[1]))
    left = screening(math.hypot(sum(legs), rise) - d, 1.0, 2, 50.0)
    right = screening(math.hypot(math.hypot(80, 40) + math.hypot(20, 40), rise) - d)
    case = {"x": [0, 100], "ground": [0, 0], "hs": 0.5, "hr": 4, "G": [[0, 100, 0]],
            "objects": [{"kind": "screen", "x": 80, "h": 30}]}  # fmt: skip
    top = np.array(path_result(case)["A"])
    bare = np.array(path_result({**case, "objects": []})["A"])
    expected = -10.0 * np.log10(
        10.0 ** (-top / 10.0) + 10.0 ** (-(bare + left) / 10.0) + 10.0 ** (-(bare + right) / 10.0)
    )
    np.testing.assert_allclose(one(surface), expected, atol=1e-6)


@pytest.mark.parametrize("hs", [0.5, 3.7])
def test_sides_only_where_objects_and_not_the_terrain_cut_the_line(hs: float) -> None:
    low = place(factor=0.0, edges=[(150, 290, 150, 310)], edge_height=[0.4], edge_block=[-1])
    assert one(low, hs).tolist() == one(low, hs, sides=False).tolist()
    hill = np.zeros((60, 60))
    hill[:, 14:16] = 9.0
    wall = [(150.0, 290.0, 150.0, 310.0)]
    behind = place(hill, 0.0, edges=wall, edge_height=[8.0], edge_block=[-1])
    assert one(behind, hs).tolist() == one(behind, hs, sides=False).tolist()
    flat = place(factor=0.0, edges=wall, edge_height=[8.0], edge_block=[-1])
    assert (one(flat, hs) < one(flat, hs, sides=False) - 0.1).all()


def test_more_around_than_there_is_room_for_closes_the_side() -> None:
    """Forty walls without a gap to slip through: over the top alone, without a fault."""
    walls = [(101.0 + 2.0 * i, 290.0 - i, 101.0 + 2.0 * i, 310.0 + i) for i in range(40)]
    surface = place(factor=0.0, edges=walls, edge_height=[20.0] * 40, edge_block=[-1] * 40)
    assert one(surface).tolist() == one(surface, sides=False).tolist()


def crowded(seed: int, size: float = 600.0) -> tuple[Surface, FloatArray, FloatArray]:
    """Houses and low walls between receivers and sources that see little of each other."""
    rng = np.random.default_rng(seed)
    edges, high, block = [], [], []
    for number in range(90):
        x, y = rng.uniform(20.0, size - 20.0, 2)
        w, d, angle = rng.uniform(6.0, 20.0), rng.uniform(6.0, 12.0), rng.uniform(0.0, 3.0)
        along, beside = np.array([np.cos(angle), np.sin(angle)]), np.array(
            [-np.sin(angle), np.cos(angle)])  # fmt: skip
        corners = [(x, y) + i * w * along + j * d * beside for i, j in
                   ((0, 0), (1, 0), (1, 1), (0, 1))]  # fmt: skip
        sides = ring(*[(float(c[0]), float(c[1])) for c in corners])
        walls = number % 3 == 0
        edges += sides[:1] if walls else sides
        high += [rng.uniform(1.0, 4.0) if walls else rng.uniform(3.0, 9.0)] * (1 if walls else 4)
        block += [-1] if walls else [number] * 4
    surface = place(np.zeros((61, 61)), 0.5, edges=edges, edge_height=high, edge_block=block)
    ends = rng.uniform(30.0, size - 30.0, (24, 2))
    receivers = np.column_stack([ends[:12], np.full(12, 4.0)])
    return surface, receivers, np.column_stack([ends[12:], np.zeros(12)])


def test_heights_together_are_each_alone() -> None:
    """A band found for one source height is used for another only where it is the same."""
    surface, receivers, sources = crowded(3)
    pairs = np.arange(13) * 12, np.tile(np.arange(12), 12)
    heights = (0.5, 2.0, 3.7, 6.0)
    together = propagate(surface, receivers, sources, heights, *pairs, ALPHA)
    bare = propagate(surface, receivers, sources, heights, *pairs, ALPHA, sides=False)
    assert ((together.t > bare.t).any(axis=2).sum(axis=0) > 20).all()
    for h, height in enumerate(heights):
        alone = propagate(surface, receivers, sources, [height], *pairs, ALPHA)
        assert np.array_equal(alone.t[:, 0], together.t[:, h])


@pytest.mark.parametrize("reading", ["literal", "positive"])
def test_what_comes_over_the_top_stands_beside_the_whole(reading: Reading) -> None:
    surface, receivers, sources = crowded(4)
    pairs = np.arange(13) * 12, np.tile(np.arange(12), 12)
    ways = {"sides": True, "reflection_order": 1}
    job = surface, receivers, sources, (0.5, 3.7), *pairs, ALPHA
    whole = propagate(*job, reading=reading, **ways)
    top = propagate(*job, reading=reading, sides=False)
    assert np.array_equal(whole.top, top.top)
    np.testing.assert_allclose(top.top, top.t.sum(axis=2, dtype=float), rtol=1e-6)
    assert (whole.t.sum(axis=2) > 1.01 * whole.top).sum() > 50


# --- against a second way, on random places ------------------------------------------------


def shapes_of(surface: Surface) -> list[tuple[list[int], FloatArray]]:
    """Edges and corners of each obstacle; the walls of the random places never touch."""
    members: dict[int, list[int]] = {}
    for number, block in enumerate(surface.edge_block.tolist()):
        members.setdefault(block if block >= 0 else -1 - number, []).append(number)
    return [(own, surface.edges[own].reshape(-1, 2)) for own in members.values()]


def tall_on(surface: Surface, a: FloatArray, b: FloatArray, za: float, zb: float,
            shapes: list[tuple[list[int], FloatArray]], known: set[int], middle: bool
            ) -> dict[int, float]:  # fmt: skip
    """Obstacles, not known yet, that rise above the straight line from a to b, and where."""
    line = shapely.LineString([a, b])
    found: dict[int, float] = {}
    for number, (own, _) in enumerate(shapes):
        if number in known:
            continue
        met = []
        for k in own:
            x1, y1, x2, y2 = surface.edges[k]
            at = line.intersection(shapely.LineString([(x1, y1), (x2, y2)]))
            if not at.is_empty and 1e-6 < line.project(at) < line.length - 1e-6:
                met.append(float(line.project(at)))
        for along in sorted(met, reverse=True):
            point = line.interpolate(float(np.mean(met)) if middle else along)
            top = float(bilinear(surface, point.x, point.y)) + surface.edge_height[own[0]]
            if top > za + along / line.length * (zb - za):
                found[number] = along
    return found


def band(s: FloatArray, r: FloatArray, points: FloatArray, side: float) -> FloatArray | None:
    """Part of the convex hull of the ends and the corners on one side."""
    across = (r - s)[0] * (points - s)[:, 1] - (r - s)[1] * (points - s)[:, 0]
    points = points[side * across > 0.0]
    if not len(points):
        return None
    hull = shapely.MultiPoint([s, r, *points]).convex_hull
    rim = shapely.get_coordinates(hull)[:-1]
    if not shapely.LinearRing(rim).is_ccw:
        rim = rim[::-1]
    start, end = (int(np.flatnonzero((rim == p).all(axis=1))[0]) for p in (s, r))
    step = -1 if side > 0 else 1
    order = [start]
    while order[-1] != end:
        order.append((order[-1] + step) % len(rim))
    return rim[order]


def side_by_hand(surface: Surface, source: FloatArray, receiver: FloatArray, hs: float,
                 side: float) -> FloatArray | None:  # fmt: skip
    shapes = shapes_of(surface)
    s, r = source[:2], receiver[:2]
    zs = float(source[2]) + hs
    zr = float(bilinear(surface, r[0], r[1])) + float(receiver[2])
    inside = set(tall_on(surface, s, r, zs, zr, shapes, set(), middle=True))
    while True:
        rim = band(s, r, np.concatenate([shapes[i][1] for i in sorted(inside)]), side)
        if rim is None:
            return None
        legs = np.hypot(*np.diff(rim, axis=0).T)
        z = zs + np.concatenate([[0.0], np.cumsum(legs)]) / legs.sum() * (zr - zs)
        for i in range(len(legs)):
            met = tall_on(surface, rim[i], rim[i + 1], z[i], z[i + 1], shapes, inside, False)
            if met:
                inside.add(min(met, key=met.__getitem__))
                break
        else:
            break
    d = math.hypot(float(np.hypot(*(r - s))), zr - zs)
    around = math.hypot(float(legs.sum()), zr - zs)
    return screening(around - d, 1.0, len(legs) - 1, float(legs[1:-1].sum()))


def test_equal_to_the_reference_on_random_places() -> None:
    """Walls and houses, 400 places: kernel against the sum of `attenuation` and hand-made sides."""
    counted = 0
    for seed in range(1000):
        if seed % 5 not in (2, 3):
            continue
        surface, receiver, source = random_place(seed)
        for hs in (0.5, 3.7):
            path = reference_path(surface, receiver, source, hs)
            top = attenuation(path)
            sight = path.ground[0] + hs + path.x / path.x[-1] * (
                path.ground[-1] + path.hr - path.ground[0] - hs)  # fmt: skip
            expected = top.a
            if top.top.blocked and (path.ground[1:-1] <= sight[1:-1]).all():
                dz = [side_by_hand(surface, source, receiver, hs, side) for side in (1.0, -1.0)]
                ways = [top.a, *(top.a - top.abar + way for way in dz if way is not None)]
                counted += len(ways) - 1
                expected = -10.0 * np.log10(np.sum([10.0 ** (-w / 10.0) for w in ways], axis=0))
            found = one(surface, hs, receiver, source)
            assert np.abs(found - expected).max() < 1e-6, f"place {seed}, source {hs} m"
    assert counted > 200
