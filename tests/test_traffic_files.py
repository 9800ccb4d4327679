"""Counts, average days and weights as offices keep them: CSV and XLSX, words of their own."""

from __future__ import annotations

import datetime
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from openpyxl import Workbook
from scene_files import line, write_geojson
from test_scene_build import study as study
from test_scene_roads import profile as road_of

from noisemap.errors import BadDataError
from noisemap.exposure.traffic import (
    CountsFile,
    DailyTraffic,
    assumed_flows,
    flows_from_table,
    read_counts,
    read_profile,
)
from noisemap.scene.build import build_scene
from noisemap.scene.inputs import SceneInputs
from noisemap.study.truck_table import read_trucks

SHARES = {"after_treatment": 0.5, "muffled": 0.4, "worn": 0.06, "straight": 0.04}


def sheet(path: Path, rows: list[list[object]], title: str = "counts") -> Path:
    book = Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    book.save(path)
    return path


def test_office_sheet_of_counts(tmp_path: Path) -> None:
    rows: list[list[object]] = [["Station", "Road", "Begin", "Class", "Count"]]
    for hour in range(24):
        rows.append([12, "SR 1", datetime.time(hour), "Trucks", 10 + hour])
        rows.append([12, "SR 1", datetime.time(hour), "Cars", 100.0])
    path = sheet(tmp_path / "c.xlsx", rows)
    source = CountsFile(
        path,
        columns={"hour": "Begin", "vehicle_class": "Class", "vehicles_per_hour": "Count"},
        classes={"trucks": "heavy", "CARS": "light"},
    )
    table, notes = read_counts(source)
    assert notes == [
        "c.xlsx: columns that are not read: Station.",
        "c.xlsx names no direction: half of each count is taken each way.",
    ]
    road = replace(road_of((2000.0, -0.05)), name="SR 1")
    flows, said = flows_from_table(table, [road], SHARES)
    heavy = [flow for flow in flows if flow.vehicle_class == "heavy"]
    assert sum(flow.per_hour for flow in heavy) == pytest.approx(10.0 + np.arange(24))
    assert sum(flow.per_hour.sum() for flow in flows if flow.direction == 1) == pytest.approx(
        (10 * 24 + 276 + 2400) / 2
    )
    assert any("48 rows" in line or "24 rows" in line for line in said)


def test_counts_with_strange_columns(tmp_path: Path) -> None:
    rows: list[list[object]] = [["road", "hour", "vehicle_class", "vehicles_per_hour", "who"]]
    path = sheet(tmp_path / "c.xlsx", [*rows, ["SR 1", 7, "heavy", 3, "me"]])
    with pytest.raises(BadDataError, match=r"'who' is not known.*columns = \{"):
        read_counts(CountsFile(path))
    with pytest.raises(BadDataError, match="no column Street; the file has: road, hour"):
        read_counts(CountsFile(path, columns={"road": "Street"}))
    with pytest.raises(BadDataError, match="speed is not a name this reads"):
        read_counts(CountsFile(path, columns={"speed": "who"}))


def test_counts_in_latin_with_decimal_commas(tmp_path: Path) -> None:
    path = tmp_path / "c.csv"
    text = "road;direction;hour;vehicle_class;vehicles_per_hour\nGrünweg;both;07:00-08:00;heavy;3,5"
    path.write_bytes(text.encode("latin-1"))
    table, notes = read_counts(CountsFile(path, encoding="latin-1", decimal=","))
    assert table.text("hour") == ("7",)
    assert table.number("vehicles_per_hour").tolist() == [3.5]
    assert notes == []


def test_hour_that_is_no_hour(tmp_path: Path) -> None:
    path = tmp_path / "c.csv"
    path.write_text("road,direction,hour,vehicle_class,vehicles_per_hour\nSR 1,both,7-9,heavy,3\n")
    table, _ = read_counts(CountsFile(path))
    road = replace(road_of((2000.0, -0.05)), name="SR 1")
    with pytest.raises(BadDataError, match="hour: '7-9' is not allowed"):
        flows_from_table(table, [road], SHARES)


# ------------------------------------------------------------------ average days


