"""The written comparison of profiles holds, and the fit is what it says."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
REAL = ROOT.parent / "shared" / "real"
sys.path.insert(0, str(ROOT / "benchmarks"))

from grades import BASES_M, FIT, NOISE_M, SPLINE, compare, table  # noqa: E402
from known_roads import KnownRoad, surveyed_climb, switchbacks, valley_roads  # noqa: E402

from noisemap.scene.grades import grade_sigma  # noqa: E402

RAW, AVERAGE = "raw samples", "moving average, 300 m, odd ends"
ALIKE = "network fit, 15 cells, all points alike"
PAGE = (ROOT / "docs" / "grades.md").read_text(encoding="utf-8")


def numbers(text: str) -> list[float]:
    return [float(word) for word in re.findall(r"\d+\.\d+", text)]


def honest(found: dict[int, dict[str, list[float]]]) -> None:
    """The stated uncertainty covers the error of the fit, on every base."""
    for cell, column in found.items():
        for base, error in zip(BASES_M, column[FIT][:3], strict=True):
            assert error <= 100.0 * float(grade_sigma(cell, base)), (cell, base)


def columns(road: KnownRoad) -> dict[int, dict[str, list[float]]]:
    """Errors by cell, after checking that the page prints them and that the fit beats no fit."""
    found = {cell: compare([road], cell) for cell in NOISE_M}
    start = PAGE.index(f"### {road.name.capitalize()}")
    printed = PAGE[start : PAGE.index("\n\n", start)]
    fresh = table([road], list(found.values()))
    assert numbers(printed) == pytest.approx(numbers(fresh), abs=0.051)
    for column in found.values():
        for better, worse in zip(column[FIT], column[RAW], strict=True):
            assert better < worse
        assert column[SPLINE][0] == pytest.approx(column[RAW][0], rel=0.1)  # it does not smooth
    honest(found)
    return found


def test_made_switchbacks() -> None:
    found = columns(switchbacks())
    for column in found.values():
        filters = [values[0] for name, values in column.items() if name != "one straight line"]
        assert column[FIT][0] <= min(filters) + 1.0 / 7.0
        assert column[FIT][0] < column[ALIKE][0]
    for cell in (30, 90):
        assert found[cell][FIT][0] < 0.5 * found[cell][AVERAGE][0]


def test_made_valley_roads() -> None:
    """Roads whose grade changes every few hundred metres: a long fit would show here."""
    found = {cell: compare(valley_roads(), cell, spline=False) for cell in NOISE_M}
    honest(found)
    for column in found.values():
        assert column[FIT][0] < column[AVERAGE][0]
        assert column[FIT][0] <= column[ALIKE][0] + 0.1


@pytest.mark.real
@pytest.mark.skipif(not REAL.is_dir(), reason="the open data do not lie beside the project")
def test_surveyed_climb() -> None:
    """As good as the independent prototype on the same climb (COMPUTED: .42, 1.09, 1.82)."""
    tile = REAL / "terrain_rgb" / "12_2137_1446.webp"
    found = columns(surveyed_climb(REAL / "wilderswil_climb.csv", tile))
    assert found[12][FIT][0] <= 0.52  # ours carries 0.3 m of noise and a second averaging
    assert found[30][FIT][0] <= 1.09
    assert found[90][FIT][0] <= 1.82
    for column in found.values():
        assert column[FIT][0] < column[AVERAGE][0]
