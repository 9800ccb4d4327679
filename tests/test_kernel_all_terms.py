"""Industrial sites and housing (annex A.2, A.3) in the map kernel, and all terms together.

Closed forms first; then random places with screens, side paths, reflections, foliage,
sites and housing at once against `attenuation` with profiles and lengths read by hand.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from propagation_support import (
    ALPHA,
    FloatArray,
    bilinear,
    case,
    place,
    random_place,
    reference_path,
)
from test_kernel_reflections import reflectors_of
from test_kernel_sides import side_by_hand

from noisemap.errors import BadDataError, OutOfDomainError
from noisemap.levels import from_energy
from noisemap.propagation.attenuation import Path, attenuation
from noisemap.propagation.case import path_result
from noisemap.propagation.kernel import Reading, Surface, propagate
from noisemap.propagation.terms import site_table

SOURCE, RECEIVER = np.array([100.0, 300.0, 0.0]), np.array([400.0, 300.0, 4.0])
EAST = np.arange(60) * 10.0  # middles of the columns


def loss(surface: Surface, hs: float = 0.5, **options: Any) -> FloatArray:
    block = propagate(surface, [RECEIVER], [SOURCE], [hs], [0, 1], [0], ALPHA, **options)
    return np.asarray(-from_energy(block.t[0, 0].astype(float)))


def stripe(west: float, east: float, value: Any = True) -> npt.NDArray[Any]:
    """Cells of the columns whose middles lie between."""
    cells = np.zeros((60, 60), dtype=type(value))
    cells[:, (west < EAST) & (east > EAST)] = value
    return cells


def with_site(west: float, east: float, high: float = 50.0, factor: float = 0.0) -> Surface:
    return replace(place(factor=factor), site=stripe(west, east), site_height=high)


def with_housing(west: float, east: float, share: float, factor: float = 0.0) -> Surface:
    return replace(place(factor=factor), housing=stripe(west, east, share), housing_height=50.0)


# --- closed forms ------------------------------------------------------------------------------


@pytest.mark.parametrize("length", [10.0, 100.0, 200.0])
def test_a_site_takes_its_table_by_the_metre(length: float) -> None:
    gain = loss(with_site(145.0, 145.0 + length)) - loss(place(factor=0.0))
    np.testing.assert_allclose(gain, np.minimum(length * site_table(), 10.0), atol=1e-6)


def test_a_site_takes_10_db_at_most() -> None:
    """A row of 600 m would take 15 dB at 250 Hz."""
    far = np.array([580.0, 300.0, 4.0])
    surfaces = [with_site(0.0, 600.0), place(factor=0.0)]
    closer = [propagate(s, [far], [[10.0, 300.0, 0.0]], [0.5], [0, 1], [0], ALPHA).t
              for s in surfaces]  # fmt: skip
    gain = -from_energy(closer[0][0, 0].astype(float) / closer[1][0, 0])
    np.testing.assert_allclose(gain, np.minimum(570.0 * site_table(), 10.0), atol=1e-5)
    assert gain.max() == pytest.approx(10.0, abs=1e-5)


def test_a_site_below_the_line_of_sight_counts_where_the_line_is_low() -> None:
    """From 0.5 to 4 m over 300 m: the line is under 2.25 m for the first 150 m."""
    gain = loss(with_site(0.0, 600.0, 2.25)) - loss(place(factor=0.0))
    np.testing.assert_allclose(gain, 150.0 * site_table(), atol=1e-6)


def test_housing_replaces_a_ground_that_takes_less() -> None:
    """B 0.2 over 200 m: A1 = 0.1 x 0.2 x 200 = 4 dB; hard ground has Agr below 0."""
    d = math.hypot(300.0, 3.5)
    expected = 20.0 * math.log10(d) + 11.0 + ALPHA * d + 4.0
    np.testing.assert_allclose(loss(with_housing(145.0, 345.0, 0.2)), expected, atol=1e-6)


def test_housing_gives_way_to_a_ground_that_takes_more() -> None:
    surface = with_housing(145.0, 345.0, 0.2, factor=1.0)
    given_case = case(x=[0, 300], ground=[0, 0], G=[[0, 300, 1.0]])
    bare, built = (np.array(path_result({**given_case, **more})["A"])
                   for more in ({}, {"housing_m": 40.0}))  # fmt: skip
    agr = np.array(path_result(given_case)["Agr"])
    assert (agr > 4.0).any()
    assert (agr < 4.0).any()
    np.testing.assert_allclose(built - bare, np.maximum(4.0 - agr, 0.0), atol=1e-9)
    np.testing.assert_allclose(loss(surface), built, atol=1e-6)


def test_housing_takes_10_db_at_most() -> None:
    d = math.hypot(300.0, 3.5)
    expected = 20.0 * math.log10(d) + 11.0 + ALPHA * d + 10.0
    np.testing.assert_allclose(loss(with_housing(0.0, 600.0, 0.5)), expected, atol=1e-6)


def test_layers_that_do_not_fit_are_refused() -> None:
    flat = place()
    with pytest.raises(BadDataError, match="industrial sites: a raster of shape"):
        replace(flat, site=np.zeros((2, 2), bool))
    with pytest.raises(OutOfDomainError, match="built share"):
        replace(flat, housing=np.full((60, 60), 1.1))
    with pytest.raises(BadDataError, match="reflection: 1 coefficients for 0 edges"):
        replace(flat, edge_reflection=np.ones(1))
    with pytest.raises(OutOfDomainError, match=r"reflection order: 2 is not allowed .*0, 1"):
        loss(flat, reflection_order=2)


# --- all terms on random places -----------------------------------------------------------------


def covered(seed: int) -> tuple[Surface, FloatArray, FloatArray]:
    """A random place with trees, sites, houses, and walls beside the path that reflect."""
    surface, receiver, source = random_place(seed)
    rng = np.random.default_rng(seed + 2)
    s, r = source[:2], receiver[:2]
    ahead = (r - s) / np.hypot(*(r - s))
    left = np.array([-ahead[1], ahead[0]])
    edges, high, block = [*surface.edges], [*surface.edge_height], [*surface.edge_block]
    for side in (-1.0, 1.0):
        beside = rng.uniform(32.0, 48.0)
        ends = [s + share * (r - s) + side * beside * left
                for share in sorted(rng.uniform(0.1, 0.9, 2))]  # fmt: skip
        if all(((end > 5.0) & (end < 585.0)).all() for end in ends):
            edges.append(np.concatenate(ends))
            high.append(rng.uniform(4.0, 30.0))
            block.append(-1)
    shape = surface.factor.shape
    return replace(
        surface,
        edges=np.array(edges).reshape(-1, 4),
        edge_height=np.array(high),
        edge_block=np.array(block, dtype=np.int64),
        foliage=rng.random(shape) < 0.2,
        foliage_height=float(rng.uniform(3.0, 20.0)),
        site=rng.random(shape) < 0.3 if seed % 3 else None,
        site_height=float(rng.uniform(3.0, 20.0)),
        housing=rng.random(shape) * (rng.random(shape) < 0.6) * 0.5 if seed % 2 else None,
        housing_height=float(rng.uniform(3.0, 20.0)),
    ), receiver, source  # fmt: skip


def with_lengths(surface: Surface, path: Path, corners: FloatArray) -> Path:
    """The path with its lengths in trees, sites and housing; `corners` are its points in plan."""
    dp = float(path.x[-1])
    legs = np.hypot(*np.diff(corners, axis=0).T)
    gone = np.concatenate([[0.0], np.cumsum(legs)])
    pieces = max(1, math.ceil(dp / (0.5 * surface.gcell)))
    along = (np.arange(pieces) + 0.5) / pieces * dp
    x, y = (np.interp(along, gone, corners[:, i]) for i in range(2))
    i = np.floor((x - surface.gx0) / surface.gcell + 0.5).astype(int)
    j = np.floor((y - surface.gy0) / surface.gcell + 0.5).astype(int)
    zs, zr = path.ground[0] + path.hs, path.ground[-1] + path.hr
    above = zs + along / dp * (zr - zs) - np.interp(along, path.x, path.ground)
    piece = dp / pieces

    def length(layer: npt.NDArray[Any] | None, high: float) -> float:
        return 0.0 if layer is None else float((layer[j, i] * (above < high)).sum() * piece)

    return replace(
        path,
        foliage_m=length(surface.foliage, surface.foliage_height),
        site_m=length(surface.site, surface.site_height),
        housing_m=length(surface.housing, surface.housing_height),
    )


def mirror_place(path: Path, s: FloatArray, r: FloatArray, surface: Surface, share: float
                 ) -> FloatArray:  # fmt: skip
    """Where a reflected path turns: on one of the walls, `share` of its length from the source."""
    out, back = share * path.x[-1], (1.0 - share) * path.x[-1]
    best, found = np.inf, s
    for x1, y1, x2, y2 in surface.edges:
        a, along = np.array([x1, y1]), np.array([x2 - x1, y2 - y1])
        # on the edge at distance `out` from s: |a + t along - s| = out
        b = 2.0 * along @ (a - s)
        c = (a - s) @ (a - s) - out * out
        root = b * b - 4.0 * (along @ along) * c
        for sign in (-1.0, 1.0):
            t = (-b + sign * math.sqrt(max(root, 0.0))) / (2.0 * along @ along)
            point = a + t * along
            miss = abs(np.hypot(*(point - s)) - out) + abs(np.hypot(*(r - point)) - back)
            if -1e-9 <= t <= 1.0 + 1e-9 and miss < best:
                best, found = miss, point
    assert best < 1e-5
    return found


def compared(seed: int, reading: Reading) -> tuple[float, dict[str, bool]]:
    """Largest difference over both heights and all bands [dB], and which terms were there."""
    surface, receiver, source = covered(seed)
    s, r = source[:2], receiver[:2]
    block = propagate(surface, receiver[None], source[None], (0.5, 3.7), [0, 1], [0], ALPHA,
                      reading=reading, reflection_order=1)  # fmt: skip
    worst = 0.0
    seen: dict[str, bool] = {}
    for h, hs in enumerate((0.5, 3.7)):
        path = reference_path(surface, receiver, source, hs, reading=reading)
        path = with_lengths(surface, path, np.array([s, r]))
        reflectors = []
        for reflector in reflectors_of(surface, source, receiver, hs):
            turn = mirror_place(reflector.path, s, r, surface, reflector.share)
            way = with_lengths(surface, reflector.path, np.array([s, turn, r]))
            reflectors.append(replace(reflector, path=replace(way, reading=reading)))
        answer = attenuation(replace(path, reflectors=tuple(reflectors)))
        ways = [answer.a]
        sight = path.ground[0] + hs + path.x / path.x[-1] * (
            path.ground[-1] + path.hr - path.ground[0] - hs)  # fmt: skip
        if answer.top.blocked and (path.ground[1:-1] <= sight[1:-1]).all():
            bare = attenuation(replace(path, object_x=np.zeros(0), object_top=np.zeros(0)))
            dz = [side_by_hand(surface, source, receiver, hs, side) for side in (1.0, -1.0)]
            ways += [bare.a + way for way in dz if way is not None]
        expected = -10.0 * np.log10(np.sum([10.0 ** (-w / 10.0) for w in ways], axis=0))
        level = -10.0 * np.log10(block.t[0, h].astype(float))
        worst = max(worst, float(np.abs(level - expected).max()))
        for name, here in (
            ("screen", answer.top.n > 0), ("side", len(ways) > 1), ("foliage", path.foliage_m > 10),
            ("site", path.site_m > 0), ("housing", path.housing_m > 0),
            ("reflection", any(found.counted for found in answer.reflections)),
        ):  # fmt: skip
            seen[name] = seen.get(name, False) or bool(here)
    return worst, seen


def test_all_terms_together_on_240_random_paths() -> None:
    counts: dict[str, int] = {}
    for seed in range(120):
        worst, seen = compared(seed, "literal" if seed % 4 else "positive")
        assert worst < 1e-6, f"place {seed}: {worst:.2e} dB with {seen}"
        for name, here in seen.items():
            counts[name] = counts.get(name, 0) + here
    assert min(counts.values()) >= 12, counts


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(1000, 10_000_000), st.sampled_from(["literal", "positive"]))
def test_all_terms_together_wherever_one_looks(seed: int, reading: Reading) -> None:
    worst, seen = compared(seed, reading)
    assert worst < 1e-6, seen


# --- order of things ------------------------------------------------------------------------------


def test_levels_fall_with_distance_over_flat_ground() -> None:
    """From 20 m on, every band of every ground; the reflections of a wall beside included."""
    for factor in (0.0, 0.5, 1.0):
        surface = place(factor=factor)
        far = np.arange(40.0, 480.0, 10.0)
        places = np.column_stack([100.0 + far, np.full(len(far), 300.0), np.full(len(far), 4.0)])
        block = propagate(surface, places, [SOURCE], [0.5, 3.7], np.arange(len(far) + 1),
                          np.zeros(len(far), int), ALPHA)  # fmt: skip
        level = 10.0 * np.log10(block.t.sum(axis=2, dtype=float))
        assert (np.diff(level, axis=0) < 0.0).all()


def test_more_ways_never_lower_a_level() -> None:
    for seed in range(2, 200, 5):
        surface, receiver, source = covered(seed)
        runs = [propagate(surface, receiver[None], source[None], (0.5, 3.7), [0, 1], [0], ALPHA,
                          sides=sides, reflection_order=order).t
                for sides, order in ((False, 0), (True, 0), (True, 1))]  # fmt: skip
        assert (runs[1] >= runs[0]).all()
        assert (runs[2] >= runs[1]).all()


def test_the_ground_under_a_mirror_point_may_hide_it() -> None:
    """A wall in a hollow reflects only above the ground at its foot."""
    height = np.zeros((60, 60))
    height[35:, :] = 20.0
    wall = place(height, 0.0, edges=[(100.0, 345.0, 400.0, 345.0)], edge_height=[6.0],
                 edge_block=[-1])  # fmt: skip
    assert float(bilinear(wall, np.array(250.0), np.array(345.0))) == 10.0
    assert loss(wall, reflection_order=1).tolist() == loss(wall).tolist()
