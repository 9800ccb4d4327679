"""Text tables in: every cell stays text until a column is asked for by its kind."""

from __future__ import annotations

import codecs
import csv
import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from noisemap.errors import BadDataError
from noisemap.readers.faults import read_each, told
from noisemap.readers.paths import plain_file

FloatArray = npt.NDArray[np.float64]

LARGEST_BYTES = 200_000_000
MOST_ROWS = 2_000_000
LONGEST_LINE = 1_000_000
DELIMITERS = (",", ";", "\t", "|")

_DECIMAL_COMMA = re.compile(r"^[+-]?\d+,\d+$")


@dataclass(frozen=True)
class TextTable:
    """A header and rows of text, with the line each row stands on."""

    name: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    decimal: str = "."  # the sign that parts a number from its fraction
    said: tuple[str, ...] = ()  # what was found out about the file while reading

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
            Naming line and column of every cell that is not a number within the limits.
        """
        if column not in self.header and default is not None:
            return np.full(len(self.rows), default)
        cells = list(zip(self.lines, self.text(column), strict=True))
        if self.decimal != ",":
            self._refuse_commas(column, cells)
        found = read_each(
            cells,
            lambda one: self._number(one[0], column, one[1], minimum, maximum, default),
            math.nan,
        )
        return np.array(found, np.float64)

    def _refuse_commas(self, column: str, cells: Sequence[tuple[int, str]]) -> None:
        """Nothing, when no cell has a decimal comma; else one fault for all of them."""
        with_comma = [(line, cell) for line, cell in cells if _DECIMAL_COMMA.match(cell)]
        if not with_comma:
            return
        line, cell = with_comma[0]
        more = f", and so have {len(with_comma) - 1:,} more" if len(with_comma) > 1 else ""
        raise BadDataError(
            f"{self.name}:{line}: {column}: {cell} has a decimal comma{more}; write "
            f'{cell.replace(",", ".")} with a point throughout the file, or say decimal = "," in '
            "the study"
        )

    def choice(
        self, column: str, allowed: Sequence[str], default: str | None = None
    ) -> tuple[str, ...]:
        """Cells of a column that must be one of a few words.

        Raises
        ------
        BadDataError
            Naming line and column of every cell that is none of them.
        """
        cells = self.text(column, default)
        faults = [
            f"{self.name}:{line}: {column}: {cell!r} is not allowed (allowed: {', '.join(allowed)})"
            for line, cell in zip(self.lines, cells, strict=True)
            if cell not in allowed
        ]
        if faults:
            raise told(faults)
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
        try:
            value = plain_number(cell, self.decimal)
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


class DecimalCommaError(ValueError):
    """A number has a decimal comma where a point is the rule."""


def plain_number(text: str, decimal: str = ".") -> float:
    """Number of a cell; never one with signs that part thousands.

    Raises
    ------
    DecimalCommaError
        For a decimal comma where a point is the rule.
    ValueError
        For everything else that is not one number.

    >>> plain_number("1.5"), plain_number("1,5", ",")
    (1.5, 1.5)
    """
    if "_" in text:
        raise ValueError(f"{text!r} is not a number")
    if decimal == ",":
        if "." in text:
            raise ValueError(f"{text!r} has a point where a comma is the rule")
        return float(text.replace(",", ".", 1))
    if _DECIMAL_COMMA.match(text):
        raise DecimalCommaError(text)
    return float(text)


def read_table(
    path: Path,
    *,
    required: Sequence[str] = (),
    known: Sequence[str] = (),
    encoding: str | None = None,
    decimal: str = ".",
) -> TextTable:
    """Text table of a CSV file; the delimiter is found in the header.

    Parameters
    ----------
    path : Path
        The file: UTF-8, or UTF-16 where its first bytes say so.
    required : sequence of str
        Columns that must be there.
    known : sequence of str
        All columns allowed; when given, any other is an error.
    encoding : str, optional
        Encoding of the text, where it is neither of the two.
    decimal : str
        "." or ",".

    Raises
    ------
    BadDataError
        When the text cannot be decoded, a row has more or fewer cells than the header,
        a column stands twice, is missing or is not known, or no row is there.
    """
    path = plain_file(path)
    if path.stat().st_size > LARGEST_BYTES:
        raise BadDataError(f"{path.name}: larger than {LARGEST_BYTES:,} bytes; split it")
    text, said = _decoded(path, encoding)
    if "\0" in text:
        raise BadDataError(f"{path.name}: holds zero bytes; save it as CSV UTF-8")
    delimiter = _delimiter(text.split("\n", 1)[0])
    reader = csv.reader(_lines(path.name, text), delimiter=delimiter, strict=True)
    rows: list[tuple[str, ...]] = []
    lines: list[int] = []
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append(tuple(row))
                lines.append(reader.line_num)
            if len(rows) > MOST_ROWS:
                raise BadDataError(f"{path.name}: more than {MOST_ROWS:,} rows; split it")
    except csv.Error as error:
        raise BadDataError(f"{path.name}:{reader.line_num}: not a CSV row ({error})") from error
    if len(rows) < 2:
        raise BadDataError(f"{path.name}: no row below the header; fill it, or name another file")
    header = tuple(cell.strip() for cell in rows[0])
    _check_header(path.name, header, required, known)
    for line, cells in zip(lines[1:], rows[1:], strict=True):
        if len(cells) != len(header):
            hint = (
                " (a decimal comma reads as two cells: part the cells by semicolons then)"
                if delimiter == "," and len(cells) > len(header)
                else ""
            )
            raise BadDataError(
                f"{path.name}:{line}: {len(cells)} cells, the header has {len(header)}; correct "
                f"the row{hint}"
            )
    return TextTable(path.name, header, tuple(rows[1:]), tuple(lines[1:]), decimal, said)


def _lines(name: str, text: str) -> Iterator[str]:
    """Lines of a text, none of them longer than a row may be."""
    for line in io.StringIO(text, newline=""):
        if len(line) > LONGEST_LINE:
            raise BadDataError(
                f"{name}: a line has more than {LONGEST_LINE:,} characters; save it as CSV UTF-8"
            )
        yield line


def known_encoding(name: str) -> str:
    """Name of a text encoding as the standard library spells it.

    Raises
    ------
    BadDataError
        When there is no such encoding.

    >>> known_encoding("Latin-1"), known_encoding("utf8")
    ('iso8859-1', 'utf-8')
    """
    try:
        found = codecs.lookup(name)
    except (LookupError, ValueError) as error:
        raise BadDataError(
            f"encoding: {name!r} is not allowed (allowed: utf-8, latin-1, cp1252, utf-16, ...)"
        ) from error
    if not found._is_text_encoding:
        raise BadDataError(f"encoding: {name!r} is not a text encoding; write utf-8 or latin-1")
    return found.name


def _decoded(path: Path, encoding: str | None) -> tuple[str, tuple[str, ...]]:
    """Text of a file, and what was found out about its encoding."""
    content = path.read_bytes()
    said: tuple[str, ...] = ()
    if encoding is None and content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding, said = "utf-16", (f"{path.name}: read as UTF-16, as its first bytes say",)
    name = "utf-8-sig" if encoding is None else known_encoding(encoding)
    try:
        return content.decode("utf-8-sig" if name == "utf-8" else name), said
    except UnicodeError as error:
        cure = (
            'save it as CSV UTF-8, or name its encoding in the study, e.g. encoding = "latin-1"'
            if encoding is None
            else "name another encoding, or save it as CSV UTF-8"
        )
        shown = "UTF-8" if encoding is None else encoding
        place = f" (byte {error.start:,})" if isinstance(error, UnicodeDecodeError) else ""
        raise BadDataError(f"{path.name}: not {shown} text{place}; {cure}") from error


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
