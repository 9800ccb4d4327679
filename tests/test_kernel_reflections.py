"""Reflections of first order in `noisemap path` and in the map kernel (7.5, convention C20).

The second way to the mirror points is complex arithmetic and a geometry library; the
unfolded profiles are read apart from the kernel.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import shapely
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
    tops_on,
)

from noisemap.levels import from_energy
from noisemap.propagation.attenuation import Path, Reflector, attenuation
from noisemap.propagation.case import path_result
from noisemap.propagation.ground import GroundStrips
from noisemap.propagation.kernel import Surface, propagate
from noisemap.propagation.reflection import reflection_coefficient

HEIGHTS = (0.5, 3.7)
SOURCE, RECEIVER = np.array([100.0, 300.0, 0.0]), np.array([140.0, 300.0, 4.0])


def kernel(surface: Surface, source: FloatArray = SOURCE, receiver: FloatArray = RECEIVER,
           hs: float = 0.5, **options: Any) -> FloatArray:  # fmt: skip
    options = {"reflection_order": 1, **options}
    block = propagate(surface, [receiver], [source], [hs], [0, 1], [0], ALPHA, **options)
    return np.asarray(-from_energy(block.t[0, 0].astype(float)))


def flat_loss(plan: float, hs: float = 0.5, hr: float = 4.0) -> FloatArray:
    """Attenuation over hard flat ground: -1.5 dB at each end, -3 q between."""
    d = math.hypot(plan, hr - hs)
    q = max(0.0, 1.0 - 30.0 * (hs + hr) / plan)
    return np.asarray(20.0 * math.log10(d) + 11.0 + ALPHA * d - 3.0 - 3.0 * q)


def together(*ways: FloatArray) -> FloatArray:
    return np.asarray(-10.0 * np.log10(sum(10.0 ** (-way / 10.0) for way in ways)))


def wall(x1: float, y1: float, x2: float, y2: float, high: float = 6.0,
         reflection: float | None = None) -> Surface:  # fmt: skip
    surface = place(factor=0.0, edges=[(x1, y1, x2, y2)], edge_height=[high], edge_block=[-1])
    return surface if reflection is None else replace(
        surface, edge_reflection=np.array([reflection])
    )  # fmt: skip


# --- closed forms ------------------------------------------------------------------------------


def test_a_wall_without_end_is_an_image_source() -> None:
    """Parallel to the path 30 m beside it: the image is 60 m across; large enough in all bands."""
    surface = wall(0.0, 330.0, 590.0, 330.0, 200.0)
    expected = together(flat_loss(40.0), flat_loss(math.hypot(40.0, 60.0)))
    np.testing.assert_allclose(kernel(surface), expected, atol=1e-6)


def test_both_faces_of_a_wall_reflect_but_not_through_it() -> None:
    for y in (270.0, 330.0):
        assert (kernel(wall(0.0, y, 590.0, y, 200.0)) < flat_loss(40.0) - 0.1).all()
    between = wall(120.0, 200.0, 120.0, 400.0, 1.0)  # source and receiver on two sides
    assert kernel(between).tolist() == kernel(between, reflection_order=0).tolist()


@pytest.mark.parametrize("coefficient", [1.0, 0.8, 0.4, 0.2])
def test_what_a_surface_absorbs_is_lost(coefficient: float) -> None:
    surface = wall(0.0, 330.0, 590.0, 330.0, 200.0, coefficient)
    echo = flat_loss(math.hypot(40.0, 60.0)) - 10.0 * math.log10(coefficient)
    np.testing.assert_allclose(kernel(surface), together(flat_loss(40.0), echo), atol=1e-6)


def test_a_poor_reflector_is_none() -> None:
    surface = wall(0.0, 330.0, 590.0, 330.0, 200.0, 0.19)
    assert kernel(surface).tolist() == kernel(surface, reflection_order=0).tolist()


def test_a_small_surface_reflects_high_bands_only() -> None:
    """6 m high, mirror point at 2.25 m: eq. 19 holds from 500 Hz (COMPUTED, a prototype)."""
    gain = flat_loss(40.0) - kernel(wall(90.0, 330.0, 160.0, 330.0, 6.0))
    np.testing.assert_allclose(gain[:3], 0.0, atol=1e-6)
    echo = flat_loss(math.hypot(40.0, 60.0))
    expected = together(flat_loss(40.0), echo)[3:]
    np.testing.assert_allclose(flat_loss(40.0)[3:] - gain[3:], expected, atol=1e-6)


def test_too_low_or_too_short_or_too_far_for_the_mirror_point() -> None:
    bare = kernel(place(factor=0.0)).tolist()
    assert kernel(wall(90.0, 330.0, 160.0, 330.0, 2.24)).tolist() == bare
    assert kernel(wall(90.0, 330.0, 160.0, 330.0, 2.26)).tolist() != bare
    assert kernel(wall(121.0, 330.0, 190.0, 330.0, 200.0)).tolist() == bare
    assert kernel(wall(119.0, 330.0, 190.0, 330.0, 200.0)).tolist() != bare
    assert kernel(wall(0.0, 350.1, 590.0, 350.1, 200.0)).tolist() == bare
    assert kernel(wall(0.0, 349.9, 590.0, 349.9, 200.0)).tolist() != bare


def test_a_screen_before_the_surface_screens_the_reflection() -> None:
    """A low wall at right angles on the way to the surface, clear of the direct path."""
    both = place(
        factor=0.0, edges=[(0.0, 330.0, 590.0, 330.0), (100.0, 310.0, 120.0, 310.0)],
        edge_height=[200.0, 3.0], edge_block=[-1, -1],
    )  # fmt: skip
    both = replace(both, edge_reflection=np.array([1.0, 0.0]))
    plan = math.hypot(40.0, 60.0)
    answer = path_result(case(
        x=[0, plan], ground=[0, 0], G=[[0, plan, 0]],
        objects=[{"kind": "screen", "x": plan / 6.0, "h": 3.0}],
    ))  # fmt: skip
    expected = together(flat_loss(40.0), np.array(answer["A"]))
    np.testing.assert_allclose(kernel(both), expected, atol=1e-6)
    assert (np.array(answer["Dz"]) > 3.0).all()


def test_own_facade_does_not_reflect_but_the_one_across_the_street_does() -> None:
    """A receiver 0.1 m before its facade; the house has its back to the source."""
    own = [(140.1, 290.0, 140.1, 310.0), (140.1, 310.0, 150.0, 310.0),
           (150.0, 310.0, 150.0, 290.0), (150.0, 290.0, 140.1, 290.0)]  # fmt: skip
    house = place(factor=0.0, edges=own, edge_height=[9.0] * 4, edge_block=[0] * 4)
    assert kernel(house).tolist() == kernel(house, reflection_order=0).tolist()
    nearer = RECEIVER - np.array([1.0, 0.0, 0.0])
    bare = kernel(house, receiver=nearer, reflection_order=0)
    assert (kernel(house, receiver=nearer)[5:] < bare[5:] - 1.0).all()


def test_facades_reflect_outwards_only() -> None:
    """The far facade of a house beside the path would throw sound through the house."""
    ring = [(100.0, 320.0), (140.0, 320.0), (140.0, 330.0), (100.0, 330.0)]
    edges = [(*a, *b) for a, b in zip(ring, ring[1:] + ring[:1], strict=True)]
    for order in (edges, [(c, d, a, b) for a, b, c, d in edges]):
        house = place(factor=0.0, edges=order, edge_height=[50.0] * 4, edge_block=[0] * 4)
        near = flat_loss(math.hypot(40.0, 40.0)) - 10.0 * math.log10(0.8)
        np.testing.assert_allclose(
            kernel(house)[2:], together(flat_loss(40.0), near)[2:], atol=1e-6
        )


def test_the_four_strongest_count() -> None:
    """Six surfaces along ellipses round source and receiver, each a little longer a way."""
    edges, lengths = [], []
    for number, turn in enumerate((0.4, 1.3, 2.3, 3.6, 4.7, 5.6)):
        a = 30.0 + 1.5 * ((number * 5) % 6)  # not in the order of the edges
        b = math.sqrt(a * a - 20.0 * 20.0)
        x, y = 120.0 + a * math.cos(turn), 300.0 + b * math.sin(turn)
        along = np.array([-a * math.sin(turn), b * math.cos(turn)])
        along *= 3.0 / np.hypot(*along)
        edges.append((x - along[0], y - along[1], x + along[0], y + along[1]))
        lengths.append(2.0 * a)
    surface = place(factor=0.0, edges=edges, edge_height=[40.0] * 6, edge_block=[-1] * 6)
    ways = [flat_loss(length) for length in sorted(lengths)[:4]]
    np.testing.assert_allclose(kernel(surface)[6:], together(flat_loss(40.0), *ways)[6:], atol=1e-6)


def test_coefficients_of_table_4() -> None:
    """Recalled values (MEMORY-H): data that is read right, no oracle for the physics."""
    kinds = ("hard_wall", "building", "half_open")
    assert [reflection_coefficient(kind) for kind in kinds] == [1.0, 0.8, 0.4]


# --- against a second way, on random places ----------------------------------------------------


def cells_of(surface: Surface, x: FloatArray, y: FloatArray) -> FloatArray:
    i = np.floor((x - surface.gx0) / surface.gcell + 0.5).astype(int)
    j = np.floor((y - surface.gy0) / surface.gcell + 0.5).astype(int)
    return np.asarray(surface.factor[j, i].astype(float))


def unfolded(surface: Surface, s: FloatArray, p: FloatArray, r: FloatArray, foot: float,
             hs: float, hr: float) -> Path:  # fmt: skip
    """Path from s by way of p to r, with profile, ground and tops of both legs."""
    legs = [float(np.hypot(*(p - s))), float(np.hypot(*(r - p)))]
    plan = sum(legs)

    def at(along: FloatArray) -> tuple[FloatArray, FloatArray]:
        first = (along <= legs[0])[:, None]
        xy = np.where(first, s + (along / legs[0])[:, None] * (p - s),
                      p + ((along - legs[0]) / legs[1])[:, None] * (r - p))  # fmt: skip
        return xy[:, 0], xy[:, 1]

    steps = max(1, math.ceil(plan / surface.cell))
    x = np.arange(steps + 1) / steps * plan
    ground = bilinear(surface, *at(x))
    ground[0] = foot
    pieces = max(1, math.ceil(plan / (0.5 * surface.gcell)))
    rim = np.arange(pieces + 1) / pieces * plan
    factor = cells_of(surface, *at((np.arange(pieces) + 0.5) / pieces * plan))
    tops = [*tops_on(surface, s, p), *((legs[0] + a, z) for a, z in tops_on(surface, p, r))]
    tops = [(a, z) for a, z in sorted(tops) if min(abs(a - legs[0]), a, plan - a) > 1e-6]
    top = np.array(tops, dtype=float).reshape(-1, 2)
    return Path(x, ground, hs, hr, GroundStrips(rim[:-1], rim[1:], factor), ALPHA,
                top[:, 0], top[:, 1])  # fmt: skip


def houses_of(surface: Surface) -> dict[int, Any]:
    blocks = np.asarray(surface.edge_block)
    return {
        int(b): shapely.Polygon(surface.edges[blocks == b][:, :2])
        for b in np.unique(blocks[blocks >= 0])
    }


def reflectors_of(surface: Surface, source: FloatArray, receiver: FloatArray, hs: float
                  ) -> tuple[Reflector, ...]:  # fmt: skip
    s, r = source[:2], receiver[:2]
    houses = houses_of(surface)
    near: list[Reflector] = []
    far: list[Reflector] = []
    for (x1, y1, x2, y2), high, block in zip(
        surface.edges, surface.edge_height, surface.edge_block, strict=True
    ):
        a, b = complex(x1, y1), complex(x2, y2)
        turn = (b - a) / abs(b - a)
        zs, zr = (complex(*s) - a) / turn, (complex(*r) - a) / turn
        line = shapely.LineString([(x1, y1), (x2, y2)])
        from_r, from_s = line.distance(shapely.Point(r)), line.distance(shapely.Point(s))
        if zs.imag * zr.imag <= 0.0 or min(from_r, from_s) > 50.0 or from_r < 0.5:
            continue
        at = zs.real + (zr.real - zs.real) * zs.imag / (zs.imag + zr.imag)
        if not 0.0 <= at <= abs(b - a):
            continue
        spot = a + at * turn
        before = spot + turn * 1j * math.copysign(1e-3, zs.imag)
        if block >= 0 and houses[int(block)].contains(shapely.Point(before.real, before.imag)):
            continue
        p = np.array([spot.real, spot.imag])
        path = unfolded(surface, s, p, r, float(source[2]), hs, float(receiver[2]))
        length = abs(zs - zr.conjugate())
        rho = 1.0 if block < 0 else 0.8
        normal = abs(zs.imag) + abs(zr.imag)
        reflector = Reflector(path, abs(zs.imag) / normal, normal, abs(b - a), float(high),
                              float(bilinear(surface, p[0], p[1])), rho)  # fmt: skip
        assert abs(path.x[-1] - length) < 1e-9 * length
        (near if from_r <= 50.0 else far).append(reflector)
    return (*near, *far)


def street(seed: int) -> tuple[Surface, FloatArray, FloatArray]:
    """A random place with six more houses and walls beside the path."""
    surface, receiver, source = random_place(seed)
    rng = np.random.default_rng(seed + 1)
    edges, high, block = (list(surface.edges), list(surface.edge_height), list(surface.edge_block))
    number = max([-1, *block]) + 1
    s, r = source[:2], receiver[:2]
    for _ in range(6):
        middle = (s if rng.random() < 0.5 else r) + rng.uniform(-45.0, 45.0, 2)
        middle = np.clip(middle, 40.0, 550.0)
        angle = rng.uniform(0.0, math.pi)
        along = np.array([math.cos(angle), math.sin(angle)]) * rng.uniform(4.0, 15.0)
        deep = np.array([-along[1], along[0]]) * rng.uniform(0.2, 0.6)
        ring = [middle - along - deep, middle + along - deep, middle + along + deep,
                middle - along + deep]  # fmt: skip
        shape = shapely.Polygon(ring)
        if min(shape.distance(shapely.Point(s)), shape.distance(shapely.Point(r))) < 1.0:
            continue
        h = rng.uniform(3.0, 15.0)
        if rng.random() < 0.3:
            edges.append(np.array([*ring[0], *ring[2]]))
            high.append(h)
            block.append(-1)
        else:
            for a, b in zip(ring, ring[1:] + ring[:1], strict=True):
                edges.append(np.array([*a, *b]))
                high.append(h)
                block.append(number)
            number += 1
    more = replace(surface, edges=np.array(edges).reshape(-1, 4), edge_height=np.array(high),
                   edge_block=np.array(block, dtype=np.int64))  # fmt: skip
    return more, receiver, source


def compared(seed: int) -> tuple[float, int, npt.NDArray[np.bool_]]:
    """Largest difference [dB], reflections that count, and bands in which they matter."""
    surface, receiver, source = street(seed)
    block = propagate(surface, receiver[None], source[None], HEIGHTS, [0, 1], [0], ALPHA,
                      sides=False, reflection_order=1)  # fmt: skip
    worst, count = 0.0, 0
    matters = np.zeros(8, np.bool_)
    for h, hs in enumerate(HEIGHTS):
        path = reference_path(surface, receiver, source, hs)
        direct = attenuation(path)
        answer = attenuation(replace(path, reflectors=reflectors_of(surface, source, receiver, hs)))
        level = -10.0 * np.log10(block.t[0, h].astype(float))
        worst = max(worst, float(np.abs(level - answer.a).max()))
        count += sum(reflection.counted for reflection in answer.reflections)
        matters |= direct.a - answer.a > 0.1
    return worst, count, matters


def test_equal_to_the_reference_on_150_random_streets() -> None:
    total = 0
    matters = np.zeros(8, int)
    for seed in range(150):
        worst, count, bands = compared(seed)
        assert worst < 1e-6, f"seed {seed}: {worst:.2e} dB with {count} reflections"
        total += count
        matters += bands
    assert total >= 100
    assert matters[7] >= 20
    assert matters[0] < matters[7]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(1000, 10_000_000))
def test_equal_wherever_one_looks(seed: int) -> None:
    worst, _, _ = compared(seed)
    assert worst < 1e-6


def test_threads_order_and_cutting_change_no_bit() -> None:
    import numba

    surface, receiver, source = street(7)
    rng = np.random.default_rng(3)
    points = np.column_stack([receiver[:2] + rng.uniform(-60, 60, (30, 2)), np.full(30, 4.0)])
    points[:, :2] = np.clip(points[:, :2], 20.0, 570.0)
    feet = np.column_stack([np.clip(source[:2] + rng.uniform(-60, 60, (8, 2)), 20.0, 570.0),
                            np.full(8, source[2])])  # fmt: skip

    def run(rows: npt.NDArray[np.int64]) -> npt.NDArray[np.float32]:
        pairs = np.tile(np.arange(8), len(rows))
        return propagate(surface, points[rows], feet, HEIGHTS, np.arange(len(rows) + 1) * 8, pairs,
                         ALPHA, reflection_order=1).t.reshape(len(rows), 8, 2, 8)  # fmt: skip

    whole = run(np.arange(30))
    order = rng.permutation(30)
    assert (run(order) == whole[order]).all()
    assert (np.concatenate([run(np.arange(0, 11)), run(np.arange(11, 30))]) == whole).all()
    before = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        assert (run(np.arange(30)) == whole).all()
    finally:
        numba.set_num_threads(before)


# --- `noisemap path` -----------------------------------------------------------------------------


def surface_of(**changes: Any) -> dict[str, Any]:
    plan = math.hypot(40.0, 60.0)
    return {"from": [-10, 30], "to": [60, 30], "h": 6, "rho": 1.0, "x": [0, plan],
            "ground": [0, 0], "G": [[0, plan, 0]], **changes}  # fmt: skip


def test_path_with_a_reflector() -> None:
    given_case = case(x=[0, 40], ground=[0, 0], G=[[0, 40, 0]], reflectors=[surface_of()])
    answer = path_result(given_case)
    (found,) = answer["reflected"]
    assert found["d"] == pytest.approx(72.19591, abs=5e-6)  # COMPUTED by a prototype
    assert (found["z"], found["at"]) == pytest.approx((2.25, math.hypot(40.0, 60.0) / 2.0))
    assert found["A"][:3] == [None] * 3
    np.testing.assert_allclose(answer["A"], kernel(wall(90.0, 330.0, 160.0, 330.0)), atol=1e-6)
    absorbing = path_result({**given_case, "reflectors": [surface_of(rho=0.5)]})["reflected"][0]
    np.testing.assert_allclose(
        np.array(absorbing["A"][3:]) - found["A"][3:], 10.0 * math.log10(2.0), atol=1e-12
    )
    low = path_result({**given_case, "reflectors": [surface_of(h=2.2)]})["reflected"][0]
    assert (low["on_surface"], low["counted"], low["A"]) == (False, False, [None] * 8)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"from": [50, 30]}, "mirror point on it"),
        ({"to": [-10, 30]}, "another place"),
        ({"x": [0, 80], "G": [[0, 80, 0]]}, "72.111 m"),
        ({"rho": 1.5}, "a number 0..1"),
        ({"h": -1}, "h: -1"),
        ({"form": 3}, "unknown key"),
        ({"from": [1]}, "[along, left]"),
        ({"ground": [0]}, "2 values"),
    ],
)
def test_a_faulty_reflector_is_told(change: dict[str, Any], words: str) -> None:
    answer = path_result(
        case(x=[0, 40], ground=[0, 0], G=[[0, 40, 0]], reflectors=[surface_of(**change)])
    )
    assert words in answer["error"]
    assert "reflectors[0]" in answer["error"]


def test_a_reflector_that_is_no_object_is_told() -> None:
    assert "reflectors[0]" in path_result(case(reflectors=[3]))["error"]
    assert "a list of surfaces" in path_result(case(reflectors=3))["error"]
