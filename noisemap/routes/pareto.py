"""All routes that no other beats in time, noise, zones and brake temperature at once.

A label is a way to the end of an arc with its time, burden, metres of zone, brake
temperature and hottest temperature with a stop so far.  Labels are settled in the order
of time; one that is no better in anything than another at the same arc is dropped.
Time and burden grow along the way, and a hotter start never ends cooler, so nothing
that could become best is lost.  A way meets no junction twice: driving in circles to
cool the brakes is no route.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.propagation.machine.compiled import compiled

Array = npt.NDArray[Any]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class ArcCosts:
    """What each arc costs and how it heats the brakes; nodes of the arcs lie end to end."""

    time_s: FloatArray  # (a,)
    burden: FloatArray  # (a,)
    zone_m: FloatArray  # (a,) within zones that bind the truck
    node: IntArray  # (a + 1,) nodes of arc i are node[i]:node[i + 1], the first its start
    factor: FloatArray  # (n,) temperature at the node = factor * at the start + offset
    offset: FloatArray  # (n,) [°C]
    stop: FloatArray  # (n,) rise of a full stop there [K]


@dataclass(frozen=True)
class Found:
    """Routes as arcs, with the search's own figures; whether the search was cut."""

    ways: tuple[tuple[int, ...], ...]
    time_s: FloatArray
    burden: FloatArray
    zone_m: FloatArray
    peak_c: FloatArray
    labels: int
    cut: bool


@dataclass(frozen=True)
class Tolerance:
    """How much better a label must be to be kept beside another; nothing when exact."""

    burden: float = 0.0
    zone_m: float = 0.0
    temperature_k: float = 0.0


EXACT = Tolerance()


def pareto_routes(
    tail: IntArray,
    head: IntArray,
    pointer: IntArray,
    follow: IntArray,
    costs: ArcCosts,
    start: int,
    target: int,
    *,
    entry_c: float,
    longest_s: float,
    to_target_s: FloatArray,
    to_target_burden: FloatArray,
    tolerance: Tolerance = EXACT,
    labels: int = 2_000_000,
    plain: int | None = None,
) -> Found:
    """Routes from a start to a target that no other route beats in every respect.

    `to_target_s` and `to_target_burden` are least costs from every junction, used to
    leave out what cannot become a route of at most `longest_s`.  A route begins with one
    of the first `plain` arcs, of all where none is given.
    """
    arrays = _search(
        tail,
        head,
        pointer,
        follow,
        costs.time_s,
        costs.burden,
        costs.zone_m,
        costs.node,
        costs.factor,
        costs.offset,
        costs.stop,
        start,
        target,
        entry_c,
        longest_s,
        to_target_s,
        to_target_burden,
        tolerance.burden,
        tolerance.zone_m,
        tolerance.temperature_k,
        labels,
        len(tail) if plain is None else plain,
    )
    values, arc, parent, ends, count, cut = arrays
    ways = []
    for label in ends.tolist():
        way = []
        while label >= 0:
            way.append(int(arc[label]))
            label = int(parent[label])
        ways.append(tuple(way[::-1]))
    best = values[ends]
    return Found(tuple(ways), best[:, 0], best[:, 1], best[:, 2], best[:, 4], int(count), bool(cut))


def way_figures(costs: ArcCosts, way: Sequence[int], entry_c: float) -> tuple[float, ...]:
    """Time [s], burden, metres of zone and hottest temperature [°C] of one way."""
    arcs = list(way)
    temperature, hottest = entry_c, -np.inf
    for arc in arcs:
        nodes = slice(int(costs.node[arc]), int(costs.node[arc + 1]))
        march = costs.factor[nodes] * temperature + costs.offset[nodes]
        hottest = max(hottest, float((march + costs.stop[nodes]).max()))
        temperature = float(march[-1])
    sums = (costs.time_s[arcs].sum(), costs.burden[arcs].sum(), costs.zone_m[arcs].sum())
    return (*(float(value) for value in sums), hottest)


def unbeaten(figures: FloatArray) -> IntArray:
    """Rows that no other row beats, the first of equal ones, in the order of their first figure.

    >>> unbeaten(np.array([[2.0, 1.0], [1.0, 2.0], [2.0, 2.0], [1.0, 2.0]])).tolist()
    [1, 0]
    """
    kept: list[int] = []
    for row in np.lexsort(figures.T[::-1]).tolist():
        if not any((figures[other] <= figures[row]).all() for other in kept):
            kept.append(row)
    return np.array(kept, np.int64)


