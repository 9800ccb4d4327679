"""Which receivers the what-if keeps, and their sound paths in half decibels.

A home keeps the facades that are its loudest under some zone, whichever zone that may
be, and the facades where its people are counted, many of them joined into a few.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.bands import N_BANDS
from noisemap.community.passes import expected_passes
from noisemap.exposure.driving import road_rows
from noisemap.exposure.passes import PassClass
from noisemap.exposure.product import TIME_WEIGHTING, PassLevels, PassSound
from noisemap.exposure.rules import rule
from noisemap.exposure.uncertainty import spread
from noisemap.levels import from_energy
from noisemap.source.pass_by import FAST_S
from noisemap.states import EXHAUST_STATES
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weigh import Base
from noisemap.zones.what_if_shapes import effective, joined, loudest

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.uint8]

STEP_DB = 0.5
"""Step of the stored attenuations and gains [dB]."""

GAIN_FROM_DB = -40.0
"""Smallest gain of a fast maximum over the energy at a stretch's middle that is stored [dB]."""

NOTHING = 255
"""Code of a path that carries no sound."""

SAME_LEVEL_DB = 0.3
"""A facade is kept where the ones kept before fall short of the loudest by more [dB]."""

BLOCKS = 18
"""Parts of each road whose contiguous runs stand for all zones when facades are chosen."""

PEOPLE_ROWS = 3
"""Rows into which the facades of one building where people are counted are joined."""

NEGLIGIBLE = 0.02
"""Exhaust energy, over that of tyres and engine, that a row may leave out in all [1]."""

RECEIVERS_AT_ONCE = 1500
NO_LEVEL = -300.0


@dataclass(frozen=True)
class Columns:
    """The stretches that a zone can silence, and the pieces that the table joins them into."""

    stretch: IntArray  # (column,)
    heights: tuple[int, ...]  # indices of the store's source heights that exhausts have
    speed: FloatArray  # (column,) mean speed there [m/s]
    running: FloatArray  # (column, band) power of tyres and engine, A-weighted [1]
    peak: FloatArray  # (column,) exhaust power of the loudest truck, A-weighted [1]
    first: IntArray  # (piece,) its first column
    energy: FloatArray  # (shape, column, height, band) of all exhausts of one shape [s]


@dataclass(frozen=True)
class Rows:
    """Receivers of the table; a row is one facade, or a mean over several of one home."""

    home: IntArray  # (row,)
    people: FloatArray  # (row,) counted there
    of_home: npt.NDArray[np.bool_]  # (row,) whether it counts for the home's own level
    first: IntArray  # (row + 1,) members of each row
    member: IntArray  # receivers
    weight: FloatArray  # of the members in their row [1]

    def mean(self, values: FloatArray) -> FloatArray:
        """Weighted mean of energies at the receivers, over rows."""
        weighted = values[self.member] * self.weight.reshape(-1, *[1] * (values.ndim - 1))
        return np.asarray(np.add.reduceat(weighted, self.first[:-1], axis=0))


@dataclass(frozen=True)
class Paths:
    """Codes of the paths between pieces of road and rows."""

    attenuation: Codes  # (row, shape, piece) A-weighted attenuation of an exhaust [0.5 dB]
    running: Codes  # (row, piece) A-weighted attenuation of running noise [0.5 dB]
    gain: Codes  # (row, piece) fast maximum over the energy at the middle [0.5 dB]


@dataclass(frozen=True)
class Others:
    """Braking trucks on roads that the table leaves out, as they are."""

    by_hour: FloatArray  # (row, 24) energy [1]
    maximum: FloatArray  # (row,) loudest pass [dB]
    passes: FloatArray  # (row,) a night above the leading level [1]
    led: FloatArray  # (row,) of them those whose loudest moment is the exhaust [1]


