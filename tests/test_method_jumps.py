"""Where the method itself jumps (docs/conventions.md): each jump shown, with its size."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from propagation_support import FloatArray, case

from noisemap.propagation.case import path_result
from noisemap.propagation.ground import GroundStrips, region_factors
from noisemap.propagation.kernel import Surface, propagate

Path = dict[str, Any]


def term(path: Path, name: str = "A") -> FloatArray:
    return np.array(path_result(path)[name])


def ridge(high: float, ground: float = 1.0, **changes: Any) -> Path:
    """A ridge half-way between a source and a receiver 4 m above their ground."""
    return case(x=[0, 50, 100], ground=[0, high, 0], hs=4, hr=4, G=[[0, 100, ground]], **changes)


def across(path: Callable[[float], Path], at: float, step: float = 1e-7) -> FloatArray:
    """What the attenuation gains from just below a value to just above it [dB]."""
    return term(path(at + step)) - term(path(at - step))


def test_grazing_terrain_jumps_from_ground_alone_to_4_77_or_ground() -> None:
    """Up to 4.77 - Agr: C12 and C13."""
    agr = term(ridge(0.0), "Agr")
    expected = np.maximum(10.0 * np.log10(3.0), agr) - agr
    np.testing.assert_allclose(across(ridge, 4.0), expected, atol=1e-4)
    assert expected.max() > 7.0
    hard = across(lambda high: ridge(high, 0.0), 4.0)
    np.testing.assert_allclose(hard, 10.0 * np.log10(3.0) + 3.0, atol=1e-4)


def test_grazing_a_wall_does_not_jump() -> None:
    """A wall below the line takes part before it cuts the line."""

    def wall(high: float) -> Path:
        return case(hs=4, hr=4, G=[[0, 100, 1]], objects=[{"kind": "screen", "x": 50, "h": high}])

    np.testing.assert_allclose(across(wall, 4.0), 0.0, atol=1e-2)


def test_one_edge_more_changes_the_cap_and_c3() -> None:
    """The far edge of a block comes and goes: -4.7 dB at 8 kHz; COMPUTED 22.721 and 17.999."""

    def block(receiver: float) -> Path:
        return case(hs=1, hr=receiver, objects=[{"kind": "block", "x1": 20, "x2": 30, "h": 4}])

    below, above = term(block(3.999), "Dz"), term(block(4.001), "Dz")
    assert below[7] == pytest.approx(22.721, abs=5e-4)
    assert above[7] == pytest.approx(17.999, abs=5e-4)
    assert across(block, 4.0)[7] == pytest.approx(-4.72, abs=0.01)
    high = case(objects=[{"kind": "screen", "x": 20, "h": 30}])
    higher = case(objects=[{"kind": "block", "x1": 20, "x2": 30, "h": 30}])
    assert term(high, "Dz")[7] == 20.0
    assert term(higher, "Dz")[7] == 25.0


@pytest.mark.parametrize(("reading", "size"), [("literal", 3.0), ("positive", 0.0)])
def test_where_dz_reaches_zero_the_literal_reading_jumps_by_agr(reading: str, size: float) -> None:
    """Path 17 at 2 kHz: Abar = Dz - Agr is 3 dB until Dz is 0, then nothing."""

    def low_wall(high: float) -> Path:
        return case(
            x=[0, 60], G=[[0, 60, 0]], hs=3.7, hr=4, screening_reading=reading,
            objects=[{"kind": "screen", "x": 15, "h": high}],
        )  # fmt: skip

    low, high = 1.0, 3.7
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (low, middle) if term(low_wall(middle), "Dz")[5] > 0.0 else (middle, high)
    assert across(low_wall, high, 1e-6)[5] == pytest.approx(size, abs=1e-3)


def test_the_map_flags_the_paths_that_may_jump() -> None:
    """Within 0.3 m of grazing on either side, and only there."""
    cells = np.zeros((3, 21))
    for rise, near in ((3.65, False), (3.75, True), (4.25, True), (4.35, False)):
        height = cells.copy()
        height[:, 10] = rise
        flat = np.zeros(height.shape, bool)
        surface = Surface(0.0, 0.0, 10.0, height, flat, 0.0, 0.0, 10.0, cells, flat, 0.0,
                          np.zeros((0, 4)), np.zeros(0), np.zeros(0, np.int64))  # fmt: skip
        block = propagate(surface, [[150.0, 10.0, 4.0]], [[50.0, 10.0, 0.0]], [4.0], [0, 1], [0],
                          np.zeros(8))  # fmt: skip
        assert bool(block.flags[0] & 4) == near, rise


def test_weight_of_the_middle_region_of_the_flat_path() -> None:
    """COMPUTED: q = .22746 between (10, 10) and (200, 50), heights 1 and 4 m."""
    dp = float(np.hypot(190.0, 40.0))
    strips = GroundStrips(np.array([0.0]), np.array([dp]), np.array([0.5]))
    assert region_factors(strips, 1.0, 4.0, dp).q == pytest.approx(0.22746, abs=5e-6)
