"""The written comparison of profiles holds, and the fit is what it says."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
REAL = ROOT.parent / "shared" / "real"
sys.path.insert(0, str(ROOT / "benchmarks"))

from grades import NOISE_M, Climb, compare, surveyed_climb, switchbacks, table  # noqa: E402

FIT, RAW, SPLINE = "network fit, 15 cells", "raw samples", "smoothing spline, cross-validated"
PAGE = (ROOT / "docs" / "grades.md").read_text(encoding="utf-8")


def numbers(text: str) -> list[float]:
    return [float(word) for word in re.findall(r"\d+\.\d+", text)]


def columns(climb: Climb) -> dict[int, dict[str, list[float]]]:
    """Errors by cell, after checking that the page prints them and that the fit beats no fit."""
    found = {cell: compare(climb, cell) for cell in NOISE_M}
    start = PAGE.index(f"### {climb.name.capitalize()}")
    printed = PAGE[start : PAGE.index("\n\n", start)]
    fresh = table(climb, list(found.values()))
    assert numbers(printed) == pytest.approx(numbers(fresh), abs=0.051)
    for column in found.values():
        for better, worse in zip(column[FIT], column[RAW], strict=True):
            assert better < worse
        assert column[SPLINE][0] == pytest.approx(column[RAW][0], rel=0.1)  # it does not smooth
    return found


def test_made_switchbacks() -> None:
    found = columns(switchbacks())
    for column in found.values():
        filters = [values[0] for name, values in column.items() if name != "one straight line"]
        assert column[FIT][0] <= min(filters) + 0.25
    assert found[90][FIT][0] < 0.5 * found[90]["moving average, 300 m, odd ends"][0]


@pytest.mark.real
@pytest.mark.skipif(not REAL.is_dir(), reason="the open data do not lie beside the project")
def test_surveyed_climb() -> None:
    """As good as the independent prototype on the same climb (COMPUTED: .42, 1.09, 1.82)."""
    tile = REAL / "terrain_rgb" / "12_2137_1446.webp"
    found = columns(surveyed_climb(REAL / "wilderswil_climb.csv", tile))
    assert found[12][FIT][0] <= 0.55  # ours carries 0.3 m of noise and a second averaging
    assert found[30][FIT][0] <= 1.15
    assert found[90][FIT][0] <= 1.82
