"""Tiles of sound paths in one process, two and more: wall time, processor time and memory.

    python benchmarks/scaling.py [--json FILE] [--processes 1 2 4 8 16] [--tiles 64] [--houses 500]

Needs Python, numpy, scipy and numba only.  The place is that of `propagation.py`; the tiles
are those of a run with `--jobs`: the job is written into a folder, each process reads it there
and writes hashed files.  Every process has one thread, so that cores are counted by processes;
the row of threads is one process with a thread a core, as a run without `--jobs`.  Each number
of processes is measured once going up and once coming down, except the largest.  Where a file
of any run differs in one bit from those of the first, nothing is printed.

The first tile of a pool runs alone (it would compile the kernels), and every process loads its
libraries and kernels once.  `starting` is what that costs: the wall time in which not all
processes were at work yet.  `speed-up` counts it, `at work` does not: there it is the number
of processes, divided by how much longer a tile takes with the others beside it.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import platform
import resource
import statistics
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

import numpy as np
from propagation import Job, landscape

from noisemap.execution.pool import LocalPool
from noisemap.execution.tasks import Task
from noisemap.transfer.build import PATHS_PER_TILE
from noisemap.transfer.job import Air, TileJob
from noisemap.transfer.store import ARRAYS, tile_array, tile_is_whole
from noisemap.transfer.terrain_error import height_noise, terrain_sigma

STRETCHES = 1900
HOMES_A_TILE = 164  # of about 1,220 paths each
CELL = 10.0


@dataclass(frozen=True)
class Measured:
    """One run of all tiles."""

    processes: int
    threads: int  # of each process
    wall_s: float
    cpu_s: float
    starting_s: float
    tile_s: float  # median wall time of a tile, once all processes are at work
    tile_cpu_s: float
    peak_mb: float  # the largest process
    digest: str


def tile_job(tiles: int, houses: int) -> TileJob:
    """The job of a place with some `tiles` tiles."""
    job = Job(landscape(houses, foliage=False), tiles * HOMES_A_TILE, STRETCHES)
    noise = height_noise(job.surface.height.shape, CELL, CELL, terrain_sigma(CELL), 7)
    along = np.gradient(job.sources[:, :2], axis=0) / 2.0
    cuts = [0]
    while cuts[-1] < len(job.receivers):
        goal = job.pointer[cuts[-1]] + PATHS_PER_TILE
        cuts.append(int(np.searchsorted(job.pointer, goal, side="right")) - 1)
    return TileJob(
        surface=job.surface,
        twin_height=job.surface.height + noise,
        sources=job.sources,
        twin_sources=job.sources,
        ends=np.hstack([job.sources[:, :2] - along, job.sources[:, :2] + along]),
        receivers=job.receivers,
        pointer=job.pointer,
        stretch=job.source,
        tiles=np.column_stack([cuts[:-1], cuts[1:]]),
        air=Air(10.0, 70.0, 101.325),
    )


def noted(task: Task, notes: str, number: int) -> None:
    """Run a tile and leave when it ran, what it cost, and how large its process has been."""
    begin, cpu = time.time(), time.process_time()
    task(number)
    note = [os.getpid(), begin, time.time(), time.process_time() - cpu, peak_mb()]
    (Path(notes) / f"{number}.json").write_text(json.dumps(note))


def peak_mb() -> float:
    """Largest resident memory of this process so far [MB]; not that of its parent before it."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(float(line.split()[1]) / 1e3 for line in lines if line.startswith("VmHWM:"))


def digest_of(place: Path, tiles: int) -> str:
    """SHA-256 over all arrays of all tiles."""
    whole = hashlib.sha256()
    for number in range(tiles):
        if not tile_is_whole(place, number):
            raise SystemExit(f"tile {number} is not whole")
        for name in ARRAYS:
            whole.update((place / tile_array(number, name)).read_bytes())
    return whole.hexdigest()


