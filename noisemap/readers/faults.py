"""Faults of a file, collected so that all are told at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence, Sized
from typing import TypeVar

from noisemap.errors import BadDataError

SHOWN = 10

Value = TypeVar("Value")


def told(faults: Sequence[str]) -> BadDataError:
    """One error with a line a fault: the first ten, and how many more there are.

    >>> print(told(["a.csv:2: x", "a.csv:3: y"]))
    a.csv:2: x
    a.csv:3: y
    >>> str(told([f"a.csv:{n}: x" for n in range(12)])).splitlines()[-1]
    'a.csv: 2 more faults of this kind'
    """
    lines = list(faults[:SHOWN])
    rest = len(faults) - len(lines)
    if rest:
        lines.append(f"{faults[0].split(':', 1)[0]}: {rest:,} more faults of this kind")
    return BadDataError("\n".join(lines))


def more_of(wrong: Sized) -> str:
    """How many beside the first one are of the same kind.

    >>> more_of([7]), more_of([7, 8, 9])
    ('', ', and 2 more are none that is read')
    """
    rest = len(wrong) - 1
    return f", and {rest:,} more are none that is read" if rest else ""


def read_each(
    items: Sequence[Value], read: Callable[[Value], float], otherwise: float
) -> list[float]:
    """What reading gives for every item.

    Parameters
    ----------
    items : sequence
        Cells, with what names their place.
    read : callable
        Value of one; raises BadDataError for a fault.
    otherwise : float
        Stands for a faulty one until all are read.

    Raises
    ------
    BadDataError
        With all faults.
    """
    faults: list[str] = []
    found: list[float] = []
    for item in items:
        try:
            found.append(read(item))
        except BadDataError as error:
            faults.append(str(error))
            found.append(otherwise)
    if faults:
        raise told(faults)
    return found


class Faults:
    """Faults of several steps; every step is taken, then all are raised."""

    def __init__(self) -> None:
        self._found: list[str] = []

    def tried(self, read: Callable[[], Value], otherwise: Value) -> Value:
        """What the step gives, or the other value where it fails."""
        try:
            return read()
        except BadDataError as error:
            self._found.append(str(error))
            return otherwise

    def raise_all(self) -> None:
        """Nothing, when every step was taken.

        Raises
        ------
        BadDataError
            With the faults of all steps.
        """
        if self._found:
            raise BadDataError("\n".join(self._found))
