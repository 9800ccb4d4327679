"""Time of a scenario's product: exposure and fast maximum of four classes at 10 000 homes.

    python benchmarks/scenario.py [--json FILE]

A store of 331 stretches within reach of every home, held in memory as float32,
two source heights and eight bands; decoding it from disk is not in the figures.
Checked against numpy on some homes before anything is timed.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import replace
from pathlib import Path

import numba
import numpy as np
from propagation import Table, machine, spent

from noisemap.exposure.collapsed import BYTES, collapse, scenario_levels
from noisemap.exposure.product import PassLevels, PassSound, pass_levels
from noisemap.transfer.build import PATHS_PER_TILE
from noisemap.transfer.store import TransferStore, encode, write_tile

PLAIN = ("stretch", "distance", "nearest", "flags", "grazing", "twin")
HOMES, STRETCHES, REACH, CLASSES, ROUNDS = 10_000, 1_100, 331, 4, 9


def store() -> TransferStore:
    """Transfers of homes along a straight road, by distance alone."""
    rng = np.random.default_rng(3)
    first = rng.integers(0, STRETCHES - REACH, HOMES)
    stretch = (first[:, None] + np.arange(REACH)).astype(np.int32).ravel()
    distance = rng.uniform(30.0, 1500.0, len(stretch)).astype(np.float32)
    t = (rng.uniform(0.1, 1.0, (len(stretch), 2, 8)) / distance[:, None, None] ** 2 / 12.6).astype(
        np.float32
    )
    ones = np.ones((len(stretch), 2), dtype=np.float32)
    return TransferStore(
        heights=(0.5, 3.7),
        pointer=np.arange(HOMES + 1) * REACH,
        stretch=stretch,
        t=t,
        cmet_factor=ones,
        distance=distance,
        nearest=(0.98 * distance).astype(np.float32),
        flags=np.zeros(len(stretch), dtype=np.uint8),
        grazing=ones,
        twin=ones,
    )


def sound() -> PassSound:
    """Four classes that sound on every stretch."""
    rng = np.random.default_rng(4)
    energy = rng.uniform(1e9, 1e11, (CLASSES, STRETCHES, 2, 8)).astype(np.float32)
    return PassSound(
        energy=energy,
        peak=(0.5 * energy).astype(np.float32),
        running=(0.1 * energy[:, :, 0]).astype(np.float32),
        duration=np.full((CLASSES, STRETCHES), 1.5, dtype=np.float32),
        speed=np.full((CLASSES, STRETCHES), 20.0, dtype=np.float32),
        first=np.zeros(CLASSES, dtype=np.int64),
        last=np.full(CLASSES, STRETCHES, dtype=np.int64),
    )


def store_size(land: TransferStore) -> float:
    """Megabytes that a million paths take on disk, from one tile of the usual size."""
    own = slice(0, int(land.pointer[PATHS_PER_TILE // REACH]))
    arrays = {name: getattr(land, name)[own] for name in PLAIN}
    arrays["count"] = np.diff(land.pointer[: PATHS_PER_TILE // REACH + 1])
    arrays["attenuation"] = encode(land.t[own])
    arrays["cmet"] = land.cmet_factor[own]
    with tempfile.TemporaryDirectory() as folder:
        write_tile(Path(folder), 0, arrays)
        return sum(file.stat().st_size for file in Path(folder).iterdir()) / own.stop


def check_zone(land: TransferStore, trucks: PassSound, found: PassLevels, zone: np.ndarray) -> None:
    """The collapsed product against the full one over the same passes, before timing."""
    energy, peak = trucks.energy.copy(), trucks.peak.copy()
    energy[:, zone] = 0.0
    energy[:, zone, 0] = trucks.running[:, zone] * trucks.duration[:, zone, None]
    peak[:, zone] = 0.0
    peak[:, zone, 0] = trucks.running[:, zone]
    full = pass_levels(land, replace(trucks, energy=energy, peak=peak))
    off = max(
        float(np.abs(10.0 * np.log10(found.energy / full.energy)).max()),
        float(np.abs(found.maximum - full.maximum).max()),
    )
    if off > 1e-4:
        raise SystemExit(f"collapsed and full product differ by {off} dB; nothing was timed")


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--json", type=Path, help="write the figures here as well")
    choice = reader.parse_args()
    land, trucks = store(), sound()
    found = pass_levels(land, trucks)
    own = slice(0, REACH)
    exact = np.einsum(
        "phb,cphb->c", land.t[own].astype(float), trucks.energy[:, land.stretch[own]].astype(float)
    )
    if np.abs(found.energy[0] / exact - 1.0).max() > 1e-5:
        raise SystemExit("product and numpy differ; nothing was timed")
    classes = collapse(land, trucks)
    zone = np.zeros(STRETCHES, dtype=bool)
    zone[400:600] = True
    check_zone(land, trucks, scenario_levels(classes, zone), zone)
    table = Table()
    works = {
        "full product, 16 terms": lambda: pass_levels(land, trucks),
        "a zone, collapsed to A-weighted classes": lambda: scenario_levels(classes, zone),
        "collapsing": lambda: collapse(land, trucks),
    }
    spans: dict[str, dict[int, list[float]]] = {name: {1: [], 2: []} for name in works}
    shares: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(ROUNDS):
        for name, work in works.items():
            for threads in (1, 2):
                numba.set_num_threads(min(threads, numba.config.NUMBA_NUM_THREADS))
                cpu, wall = spent(work)
                spans[name][threads].append((cpu if threads == 1 else wall) * 1e3)
                if threads == 2:
                    shares[name].append(cpu / wall)
    for name in works:
        table.add(f"(g) {name}, one thread", spans[name][1], "ms CPU")
        table.add(f"(g) {name}, two threads", spans[name][2], "ms wall")
        table.add(f"cpu/wall, {name}, two threads", shares[name], "1")
    size = store_size(land)
    table.add("store on disk, a million paths", [size], "MB")
    resident = BYTES * CLASSES * land.paths / 1e6
    table.add("(g) memory of the collapsed transfers", [resident], "MB")
    print(machine())
    print(table.markdown())
    if choice.json:
        content = {"machine": machine(), "rounds": ROUNDS, "rows": table.rows}
        choice.json.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
