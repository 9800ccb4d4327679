"""Progress on stderr: a bar on a terminal, plain lines elsewhere, nothing when quiet."""

from __future__ import annotations

import sys
import time
from types import TracebackType

import click

from noisemap.study.progress import Reporter, Silent


class Lines:
    """One plain line a stage, and one a quarter of the long ones."""

    def __init__(self) -> None:
        self._start = time.monotonic()
        self._quarter = 0

    def stage(self, text: str) -> None:
        """Print the stage with the seconds since the start."""
        self._quarter = 0
        click.echo(f"[{time.monotonic() - self._start:6.1f} s] {text}", err=True)

    def advance(self, done: int, total: int) -> None:
        """Print each completed quarter of a stage of several parts."""
        quarter = 4 * done // max(total, 1)
        if self._quarter < quarter < 4:
            click.echo(f"           {25 * quarter} %", err=True)
        self._quarter = max(self._quarter, quarter)


class Bar:
    """A progress bar on a terminal."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        self._progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TimeElapsedColumn(),
            console=Console(stderr=True),
        )
        self._task = self._progress.add_task("start", total=None)
        self._progress.start()

    def stage(self, text: str) -> None:
        """Finish the stage before and show the new one."""
        self._progress.update(self._task, total=1, completed=1)
        self._task = self._progress.add_task(text, total=None)

    def advance(self, done: int, total: int) -> None:
        """Move the bar of the stage."""
        self._progress.update(self._task, total=total, completed=done)

    def close(self) -> None:
        """Leave the terminal as it was."""
        self._progress.update(self._task, total=1, completed=1)
        self._progress.stop()


class Progress:
    """Chooses the fitting reporter and closes it."""

    def __init__(self, quiet: bool) -> None:
        self._bar = Bar() if not quiet and sys.stderr.isatty() else None
        self.reporter: Reporter = self._bar or (Silent() if quiet else Lines())

    def __enter__(self) -> Reporter:
        return self.reporter

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._bar:
            self._bar.close()
