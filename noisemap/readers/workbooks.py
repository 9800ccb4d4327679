"""Spreadsheets in: one sheet of an XLSX file as text cells; nothing in it is ever computed."""

from __future__ import annotations

import datetime
import warnings
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from noisemap.errors import BadDataError
from noisemap.readers import archives
from noisemap.readers.faults import told
from noisemap.readers.paths import plain_file
from noisemap.readers.tables import TextTable

LARGEST_FILE_BYTES = 50_000_000
LARGEST_UNPACKED_BYTES = 200_000_000
LARGEST_RATIO = 200.0
MOST_PARTS = 2_000
MOST_ROWS = 200_000
MOST_COLUMNS = 500


def read_workbook(
    path: Path, *, sheet: str | None = None, choose: str = "name one with --sheet"
) -> TextTable:
    """Text table of one sheet of an XLSX workbook; its first row is the header.

    Parameters
    ----------
    path : Path
        The file.
    sheet : str, optional
        Name of the sheet; without it the workbook may hold only one sheet with cells.
    choose : str
        How the user names a sheet, for the message that asks for it.

    Raises
    ------
    BadDataError
        When the file is no workbook, would unpack to too much, holds a formula
        or an error cell, or its header repeats or lacks a name.
    """
    path = plain_file(path)
    _check_package(path)
    from openpyxl import load_workbook

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styles and extensions that are not read here
            book = load_workbook(path, read_only=True, data_only=False, keep_links=False)
            try:
                return _sheet_table(path.name, book, sheet, choose)
            finally:
                book.close()
    except BadDataError:
        raise
    except Exception as error:
        raise BadDataError(
            f"{path.name}: not a readable XLSX workbook ({type(error).__name__}); "
            "save it again, or as CSV UTF-8"
        ) from error


def _check_package(path: Path) -> None:
    """Refuse what is no workbook, or would fill the memory when unpacked."""
    size = path.stat().st_size
    if size > LARGEST_FILE_BYTES:
        raise BadDataError(f"{path.name}: larger than {LARGEST_FILE_BYTES:,} bytes; split it")
    try:
        with zipfile.ZipFile(path) as package:
            parts = package.infolist()
            unpacked = sum(part.file_size for part in parts)
            if (
                len(parts) > MOST_PARTS
                or unpacked > LARGEST_UNPACKED_BYTES
                or unpacked > LARGEST_RATIO * size
            ):
                raise BadDataError(
                    f"{path.name}: {size:,} bytes would unpack to {unpacked:,}; "
                    "not opened; save it as CSV UTF-8"
                )
            for part in parts:
                if part.filename.endswith((".xml", ".rels")) and _declares_entities(package, part):
                    raise BadDataError(
                        f"{path.name}: {part.filename} declares a document type; not opened"
                    )
    except archives.FAULTS as error:
        raise BadDataError(
            f"{path.name}: not an XLSX workbook; save it again, or as CSV UTF-8"
        ) from error


def _declares_entities(package: zipfile.ZipFile, part: zipfile.ZipInfo) -> bool:
    with package.open(part) as stream:
        return b"<!DOCTYPE" in stream.read(4096)


def _sheet_table(name: str, book: Any, wanted: str | None, choose: str) -> TextTable:
    sheets = {sheet.title: sheet for sheet in book.worksheets}
    if wanted is not None:
        if wanted not in sheets:
            raise BadDataError(f"{name}: no sheet {wanted!r}; sheets: {', '.join(sheets)}")
        return _rows_table(name, _text_rows(name, sheets[wanted]))
    filled = {title: rows for title, sheet in sheets.items() if (rows := _text_rows(name, sheet))}
    if len(filled) > 1:
        raise BadDataError(f"{name}: several sheets hold cells ({', '.join(filled)}); {choose}")
    if not filled:
        raise BadDataError(f"{name}: no cell in any sheet")
    return _rows_table(name, next(iter(filled.values())))


def _text_rows(name: str, sheet: Any) -> list[tuple[int, tuple[str, ...]]]:
    """Rows with their numbers; empty rows are left out, empty cells at the end cut."""
    rows = []
    faults: list[str] = []
    for number, cells in enumerate(sheet.iter_rows(), start=1):
        if number > MOST_ROWS or len(cells) > MOST_COLUMNS:
            raise BadDataError(
                f"{name}: sheet {sheet.title!r} has more than {MOST_ROWS:,} rows "
                f"or {MOST_COLUMNS} columns; split it"
            )
        texts = tuple(_cell_text(name, cell, faults) for cell in cells)
        if any(texts):
            rows.append((number, texts))
    if faults:
        raise told(faults)
    return rows


def _cell_text(name: str, cell: Any, faults: list[str]) -> str:
    """Cell as text; dates in ISO form, whole numbers without a point."""
    value = cell.value
    if value is None:
        return ""
    where = f"{name}: cell {cell.coordinate}"
    if cell.data_type == "f":
        faults.append(f"{where} holds a formula; paste its value instead")
    if cell.data_type == "e":
        faults.append(f"{where} holds the error {value}; correct it")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime.datetime):
        midnight = value.time() == datetime.time(0)
        return value.date().isoformat() if midnight else value.isoformat(sep=" ")
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _rows_table(name: str, rows: list[tuple[int, tuple[str, ...]]]) -> TextTable:
    if len(rows) < 2:
        raise BadDataError(f"{name}: no row below the header")
    width = _width(texts for _, texts in rows)
    header = _fill(rows[0][1], width)
    if not all(header):
        raise BadDataError(f"{name}: column {header.index('') + 1} has cells but no name")
    double = sorted({column for column in header if header.count(column) > 1})
    if double:
        raise BadDataError(f"{name}: column {', '.join(map(repr, double))} stands twice")
    body = [(line, _fill(texts, width)) for line, texts in rows[1:]]
    return TextTable(
        name, header, tuple(texts for _, texts in body), tuple(line for line, _ in body)
    )


def _width(rows: Iterable[tuple[str, ...]]) -> int:
    """Columns up to the last one with a text."""
    return max((place + 1 for texts in rows for place, text in enumerate(texts) if text), default=0)


def _fill(texts: tuple[str, ...], width: int) -> tuple[str, ...]:
    return (texts + ("",) * width)[:width]
