"""Speed of the map kernel beside plain code, numpy and a bound, all in one run.

    python benchmarks/propagation.py [--json FILE] [--rounds 9] [--homes 5000]

The place is invented: a valley of smooth random hills with a winding road, homes
within 1.5 km of it, and houses.  All codes see the same paths.  Rounds are
interleaved; figures are medians of ratios within a round of process CPU time,
with the 10th and 90th percentile.  First calls, which load or compile, are left
out.  With one thread cpu/wall should be near 1: where it is not, the machine was
shared and wall times mean little.

The bound is the time of the loops that no kernel of this design can do without:
terrain samples, ground pieces and exponentials, each timed warm in this run.
A kernel that samples only must not beat the bound of its own samples; where it
does, the bound is wrong and the run ends with an error.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numba
import numpy as np
from scipy.ndimage import gaussian_filter, zoom

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
sys.path.insert(0, str(Path(__file__).parent))

import loops
from plain_numpy import transfers_of_home
from propagation_support import ALPHA, bilinear, reference_path

from noisemap.propagation.attenuation import attenuation
from noisemap.propagation.kernel import Surface, pairs_within, propagate

CELLS, CELL = 400, 10.0
HEIGHTS = (0.5, 3.7)
HOMES, STRETCHES, HOUSES = 100, 600, 500
REFERENCE_PATHS = 100
NUMPY_HOMES = 5
PATHS_AT_ONCE = 200_000
TOWN_ROUNDS = 3


def landscape(houses: int, foliage: bool) -> Surface:
    """Hills whose detail is about 90 m, read on 10 m cells."""
    rng = np.random.default_rng(5)
    coarse = rng.normal(size=(46, 46))
    hills = 40.0 * gaussian_filter(coarse, 1.2) + 400.0 * gaussian_filter(coarse.T, 4.0)
    height = zoom(hills, CELLS / 46, order=3)[:CELLS, :CELLS]
    yy, xx = np.mgrid[0:CELLS, 0:CELLS] * CELL
    height = height + 6e-5 * (yy - road(xx)) ** 2
    centre = rng.uniform(100.0, 3800.0, (houses, 2))
    half = rng.uniform(4.0, 10.0, (houses, 2))
    ring = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]])
    corners = centre[:, None, :] + half[:, None, :] * ring[None]
    edges = np.concatenate([corners[:, :-1], corners[:, 1:]], axis=2).reshape(-1, 4)
    return Surface(
        0.0,
        0.0,
        CELL,
        height,
        np.zeros(height.shape, dtype=bool),
        0.0,
        0.0,
        CELL,
        rng.random(height.shape).astype(np.float32),
        (rng.random(height.shape) < 0.2) & foliage,
        12.0,
        edges,
        np.full(len(edges), 8.0),
        np.repeat(np.arange(houses), 4),
    )


def road(x: np.ndarray) -> np.ndarray:
    return np.asarray(2000.0 + 600.0 * np.sin(6.0 * (x - 100.0) / 3700.0))


class Job:
    """Receivers, sources and their pairs on a surface."""

    def __init__(self, surface: Surface, homes: int, stretches: int = STRETCHES) -> None:
        rng = np.random.default_rng(7)
        x = np.linspace(100.0, 3800.0, stretches)
        self.surface = surface
        self.sources = np.column_stack([x, road(x), bilinear(surface, x, road(x))])
        home_x = rng.uniform(800.0, 3200.0, homes)
        home_y = road(home_x) + rng.uniform(-500.0, 500.0, homes)
        self.receivers = np.column_stack([home_x, home_y, np.full(homes, 4.0)])
        self.pointer, self.source = pairs_within(self.receivers, self.sources, 1500.0)

    @property
    def paths(self) -> int:
        return len(self.source)

    def part(self, first: int, last: int, **options: Any) -> Any:
        """Transfers of the receivers from `first` up to `last`."""
        begin, end = self.pointer[first], self.pointer[last]
        return propagate(
            self.surface,
            self.receivers[first:last],
            self.sources,
            HEIGHTS,
            self.pointer[first : last + 1] - begin,
            self.source[begin:end],
            ALPHA,
            **options,
        )

    def whole(self, **options: Any) -> Any:
        return self.part(0, len(self.receivers), **options)

    def in_parts(self, **options: Any) -> None:
        """All transfers, never more than about PATHS_AT_ONCE in memory."""
        first = 0
        while first < len(self.receivers):
            goal = self.pointer[first] + PATHS_AT_ONCE
            last = max(first + 1, int(np.searchsorted(self.pointer, goal, side="right")) - 1)
            self.part(first, last, **options)
            first = last


def spent(work: Callable[[], object]) -> tuple[float, float]:
    """CPU and wall seconds of one call."""
    cpu, wall = time.process_time(), time.perf_counter()
    work()
    return time.process_time() - cpu, time.perf_counter() - wall


class Table:
    """Rows of figures: median, p10 and p90."""

    def __init__(self) -> None:
        self.rows: list[dict[str, Any]] = []

    def add(self, name: str, values: list[float], unit: str) -> float:
        low, middle, high = np.percentile(values, [10, 50, 90]).tolist()
        self.rows.append({"name": name, "median": middle, "p10": low, "p90": high, "unit": unit})
        return float(middle)

    def markdown(self) -> str:
        lines = ["| figure | median | p10 to p90 | unit |", "|---|---|---|---|"]
        for row in self.rows:
            low, middle, high = (f"{row[key]:,.3g}" if row[key] < 1000 else f"{row[key]:,.0f}"
                                 for key in ("p10", "median", "p90"))  # fmt: skip
            lines.append(f"| {row['name']} | {middle} | {low} to {high} | {row['unit']} |")
        return "\n".join(lines)


def check_equal(job: Job, block: Any) -> None:
    """Kernel against reference and numpy, so that only equal work is timed."""
    chosen = np.random.default_rng(1).choice(job.paths, 30, replace=False)
    owner = np.repeat(np.arange(len(job.receivers)), np.diff(job.pointer))
    for i in chosen:
        for h, hs in enumerate(HEIGHTS):
            r, s = job.receivers[owner[i]], job.sources[job.source[i]]
            if np.hypot(*(r - s)[:2]) < 5.0:
                continue
            exact = attenuation(reference_path(job.surface, r, s, hs)).a
            found = -10.0 * np.log10(block.t[i, h].astype(float))
            if np.abs(found - exact).max() > 1e-6:
                raise SystemExit(f"path {i}: kernel and reference differ; nothing was timed")


def comparisons(table: Table, rounds: int) -> None:
    """Rows a to c and the prices of houses, sides and foliage, on one thread."""
    numba.set_num_threads(1)
    bare = Job(landscape(0, foliage=False), HOMES)
    houses = Job(landscape(HOUSES, foliage=False), HOMES)
    trees = Job(landscape(0, foliage=True), HOMES)
    kernels: dict[str, tuple[Job, Callable[[], Any]]] = {
        "terrain only": (bare, bare.whole),
        "with foliage": (trees, trees.whole),
        f"with {HOUSES} houses, over the top": (houses, lambda: houses.whole(sides=False)),
        f"with {HOUSES} houses and their sides": (houses, houses.whole),
        "the same and reflections": (houses, lambda: houses.whole(reflection_order=1)),
    }
    blocks = {name: call() for name, (_, call) in kernels.items()}
    check_equal(bare, blocks["terrain only"])
    owner = np.repeat(np.arange(HOMES), np.diff(bare.pointer))
    plan = np.hypot(*(bare.receivers[owner, :2] - bare.sources[bare.source, :2]).T)
    usable = np.flatnonzero(plan >= 5.0)
    chosen = np.random.default_rng(2).choice(usable, REFERENCE_PATHS, replace=False)

    def reference() -> None:
        for i in chosen:
            for hs in HEIGHTS:
                r, s = bare.receivers[owner[i]], bare.sources[bare.source[i]]
                attenuation(reference_path(bare.surface, r, s, hs))

    def by_numpy() -> None:
        for home in range(NUMPY_HOMES):
            mine = bare.source[bare.pointer[home] : bare.pointer[home + 1]]
            transfers_of_home(bare.surface, bare.receivers[home], bare.sources[mine], HEIGHTS)

    numpy_paths = int(bare.pointer[NUMPY_HOMES])
    sampling = loops.Sampling(bare)
    work = loops.counts(bare, blocks["terrain only"], HEIGHTS)
    by_numpy()
    sampling.run()
    spans: dict[str, list[float]] = {name: [] for name in kernels}
    shares: list[float] = []
    plain, vector, bound, sampled, least = [], [], [], [], []
    for _ in range(rounds):
        for name, (job, call) in kernels.items():
            cpu, wall = spent(call)
            spans[name].append(cpu / job.paths * 1e9)
            shares.append(cpu / wall)
        plain.append(spent(reference)[0] / REFERENCE_PATHS * 1e9)
        vector.append(spent(by_numpy)[0] / numpy_paths * 1e9)
        price = loops.prices(bare.surface)
        bound.append(sum(work[name] * price[name] for name in work))
        least.append(work["terrain"] * price["terrain"] + work["ground"] * price["ground"])
        sampled.append(spent(sampling.run)[0] / bare.paths * 1e9)
    own = spans["terrain only"]
    for name, values in spans.items():
        table.add(f"kernel, {name}", values, "ns CPU per path")
    table.add("plain reference, one path at a time", plain, "ns CPU per path")
    table.add("numpy, one home at a time", vector, "ns CPU per path")
    table.add("(a) reference / kernel", [a / b for a, b in zip(plain, own, strict=True)], "times")
    table.add("(b) numpy / kernel", [a / b for a, b in zip(vector, own, strict=True)], "times")
    table.add("bound from micro-loops", bound, "ns CPU per path")
    table.add("(c) bound / kernel", [a / b for a, b in zip(bound, own, strict=True)], "1")
    check = [a / b for a, b in zip(least, sampled, strict=True)]
    if table.add("self-check: bound of sampling / sampling", check, "1") > 1.05:
        raise SystemExit("a kernel that samples only beats its bound: the bound is wrong")
    table.add("cpu/wall, one thread", shares, "1")


def growth(table: Table, rounds: int) -> None:
    """Row e: exponent of CPU time against the number of paths."""
    surface = landscape(0, foliage=False)
    jobs = [Job(surface, homes) for homes in (50, 100, 200, 400)]
    exponents = []
    for job in jobs:
        job.whole()
    for _ in range(rounds):
        cpu = [spent(job.whole)[0] for job in jobs]
        paths = [job.paths for job in jobs]
        exponents.append(float(np.polyfit(np.log(paths), np.log(cpu), 1)[0]))
    table.add("(e) exponent of CPU time against paths", exponents, "1")


def town(table: Table, homes: int) -> None:
    """Rows d and f: a town on two threads, what the second thread gives, and the memory."""
    stretches = 1900  # about 1200 in reach of a home
    houses = f"{HOUSES * 4:,} houses and their sides"
    kinds: dict[str, tuple[int, dict[str, int]]] = {
        "terrain only": (0, {}),
        houses: (HOUSES * 4, {}),
        f"{houses}, reflections": (HOUSES * 4, {"reflection_order": 1}),
    }
    cpu_of: dict[str, float] = {}
    for name, (count, options) in kinds.items():
        job = Job(landscape(count, foliage=False), homes, stretches)
        job.part(0, 2, **options)
        gains, shares, seconds, spent_cpu = [], [], [], []
        for _ in range(TOWN_ROUNDS):
            part = {}
            for threads in (1, 2):
                numba.set_num_threads(min(threads, numba.config.NUMBA_NUM_THREADS))
                part[threads] = spent(partial(job.part, 0, homes // 5, **options))
            gains.append(part[1][1] / part[2][1])
            shares.append(part[2][0] / part[2][1])
            cpu, wall = spent(partial(job.in_parts, **options))
            seconds.append(wall)
            spent_cpu.append(cpu)
        title = f"{homes:,} homes, {job.paths / 1e6:.2f} million paths, {name}"
        table.add(f"(f) {title}, two threads", seconds, "s wall")
        cpu_of[name] = table.add(f"(f) {name}, two threads", spent_cpu, "s CPU")
        table.add(f"(f) {name} / terrain only", [cpu_of[name] / cpu_of["terrain only"]], "CPU")
        table.add(f"(d) one thread / two threads, {name}", gains, "times wall")
        table.add(f"cpu/wall, two threads, {name}", shares, "1")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    table.add("largest memory of this process", [peak], "MB")


def machine() -> str:
    """What this ran on."""
    model = platform.processor() or platform.machine()
    file = Path("/proc/cpuinfo")
    if file.exists():
        named = [line.split(":", 1)[1].strip() for line in file.read_text().splitlines()
                 if line.startswith("model name")]  # fmt: skip
        model = named[0] if named else model
    return f"{model}, {os.cpu_count()} cores, Python {platform.python_version()}, " \
           f"numba {numba.__version__}"  # fmt: skip


def main() -> None:
    reader = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    reader.add_argument("--json", type=Path, help="write the figures here as well")
    reader.add_argument("--rounds", type=int, default=9)
    reader.add_argument(
        "--homes", type=int, default=5000, help="homes of the town; 0 leaves it out"
    )
    choice = reader.parse_args()
    table = Table()
    comparisons(table, choice.rounds)
    growth(table, choice.rounds)
    if choice.homes:
        town(table, choice.homes)
    print(machine())
    print(table.markdown())
    if choice.json:
        content = {"machine": machine(), "rounds": choice.rounds, "rows": table.rows}
        choice.json.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
