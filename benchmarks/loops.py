"""Micro-loops that a path cannot do without, and a kernel that samples only."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit

from noisemap.propagation.kernel import Surface
from noisemap.propagation.machine.fast_exp import exp_in_place
from noisemap.propagation.machine.job import Line
from noisemap.propagation.machine.sampling import new_reading, sample_ground, sample_terrain

STEPS = 77  # of the micro-loops; about the mean of the benchmark's paths
REPEATS = 12_000


def counts(job: Any, block: Any, heights: tuple[float, ...]) -> dict[str, float]:
    """Terrain samples, ground pieces and exponentials of a mean path."""
    owner = np.repeat(np.arange(len(job.receivers)), np.diff(job.pointer))
    plan = np.hypot(*(job.receivers[owner, :2] - job.sources[job.source, :2]).T)
    screened = float(np.mean(block.grazing_z > 0.0))
    return {
        "terrain": float(np.mean(np.ceil(plan / job.surface.cell) - 1.0)),
        "ground": float(np.mean(np.ceil(plan / (0.5 * job.surface.gcell)))),
        "exponential": 2.0 + len(heights) * (8.0 + 9.0 * screened),
    }


def prices(surface: Surface) -> dict[str, float]:
    """CPU nanoseconds of one terrain sample, one ground piece, one exponential."""
    lines = _lines(surface)
    reading = new_reading(4 * STEPS)
    z, running = np.empty(STEPS + 1), np.empty(2 * STEPS + 1, dtype=np.int64)
    value, whole = np.empty(16), np.empty(16)
    terrain, ground = surface.terrain_arrays, surface.ground_arrays
    return {
        "terrain": _timed(lambda: _terrain_loop(terrain, lines, reading, z)) / (STEPS - 1),
        "ground": _timed(lambda: _ground_loop(ground, lines, reading, running)) / (2 * STEPS),
        "exponential": _timed(lambda: _exp_loop(value, whole.view(np.int64), whole)) / 16,
    }


def _timed(work: Callable[[], object]) -> float:
    """CPU nanoseconds of one of REPEATS rounds, the least of three."""
    best = np.inf
    work()
    for _ in range(3):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return float(best / REPEATS * 1e9)


def _lines(surface: Surface) -> np.ndarray:
    """Ends of 40 paths of STEPS cells, from inside the raster in all directions."""
    middle = 0.5 * surface.cell * np.array(surface.height.shape[::-1])
    angle = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
    away = STEPS * surface.cell * np.column_stack([np.cos(angle), np.sin(angle)])
    return np.column_stack([np.broadcast_to(middle, away.shape), away])


@njit(error_model="numpy")
def _terrain_loop(terrain: Any, lines: Any, reading: Any, z: Any) -> float:
    total = 0.0
    for i in range(REPEATS):
        k = i % lines.shape[0]
        line = Line(lines[k, 0], lines[k, 1], lines[k, 2], lines[k, 3], 1.0, STEPS, 2 * STEPS)
        sample_terrain(terrain, line, reading, z)
        total += z[1]
    return total


@njit(error_model="numpy")
def _ground_loop(ground: Any, lines: Any, reading: Any, running: Any) -> int:
    total = 0
    for i in range(REPEATS):
        k = i % lines.shape[0]
        line = Line(lines[k, 0], lines[k, 1], lines[k, 2], lines[k, 3], 1.0, STEPS, 2 * STEPS)
        sample_ground(ground, line, reading, running)
        total += running[2 * STEPS]
    return total


@njit(error_model="numpy")
def _exp_loop(value: Any, bits: Any, whole: Any) -> float:
    total = 0.0
    for i in range(REPEATS):
        for k in range(16):
            value[k] = -0.1 * k - 1e-6 * i
        exp_in_place(value, bits, whole, 16)
        total += value[3]
    return total


class Sampling:
    """The kernel's own sampling of a job and nothing else."""

    def __init__(self, job: Any) -> None:
        self.job = job

    def run(self) -> float:
        job = self.job
        return float(
            _sample_all(
                job.receivers,
                job.sources,
                job.pointer,
                job.source,
                job.surface.terrain_arrays,
                job.surface.ground_arrays,
            )
        )


@njit(error_model="numpy")
def _sample_all(
    receivers: Any, sources: Any, pointer: Any, source: Any, terrain: Any, ground: Any
) -> float:
    reading = new_reading(4096)
    z, running = np.empty(4096), np.empty(4096, dtype=np.int64)
    total = 0.0
    for r in range(receivers.shape[0]):
        for pair in range(pointer[r], pointer[r + 1]):
            m = source[pair]
            dx, dy = receivers[r, 0] - sources[m, 0], receivers[r, 1] - sources[m, 1]
            dp = np.sqrt(dx * dx + dy * dy)
            steps = max(1, int(np.ceil(dp / terrain.cell)))
            pieces = max(1, int(np.ceil(dp / (0.5 * ground.cell))))
            line = Line(sources[m, 0], sources[m, 1], dx, dy, dp, steps, pieces)
            sample_terrain(terrain, line, reading, z)
            sample_ground(ground, line, reading, running)
            total += z[steps // 2] + running[pieces]
    return total
