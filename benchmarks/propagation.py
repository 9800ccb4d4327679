"""Speed of the map kernel, and against the readable reference, in one run.

    python benchmarks/propagation.py

The place is invented: a valley of smooth random hills with a winding road, homes
within 1.5 km of it, and 500 houses.  Both codes see the same paths; the
reference gets its profile ready made, so that only the physics is compared.
Rounds are interleaved; figures are medians of the rounds of process CPU time,
with the 10th and 90th percentile.  The first call, which loads or compiles the
kernel, is left out.  With one thread cpu/wall should be near 1: where it is
not, the machine was shared and the wall times mean little.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numba
import numpy as np
from scipy.ndimage import gaussian_filter, zoom

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from propagation_support import ALPHA, bilinear, reference_path

from noisemap.propagation.attenuation import attenuation
from noisemap.propagation.kernel import Surface, pairs_within, propagate

ROUNDS = 9
CELLS, CELL = 400, 10.0
HEIGHTS = (0.5, 3.7)
HOMES, STRETCHES, HOUSES = 100, 600, 500
REFERENCE_PATHS = 150


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


def job(surface: Surface) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Receivers, sources and their pairs."""
    rng = np.random.default_rng(7)
    x = np.linspace(100.0, 3800.0, STRETCHES)
    sources = np.column_stack([x, road(x), bilinear(surface, x, road(x))])
    home_x = rng.uniform(800.0, 3200.0, HOMES)
    home_y = road(home_x) + rng.uniform(-500.0, 500.0, HOMES)
    receivers = np.column_stack([home_x, home_y, np.full(HOMES, 4.0)])
    return receivers, sources, *pairs_within(receivers, sources, 1500.0)


def spent(work: Callable[[], object]) -> tuple[float, float]:
    """CPU and wall seconds of one call."""
    cpu, wall = time.process_time(), time.perf_counter()
    work()
    return time.process_time() - cpu, time.perf_counter() - wall


def show(name: str, values: list[float], unit: str) -> None:
    low, middle, high = np.percentile(values, [10, 50, 90])
    print(f"{name:<44}{middle:>12,.0f} {unit}  (p10 {low:,.0f}, p90 {high:,.0f})")


def main() -> None:
    numba.set_num_threads(1)
    places = {
        "terrain only": landscape(0, foliage=False),
        "terrain and foliage": landscape(0, foliage=True),
        f"terrain and {HOUSES} houses": landscape(HOUSES, foliage=False),
    }
    jobs = {name: job(surface) for name, surface in places.items()}
    calls = {
        name: (lambda s=surface, j=jobs[name]: propagate(s, j[0], j[1], HEIGHTS, j[2], j[3], ALPHA))
        for name, surface in places.items()
    }
    blocks = {name: call() for name, call in calls.items()}

    bare = places["terrain only"]
    receivers, sources, pointer, source = jobs["terrain only"]
    owner = np.repeat(np.arange(HOMES), np.diff(pointer))
    plan = np.hypot(*(receivers[owner, :2] - sources[source, :2]).T)
    usable = np.flatnonzero(plan >= 5.0)
    chosen = np.random.default_rng(1).choice(usable, REFERENCE_PATHS, replace=False)
    paths = [
        reference_path(bare, receivers[owner[i]], sources[source[i]], hs)
        for i in chosen
        for hs in HEIGHTS
    ]
    answers = [attenuation(path) for path in paths]
    found = -10.0 * np.log10(blocks["terrain only"].t[chosen].reshape(-1, 8).astype(float))
    difference = float(np.abs(found - np.array([a.a for a in answers])).max())
    screened = np.mean([a.top.n > 0 for a in answers])

    kernel: dict[str, list[float]] = {name: [] for name in calls}
    shares: list[float] = []
    plain: list[float] = []
    for _ in range(ROUNDS):
        for name, call in calls.items():
            cpu, wall = spent(call)
            kernel[name].append(cpu / len(jobs[name][3]) * 1e9)
            shares.append(cpu / wall)
        cpu, _ = spent(lambda: [attenuation(path) for path in paths])
        plain.append(cpu / REFERENCE_PATHS * 1e9)
    ratios = [p / k for p, k in zip(plain, kernel["terrain only"], strict=True)]

    print(
        f"one thread, {len(HEIGHTS)} source heights, 8 bands; CPU time a path with all its heights"
    )
    print(
        f"{len(source):,} paths, mean {plan.mean():.0f} m, {screened:.0%} of path-heights screened"
    )
    for name, values in kernel.items():
        show(f"kernel, {name}", values, "ns")
    show("reference, profiles ready made", plain, "ns")
    show("reference / kernel, same round", ratios, "times")
    per_second = 1e9 / np.median(kernel["terrain only"])
    print(f"kernel, terrain only: {per_second:,.0f} paths a CPU second")
    print(f"largest difference of kernel and reference: {difference:.1e} dB")
    print(f"cpu/wall of the kernel calls: median {np.median(shares):.2f}")


if __name__ == "__main__":
    main()
