"""The rates of false alarms in docs/inspection.md are those that one run of one version gave."""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import pytest
from scipy.stats import binomtest

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "benchmarks"))

import recording_rates  # noqa: E402

RENEW = "run python benchmarks/recording_rates.py and put its table into docs/inspection.md"


def rows() -> list[dict[str, str]]:
    with recording_rates.RESULT.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_every_class_was_measured_in_one_run_of_this_version() -> None:
    found = rows()
    assert [row["class"] for row in found] == list(recording_rates.CLASSES)
    assert {row["digest"] for row in found} == {recording_rates.digest()}, RENEW
    assert len({(row["version"], row["emission_model"]) for row in found}) == 1
    page = " ".join(recording_rates.PAGE.read_text(encoding="utf-8").split())
    assert f"(emission table {found[0]['emission_model']}), kept in" in page
    assert all(int(row["sounds"]) >= 40 for row in found)


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["class"])
def test_the_page_shows_each_measured_row(row: dict[str, str]) -> None:
    page = recording_rates.PAGE.read_text(encoding="utf-8").splitlines()
    assert recording_rates.page_rows([row])[0] in page, RENEW


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["class"])
def test_the_intervals_are_wilsons(row: dict[str, str]) -> None:
    """Against the closed form, apart from the library: p, n and z = 1.645."""
    total, z = int(row["sounds"]), 1.6448536
    for count, ends in (("likely", "likely"), ("possible_or_likely", "possible")):
        share = int(row[count]) / total
        middle = (share + z**2 / (2 * total)) / (1 + z**2 / total)
        half = z / (1 + z**2 / total) * (share * (1 - share) / total + z**2 / (4 * total**2)) ** 0.5
        assert float(row[f"{ends}_low"]) == pytest.approx(max(middle - half, 0.0), abs=6e-4)
        assert float(row[f"{ends}_high"]) == pytest.approx(min(middle + half, 1.0), abs=6e-4)


def test_no_confuser_is_likely_more_often_than_one_in_ten() -> None:
    """The upper ends, as measured; a retarder with a switch in a quiet recording is likely."""
    found = {row["class"]: row for row in rows()}
    for name in recording_rates.synth.CONFUSERS:
        assert float(found[name]["likely_high"]) < 0.1, name
    switched = next(row for row in rows() if "30 dB over" in row["class"])
    assert binomtest(int(switched["likely"]), int(switched["sounds"])).proportion_ci(0.9).low > 0.8
