"""Time of a network of 100,000 links, its turns and its fastest way, against one plain search.

Run `python benchmarks/routes.py`.  The yardstick is the search over junctions alone, without
turns, so that the ratios can be compared between machines.  The links are those of a square
grid; one arc in twenty begins a restriction over a way.
"""

from __future__ import annotations

import time

import numpy as np

from noisemap.routes.chains import with_memory
from noisemap.routes.network import Network, allowed_turns, fastest_arcs, least_costs

SIDE = 225
ROUNDS = 3


def process_seconds(step):
    """Least process CPU time of a step over some rounds, and what it returned."""
    times = []
    for _ in range(ROUNDS):
        start = time.process_time()
        found = step()
        times.append(time.process_time() - start)
    return min(times), found


def chains_of(arcs, pointer, follow) -> list[tuple[int, int, int]]:
    """Three arcs in a row at every twentieth arc, the last turn of which is forbidden."""
    found = []
    for first in range(0, arcs, 20):
        second = follow[pointer[first]]
        found.append((first, int(second), int(follow[pointer[second]])))
    return found


def main() -> None:
    """Print the table."""
    grid = np.arange(SIDE * SIDE).reshape(SIDE, SIDE)
    a = np.concatenate([grid[:, :-1].ravel(), grid[:-1].ravel()])
    b = np.concatenate([grid[:, 1:].ravel(), grid[1:].ravel()])
    tail, head = np.concatenate([a, b]), np.concatenate([b, a])
    line = np.concatenate([np.arange(len(a))] * 2)
    cost = np.random.default_rng(1).uniform(5.0, 15.0, len(tail))
    target = SIDE * SIDE - 1
    plain, _ = process_seconds(lambda: least_costs(tail, head, cost, SIDE * SIDE, target))
    turns, (pointer, follow) = process_seconds(
        lambda: allowed_turns(tail, head, line, [""] * len(tail), [])
    )
    banned = chains_of(len(tail), pointer, follow)
    memory, (pointer, follow, copied) = process_seconds(
        lambda: with_memory(pointer, follow, banned)
    )
    at = np.concatenate([np.arange(len(tail)), copied])
    none = np.zeros(len(at), np.int64)
    net = Network(
        none, none, none, none.astype(bool), tail[at], head[at], none, SIDE * SIDE, pointer,
        follow, {}, copied,
    )  # fmt: skip
    fastest, way = process_seconds(lambda: fastest_arcs(net, cost[at], 0, target))
    print(f"{len(a):,} links both ways, {len(follow):,} turns, {len(banned):,} forbidden chains")
    print(f"one search over junctions: {plain:.3f} s CPU, the yardstick")
    for words, seconds in (
        ("turns at junctions", turns),
        ("restrictions over ways", memory),
        (f"fastest way of {len(way)} arcs over the turns", fastest),
    ):
        print(f"{words}: {seconds:.3f} s CPU, {seconds / plain:.1f} yardsticks")


if __name__ == "__main__":
    main()
