"""Time of one drive against a yardstick of the same run.

Run `python benchmarks/descents.py`.  The yardstick is a million square roots, so that the
ratios can be compared between machines.
"""

from __future__ import annotations

import time

import numpy as np

from noisemap.descent.drive import drive
from noisemap.descent.truck import packaged_truck

ROUNDS = 9


def process_seconds(step) -> float:
    """Median process CPU time of a step over interleaved rounds."""
    times = []
    for _ in range(ROUNDS):
        start = time.process_time()
        step()
        times.append(time.process_time() - start)
    return float(np.median(times))


def main() -> None:
    """Print the table."""
    chainage = np.linspace(0.0, 20_000.0, 1001)
    grade = -np.random.default_rng(1).uniform(-0.01, 0.08, 1000)
    truck = packaged_truck("13L")
    numbers = np.random.default_rng(2).random(1_000_000)
    yardstick = process_seconds(lambda: np.sqrt(numbers))
    one = process_seconds(lambda: drive(chainage, grade, 18.0, truck, 30_000.0))
    print(f"one drive of 1000 pieces: {one * 1e3:.2f} ms CPU, {one / yardstick:.1f} yardsticks")


if __name__ == "__main__":
    main()