def rows_of(
    base: Base,
    sound: PassSound,
    classes: Sequence[PassClass],
    columns: Columns,
    roads: Sequence[int],
    quiet: PassLevels,
) -> tuple[Rows, Paths, Others]:
    """Rows, their paths, and what reaches them from other roads.

    `quiet` are passes of the trucks on these roads without any exhaust.
    """
    others = _others(base, roads)
    loud = _Loudness(base, sound, classes, columns, roads, others.maximum, quiet)
    home: list[int] = []
    people: list[float] = []
    of_home: list[bool] = []
    members: list[IntArray] = []
    weights: list[FloatArray] = []
    codes: list[tuple[Codes, Codes, Codes]] = []
    for receivers in _runs(base):
        dense = dense_paths(base, columns, receivers)
        energy, maximum = loud.under_zones(receivers, dense)
        begin = len(members)
        for one, mine in _by_home(base, receivers):
            local = np.searchsorted(receivers, mine)
            kept = mine[facades(np.hstack([energy[local], maximum[local]]))]
            for group, own, whole in _groups(base, mine, kept):
                home.append(one)
                people.append(float(base.people[group].sum()) if own else 0.0)
                of_home.append(whole)
                members.append(group)
                weights.append(_weights(base.people[group]))
        codes.append(_codes(dense, columns, receivers, members[begin:], weights[begin:], loud))
    rows = Rows(
        home=np.array(home, dtype=np.int64),
        people=np.array(people),
        of_home=np.array(of_home, dtype=bool),
        first=np.concatenate([[0], np.cumsum([len(m) for m in members])]).astype(np.int64),
        member=np.concatenate(members).astype(np.int64),
        weight=np.concatenate(weights),
    )
    paths = Paths(
        np.concatenate([one[0] for one in codes]),
        np.concatenate([one[1] for one in codes]),
        np.concatenate([one[2] for one in codes]),
    )
    return (
        rows,
        paths,
        Others(
            rows.mean(others.by_hour),
            from_energy(rows.mean(10.0 ** (0.1 * others.maximum))),
            rows.mean(others.passes),
            rows.mean(others.led),
        ),
    )


def facades(levels: FloatArray) -> IntArray:
    """Facades, over (facade, case), that together come near the loudest in every case.

    >>> facades(np.array([[60.0, 50.0], [50.0, 60.0], [52.0, 52.0]])).tolist()
    [0, 1]
    """
    loudest = levels.max(axis=0)
    reached = np.full(levels.shape[1], NO_LEVEL)
    kept: list[int] = []
    while len(kept) < len(levels):
        short = np.maximum(loudest - np.maximum(levels, reached) - SAME_LEVEL_DB, 0.0).sum(axis=1)
        short[kept] = np.inf
        best = int(np.argmin(short))
        kept.append(best)
        reached = np.maximum(reached, levels[best])
        if (loudest - reached <= SAME_LEVEL_DB).all():
            break
    return np.array(sorted(kept), dtype=np.int64)


def _groups(base: Base, mine: IntArray, kept: IntArray) -> Iterator[tuple[IntArray, bool, bool]]:
    """Rows of one home: members, whether people count there, whether it is the home's level."""
    lived = mine[base.people[mine] > 0.0]
    alone = len(lived) <= PEOPLE_ROWS
    single = set(kept.tolist()) | (set(lived.tolist()) if alone else set())
    for receiver in sorted(single):
        yield np.array([receiver]), alone and base.people[receiver] > 0.0, receiver in kept
    if not alone:
        order = lived[np.argsort(-base.free.braking_by_hour[lived].sum(axis=1), kind="stable")]
        for part in np.array_split(order, PEOPLE_ROWS):
            yield part, True, False


def _weights(people: FloatArray) -> FloatArray:
    total = people.sum()
    return people / total if total > 0.0 else np.full(len(people), 1.0 / len(people))


@dataclass(frozen=True)
class DensePaths:
    """Paths of some receivers over all columns."""

    t: npt.NDArray[np.float32]  # (receiver, column, height, band), all heights of the store
    gain: FloatArray  # (receiver, column) [dB]


