"""Text tables in: every cell stays text until a column is asked for by its kind."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from noisemap.errors import BadDataError
from noisemap.readers.paths import plain_file

FloatArray = npt.NDArray[np.float64]

LARGEST_BYTES = 200_000_000
DELIMITERS = (",", ";", "\t", "|")

_DECIMAL_COMMA = re.compile(r"^[+-]?\d+,\d+$")


@dataclass(frozen=True)
class TextTable:
    """A header and rows of text, with the line each row stands on."""

    name: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]

    def has(self, column: str) -> bool:
        """Whether the column is there."""
        return column in self.header

    def text(self, column: str, default: str | None = None) -> tuple[str, ...]:
        """Cells of a column without surrounding blanks.

        Raises
        ------
        BadDataError
            When the column is absent and no default is given.
        """
        if column not in self.header:
            if default is not None:
                return (default,) * len(self.rows)
            raise BadDataError(
                f"{self.name}: no column {column!r}; the file has: {', '.join(self.header)}"
            )
        place = self.header.index(column)
        return tuple(row[place].strip() for row in self.rows)

    def number(
        self,
        column: str,
        *,
        minimum: float = -math.inf,
        maximum: float = math.inf,
        default: float | None = None,
    ) -> FloatArray:
        """Numbers of a column; a blank cell or an absent column takes the default.

        Raises
        ------
        BadDataError
            Naming line and column, when a cell is not a number within the limits.
        """
        if column not in self.header and default is not None:
            return np.full(len(self.rows), default)
        return np.array(
            [
                self._number(line, column, cell, minimum, maximum, default)
                for line, cell in zip(self.lines, self.text(column), strict=True)
            ],
            np.float64,
        )

    def choice(
        self, column: str, allowed: Sequence[str], default: str | None = None
    ) -> tuple[str, ...]:
        """Cells of a column that must be one of a few words.

        Raises
        ------
        BadDataError
            Naming line and column of a cell that is none of them.
        """
        cells = self.text(column, default)
        for line, cell in zip(self.lines, cells, strict=True):
            if cell not in allowed:
                raise BadDataError(
                    f"{self.name}:{line}: {column}: {cell!r} is not allowed "
                    f"(allowed: {', '.join(allowed)})"
                )
        return cells

    def _number(
        self,
        line: int,
        column: str,
        cell: str,
        minimum: float,
        maximum: float,
        default: float | None,
    ) -> float:
        where = f"{self.name}:{line}: {column}"
        if not cell:
            if default is None:
                raise BadDataError(f"{where}: empty; write a number")
            return default
        if _DECIMAL_COMMA.match(cell):
            raise BadDataError(
                f"{where}: {cell} has a decimal comma; write {cell.replace(',', '.')} "
                "with a point throughout the file"
            )
        try:
            value = float(cell)
        except ValueError as error:
            raise BadDataError(f"{where}: {cell!r} is not a number") from error
        if not (math.isfinite(value) and minimum <= value <= maximum):
            raise BadDataError(
                f"{where}: {cell} is not allowed (allowed: {_limits(minimum, maximum)})"
            )
        return value


def _limits(minimum: float, maximum: float) -> str:
    """Limits in words.

    >>> _limits(0.0, 24.0), _limits(0.0, math.inf), _limits(-math.inf, math.inf)
    ('0..24', '0 or more', 'a finite number')
    """
    if math.isfinite(minimum) and math.isfinite(maximum):
        return f"{minimum:g}..{maximum:g}"
    if math.isfinite(minimum):
        return f"{minimum:g} or more"
    if math.isfinite(maximum):
        return f"{maximum:g} or less"
    return "a finite number"


def read_table(path: Path, *, required: Sequence[str] = (), known: Sequence[str] = ()) -> TextTable:
    """Text table of a CSV file in UTF-8; the delimiter is found in the header.

    Parameters
    ----------
    path : Path
        The file.
    required : sequence of str
        Columns that must be there.
    known : sequence of str
        All columns allowed; when given, any other is an error.

    Raises
    ------
    BadDataError
        When the text is not UTF-8, a row has more or fewer cells than the header,
        a column stands twice, is missing or is not known, or no row is there.
    """
    path = plain_file(path)
    if path.stat().st_size > LARGEST_BYTES:
        raise BadDataError(f"{path.name}: larger than {LARGEST_BYTES:,} bytes; split it")
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadDataError(
            f"{path.name}: not UTF-8 text (byte {error.start:,}); save it as CSV UTF-8"
        ) from error
    if "\0" in text:
        raise BadDataError(f"{path.name}: holds zero bytes; save it as CSV UTF-8")
    delimiter = _delimiter(text.split("\n", 1)[0])
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[tuple[str, ...]] = []
    lines: list[int] = []
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append(tuple(row))
                lines.append(reader.line_num)
    except csv.Error as error:
        raise BadDataError(f"{path.name}:{reader.line_num}: not a CSV row ({error})") from error
    if len(rows) < 2:
        raise BadDataError(f"{path.name}: no row below the header")
    header = tuple(cell.strip() for cell in rows[0])
    _check_header(path.name, header, required, known)
    for line, cells in zip(lines[1:], rows[1:], strict=True):
        if len(cells) != len(header):
            hint = (
                "; a decimal comma reads as two cells: write numbers with a point"
                if delimiter == "," and len(cells) > len(header)
                else ""
            )
            raise BadDataError(
                f"{path.name}:{line}: {len(cells)} cells, the header has {len(header)}{hint}"
            )
    return TextTable(path.name, header, tuple(rows[1:]), tuple(lines[1:]))


def _delimiter(header: str) -> str:
    """Delimiter that parts the header into most cells.

    >>> _delimiter("road;hour;count")
    ';'
    """
    return max(DELIMITERS, key=header.count)


def _check_header(
    name: str, header: Sequence[str], required: Sequence[str], known: Sequence[str]
) -> None:
    double = sorted({column for column in header if header.count(column) > 1})
    if double:
        raise BadDataError(f"{name}:1: column {', '.join(map(repr, double))} stands twice")
    missing = [column for column in required if column not in header]
    if missing:
        raise BadDataError(
            f"{name}:1: no column {', '.join(missing)}; the file has: {', '.join(header)}"
        )
    strange = [column for column in header if known and column not in known]
    if strange:
        raise BadDataError(
            f"{name}:1: column {', '.join(map(repr, strange))} is not known "
            f"(allowed: {', '.join(known)})"
        )
