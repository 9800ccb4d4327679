"""Measured against predicted levels."""

from __future__ import annotations

import numpy as np
import pytest

from noisemap.inspection.calibration import calibrate, point_of
from noisemap.inspection.residual import energy_difference, residual_corrected
from noisemap.outputs.inspection_calibration import (
    calibration_lines,
    calibration_plot,
    calibration_table,
)


@pytest.mark.parametrize(
    ("above", "rule"),
    [(20.0, "no correction needed"), (10.0, "no correction needed"), (9.99, "corrected"),
     (3.01, "corrected"), (3.0, "upper bound"), (-2.0, "upper bound")],
)  # fmt: skip
def test_residual_rule_has_its_three_ranges(above: float, rule: str) -> None:
    """ISO 1996-2:2007 as recalled; the arithmetic between is plain energy."""
    level, told = residual_corrected(60.0 + above, 60.0)
    assert told == rule
    if rule == "corrected":
        assert 10 ** (level / 10) + 10**6.0 == pytest.approx(10 ** (6.0 + above / 10))
    else:
        assert level == 60.0 + above
    assert energy_difference(60.0, 60.0) == -np.inf


def test_a_known_bias_comes_back() -> None:
    rng = np.random.default_rng(2)
    points = tuple(
        point_of(f"P{k}", 70.0, 50.0, 72.0 + off) for k, off in enumerate(rng.normal(0, 1.0, 40))
    )
    found = calibrate(points)
    assert found.bias_low is not None
    assert found.bias_high is not None
    assert found.bias_low < 2.0 < found.bias_high
    assert found.spread == pytest.approx(1.0, abs=0.3)
    assert found.correction == pytest.approx(-2.0, abs=0.5)
    assert "nothing was changed" in " ".join(calibration_lines(found))


def test_the_interval_covers_a_true_bias_nine_times_in_ten() -> None:
    rng = np.random.default_rng(3)
    covered = 0
    for _ in range(400):
        found = calibrate(
            tuple(point_of("P", 70.0, 40.0, 71.0 + rng.normal(0, 2)) for _ in range(6))
        )
        assert found.bias_low is not None
        assert found.bias_high is not None
        covered += found.bias_low <= 1.0 <= found.bias_high
    assert 0.86 < covered / 400 < 0.94


def test_no_bias_no_correction_and_upper_bounds_do_not_count() -> None:
    even = tuple(point_of(f"P{k}", 70.0, 50.0, 70.0 + (-1) ** k) for k in range(8))
    loud = point_of("quiet yard", 52.0, 51.0, 55.0)
    found = calibrate((*even, loud))
    assert found.bias == pytest.approx(0.0)
    assert found.correction is None
    assert found.contradicted == ("quiet yard",)
    assert calibration_table(found).rows[-1][-1] == "no, upper bound"
    assert calibrate(even[:4]).bias is None


def test_plot_shows_both_kinds_and_repeats_its_bytes() -> None:
    points = (
        *(point_of(f"P{k}", 60.0 + k, 40.0, 61.0 + k) for k in range(6)),
        point_of("Q", 52, 51, 55),
    )
    picture = calibration_plot(calibrate(points))
    assert picture.startswith(b"\x89PNG")
    assert picture == calibration_plot(calibrate(points))
    assert picture != calibration_plot(calibrate(points[:6]))
