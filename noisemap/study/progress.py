"""What a run tells while it works; the command line decides how to show it."""

from __future__ import annotations

from typing import Protocol


class Reporter(Protocol):
    """Receives the stages of a run."""

    def stage(self, text: str) -> None:
        """A new stage begins."""

    def advance(self, done: int, total: int) -> None:
        """Part of the stage is done."""


class Silent:
    """Says nothing."""

    def stage(self, text: str) -> None:
        """Take no notice of a stage."""

    def advance(self, done: int, total: int) -> None:
        """Take no notice of progress."""
