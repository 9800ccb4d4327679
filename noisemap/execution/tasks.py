"""Numbered tasks that leave their own files, and the plain way of running them."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal, Protocol

from noisemap.errors import UsageError

Task = Callable[[int], None]
"""Writes the files of one number, whole or not at all; doing it twice changes nothing."""

Device = Literal["cpu", "cuda"]

Told = Callable[[int], None]
"""Hears the number of each task that is done."""


class Backend(Protocol):
    """Runs tasks, in any order, each at least once."""

    @property
    def elsewhere(self) -> bool:
        """Whether tasks run in other processes, so that they must be handed over by files."""

    def require_memory(self, each: float, tasks: int) -> None:
        """Nothing, unless processes that need so much each [B] are known not to find it."""

    def run(self, task: Task, numbers: Sequence[int], told: Told) -> None:
        """Run every number, or say in an error which could not be run."""


class Serial:
    """One task after the other in this process."""

    elsewhere = False

    def require_memory(self, each: float, tasks: int) -> None:
        """Take no notice: this process holds the place already."""

    def run(self, task: Task, numbers: Sequence[int], told: Told) -> None:
        """Run every number in its order."""
        for number in numbers:
            task(number)
            told(number)


@dataclass(frozen=True)
class Share:
    """One of several equal shares of the tasks, for a queue of separate runs.

    >>> share = Share.parse("2/3")
    >>> share.of(range(7))
    [1, 4]
    """

    index: int  # 1..count
    count: int

    @classmethod
    def parse(cls, text: str) -> Share:
        """Read a share from text such as ``17/64``."""
        found = re.fullmatch(r"(\d{1,6})/(\d{1,6})", text, flags=re.ASCII)
        if found is None or not 1 <= int(found[1]) <= int(found[2]):
            raise UsageError(
                f"--tile {text!r} is not allowed (allowed: 1/N to N/N, such as 17/64, N up to "
                "999999)"
            )
        return cls(int(found[1]), int(found[2]))

    def of(self, numbers: Sequence[int]) -> list[int]:
        """The numbers that belong to this share, whatever else is done or missing."""
        return [number for number in numbers if number % self.count == self.index - 1]


@dataclass(frozen=True)
class Execution:
    """How the tiles of a run are computed."""

    backend: Backend = field(default_factory=Serial)
    share: Share | None = None  # only these tiles, and nothing after them
    merge: bool = False  # no tile at all: they have to be there
    device: Device = "cpu"  # on which the loop over the paths runs


HERE = Execution()
