"""What many zones on one road leave at every receiver, exactly, in one pass over the store.

A zone changes a truck's sound only where it lies, so per receiver and class of pass the
maximum after is the largest of three: free before the zone, silent inside, free behind.
Energies are sums of the same three parts.  The figures are those that `weigh_zone` finds
zone by zone; here hundreds of intervals share the work.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from noisemap.community.passes import MEAN_SHIFT
from noisemap.exposure.collapsed import collapse, of_receivers
from noisemap.exposure.driving import road_rows
from noisemap.exposure.levels import PASS_LEVELS
from noisemap.exposure.product import PassSound
from noisemap.exposure.uncertainty import spread
from noisemap.propagation.compiled import compiled, compiled_parallel
from noisemap.states import EXHAUST_STATES, Binds, ExhaustState, Zone
from noisemap.transfer.store import TransferStore
from noisemap.zones.sampled_relief import GONE, PeopleQuieter, counts_by_state
from noisemap.zones.weigh import Base

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Array = npt.NDArray[Any]

RECEIVERS_AT_ONCE = 2048
_TABLE_END, _TABLE_STEP = 8.0, 0.01


@dataclass(frozen=True)
class Rule:
    """Who is bound, and when."""

    binds: Binds
    hours: frozenset[int]

    @property
    def name(self) -> str:
        """Short name for tables."""
        bound = {
            "unmuffled_compression_release": "unmuffled only",
            "compression_release": "every compression-release brake",
            "every_auxiliary_brake": "every auxiliary brake",
        }[self.binds]
        return bound if len(self.hours) == 24 else f"{bound}, {len(self.hours)} hours a day"


@dataclass(frozen=True)
class Effects:
    """What intervals spare, over (interval, rule)."""

    spared: FloatArray  # (interval, rule, level) people times passes a night, net
    helped: FloatArray  # people whose night level falls by 1 dB or more [1]
    helped_limits: FloatArray | None  # (interval, rule, 2) 5th and 95th percentile of that


def effects(
    base: Base,
    sound: PassSound,
    road: int,
    intervals: IntArray,
    rules: Sequence[Rule],
    silent_share: float,
    sampled_share: FloatArray | None = None,
) -> Effects:
    """Spared passes and people helped for many intervals of one road.

    `intervals` holds (first, last + 1) as stretches of the road, counted from its start;
    with `sampled_share`, that of the silent passes in each sample, people helped have
    their interval.
    """
    classes = [index for index, one in enumerate(base.classes) if one.road == road]
    counts = np.array([night_counts(base, rule, classes, 1.0) for rule in rules])
    used = [place for place, index in enumerate(classes) if counts[:, place].any()]
    classes = [classes[place] for place in used]
    counts = counts[:, used]
    states = [base.classes[index].exhaust_state for index in classes]
    rows = road_rows(base.scene.stretches, road)
    spans = np.asarray(intervals, dtype=np.int64) + rows[0]
    shape = (len(intervals), len(rules))
    spared, helped = np.zeros((*shape, len(PASS_LEVELS))), np.zeros(shape)
    samples = None if sampled_share is None else PeopleQuieter(base, *shape, sampled_share)
    before = base.free.braking_by_hour[:, sorted(base.periods.night)].mean(axis=1)
    before *= 3600.0 * len(base.periods.night)
    for first in range(0, base.store.receivers, RECEIVERS_AT_ONCE):
        part = slice(first, min(first + RECEIVERS_AT_ONCE, base.store.receivers))
        fewer, less = _part(base.store, sound, classes, part, spans, counts, states)
        people = base.people[part]
        spared += silent_share * np.tensordot(people, fewer, axes=(0, 0))
        need = GONE * before[part, None, None]
        falls = (silent_share * less.sum(axis=-1) >= need) & (need > 0.0)
        helped += np.tensordot(people, falls.astype(float), axes=(0, 0))
        if samples is not None:
            samples.add(part, less)
    return Effects(spared, helped, None if samples is None else samples.limits())


def night_counts(
    base: Base, rule: Rule, classes: Sequence[int], silent_share: float
) -> list[float]:
    """Passes a night of each class that a rule binds in its hours, times a share [1]."""
    zone = Zone("", "", 0.0, 0.0, rule.hours, rule.binds)
    hours = sorted(rule.hours & base.periods.night)
    return [
        silent_share * float(one.per_hour[hours].sum())
        if zone.binds_truck(base.trucks[one.truck].retarder, one.exhaust_state)
        else 0.0
        for one in (base.classes[index] for index in classes)
    ]


def _part(
    store: TransferStore,
    sound: PassSound,
    classes: Sequence[int],
    part: slice,
    spans: IntArray,
    counts: FloatArray,
    states: Sequence[ExhaustState],
) -> tuple[FloatArray, FloatArray]:
    """Fewer passes (receiver, interval, rule, level), less exposure (..., rule, state)."""
    fleet = spread("fleet_spread")
    shape = (part.stop - part.start, len(spans), len(counts))
    fewer = np.zeros((*shape, len(PASS_LEVELS)), dtype=np.float32)
    less = np.zeros((*shape, len(EXHAUST_STATES)))
    if classes:
        chosen = PassSound(*(values[list(classes)] for values in vars(sound).values()))
        paths = collapse(of_receivers(store, part), chosen)
        levels = np.array(PASS_LEVELS, dtype=float) + MEAN_SHIFT * fleet**2
        whole = np.zeros(shape)
        for limits, weights, out in (
            (levels, counts, (fewer, whole)),
            (levels[:0], counts_by_state(counts, states), _unlimited(less)),
        ):
            _effects(
                paths.pointer,
                paths.stretch,
                paths.exposure,
                paths.loudness,
                paths.silent_exposure,
                paths.silent_loudness,
                spans,
                weights,
                limits,
                fleet,
                _normal_table(),
                *out,
            )
    return fewer.astype(float), less


def _unlimited(less: FloatArray) -> tuple[npt.NDArray[np.float32], FloatArray]:
    """Where exposure is put with rules and states in one row, and no passes are counted."""
    receivers, intervals = less.shape[:2]
    flat = less.reshape(receivers, intervals, -1)
    return np.zeros((*flat.shape, 0), dtype=np.float32), flat


def _normal_table() -> FloatArray:
    """Normal distribution function on even steps."""
    from scipy.special import ndtr

    return np.asarray(ndtr(np.arange(-_TABLE_END, _TABLE_END + 2 * _TABLE_STEP, _TABLE_STEP)))


@compiled
def _exceeds(excess: float, fleet: float, table: Array) -> float:
    place = (excess / fleet + 8.0) * 100.0
    if place <= 0.0:
        return 0.0
    if place >= 1600.0:
        return 1.0
    i = int(place)
    return float(table[i] + (table[i + 1] - table[i]) * (place - i))


@compiled_parallel
def _effects(
    pointer: Array,
    stretch: Array,
    exposure: Array,
    loudness: Array,
    silent_exposure: Array,
    silent_loudness: Array,
    spans: Array,
    counts: Array,
    levels: Array,
    fleet: float,
    table: Array,
    out_fewer: Array,
    out_less: Array,
) -> None:
    classes = exposure.shape[0]
    intervals, rules, limits = spans.shape[0], counts.shape[0], len(levels)
    for r in prange(len(pointer) - 1):
        lo, hi = pointer[r], pointer[r + 1]
        paths = hi - lo
        if paths == 0:
            continue
        before = np.empty(paths + 1, dtype=np.float32)
        behind = np.empty(paths + 1, dtype=np.float32)
        saved = np.empty(paths + 1)
        now = np.empty(limits)
        begin = np.searchsorted(stretch[lo:hi], spans[:, 0])
        end = np.searchsorted(stretch[lo:hi], spans[:, 1])
        for c in range(classes):
            before[0] = 0.0
            saved[0] = 0.0
            for p in range(paths):
                saved[p + 1] = saved[p] + exposure[c, lo + p] - silent_exposure[c, lo + p]
                before[p + 1] = max(before[p], loudness[c, lo + p])
            behind[paths] = 0.0
            for p in range(paths - 1, -1, -1):
                behind[p] = max(behind[p + 1], loudness[c, lo + p])
            loudest = before[paths]
            level = 10.0 * np.log10(loudest)
            for limit in range(limits):
                now[limit] = _exceeds(level - levels[limit], fleet, table)
            for k in range(intervals):
                a, b = begin[k], end[k]
                if b <= a:
                    continue
                left = max(before[a], behind[b])
                if left < loudest:
                    for p in range(a, b):
                        left = max(left, silent_loudness[c, lo + p])
                    level = 10.0 * np.log10(left)
                    for limit in range(limits):
                        fewer = now[limit] - _exceeds(level - levels[limit], fleet, table)
                        for v in range(rules):
                            out_fewer[r, k, v, limit] += counts[v, c] * fewer
                gone = saved[b] - saved[a]
                for v in range(rules):
                    out_less[r, k, v] += counts[v, c] * gone