def measure(job: TileJob, numbers: Sequence[int], processes: int, threads: int) -> Measured:
    """Run all tiles once in a folder of their own."""
    os.environ["NUMBA_NUM_THREADS"] = str(threads)
    with tempfile.TemporaryDirectory() as folder:
        place, notes = Path(folder) / "store", Path(folder) / "notes"
        notes.mkdir()
        task = partial(noted, job.saved(place), str(notes))
        before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.time()
        LocalPool(processes).run(task, numbers, list[int]().append)
        ended, after = time.time(), resource.getrusage(resource.RUSAGE_CHILDREN)
        rows = [json.loads((notes / f"{number}.json").read_text()) for number in numbers]
        digest = digest_of(place, len(numbers))
    first: dict[int, float] = {}
    for process, begin, end, *_ in rows:
        first[process] = min(first.get(process, end), begin)
    all_there = max(first.values())
    steady = [row for row in rows if row[1] >= all_there]
    return Measured(
        processes,
        threads,
        wall_s=ended - started,
        cpu_s=after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime,
        starting_s=all_there - started,
        tile_s=statistics.median(end - begin for _, begin, end, *_ in steady),
        tile_cpu_s=statistics.median(row[3] for row in steady),
        peak_mb=max(row[4] for row in rows),
        digest=digest,
    )


def table(found: Sequence[Measured]) -> str:
    """The runs of each kind as one row: means of wall and processor time, the largest memory."""
    alone = [one for one in found if (one.processes, one.threads) == (1, 1)]
    wall = statistics.mean(one.wall_s for one in alone)
    tile = statistics.mean(one.tile_s for one in alone)
    lines = [
        "| processes | threads each | wall, s | processor, s | starting, s | speed-up | at work "
        "| a tile, s of the processor | largest process, MB |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for kind in dict.fromkeys((one.processes, one.threads) for one in found):
        runs = [one for one in found if (one.processes, one.threads) == kind]
        walls = [one.wall_s for one in runs]
        mean = statistics.mean(walls)
        spread = f" ({min(walls):.1f} to {max(walls):.1f})" if len(walls) > 1 else ""
        slower = statistics.mean(one.tile_s for one in runs) / tile
        lines.append(
            f"| {kind[0]} | {kind[1]} | {mean:.1f}{spread} "
            f"| {statistics.mean(one.cpu_s for one in runs):.0f} "
            f"| {statistics.mean(one.starting_s for one in runs):.1f} | {wall / mean:.2f} "
            f"| {kind[0] / slower:.2f} | {statistics.mean(one.tile_cpu_s for one in runs):.2f} "
            f"| {max(one.peak_mb for one in runs):.0f} |"
        )
    return "\n".join(lines)


def processor() -> str:
    """Name of the processor, where the system tells it."""
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        lines = []
    names = (line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    return next(names, platform.processor())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--processes", type=int, nargs="+", default=[1, 2, 4, 8, 16])
    parser.add_argument("--tiles", type=int, default=64)
    parser.add_argument("--houses", type=int, default=500)
    chosen = parser.parse_args()
    job = tile_job(chosen.tiles, chosen.houses)
    numbers = range(len(job.tiles))
    print(f"{len(numbers)} tiles, {len(job.stretch):,} paths, {chosen.houses} houses", flush=True)
    measure(job, [0], 1, 1)  # compiles
    cores = len(os.sched_getaffinity(0))
    up = sorted(set(chosen.processes))
    plan = [(count, 1) for count in (*up, *up[-2::-1])] + [(1, cores)] * (cores > 1)
    found = []
    for processes, threads in plan:
        found.append(measure(job, numbers, processes, threads))
        print(json.dumps(asdict(found[-1])), flush=True)
        if found[-1].digest != found[0].digest:
            raise SystemExit("the files of two runs differ; no table is made")
    machine = {
        "processor": processor(),
        "cores": cores,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "tiles": len(numbers),
        "paths": len(job.stretch),
        "houses": chosen.houses,
    }
    print(json.dumps(machine))
    print("every run left the same bits\n\n" + table(found))
    if chosen.json:
        rows = [asdict(one) for one in found]
        chosen.json.write_text(json.dumps({"machine": machine, "runs": rows}, indent=1))


if __name__ == "__main__":
    main()
