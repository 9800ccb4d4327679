"""Computes the shipped tables of the exhaust, in parts that survive an interruption.

`python -m noisemap.source.build_table OUT` runs every operating point and truck, each
into a file of its own under OUT/parts, and joins them when all are there. The same
command goes on where it was stopped; `--points 2/5` does the second of five shares.
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from pathlib import Path

from noisemap.errors import BusyError, NoisemapError
from noisemap.source.join_table import join_parts
from noisemap.source.table_parts import Task, all_tasks, compute_part, share_of
from noisemap.storage import FolderLock


def compute_parts(
    tasks: list[Task], folder: Path, *, processes: int = 1, minutes: float | None = None
) -> int:
    """Run the tasks whose parts are missing, in several processes.

    Parameters
    ----------
    tasks : list of Task
        The runs.
    folder : Path
        Folder of the part files.
    processes : int
        Number of processes. [1]
    minutes : float, optional
        After that no new run is started. [h] Given in minutes.

    Returns
    -------
    int
        How many of the tasks are still missing.

    References
    ----------
    own-assumption : how runs are shared out
    """
    folder.mkdir(parents=True, exist_ok=True)
    missing = [task for task in tasks if not (folder / task.name).exists()]
    total, done, start = len(missing), 0, time.monotonic()
    if not missing:
        return 0
    _report(f"{total} of {len(tasks)} runs to do, {processes} processes")
    # The first run compiles; the others find the compiled code in its cache.
    short = min(missing, key=lambda task: task.cost)
    compute_part(short, folder)
    queue = [task for task in missing if task is not short]
    done = 1
    with ProcessPoolExecutor(processes) as pool:
        running: set[Future[str]] = set()
        while queue or running:
            late = minutes is not None and time.monotonic() - start > 60.0 * minutes
            if late:
                queue.clear()
            while queue and len(running) < processes:
                running.add(pool.submit(compute_part, queue.pop(0), folder))
            finished, running = wait(running, return_when=FIRST_COMPLETED)
            for future in finished:
                done += 1
                _report(f"{done:4d}/{total} {future.result()} {time.monotonic() - start:7.0f} s")
    return total - done


def _report(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _main(arguments: list[str]) -> int:
    """Run what is missing; join the parts when all are there."""
    parser = argparse.ArgumentParser(prog="python -m noisemap.source.build_table")
    parser.add_argument("out", type=Path, help="folder for the parts and the tables")
    parser.add_argument("--points", default="1/1", help="share of the runs, as i/n")
    parser.add_argument("--processes", type=int, default=1, help="runs at the same time")
    parser.add_argument("--minutes", type=float, help="start no further run after that time")
    given = parser.parse_args(arguments)
    try:
        with FolderLock(given.out / given.points.replace("/", "-of-")):
            return _build(given)
    except NoisemapError as error:
        _report(str(error))
        return error.exit_code


def _build(given: argparse.Namespace) -> int:
    parts = given.out / "parts"
    left = compute_parts(
        share_of(all_tasks(), given.points), parts,
        processes=given.processes, minutes=given.minutes,
    )  # fmt: skip
    if left:
        raise BusyError(f"{left} runs are left; run the same command again to go on")
    absent = [task.name for task in all_tasks() if not (parts / task.name).exists()]
    if absent:
        _report(f"this share is done; {len(absent)} runs of other shares are missing")
        return 0
    for path in join_parts(parts, given.out):
        _report(str(path))
    return 0


if __name__ == "__main__":
    sys.exit(_main(sys.argv[1:]))
