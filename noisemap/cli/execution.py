"""The options that say where the tiles of a run are computed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from noisemap.errors import UsageError
from noisemap.execution.tasks import Device, Execution, Serial, Share

OPTIONS = (
    click.option(
        "--jobs",
        type=int,
        metavar="N",
        help="Compute tiles in N processes of this machine; without it, one process on all cores.",
    ),
    click.option(
        "--dask",
        metavar="ADDRESS",
        help="Compute tiles on the workers of a dask scheduler, or 'local' for a cluster here.",
    ),
    click.option(
        "--tile",
        metavar="I/N",
        help="Compute only share I of N of the tiles, for a batch queue; merge when all are done.",
    ),
    click.option(
        "--merge", is_flag=True, help="Compute no tile: take those that the shares have left."
    ),
    click.option(
        "--device",
        type=click.Choice(["cpu", "cuda"]),
        default="cpu",
        help="Where the sound paths are computed; cuda needs the extra 'gpu' and a CUDA device.",
    ),
)


def execution_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options to a command."""
    for option in reversed(OPTIONS):
        command = option(command)
    return command


def execution_of(
    jobs: int | None, dask: str | None, tile: str | None, merge: bool, device: Device = "cpu"
) -> Execution:
    """The execution that the options ask for.

    Raises
    ------
    UsageError
        When two options contradict each other, or a value is out of range.
    MissingProgramError
        When there is no CUDA device for --device cuda here.
    """
    if device == "cuda" and dask is None:
        from noisemap.propagation.kernel import require_device

        require_device(device)
    if merge and (tile or jobs or dask):
        raise UsageError("--merge computes no tile: leave out --tile, --jobs and --dask")
    share = None if tile is None else Share.parse(tile)
    if dask is not None:
        from noisemap.execution.scheduler import LOCAL, Scheduler

        if jobs is not None and dask != LOCAL:
            raise UsageError(f"--jobs goes with --dask {LOCAL} only; {dask} has its own workers")
        return Execution(Scheduler(dask, jobs), share, device=device)
    if jobs is not None:
        from noisemap.execution.pool import LocalPool

        return Execution(LocalPool(jobs), share, device=device)
    return Execution(Serial(), share, merge, device)
