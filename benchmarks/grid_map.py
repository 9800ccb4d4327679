"""A map of 10 km x 10 km at 20 m: 251,001 receivers in tiles, time and memory.

    python benchmarks/grid_map.py [--device cpu|cuda] [--step 20] [--json FILE]

An invented valley with a winding road of 25 m stretches, 1 km of reach, four classes of
braking passes.  A tile's transfers are dropped as soon as its levels stand, so memory
does not grow with the map.  Before the map is computed, a corner of it is computed in one
piece and in tiles of other sizes: every level must be the same to the last bit, so that
no seam can show.
"""

from __future__ import annotations

import argparse
import json
import resource
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import numba
import numpy as np
from propagation import ALPHA, HEIGHTS, Table, machine
from propagation_support import bilinear
from scipy.ndimage import gaussian_filter, zoom

from noisemap.exposure.product import PassSound, pass_levels
from noisemap.propagation.kernel import Surface, pairs_within, propagate
from noisemap.transfer.store import TransferStore

SIDE, CELL, REACH, STRETCH, CLASSES = 10_000.0, 10.0, 1000.0, 25.0, 4
PATHS_AT_ONCE = 200_000
CORNER = 400


def valley() -> Surface:
    """Hills of about 90 m detail around a winding road."""
    rng = np.random.default_rng(8)
    cells = int(SIDE / CELL) + 3
    coarse = rng.normal(size=(cells // 9, cells // 9))
    hills = 40.0 * gaussian_filter(coarse, 1.2) + 500.0 * gaussian_filter(coarse.T, 6.0)
    height = zoom(hills, (cells + 1) / len(coarse), order=1)[:cells, :cells]
    yy, xx = np.mgrid[0:cells, 0:cells] * CELL
    height = height + 4e-6 * (yy - road(xx)) ** 2
    return Surface(
        0.0, 0.0, CELL, height, np.zeros(height.shape, dtype=bool), 0.0, 0.0, CELL,
        rng.random(height.shape).astype(np.float32), rng.random(height.shape) < 0.2, 12.0,
        np.zeros((0, 4)), np.zeros(0), np.zeros(0, dtype=np.int64),
    )  # fmt: skip


def road(x: np.ndarray) -> np.ndarray:
    return np.asarray(5000.0 + 1500.0 * np.sin(x / 900.0))


class Map:
    """Receivers on a grid, the road's stretches, and the passes on it."""

    def __init__(self, step: float, device: str) -> None:
        self.surface, self.device = valley(), device
        fine = np.linspace(50.0, SIDE - 50.0, 20_000)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(fine), np.diff(road(fine))))])
        x = np.interp(np.arange(0.5 * STRETCH, along[-1], STRETCH), along, fine)
        self.sources = np.column_stack([x, road(x), bilinear(self.surface, x, road(x))])
        axis = np.arange(0.0, SIDE + 1.0, step)
        grid_x, grid_y = np.meshgrid(axis, axis)
        self.receivers = np.column_stack(
            [grid_x.ravel(), grid_y.ravel(), np.full(grid_x.size, 4.0)]
        )
        rng = np.random.default_rng(9)
        power = rng.uniform(1e9, 1e11, (CLASSES, len(x), 2, 8)).astype(np.float32)
        self.sound = PassSound(
            energy=power * np.float32(STRETCH / 20.0),
            peak=power,
            running=0.1 * power[:, :, 0],
            duration=np.full((CLASSES, len(x)), STRETCH / 20.0, dtype=np.float32),
            speed=np.full((CLASSES, len(x)), 20.0, dtype=np.float32),
            first=np.zeros(CLASSES, dtype=np.int64),
            last=np.full(CLASSES, len(x), dtype=np.int64),
        )

    def levels(self, receivers: np.ndarray, at_once: int) -> tuple[np.ndarray, int]:
        """Loudest pass at each receiver [dB], tile by tile, and the number of paths."""
        pointer, source = pairs_within(receivers, self.sources, REACH)
        cuts = [0]
        while cuts[-1] < len(receivers):
            goal = pointer[cuts[-1]] + at_once
            cuts.append(max(cuts[-1] + 1, int(np.searchsorted(pointer, goal, "right")) - 1))
        found = [self._tile(receivers, pointer, source, a, b) for a, b in pairwise(cuts)]
        return np.concatenate(found), len(source)

    def _tile(self, receivers: Any, pointer: Any, source: Any, a: int, b: int) -> np.ndarray:
        own, mine = pointer[a : b + 1] - pointer[a], source[pointer[a] : pointer[b]]
        block = propagate(
            self.surface, receivers[a:b], self.sources, HEIGHTS, own, mine, ALPHA,
            device=self.device,
        )  # fmt: skip
        store = TransferStore(
            HEIGHTS, own, mine.astype(np.int32), block.t, block.cmet_factor, block.distance,
            block.distance, block.flags, block.grazing_z, block.cmet_factor,
        )  # fmt: skip
        return pass_levels(store, self.sound).maximum.max(axis=1)


def main() -> None:
    reader = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    reader.add_argument("--device", choices=("cpu", "cuda"), default="cpu")
    reader.add_argument("--step", type=float, default=20.0, help="of the grid [m]")
    reader.add_argument("--json", type=Path, help="write the figures here as well")
    choice = reader.parse_args()
    town = Map(choice.step, choice.device)
    near = np.argsort(np.hypot(*(town.receivers[:, :2] - town.sources[40, :2]).T))[:CORNER]
    corner = town.receivers[np.sort(near)]
    one, _ = town.levels(corner, 10**9)
    for at_once in (1, 3_000, 17_000):
        if not np.array_equal(one, town.levels(corner, at_once)[0]):
            raise SystemExit(f"tiles of {at_once} paths change a level; the map was not computed")
    cpu, wall = time.process_time(), time.perf_counter()
    levels, paths = town.levels(town.receivers, PATHS_AT_ONCE)
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    table = Table()
    table.add("receivers", [float(len(levels))], "1")
    table.add("receivers in reach of the road", [float(np.isfinite(levels).sum())], "1")
    table.add("paths", [paths / 1e6], "million")
    table.add("wall", [wall], "s")
    table.add("CPU", [cpu], "s")
    table.add("cpu/wall", [cpu / wall], "1")
    table.add("rate", [paths / wall / 1e6], "million paths/s")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    table.add("largest memory of this process", [peak], "MB")
    said = f"{machine()}, {numba.get_num_threads()} threads, device {choice.device}"
    print(said)
    print(table.markdown())
    if choice.json:
        content = {"machine": said, "rows": table.rows}
        choice.json.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