def test_day_of_the_road_file_wins(study: SceneInputs) -> None:
    first, second = line((100, 1500), (1500, 1500)), line((1500, 1500), (2900, 1500))
    write_geojson(
        study.roads_file,
        [
            ({"ref": "SR 1", "highway": "primary", "aadt": 4000, "truck_pct": 12}, first),
            ({"ref": "SR 1", "highway": "primary", "aadt": 6000, "truck_pct": "bad"}, second),
            ({"ref": "SR 2", "highway": "primary"}, line((1500, 1500), (1500, 2900))),
        ],
    )
    scene = build_scene(study)
    assert scene.roads[0].aadt == pytest.approx(5000.0)
    assert scene.roads[0].truck_pct == pytest.approx(12.0)
    assert math.isnan(scene.roads[1].aadt)
    assert any("truck_pct='bad' is not a number from 0 to 100" in r.what for r in scene.repairs)
    daily = DailyTraffic(None, 0.04, 0.08, 0.15)
    with pytest.raises(BadDataError, match="1 roads have no aadt in the road file, first SR 2"):
        assumed_flows(scene.roads, [0, 1], daily, SHARES)
    flows, notes = assumed_flows(scene.roads, [0, 1], replace(daily, vehicles_per_day=100), SHARES)

    def total(road: int, kind: str) -> float:
        return sum(
            float(flow.per_hour.sum())
            for flow in flows
            if flow.road == road and flow.vehicle_class == kind
        )

    assert total(0, "heavy") == pytest.approx(600.0)
    assert total(0, "light") == pytest.approx(5000 * 0.84)
    assert total(1, "heavy") == pytest.approx(8.0)
    assert "the vehicles a day of 1 roads are the aadt stated for them" in notes[0]
    assert "100 vehicles a day are assumed on each of 1 roads" in notes[1]
    with pytest.raises(BadDataError, match="are more than all; correct truck_pct or medium_share"):
        assumed_flows(scene.roads, [0], replace(daily, medium_share=0.9), SHARES)


def test_profile_of_the_hours(tmp_path: Path) -> None:
    path = tmp_path / "p.csv"
    rows = [f"{hour},{1 / 24},{1 / 24},{1.0 if hour == 3 else 0.0}" for hour in range(23, -1, -1)]
    path.write_text("hour,light,medium,heavy\n" + "\n".join(rows) + "\n")
    profile = read_profile(path, None, ".")
    assert profile["heavy"][3] == 1.0
    road = road_of((2000.0, -0.05))
    daily = DailyTraffic(1000.0, 0.0, 0.1, 0.15, profile)
    flows, notes = assumed_flows([road], [0], daily, SHARES)
    heavy = sum(flow.per_hour for flow in flows if flow.vehicle_class == "heavy")
    assert heavy == pytest.approx(np.where(np.arange(24) == 3, 100.0, 0.0))
    assert "hours by the study's own profile" in notes[0]
    path.write_text("hour,light,medium,heavy\n" + "\n".join(rows[:-1]) + "\n")
    with pytest.raises(BadDataError, match=r"hour: write each of 0\.\.23 once"):
        read_profile(path, None, ".")
    path.write_text("hour,light,medium,heavy\n" + "\n".join(rows).replace(",1.0", ",0.5") + "\n")
    with pytest.raises(BadDataError, match=r"heavy: the shares .* sum to 0\.500"):
        read_profile(path, None, ".")


# ----------------------------------------------------------------------- weights


def test_weights_with_shares_of_retarders(tmp_path: Path) -> None:
    path = sheet(
        tmp_path / "w.xlsx",
        [
            ["name", "mass_lb", "share", "compression_release", "none"],
            ["half", 40_000, 0.4, 0.75, 0.25],
            ["full", 80_000, 0.6, 1, 0],
        ],
    )
    trucks = read_trucks(path, None, ".")
    assert [(one.name, one.retarder) for one in trucks] == [
        ("half, compression release", "compression_release"),
        ("half, none", "none"),
        ("full", "compression_release"),
    ]
    assert [one.share for one in trucks] == pytest.approx([0.3, 0.1, 0.6])
    assert trucks[2].mass == pytest.approx(80_000 * 0.45359237)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("name,mass_kg,share\na,20000,0.4\n", r"the rows sum to 0\.400; they must sum to 1"),
        ("name,mass_kg,mass_lb,share\na,20000,1,1\n", "either mass_kg or mass_lb"),
        ("name,mass_kg,share\na,200,1\n", r"w\.csv:2: mass_kg: 200 is not allowed"),
        ("name,mass_kg,share,retarder\na,20000,1,magic\n", "retarder: 'magic' is not allowed"),
        ("name,mass_kg,share,none,driveline\na,20000,1,1,1\n", r"none sum to 2\.000"),
        ("name,mass_kg,share,retarder,none\na,20000,1,none,1\n", "not both"),
        ("name,mass_kg,share,colour\na,20000,1,red\n", "'colour' is not known"),
        ("name,mass_kg,share\na,20000,0.5\na,30000,0.5\n", "names must differ; twice: a"),
        (f"name,mass_kg,share\n{'a' * 80},20000,1\n", r"w\.csv:2: .*at most 60"),
    ],
)
def test_faults_of_weights(tmp_path: Path, text: str, sentence: str) -> None:
    (tmp_path / "w.csv").write_text(text)
    with pytest.raises(BadDataError, match=sentence):
        read_trucks(tmp_path / "w.csv", None, ".")


def test_older_spreadsheet_of_counts(tmp_path: Path) -> None:
    path = tmp_path / "counts.xls"
    path.write_bytes(b"\xd0\xcf\x11\xe0" * 99)
    with pytest.raises(BadDataError, match=r"counts\.xls: not a table this reads .*\.xlsx.; save"):
        read_counts(CountsFile(path))
