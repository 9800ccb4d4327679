"""Measured levels against a study: a known error comes back, and nothing is applied by itself."""

from __future__ import annotations

import csv
import json
import shutil
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from click.testing import CliRunner

from noisemap.cli.calibrate import calibrate_command
from noisemap.errors import BadDataError, UsageError
from noisemap.inspection.measured import read_measured
from noisemap.scene.crs import WGS84, project
from noisemap.study.calibrate import Predictor, _predictor, calibrate_study
from noisemap.study.prepare import prepare
from noisemap.study.progress import Silent

DATA = Path(__file__).parents[1] / "data"
TRUE_OFFSET = -3.0
STATES = ("straight", "worn", "straight", "worn", "straight", "worn", "straight")
COLUMNS = (
    "point", "lon", "lat", "height_m", "quantity", "date", "time", "until", "road",
    "exhaust_state", "measured_dba", "residual_dba", "note",
)  # fmt: skip


def write(path: Path, rows: list[dict[str, Any]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, COLUMNS)
        writer.writeheader()
        writer.writerows(rows)
    return path


def rows_beside(lon: list[float], lat: list[float]) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = [
        {"point": f"P{k}", "lon": lon[k], "lat": lat[k], "height_m": 1.5, "time": "09:00",
         "until": "11:00", "measured_dba": 60.0, "residual_dba": 40.0}
        for k in range(6)
    ]  # fmt: skip
    rows += [
        {"point": f"M{k}", "lon": lon[k], "lat": lat[k], "quantity": "braking_maximum",
         "exhaust_state": state, "measured_dba": 80.0, "residual_dba": 50.0}
        for k, state in enumerate(STATES)
    ]  # fmt: skip
    return rows


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The town, and levels "measured" in it where exhausts are quieter than predicted."""
    folder = tmp_path_factory.mktemp("town")
    for file in DATA.iterdir():
        if file.suffix in (".geojson", ".csv", ".tif", ".toml"):
            shutil.copy(file, folder)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    text = text.replace("max_distance_m = 1500.0", "max_distance_m = 200.0")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    truth = [
        row
        for row in csv.DictReader((DATA / "truth.csv").read_text().splitlines())
        if row["road"] == "SR 77"
    ]
    at = [truth[int(metres / 10)] for metres in (1500, 1800, 2300, 5200, 5500, 5700, 5900)]
    x = np.array([float(row["x_m"]) for row in at])
    y = np.array([float(row["y_m"]) + 40.0 for row in at])
    places = project("EPSG:32606", WGS84, x, y)
    path = write(folder / "measured.csv", rows_beside(*places.T.tolist()))
    predictor = predicted(folder, path)
    levels = predictor.passes(TRUE_OFFSET)
    rng = np.random.default_rng(4)
    rows = rows_beside(*places.T.tolist())
    for number, row in enumerate(rows):
        level = (
            predictor.traffic(levels, number)
            if number < 6
            else predictor.maximum(levels, number)[0]
        )
        row["measured_dba"] = round(level + rng.normal(0.0, 0.4), 2)
        row["residual_dba"] = round(level - 15.0, 2)
    write(folder / "measured.csv", rows)
    return folder


def predicted(folder: Path, path: Path) -> Predictor:
    prepared = prepare(folder / "study.toml")
    return _predictor(prepared, read_measured(path), folder / "store", Silent())[0]


def call(*arguments: object) -> dict[str, Any]:
    done = CliRunner().invoke(
        calibrate_command, [*map(str, arguments), "--json", "--quiet"], catch_exceptions=False
    )
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_a_known_error_comes_back_and_nothing_is_applied(town: Path) -> None:
    study = (town / "study.toml").read_bytes()
    result = calibrate_study(town / "study.toml", town / "measured.csv", None, None, None, Silent())
    for words in (
        "A study could state calibration_offset_db",
        "nothing was changed",
        "fast maximum of braking passes:",
    ):
        assert words in result.summary
    found = result.as_json()
    assert found["stated_offset_db"] == 0.0
    assert found["proposed_offset_db"] == pytest.approx(TRUE_OFFSET, abs=0.6)
    loud = found["quantities"]["braking_maximum"]
    assert loud["bias_low_db"] < loud["bias_db"] < loud["bias_high_db"]
    assert loud["bias_db"] == pytest.approx(-TRUE_OFFSET, abs=0.7)
    assert 0.1 < loud["spread_db"] < 1.0
    traffic = found["quantities"]["traffic"]
    assert 0.0 < traffic["bias_db"] < loud["bias_db"]  # other vehicles are as predicted
    assert (town / "study.toml").read_bytes() == study
    assert not any(name.endswith(".toml") for name in found["files"])
    names = {Path(name).name for name in found["files"]}
    assert names == {
        "traffic.csv", "traffic.png", "braking_maximum.csv", "braking_maximum.png",
        "calibration.json",
    }  # fmt: skip
    assert all(Path(name).is_file() for name in found["files"])


def test_a_named_correction_takes_the_bias_out_and_is_told(town: Path, tmp_path: Path) -> None:
    snippet = tmp_path / "correction.toml"
    found = call(town / "study.toml", town / "measured.csv", "--correction", snippet)
    source = tomllib.loads(snippet.read_text(encoding="utf-8"))["source"]
    assert source["calibration_offset_db"] == found["proposed_offset_db"]
    assert "measured.csv" in source["calibration_basis"]
    text = (town / "study.toml").read_text(encoding="utf-8")
    own = "[source]\ncalibration_offset_db = 0.0       "
    assert own in text
    stated = town / "stated.toml"
    stated.write_text(text.replace(own, snippet.read_text(encoding="utf-8") + "#"))
    again = call(stated, town / "measured.csv", "--correction", tmp_path / "second.toml")
    assert again["stated_offset_db"] == source["calibration_offset_db"]
    assert again["quantities"]["braking_maximum"]["bias_db"] == pytest.approx(0.0, abs=0.1)
    assert again["proposed_offset_db"] is None
    assert not (tmp_path / "second.toml").exists()
    assert any("Every exhaust level is changed by" in note for note in again["notes"])
    assert not any("Every exhaust level" in note for note in found["notes"])


def test_a_workbook_reads_as_the_table(town: Path, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "May"
    for row in csv.reader((town / "measured.csv").read_text("utf-8").splitlines()):
        sheet.append(row)
    path = tmp_path / "measured.xlsx"
    book.save(path)
    assert read_measured(path, "May") == read_measured(town / "measured.csv")
    with pytest.raises(UsageError, match="only XLSX"):
        read_measured(town / "measured.csv", "May")


GOOD: dict[str, Any] = {
    "point": "A", "lon": -147.02, "lat": 39.0, "time": "09:00", "measured_dba": 60,
    "residual_dba": 40,
}  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"time": ""}, "needs its time of day"),
        ({"time": "nine"}, "'nine' is not a time of day"),
        ({"until": "25:00"}, "until: '25:00'"),
        ({"quantity": "loudness"}, "quantity: 'loudness' is not allowed"),
        ({"quantity": "braking_maximum"}, "needs the state of its truck"),
        ({"exhaust_state": "worn"}, "leave it empty for the level of all traffic"),
        ({"measured_dba": "loud"}, "'loud' is not a number"),
        ({"residual_dba": ""}, "residual_dba: empty"),
        ({"lat": 93}, "93"),
        ({"point": ""}, "point: empty"),
    ],
)
def test_faults_of_measured_levels(tmp_path: Path, changes: dict[str, Any], sentence: str) -> None:
    with pytest.raises(BadDataError, match=sentence):
        read_measured(write(tmp_path / "m.csv", [GOOD | changes]))


def test_faults_of_the_header(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_text("point,lon,latt,measured_dba\nA,1,2,3\n")
    with pytest.raises(BadDataError, match=r"'latt'; no column lat, residual_dba"):
        read_measured(path)


def test_a_point_far_from_every_road(town: Path, tmp_path: Path) -> None:
    path = write(tmp_path / "m.csv", [GOOD | {"lat": 38.5}])
    with pytest.raises(BadDataError, match=r"no modelled road lies within 200 m of line 2: A"):
        call(town / "study.toml", path)
    rows = read_measured(town / "measured.csv")
    lost = {"lon": rows[0].lon, "lat": rows[0].lat, "quantity": "braking_maximum", "road": "Gone",
            "exhaust_state": "worn"}  # fmt: skip
    with pytest.raises(BadDataError, match="no braking pass of a truck with this exhaust"):
        call(town / "study.toml", write(path, [GOOD | lost]))
