"""How long the screen and the exact step of the zone search take, and what the screen misses.

    python benchmarks/zone_search.py            a synthetic hill, 20 weights, 250 to 1000 pieces
    python benchmarks/zone_search.py STUDY.toml FOLDER   the exact step on a study's own store

Prints one line a figure; nothing is written.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from noisemap.descent.brake_temperature import Conditions
from noisemap.descent.truck import packaged_truck
from noisemap.exposure.driving import Practice, TruckClass
from noisemap.scene.model import Stretches
from noisemap.units import POUND_KG
from noisemap.zones.conditions import Case
from noisemap.zones.heat_maps import march_intervals
from noisemap.zones.pareto import front_of_two
from noisemap.zones.screen import heat_problem

PIECES = (250, 500, 1000)
WEIGHTS_LB = np.linspace(30_000.0, 80_000.0, 20)
SLOWER_MS = (18.0, 16.0, 14.0, 11.0, 9.0, 7.0)  # seven speeds with the study's own
RUNS = ((0.5, -0.02), (2.5, -0.06), (1.0, -0.04), (2.5, -0.07), (1.5, -0.03))  # km, grade


def hill(pieces: int) -> Stretches:
    """A synthetic descent of 8 km and 400 m, cut evenly."""
    nodes = np.linspace(0.0, 8000.0, pieces + 1)
    middle = 0.5 * (nodes[1:] + nodes[:-1])
    edges = 1000.0 * np.cumsum([length for length, _ in RUNS])
    grade = np.array([grade for _, grade in RUNS])[np.searchsorted(edges, middle)]
    zero = np.zeros(pieces)
    flag = np.zeros(pieces, dtype=bool)
    return Stretches(
        road=np.zeros(pieces, dtype=np.int64),
        from_m=nodes[:-1],
        to_m=nodes[1:],
        x=middle,
        y=zero,
        z=zero,
        ends=np.column_stack([nodes[:-1], zero, nodes[1:], zero]),
        grade=grade,
        grade_sigma=zero,
        speed_limit_kmh=np.full(pieces, 72.4),
        covered=flag,
        bridge=flag,
        near_portal=flag,
    )


def screen_times() -> None:
    """Seconds for all intervals, weights and speeds, by number of pieces."""
    case = Case("normal", Practice(Conditions()), 0.0, -np.inf)
    truck = TruckClass("any", packaged_truck(), 30_000.0, 1.0, "compression_release")
    for pieces in (PIECES[0], *PIECES):  # the first one compiles
        stretches = hill(pieces)
        ends = np.arange(pieces + 1)
        problems = [
            heat_problem(
                stretches,
                0,
                1,
                replace(truck, mass=weight * POUND_KG),
                case,
                218.3,
                SLOWER_MS,
            )[0]
            for weight in WEIGHTS_LB
        ]
        start = time.perf_counter()
        marched = [march_intervals(problem, ends) for problem in problems]
        seconds = time.perf_counter() - start
        intervals = pieces * (pieces + 1) // 2
        allowed = np.mean([one.permitted[np.triu_indices(pieces + 1, 1)].mean() for one in marched])
        print(
            f"screen: {pieces} pieces, {intervals:,} intervals x {len(problems)} weights x "
            f"{len(SLOWER_MS) + 1} speeds: {seconds:.2f} s; {allowed:.0%} keep the limit"
        )


def front_time() -> None:
    """Seconds for the front of half a million points."""
    rng = np.random.default_rng(1)
    gain, margin = rng.random(500_500), rng.random(500_500)
    start = time.perf_counter()
    front = front_of_two(gain, margin)
    print(f"front: 500,500 points, {len(front)} on it: {time.perf_counter() - start:.2f} s")


def study_times(path: Path, folder: Path) -> None:
    """Seconds of the whole search on a study, and what the screen alone would miss."""
    from noisemap.study.compute import compute
    from noisemap.study.prepare import prepare
    from noisemap.study.progress import Silent
    from noisemap.study.run import read_scene
    from noisemap.zones.search import loss_of_screen, search

    prepared = prepare(path)
    scene = read_scene(prepared, Silent())
    computed = compute(prepared, scene, folder / "store", Silent())
    for road in sorted({one.road for one in computed.base.classes}):
        for text in ("first, compiling", "again"):
            start = time.perf_counter()
            found = search(computed.base, computed.sound, road, 0.7)
            seconds = time.perf_counter() - start
            if found is None:
                continue
            print(
                f"search {scene.roads[road].name} ({text}): {found.screened:,} screened, "
                f"{len(found.candidates):,} weighed exactly, {len(found.front)} on the front: "
                f"{seconds:.1f} s; the screen's own first choice misses "
                f"{loss_of_screen(found.candidates):.0%} of the best gain"
            )


if __name__ == "__main__":
    if len(sys.argv) == 3:
        study_times(Path(sys.argv[1]), Path(sys.argv[2]))
    else:
        screen_times()
        front_time()