def _runs(base: Base) -> Iterator[IntArray]:
    """Runs of receivers that hold whole homes, in rising order."""
    owner = base.scene.receivers.home
    order = np.argsort(owner, kind="stable")
    starts = np.flatnonzero(np.diff(owner[order], prepend=-1))
    begin = 0
    for end in [*starts[1:].tolist(), len(order)]:
        if end - begin >= RECEIVERS_AT_ONCE or end == len(order):
            yield np.sort(order[begin:end]).astype(np.int64)
            begin = end


def _by_home(base: Base, receivers: IntArray) -> Iterator[tuple[int, IntArray]]:
    owner = base.scene.receivers.home[receivers]
    for home in np.unique(owner).tolist():
        yield int(home), receivers[owner == home]


def dense_paths(base: Base, columns: Columns, receivers: IntArray) -> DensePaths:
    """Paths of some receivers, in rising order, over all columns."""
    store = base.store
    place = np.full(int(base.scene.stretches.road.size), -1, dtype=np.int64)
    place[columns.stretch] = np.arange(len(columns.stretch))
    shape = (len(receivers), len(columns.stretch))
    t = np.zeros((*shape, len(store.heights), N_BANDS), dtype=np.float32)
    gain = np.full(shape, GAIN_FROM_DB)
    for row, receiver in enumerate(receivers):
        part = slice(store.pointer[receiver], store.pointer[receiver + 1])
        column = place[store.stretch[part]]
        on = column >= 0
        t[row, column[on]] = store.t[part][on]
        gain[row, column[on]] = fast_gain(
            columns.speed[column[on]],
            store.distance[part][on].astype(float),
            store.nearest[part][on].astype(float),
        )
    return DensePaths(t, gain)


