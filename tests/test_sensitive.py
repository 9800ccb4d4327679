"""Schools and the like in the hours that matter to them."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import county_files as county
import numpy as np
import pytest

from noisemap.exposure.levels import Scenario, passes_above
from noisemap.exposure.sensitive import sensitive_places
from noisemap.levels import from_energy, to_energy
from noisemap.scene.model import Homes, Receivers
from noisemap.study.load import load_study
from noisemap.study.model import Study
from noisemap.study.progress import Silent
from noisemap.study.run import run_study

HOMES = Homes(
    ("a", "b", "c"), ("", "Hill School", ""), ("home", "school", "school"),
    np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3, bool),
)  # fmt: skip
RECEIVERS = Receivers(
    np.array([0, 1, 1, 2]), np.zeros(4), np.zeros(4), np.full(4, 4.0), np.array([1, 0.5, 0.5, 1])
)


def rule() -> Scenario:
    """40 dB at night, 60 dB from 8 to 16 at the louder facade of the first school."""
    braking = np.full((4, 24), float(to_energy(40.0)))
    braking[2, 8:16] = float(to_energy(60.0))
    counts = np.zeros((1, 24))
    counts[0, 8:16] = 2.0
    maximum = np.array([[50.0], [50.0], [90.0], [50.0]])
    return Scenario(braking, braking * 2.0, maximum, np.ones((4, 1)), counts)


def test_levels_of_the_schools_own_hours() -> None:
    hours = {"school": frozenset(range(8, 16)), "hotel": frozenset({22, 23})}
    first, second = sensitive_places(rule(), RECEIVERS, HOMES, hours, 1.0)
    assert (first.home, first.kind, second.home) == (1, "school", 2)
    assert first.l_eq_braking == pytest.approx(60.0)
    assert first.l_eq_traffic == pytest.approx(60.0 + 10 * np.log10(2.0))
    assert second.l_eq_braking == pytest.approx(40.0)
    # two passes an hour over eight hours, all far above 70 dB
    assert first.passes[70] == pytest.approx(16.0)
    assert second.passes[70] == pytest.approx(0.0, abs=1e-6)
    wider = sensitive_places(rule(), RECEIVERS, HOMES, {"school": frozenset(range(24))}, 1.0)
    mean = (8 * to_energy(60.0) + 16 * to_energy(40.0)) / 24
    assert wider[0].l_eq_braking == pytest.approx(float(from_energy(mean)))
    expected = passes_above(rule(), frozenset(range(24)), 70, 1.0)[2]
    assert wider[0].passes[70] == pytest.approx(float(expected))


def test_hours_are_a_key_of_the_study() -> None:
    content = tomllib.loads(county.guide_study())
    assert Study.model_validate(content).homes.hours.school == frozenset(range(8, 16))
    content["homes"]["hours"] = {"school": "7-14"}
    assert Study.model_validate(content).homes.hours.school == frozenset(range(7, 14))
    content["homes"]["hours"] = {"school": "25-30"}
    with pytest.raises(ValueError, match="is not a span of whole hours"):
        Study.model_validate(content)


def test_table_of_sensitive_places(tmp_path: Path) -> None:
    study = county.write_county(tmp_path)
    text = study.read_text(encoding="utf-8")
    study.write_text(text.replace('formats = ["map", "csv"]', 'formats = ["map", "csv", "report"]'))
    done = run_study(study, None, Silent())
    (path,) = [file for file in done.files if file.name == "sensitive.csv"]
    (row,) = csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines())
    assert row["kind"] == "school"
    assert row["hours"] == "08:00 to 16:00"
    assert float(row["level of all modelled traffic in these hours [dB(A)]"]) > 40.0
    assert any(
        "hours of sensitive places are assumed: school 8-16" in line
        for line in done.findings.assumptions
    )
    report = (done.folder / "report.html").read_text(encoding="utf-8")
    assert "Schools, clinics and hotels in their own hours" in report
    assert "08:00 to 16:00" in report
    page = (done.folder / "map.html").read_text(encoding="utf-8")
    assert "school, 08:00 to 16:00: braking trucks" in page
    again = load_study(done.folder / "study.resolved.toml")
    given = load_study(study)
    assert again.homes.hours == given.homes.hours
    assert again.homes.kinds == given.homes.kinds
    assert again.roads.class_words == given.roads.class_words
    assert again.traffic.classes == given.traffic.classes