@compiled
def _heated(
    node: Array, factor: Array, offset: Array, stop: Array, arc: int, entry: float
) -> tuple[float, float]:
    """Temperature at the end of an arc and the hottest with a stop on it."""
    hottest = -np.inf
    after = entry
    for place in range(node[arc], node[arc + 1]):
        after = factor[place] * entry + offset[place]
        hottest = max(hottest, after + stop[place])
    return after, hottest


@compiled
def _search(
    tail: Array,
    head: Array,
    pointer: Array,
    follow: Array,
    time: Array,
    burden: Array,
    zone: Array,
    node: Array,
    factor: Array,
    offset: Array,
    stop: Array,
    start: int,
    target: int,
    entry: float,
    longest: float,
    to_time: Array,
    to_burden: Array,
    free_burden: float,
    free_zone: float,
    free_k: float,
    most: int,
    plain: int,
) -> tuple[Array, Array, Array, Array, int, bool]:
    size = 1024
    values = np.empty((size, 5))
    arc = np.empty(size, np.int64)
    parent = np.empty(size, np.int64)
    before = np.empty(size, np.int64)  # the label kept before it at the same arc
    alive = np.empty(size, np.bool_)
    latest = np.full(len(tail), -1, np.int64)
    heap = [(0.0, -1)]
    heap.pop()
    ends = [0]
    ends.pop()
    count = 0
    cut = False
    current = -1
    while True:
        if current == -1:
            first, last = 0, plain
        else:
            first, last = pointer[arc[current]], pointer[arc[current] + 1]
        for place in range(first, last):
            if current == -1:
                new = place
                if tail[new] != start:
                    continue
                t0, b0, z0, k0, p0 = 0.0, 0.0, 0.0, entry, -np.inf
            else:
                new = follow[place]
                t0, b0, z0 = values[current, 0], values[current, 1], values[current, 2]
                k0, p0 = values[current, 3], values[current, 4]
            to = head[new]
            t, b, z = t0 + time[new], b0 + burden[new], z0 + zone[new]
            if t + to_time[to] > longest or to == start:
                continue
            k, p = _heated(node, factor, offset, stop, new, k0)
            p = max(p, p0)
            beaten = False
            for e in ends:
                if (
                    values[e, 0] <= t + to_time[to]
                    and values[e, 1] <= b + to_burden[to] + free_burden
                    and values[e, 2] <= z + free_zone
                    and values[e, 4] <= p + free_k
                ):
                    beaten = True
                    break
            other = latest[new]
            while other != -1 and not beaten:
                if (
                    alive[other]
                    and values[other, 0] <= t
                    and values[other, 1] <= b + free_burden
                    and values[other, 2] <= z + free_zone
                    and values[other, 3] <= k + free_k
                    and values[other, 4] <= p + free_k
                ):
                    beaten = True
                other = before[other]
            step = current
            while step != -1 and not beaten:
                if head[arc[step]] == to:
                    beaten = True
                step = parent[step]
            if beaten:
                continue
            if count == most:
                cut = True
                continue
            if count == size:
                size *= 2
                values = np.concatenate((values, np.empty_like(values)))
                arc = np.concatenate((arc, np.empty_like(arc)))
                parent = np.concatenate((parent, np.empty_like(parent)))
                before = np.concatenate((before, np.empty_like(before)))
                alive = np.concatenate((alive, np.empty_like(alive)))
            other = latest[new]
            while other != -1:
                if (
                    values[other, 0] >= t
                    and values[other, 1] >= b
                    and values[other, 2] >= z
                    and values[other, 3] >= k
                    and values[other, 4] >= p
                ):
                    alive[other] = False
                other = before[other]
            values[count, 0], values[count, 1], values[count, 2] = t, b, z
            values[count, 3], values[count, 4] = k, p
            arc[count], parent[count], before[count] = new, current, latest[new]
            alive[count] = True
            latest[new] = count
            heapq.heappush(heap, (t, count))
            count += 1
        current = -2
        while len(heap) > 0 and current == -2:
            _, label = heapq.heappop(heap)
            if not alive[label]:
                continue
            if head[arc[label]] != target:
                current = label
                continue
            beaten = False
            for e in ends:
                if (
                    values[e, 1] <= values[label, 1] + free_burden
                    and values[e, 2] <= values[label, 2] + free_zone
                    and values[e, 4] <= values[label, 4] + free_k
                ):
                    beaten = True
                    break
            if not beaten:
                ends.append(label)
        if current == -2:
            break
    result = np.empty(len(ends), np.int64)
    for place in range(len(ends)):
        result[place] = ends[place]
    return values[:count], arc[:count], parent[:count], result, count, cut
