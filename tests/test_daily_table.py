"""Average days road by road from a table, through the study as its user would write it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import county_files as county
import numpy as np
import pytest
from openpyxl import Workbook
from test_scene_roads import profile

from noisemap.errors import BadDataError
from noisemap.exposure.daily_table import with_daily
from noisemap.exposure.traffic import CountsFile
from noisemap.study.check import check_study
from noisemap.study.progress import Silent


def sheet(path: Path, *rows: list[object]) -> Path:
    book = Workbook()
    for row in rows:
        book.active.append(row)
    book.save(path)
    return path


def study_with(folder: Path, *rows: list[object]) -> Path:
    """The county's study with a table of average days in place of its counts."""
    study = county.write_county(folder)
    sheet(folder / "aadt.xlsx", ["Route", "AADT_2024", "T_PCT", "Updated"], *rows)
    text = study.read_text(encoding="utf-8")
    start, end = text.index("[traffic]"), text.index("[[zone]]")
    traffic = (
        '[traffic]\ncolumns = { road = "Route", aadt = "AADT_2024", truck_pct = "T_PCT" }\n\n'
        '[traffic.assumed]\nby_road = "aadt.xlsx"\nheavy_share = 0.05\n\n'
    )
    study.write_text(text[:start] + traffic + text[end:], encoding="utf-8")
    return study


def test_days_of_a_workbook_are_taken_and_said(tmp_path: Path) -> None:
    rows = (["Mill Hill Road", 6200, 12.5, "2024-05-01"], ["Oak Street", 300, None, None])
    found, errors = check_study(study_with(tmp_path, *rows), Silent())
    assert not errors, found["problems"]
    (road,) = found["roads"]
    assert road["vehicles_per_day"] == pytest.approx(6200.0)
    assert road["heavy_per_day"] == pytest.approx(775.0)
    said = " ".join(found["assumptions"])
    assert "aadt.xlsx gives the vehicles a day of 2 roads." in said
    assert "aadt.xlsx: columns that are not read: Updated." in said
    assert "1 of them with their own truck_pct" in said


def test_every_fault_of_the_table_is_told(tmp_path: Path) -> None:
    rows = (
        ["Mill Hil Rd", 6200, 12.5, None],
        ["Oak Street", "lots", 140, None],
        ["Oak Street", 300, None, None],
    )
    found, errors = check_study(study_with(tmp_path, *rows), Silent())
    assert {error.exit_code for error in errors} == {65}
    told = " ".join(found["problems"])
    for part in (
        "aadt.xlsx:2: road Mill Hil Rd is not in the study (",
        "aadt.xlsx:3: road Oak Street stands more than once",
        "aadt.xlsx:3: aadt: 'lots' is not a number",
        "aadt.xlsx:3: truck_pct: 140 is not allowed (allowed: 0..100)",
    ):
        assert part in told


def test_a_column_of_the_road_file_stays_where_the_table_is_blank(tmp_path: Path) -> None:
    road = replace(profile((500, -0.05)), aadt=100.0, truck_pct=7.0)
    path = sheet(tmp_path / "a.xlsx", ["road", "aadt"], ["R", 900])
    (found,), _ = with_daily([road], CountsFile(path))
    assert (found.aadt, found.truck_pct) == (900.0, 7.0)
    path = sheet(tmp_path / "a.xlsx", ["road", "aadt", "truck_pct"], ["R", 900, 20])
    (found,), _ = with_daily([road], CountsFile(path))
    assert (found.aadt, found.truck_pct) == (900.0, 20.0)
    assert np.isfinite(road.aadt)


def test_table_without_its_columns(tmp_path: Path) -> None:
    path = sheet(tmp_path / "a.xlsx", ["Street", "Volume"], ["R", 900])
    with pytest.raises(BadDataError, match=r"no column road, aadt; the file has: Street, Volume"):
        with_daily([profile((500, -0.05))], CountsFile(path))
    with pytest.raises(BadDataError, match="colour is not a name this reads"):
        with_daily([profile((500, -0.05))], CountsFile(path, columns={"colour": "Volume"}))
