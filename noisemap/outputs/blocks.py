"""What a page is made of, the same for HTML and PDF."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from noisemap.outputs.figures import Picture
from noisemap.outputs.table import Table

LINE = 112.0  # letters on a line of a table on paper
LONGEST_WORD, WORD_MARGIN, FIELD = (
    13,
    2.2,
    20,
)  # letters: longer words may break; an empty field to write in


@dataclass(frozen=True)
class Heading:
    """A heading; level 1 begins a part."""

    text: str
    level: int = 2


@dataclass(frozen=True)
class Words:
    """A paragraph in one of the styles `plain`, `question`, `answer`, `small`."""

    text: str
    style: str = "plain"


@dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    texts: tuple[str, ...]


@dataclass(frozen=True)
class Grid:
    """A table with its caption and the relative widths of its columns."""

    caption: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]


@dataclass(frozen=True)
class Shown:
    """A picture with its caption and its height on paper."""

    picture: Picture
    caption: str
    height_mm: float


@dataclass(frozen=True)
class NewPage:
    """The engineer's part begins."""


Block = Heading | Words | Bullets | Grid | Shown | NewPage


def grid_of(table: Table, caption: str, without: Sequence[str] = ()) -> Grid:
    """A table as a grid of words; no column is narrower than its words.

    Columns named in `without` are left to the table's own file; an empty column is a field
    to write in.
    """
    kept = [i for i, head in enumerate(table.headers) if head not in without]
    rows = tuple(tuple("" if row[i] is None else str(row[i]) for i in kept) for row in table.rows)
    headers = tuple(table.headers[i] for i in kept)
    columns = [(head, *(row[i] for row in rows)) for i, head in enumerate(headers)]
    return Grid(caption, headers, rows, column_widths(columns))


def column_widths(columns: Sequence[Sequence[str]]) -> tuple[float, ...]:
    """Widths of columns of texts, heads first: their longest words, then shares of the rest.

    >>> [round(width) for width in column_widths([("a", "b"), ("c", "some words " * 9)])]
    [3, 109]
    >>> [round(width) for width in column_widths([("head alone",)])]  # a table without rows
    [20]
    """
    least = [_longest_word(texts) if any(texts[1:]) else float(FIELD) for texts in columns]
    whole = [max([len(texts[0]) / 2.0, *map(len, texts[1:])]) for texts in columns]
    wanted = [max(most - low, 0.0) for low, most in zip(least, whole, strict=True)]
    rest = max(LINE - sum(least), 0.0) / max(sum(wanted), 1.0)
    return tuple(low + rest * more for low, more in zip(least, wanted, strict=True))


def _longest_word(texts: Sequence[str]) -> float:
    longest = max((len(word) for text in texts for word in text.split()), default=1)
    return min(longest, LONGEST_WORD) + WORD_MARGIN
