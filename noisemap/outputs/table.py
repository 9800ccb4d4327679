"""The plain table that all written tables share."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

Cell = str | float | int | None

FORMULA_STARTS = ("=", "+", "-", "@", "|", "%", "＝", "＋", "－", "＠")


@dataclass(frozen=True)
class Table:
    """One table: a name, headers with units, rows of text, numbers or nothing."""

    name: str
    headers: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def csv_text(table: Table) -> str:
    """CSV of a table: UTF-8 text, plain newlines, no cell that a spreadsheet runs."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([guarded(header) for header in table.headers])
    for row in table.rows:
        writer.writerow([guarded(cell) if isinstance(cell, str) else cell for cell in row])
    return stream.getvalue()


def guarded(text: str) -> str:
    """Text that no spreadsheet takes for a formula.

    >>> guarded("=1+1"), guarded("Oak 5")
    ("'=1+1", 'Oak 5')
    """
    return f"'{text}" if text.lstrip().startswith(FORMULA_STARTS) else text


def xlsx_bytes(tables: Sequence[Table], created: datetime) -> bytes:
    """Workbook with one sheet a table; texts stay texts, numbers stay numbers."""
    import xlsxwriter

    stream = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    book = xlsxwriter.Workbook(stream, options)
    book.set_properties({"created": created.replace(tzinfo=None), "title": "noisemap tables"})
    head = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
    for table in tables:
        sheet = book.add_worksheet(table.name)
        sheet.freeze_panes(1, 0)
        sheet.set_row(0, 60)
        for column, header in enumerate(table.headers):
            sheet.write_string(0, column, header, head)
            sheet.set_column(column, column, _width(table, column))
        for number, row in enumerate(table.rows, start=1):
            for column, cell in enumerate(row):
                if isinstance(cell, str):
                    sheet.write_string(number, column, cell)
                elif cell is not None:
                    sheet.write_number(number, column, cell)
        if table.rows:
            sheet.autofilter(0, 0, len(table.rows), len(table.headers) - 1)
    book.close()
    return stream.getvalue()


def _width(table: Table, column: int) -> int:
    cells = (row[column] for row in table.rows)
    longest = max((len(cell) for cell in cells if isinstance(cell, str)), default=0)
    return min(max(longest + 1, 12), 60)