class _Loudness:
    """Night energy and loudest pass of receivers under every run of blocks of a road."""

    def __init__(
        self,
        base: Base,
        sound: PassSound,
        classes: Sequence[PassClass],
        columns: Columns,
        roads: Sequence[int],
        elsewhere: FloatArray,
        quiet: PassLevels,
    ) -> None:
        night = sorted(base.periods.night)
        self.free = base.free.braking_by_hour[:, night].sum(axis=1)
        counts = {
            (one.road, one.direction, one.truck, one.exhaust_state): one.per_hour[night].sum()
            for one in base.classes
        }
        passes = np.array(
            [
                counts.get((one.road, one.direction, one.truck, one.exhaust_state), 0.0)
                for one in classes
            ]
        )
        whole = np.tensordot(passes, sound.energy[:, columns.stretch].astype(float), axes=(0, 0))
        seconds = sound.duration[:, columns.stretch, None].astype(float)
        quiet_energy = sound.running[:, columns.stretch].astype(float) * seconds
        whole[:, 0] -= np.tensordot(passes, quiet_energy, axes=(0, 0))
        self.exhaust = np.maximum(whole, 0.0) / 3600.0
        self.peak = sound.peak[:, columns.stretch].max(axis=0).astype(float)
        running = quiet.maximum.max(axis=1, initial=NO_LEVEL).astype(float)
        self.floor = np.maximum(np.maximum(elsewhere, running), NO_LEVEL)
        # if every exhaust were as loud as the loudest state
        states = len(EXHAUST_STATES)
        trucks = [(one.road, one.direction, one.truck) for one in classes[::states]]
        daily = np.array(
            [
                sum(
                    one.per_hour.sum()
                    for one in base.classes
                    if (one.road, one.direction, one.truck) == truck
                )
                for truck in trucks
            ]
        )
        energy = sound.energy[:, columns.stretch].astype(float)
        energy[:, :, 0] -= quiet_energy
        energy = energy.reshape(len(trucks), states, *energy.shape[1:]).max(axis=1)
        self.loudest_energy = np.tensordot(daily, np.maximum(energy, 0.0), axes=(0, 0))
        self.running_energy = quiet.energy.astype(float) @ daily
        self.blocks = [
            part
            for road in roads
            for part in _blocks(columns, road_rows(base.scene.stretches, road))
        ]

    def matters(
        self, t: FloatArray, gain: FloatArray, group: IntArray, weight: FloatArray
    ) -> BoolArray:
        """Which columns can be the loudest moment of a pass or add to a row's energy."""
        peak = from_energy(np.einsum("chb,chb->c", t, self.peak)) + gain
        energy = np.einsum("chb,chb->c", t, self.loudest_energy)
        order = np.argsort(energy, kind="stable")
        never = NEGLIGIBLE * float(weight @ self.running_energy[group])
        small = np.zeros(len(energy), dtype=bool)
        small[order] = np.cumsum(energy[order]) <= never
        return np.asarray(~small | (peak > float(self.floor[group].min())))

    def under_zones(self, receivers: IntArray, dense: DensePaths) -> tuple[FloatArray, FloatArray]:
        """Night energy [dB] and loudest pass [dB] over (receiver, case); case 0 has no zone."""
        count = len(receivers)
        exhaust = np.einsum("rchb,chb->rc", dense.t, self.exhaust)
        peak = from_energy(np.einsum("rchb,chb->rc", dense.t, self.peak)) + dense.gain
        peak = np.maximum(peak, NO_LEVEL)
        floor, free = self.floor[receivers], self.free[receivers]
        energies, maxima = [free], [np.maximum(peak.max(axis=1), floor)]
        for blocks in self.blocks:
            saved = np.array([exhaust[:, block].sum(axis=1) for block in blocks])
            loudest = np.array([peak[:, block].max(axis=1) for block in blocks])
            own = np.concatenate(blocks)
            rest = np.ones(peak.shape[1], dtype=bool)
            rest[own] = False
            beside = np.maximum(peak[:, rest].max(axis=1, initial=NO_LEVEL), floor)
            before = np.maximum.accumulate(np.vstack([np.full(count, NO_LEVEL), loudest]))
            behind = np.maximum.accumulate(np.vstack([loudest, np.full(count, NO_LEVEL)])[::-1])
            behind = behind[::-1]
            for first in range(len(blocks)):
                for last in range(first + 1, len(blocks) + 1):
                    energies.append(free - saved[first:last].sum(axis=0))
                    maxima.append(np.maximum(np.maximum(before[first], behind[last]), beside))
        least = 10.0 ** (0.1 * NO_LEVEL)
        return from_energy(np.maximum(np.array(energies).T, least)), np.array(maxima).T


def _blocks(columns: Columns, rows: IntArray) -> list[list[IntArray]]:
    mine = np.flatnonzero(np.isin(columns.stretch, rows))
    parts = [part for part in np.array_split(mine, BLOCKS) if len(part)]
    return [parts] if parts else []


def _codes(
    dense: DensePaths,
    columns: Columns,
    receivers: IntArray,
    members: Sequence[IntArray],
    weights: Sequence[FloatArray],
    loud: _Loudness,
) -> tuple[Codes, Codes, Codes]:
    shape = (len(members), dense.t.shape[1])
    t = np.empty((*shape, *dense.t.shape[2:]))
    gain = np.empty(shape)
    for row, (group, weight) in enumerate(zip(members, weights, strict=True)):
        local = np.searchsorted(receivers, group)
        t[row] = np.tensordot(weight, dense.t[local], axes=(0, 0))
        gain[row] = weight @ dense.gain[local]
        gone = ~loud.matters(t[row], gain[row], group, weight)
        t[row, gone], gain[row, gone] = 0.0, GAIN_FROM_DB
    return piece_codes(columns, t, gain)


