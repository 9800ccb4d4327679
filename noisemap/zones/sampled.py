"""Intervals of what many zones on one road spare, from the same draws as for single zones.

The loudest moment that remains of a pass takes few values over all intervals at one
receiver: each is sampled once and shared.  The figures are those that `weigh_zone` finds
zone by zone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from noisemap.exposure.driving import road_rows
from noisemap.exposure.product import TIME_WEIGHTING, PassSound, fast_maximum
from noisemap.exposure.uncertainty import (
    HIGH_PER_CENT,
    LOW_PER_CENT,
    exceeds,
    normal_table,
    spread,
)
from noisemap.levels import to_energy
from noisemap.propagation.compiled import compiled_parallel
from noisemap.states import Zone
from noisemap.zones.exact import Rule, night_counts
from noisemap.zones.weigh import Base

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Array = npt.NDArray[Any]

RECEIVERS_AT_ONCE = 256
_SAME_DB = 1e-4


def spared_intervals(
    base: Base,
    sound: PassSound,
    road: int,
    intervals: IntArray,
    rules: Sequence[Rule],
    zone: Zone,
    level: float,
) -> FloatArray:
    """5th and 95th percentile of the people times passes spared, over (interval, rule, 2) [1].

    `intervals` holds (first, last + 1) as stretches of the road, counted from its start;
    `zone` says how many obey and use their retarder in emergencies.
    """
    classes = [index for index, one in enumerate(base.classes) if one.road == road]
    counts = np.array([night_counts(base, rule, classes, 1.0) for rule in rules])
    used = [place for place, index in enumerate(classes) if counts[:, place].any()]
    classes, counts = [classes[place] for place in used], counts[:, used]
    if not classes:
        return np.zeros((len(intervals), len(rules), 2))
    groups, group_of = np.unique(counts, axis=0, return_inverse=True)
    samples = base.draws.samples
    out = np.zeros((samples, len(groups), len(intervals)))
    spans = np.asarray(intervals, dtype=np.int64) + road_rows(base.scene.stretches, road)[0]
    lived_in = np.flatnonzero(base.people > 0.0)
    states = [base.classes[index].exhaust_state for index in classes]
    draws, fleet = base.draws, spread("fleet_spread")
    gain = np.stack([to_energy(draws.exhaust[state]) for state in states], axis=1)
    factor = np.stack([draws.number(state) for state in states], axis=1)
    for first in range(0, len(lived_in), RECEIVERS_AT_ONCE):
        part = lived_in[first : first + RECEIVERS_AT_ONCE]
        loud, share, left, left_share = _remaining(base, sound, classes, part, spans)
        homes = base.scene.receivers.home[part]
        _add(
            loud,
            share,
            left,
            left_share,
            base.people[part],
            np.ascontiguousarray(draws.home[:, homes] * base.home_sigma[homes]),
            gain,
            to_energy(draws.silent),
            factor,
            groups,
            level + 0.05 * np.log(10.0) * fleet**2,
            fleet,
            normal_table(),
            out,
        )
    out *= base.draws.silent_share(zone.observance, zone.emergency_use)[:, None, None]
    limits = np.percentile(out, [LOW_PER_CENT, HIGH_PER_CENT], axis=0)
    return np.asarray(np.moveaxis(limits[:, group_of.reshape(-1)], 0, -1).swapaxes(0, 1))


def _remaining(
    base: Base, sound: PassSound, classes: Sequence[int], part: IntArray, spans: IntArray
) -> tuple[Array, Array, Array, Array]:
    """Maxima of free passes (receiver, class), and what is left (receiver, class, interval)."""
    store, stretches = base.store, sound.energy.shape[1]
    shape = (len(part), len(classes))
    loud = np.full(shape, -np.inf)
    share = np.zeros(shape)
    left = np.full((*shape, len(spans)), -np.inf, dtype=np.float32)
    left_share = np.zeros((*shape, len(spans)), dtype=np.float32)
    _left_over(
        np.asarray(part, dtype=np.int64),
        store.pointer,
        store.stretch,
        store.t.reshape(store.paths, -1),
        store.distance,
        store.nearest,
        sound.peak[classes].reshape(len(classes), stretches, -1),
        sound.running[classes],
        sound.speed[classes],
        sound.first[classes],
        sound.last[classes],
        TIME_WEIGHTING,
        spans,
        loud,
        share,
        left,
        left_share,
    )
    return loud, share, left, left_share


@compiled_parallel
def _left_over(
    part: Array,
    pointer: Array,
    stretch: Array,
    t: Array,
    distance: Array,
    nearest: Array,
    peak: Array,
    running: Array,
    speed: Array,
    first: Array,
    last: Array,
    correction: Array,
    spans: Array,
    out_loud: Array,
    out_share: Array,
    out_left: Array,
    out_left_share: Array,
) -> None:
    classes, columns, bands = peak.shape[0], t.shape[1], running.shape[2]
    for r in prange(len(part)):
        lo, hi = pointer[part[r]], pointer[part[r] + 1]
        paths = hi - lo
        if paths == 0:
            continue
        silent = np.empty(paths)
        free = np.empty(paths)
        share = np.empty(paths)
        before = np.empty(paths + 1, dtype=np.int64)
        behind = np.empty(paths + 1, dtype=np.int64)
        begin = np.searchsorted(stretch[lo:hi], spans[:, 0])
        end = np.searchsorted(stretch[lo:hi], spans[:, 1])
        for c in range(classes):
            before[0] = -1
            for p in range(paths):
                s = stretch[lo + p]
                free[p] = -np.inf
                silent[p] = -np.inf
                share[p] = 0.0
                if first[c] <= s < last[c]:
                    loud = 0.0
                    low = 0.0
                    for j in range(columns):
                        loud += t[lo + p, j] * peak[c, s, j]
                    for j in range(bands):
                        low += t[lo + p, j] * running[c, s, j]
                    near, far, v = nearest[lo + p], distance[lo + p], speed[c, s]
                    if loud > 0.0:
                        free[p] = fast_maximum(loud, v, far, near, correction)
                        share[p] = max(0.0, 1.0 - low / loud)
                    if low > 0.0:
                        silent[p] = fast_maximum(low, v, far, near, correction)
                best = before[p]
                before[p + 1] = p if best < 0 or free[p] > free[best] else best
            behind[paths] = -1
            for p in range(paths - 1, -1, -1):
                best = behind[p + 1]
                behind[p] = p if best < 0 or free[p] > free[best] else best
            top = before[paths]
            out_loud[r, c] = free[top]
            out_share[r, c] = share[top]
            for k in range(len(spans)):
                a, b = begin[k], end[k]
                level = -np.inf
                of = 0.0
                if before[a] >= 0:
                    level, of = free[before[a]], share[before[a]]
                if behind[b] >= 0 and free[behind[b]] > level:
                    level, of = free[behind[b]], share[behind[b]]
                if level < free[top]:
                    for p in range(a, b):
                        if silent[p] > level:
                            level, of = silent[p], 0.0
                out_left[r, c, k] = level
                out_left_share[r, c, k] = of


@compiled_parallel
def _add(
    loud: Array,
    share: Array,
    left: Array,
    left_share: Array,
    people: Array,
    home_error: Array,
    gain: Array,
    silent_gain: Array,
    factor: Array,
    counts: Array,
    level: float,
    fleet: float,
    table: Array,
    out: Array,
) -> None:
    receivers, classes, intervals = left.shape
    place = np.zeros((receivers, classes, intervals), dtype=np.int32)
    value = np.empty((receivers, classes, intervals), dtype=np.float32)
    part = np.empty((receivers, classes, intervals), dtype=np.float32)
    number = np.zeros((receivers, classes), dtype=np.int64)
    for r in prange(receivers):
        for c in range(classes):
            order = np.argsort(left[r, c])
            last = -1
            for index in range(intervals):
                k = order[index]
                fresh = last < 0
                if not fresh:
                    fresh = (
                        left[r, c, k] != value[r, c, last]
                        or left_share[r, c, k] != part[r, c, last]
                    )
                if fresh:
                    last += 1
                    value[r, c, last] = left[r, c, k]
                    part[r, c, last] = left_share[r, c, k]
                place[r, c, k] = last
            number[r, c] = last + 1
    for sample in prange(len(out)):
        rest = silent_gain[sample]
        fewer = np.empty(intervals)
        for r in range(receivers):
            error = home_error[sample, r] - level
            for c in range(classes):
                g, w = gain[sample, c], share[r, c]
                if not loud[r, c] > -np.inf:
                    continue
                full = loud[r, c] + 10.0 * np.log10(w * g + (1.0 - w) * rest)
                passes = exceeds(full + error, fleet, table)
                if passes == 0.0:
                    continue
                for u in range(number[r, c]):
                    fewer[u] = 0.0
                    if value[r, c, u] < loud[r, c] - _SAME_DB:
                        q = part[r, c, u]
                        quiet = value[r, c, u] + 10.0 * np.log10(q * g + (1.0 - q) * rest)
                        if quiet < full:
                            fewer[u] = passes - exceeds(quiet + error, fleet, table)
                for group in range(counts.shape[0]):
                    weight = people[r] * counts[group, c] * factor[sample, c]
                    if weight > 0.0:
                        for k in range(intervals):
                            out[sample, group, k] += weight * fewer[place[r, c, k]]
