"""Spreadsheets in: text cells, no formula, no bomb."""

from __future__ import annotations

import datetime
import zipfile
from pathlib import Path

import openpyxl
import pytest

from noisemap.errors import BadDataError, MissingInputError
from noisemap.inspection.rows import read_readings
from noisemap.readers.workbooks import read_workbook


def book(path: Path, rows: list[list[object]], title: str = "readings") -> Path:
    workbook = openpyxl.Workbook()
    sheet = workbook.active
    assert sheet is not None
    sheet.title = title
    for row in rows:
        sheet.append(row)
    workbook.save(path)
    return path


def test_cells_become_text(tmp_path: Path) -> None:
    path = book(
        tmp_path / "r.xlsx",
        [
            ["reading_id", "date", "time", "distance_ft", "windscreen", "plate", None],
            [
                "00123",
                datetime.datetime(2026, 5, 1),
                datetime.time(22, 5),
                50.0,
                True,
                " NA ",
                None,
            ],
            [None] * 7,
            ["B", datetime.date(2026, 5, 2), "22:05", 50.5, False, "x", None],
        ],
    )
    table = read_workbook(path)
    assert table.header == ("reading_id", "date", "time", "distance_ft", "windscreen", "plate")
    assert table.rows[0] == ("00123", "2026-05-01", "22:05:00", "50", "yes", "NA")
    assert table.rows[1][3] == "50.5"
    assert table.lines == (2, 4)
    assert [r.value("distance") for r in read_readings(path)] == [50.0, 50.5]


def test_a_formula_is_refused_with_its_cell(tmp_path: Path) -> None:
    path = book(tmp_path / "r.xlsx", [["a", "b"], ["x", "=1+1"]])
    with pytest.raises(BadDataError, match="cell B2 holds a formula"):
        read_workbook(path)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([["a"]], "no row below"),
        ([], "no cell"),
        ([["a", "a"], ["1", "2"]], "stands twice"),
        ([["a", None], ["1", "2"]], "column 2 has cells but no name"),
    ],
)
def test_headers(tmp_path: Path, rows: list[list[object]], words: str) -> None:
    with pytest.raises(BadDataError, match=words):
        read_workbook(book(tmp_path / "r.xlsx", rows))


def test_several_sheets_need_a_name(tmp_path: Path) -> None:
    path = book(tmp_path / "r.xlsx", [["a"], ["1"]])
    workbook = openpyxl.load_workbook(path)
    workbook.create_sheet("other").append(["b"])
    workbook["other"].append(["2"])
    workbook.save(path)
    with pytest.raises(BadDataError, match="several sheets hold cells"):
        read_workbook(path)
    assert read_workbook(path, sheet="other").rows == (("2",),)
    with pytest.raises(BadDataError, match="no sheet 'none'"):
        read_workbook(path, sheet="none")


def test_a_bomb_is_not_opened(tmp_path: Path) -> None:
    path = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("xl/worksheets/sheet1.xml", b" " * 30_000_000)
    with pytest.raises(BadDataError, match="would unpack"):
        read_workbook(path)


def test_a_document_type_is_not_opened(tmp_path: Path) -> None:
    path = tmp_path / "entities.xlsx"
    with zipfile.ZipFile(path, "w") as package:
        package.writestr(
            "xl/workbook.xml", '<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]><a/>'
        )
    with pytest.raises(BadDataError, match="declares a document type"):
        read_workbook(path)


@pytest.mark.parametrize("content", [b"not a workbook", b"PK\x03\x04cut"])
def test_garbage(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "r.xlsx"
    path.write_bytes(content)
    with pytest.raises(BadDataError, match="not an XLSX workbook"):
        read_workbook(path)


def test_a_damaged_workbook(tmp_path: Path) -> None:
    path = tmp_path / "r.xlsx"
    with zipfile.ZipFile(path, "w") as package:
        package.writestr("xl/workbook.xml", "<a/>")
    with pytest.raises(BadDataError, match="not a readable XLSX"):
        read_workbook(path)


def test_missing(tmp_path: Path) -> None:
    with pytest.raises(MissingInputError):
        read_workbook(tmp_path / "none.xlsx")