def piece_codes(columns: Columns, t: FloatArray, gain: FloatArray) -> tuple[Codes, Codes, Codes]:
    """Codes of exhausts, running noise and gains over pieces, from paths over columns.

    `t` is over (row, column, height, band), all heights of the store; `gain` over
    (row, column) [dB].
    """
    first = columns.first
    received = received_energy(t[:, :, list(columns.heights)], columns.energy)
    emitted = columns.energy.sum(axis=(2, 3))
    exhaust = effective(joined(received, first, 2), joined(emitted, first, 1))
    running = effective(
        joined(np.einsum("rcb,cb->rc", t[:, :, 0], columns.running), first, 1),
        joined(columns.running.sum(axis=1), first, 0),
    )
    every, mean = received.sum(axis=1), emitted.sum(axis=0)
    moment = effective(every, mean) * columns.peak * 10.0 ** (0.1 * gain)
    whole = effective(joined(every, first, 1), joined(mean, first, 0))
    whole = whole * loudest(columns.peak, first, 0)
    raised = effective(loudest(moment, first, 1), whole)
    return attenuation_codes(exhaust), attenuation_codes(running), gain_codes(from_energy(raised))


def received_energy(t: FloatArray, energy: FloatArray) -> FloatArray:
    """Energy (row, shape, column) from transfers (row, column, height, band) and emissions.

    >>> received_energy(np.full((1, 2, 1, 2), 0.5), np.ones((3, 2, 1, 2))).tolist()
    [[[1.0, 1.0], [1.0, 1.0], [1.0, 1.0]]]
    """
    rows, columns = t.shape[:2]
    paths = t.reshape(rows, columns, -1).transpose(1, 0, 2)
    emitted = energy.reshape(len(energy), columns, -1).transpose(1, 2, 0)
    return np.asarray((paths @ emitted).transpose(1, 2, 0))


def attenuation_codes(t: FloatArray) -> Codes:
    """Attenuation of a transfer in steps of half a decibel.

    >>> attenuation_codes(np.array([1e-4, 0.0])).tolist()
    [80, 255]
    """
    code = np.rint(-from_energy(t) / STEP_DB)
    return np.where(code < NOTHING, np.maximum(code, 0.0), NOTHING).astype(np.uint8)


def gain_codes(gain: FloatArray) -> Codes:
    """Gain of a fast maximum in steps of half a decibel.

    >>> gain_codes(np.array([-40.0, 3.0])).tolist()
    [0, 86]
    """
    heard = np.maximum(gain, GAIN_FROM_DB)
    return np.clip(np.rint((heard - GAIN_FROM_DB) / STEP_DB), 0, NOTHING).astype(np.uint8)


def fast_gain(speed: FloatArray, distance: FloatArray, nearest: FloatArray) -> FloatArray:
    """Fast maximum of a passing stretch over the level from its middle point [dB]."""
    ratio = np.log10(speed * FAST_S / nearest)
    fast = np.interp(ratio, np.linspace(-3.0, 2.0, len(TIME_WEIGHTING)), TIME_WEIGHTING)
    return np.asarray(20.0 * np.log10(distance / nearest) + fast)


def _others(base: Base, roads: Sequence[int]) -> Others:
    """What reaches each receiver from braking trucks on other roads."""
    rest = [index for index, one in enumerate(base.classes) if one.road not in roads]
    per_hour = np.array([base.classes[index].per_hour for index in rest]).reshape(-1, 24)
    energy = base.passes.energy[:, rest].astype(float)
    maximum = base.passes.maximum[:, rest].astype(float)
    share = base.passes.exhaust_share[:, rest].astype(float)
    counts = per_hour[:, sorted(base.periods.night)].sum(axis=1)
    led = np.where(share >= rule("exhaust_led"), maximum, -np.inf)
    fleet = spread("fleet_spread")
    return Others(
        by_hour=energy @ (per_hour / 3600.0),
        maximum=maximum.max(axis=1, initial=NO_LEVEL),
        passes=expected_passes(maximum, fleet, counts, LEADING_LEVEL),
        led=expected_passes(led, fleet, counts, LEADING_LEVEL),
    )
