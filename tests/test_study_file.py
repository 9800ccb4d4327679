"""The study file: every fault in one list, with its line and its cure."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noisemap.errors import BadDataError, MissingInputError, StudyError
from noisemap.study.demo import new_study
from noisemap.study.hours import parse_hours, show_hours
from noisemap.study.load import load_study
from noisemap.units import POUND_KG

GOOD = """\
schema = 1
[study]
name = "Test hill"
[terrain]
files = ["terrain.tif"]
[roads]
file = "roads.geojson"
[homes]
file = "homes.geojson"
[traffic]
file = "traffic.csv"
[[truck]]
name = "full"
mass_lb = 80000.0
share = 1.0
[[zone]]
name = "town"
road = "SR 1"
from_m = 100.0
to_m = 900.0
hours = "22-7"
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(StudyError) as caught:
        load_study(write(folder, text))
    assert caught.value.exit_code == 78
    return [str(problem) for problem in caught.value.problems]


def test_a_good_file(tmp_path: Path) -> None:
    study = load_study(write(tmp_path, GOOD))
    assert study.truck[0].mass == pytest.approx(80_000.0 * POUND_KG)
    assert study.zone[0].hours == frozenset({22, 23, 0, 1, 2, 3, 4, 5, 6})
    assert (study.zone[0].start, study.zone[0].end) == (100.0, 900.0)


def test_the_template_is_a_good_file(tmp_path: Path) -> None:
    assert load_study(new_study(tmp_path / "new")).study.name == "My downgrade"


def test_all_faults_come_at_once_with_lines(tmp_path: Path) -> None:
    text = (
        GOOD.replace('files = ["terrain.tif"]', 'files = ["terrain.tif"]\nvertical_units = "m"')
        .replace("share = 1.0", "share = 80.0")
        .replace("to_m = 900.0", "to_m = 50.0")
        .replace('file = "homes.geojson"', 'file = "homes.geojson"\nreceiver_height_m = "4 m"')
    )
    found = faults(tmp_path, text)
    assert found[0].startswith(
        "study.toml:6: terrain.vertical_units: unknown key; did you mean 'vertical_unit'"
    )
    assert found[1].startswith("study.toml:11: homes.receiver_height_m")
    assert "e.g. 4" in found[1]
    assert found[2].startswith("study.toml:17: truck[1].share: 80.0 is not allowed")
    assert found[2].endswith("80 looks like per cent; write 0.8")
    assert "the zone's end must lie beyond its start" in found[3]
    assert len(found) == 4


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('file = "roads.geojson"', 'file = "/vsicurl/http://x/y"', "only a plain local file"),
        ('file = "roads.geojson"', 'file = "https://x/y"', "only a plain local file"),
        ('hours = "22-7"', 'hours = "22:30-7"', "not a span of whole hours"),
        ('hours = "22-7"', "hours = [25]", "whole numbers from 0 to 23"),
        ("mass_lb = 80000.0", "mass_lb = 80000.0\nmass_kg = 30000.0", "one of the two"),
        ("share = 1.0", "share = 0.9", "sum to 0.900"),
        ('name = "full"', 'name = "full"\nretarder = "magic"', "is not allowed"),
        ("schema = 1", "schema = 2", "schema"),
        ('file = "traffic.csv"', "", "give either file"),
        ('file = "homes.geojson"', "", "missing"),
        ("from_m = 100.0", "from_m = inf", "finite"),
        ("share = 1.0", "share = true", "truck[1].share"),
        ('name = "Test hill"', 'name = "Test hill"\nwindow = [2.0, 0.0, 1.0, 3.0]', "west"),
    ],
)
def test_faults(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    assert old in GOOD
    assert any(sentence in fault for fault in faults(tmp_path, GOOD.replace(old, new, 1)))


def test_two_trucks_of_one_name(tmp_path: Path) -> None:
    truck = '[[truck]]\nname = "full"\nmass_kg = 9000.0\nshare = 0.0\n'
    assert any("twice: full" in fault for fault in faults(tmp_path, GOOD + truck))


def test_calibration_needs_its_basis(tmp_path: Path) -> None:
    text = GOOD + "[source]\ncalibration_offset_db = 2.0\n"
    assert any("calibration_basis" in fault for fault in faults(tmp_path, text))


def test_not_toml_names_the_line(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=r"study.toml:3: not valid TOML"):
        load_study(write(tmp_path, "schema = 1\n[study]\nname = hill\n"))


def test_missing_and_unreadable(tmp_path: Path) -> None:
    with pytest.raises(MissingInputError, match="noisemap new"):
        load_study(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b"name = '\xe9'")
    with pytest.raises(BadDataError, match="UTF-8"):
        load_study(tmp_path / "latin.toml")


@given(st.frozensets(st.integers(0, 23), min_size=1))
def test_hours_there_and_back(hours: frozenset[int]) -> None:
    text = show_hours(hours)
    assert (parse_hours("0-24") if text == "all day" else parse_hours(text)) == hours


@given(st.text(max_size=200))
def test_any_text_is_a_study_or_a_sentence(text: str) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "study.toml"
        path.write_text(text, encoding="utf-8", errors="replace")
        with pytest.raises((StudyError, BadDataError)):
            load_study(path)
