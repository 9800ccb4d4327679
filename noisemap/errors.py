"""The errors a user may meet, each with its exit code.

Exit codes: 0 done; 2 wrong usage; 65 bad data; 66 an input is missing;
69 a needed program is missing; 70 a fault of ours; 73 cannot write;
75 busy, or a resume is possible; 78 a fault in the study file;
130 interrupted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One fault in what the user gave: where it is, what it is, and the cure.

    >>> print(Problem("study.toml:6", "weather.humidity", "1.7", "5..100", "write per cent, 70"))
    study.toml:6: weather.humidity: 1.7 is not allowed (allowed: 5..100); write per cent, 70
    """

    where: str
    field: str
    value: str
    allowed: str = ""
    cure: str = ""

    def __str__(self) -> str:
        text = f"{self.where}: {self.field}: {self.value}"
        if self.allowed:
            text += f" is not allowed (allowed: {self.allowed})"
        if self.cure:
            text += f"; {self.cure}"
        return text


class NoisemapError(Exception):
    """Base of all errors that end a command with a sentence and no traceback."""

    exit_code = 70

    def __init__(self, message: str, problems: Sequence[Problem] = ()) -> None:
        self.problems = tuple(problems)
        super().__init__(message)


class UsageError(NoisemapError):
    """The command line itself is wrong."""

    exit_code = 2


class BadDataError(NoisemapError):
    """An input file was read and cannot be used as it is."""

    exit_code = 65


class OutOfDomainError(BadDataError):
    """A value lies outside the range for which a formula is stated."""


class MissingInputError(NoisemapError):
    """A file named by the user is not there."""

    exit_code = 66


class MissingProgramError(NoisemapError):
    """An optional program or device is not there."""

    exit_code = 69


class CannotWriteError(NoisemapError):
    """The output cannot be written."""

    exit_code = 73


class BusyError(NoisemapError):
    """Another run holds the folder, or inputs changed under a run."""

    exit_code = 75


class StudyError(NoisemapError):
    """The study file has one or more faults, all listed."""

    exit_code = 78
