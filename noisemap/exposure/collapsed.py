"""The product collapsed to A-weighted classes: what a zone changes, without the bands.

Bands and source heights of a path are summed once for each class of pass, with the
retarder used and with it silent.  A scenario of zones then only chooses, stretch by
stretch, which of the two counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import prange

from noisemap.errors import OutOfDomainError
from noisemap.exposure.class_blocks import (
    CLASSES,
    FAST_GAIN,
    LANES,
    Lanes,
    Packed,
    fill_lanes,
    packed_blocks,
)
from noisemap.exposure.product import PassLevels, PassSound
from noisemap.propagation.compiled import compiled, compiled_parallel, compiled_sums
from noisemap.transfer.store import TransferStore

Array = npt.NDArray[np.generic]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

BYTES = 16
"""Memory of one path and class."""


@dataclass(frozen=True)
class ClassTransfers:
    """What each path carries of one pass of each class, A-weighted, over (class, path)."""

    pointer: IntArray  # (receivers + 1,)
    stretch: npt.NDArray[np.int32]  # (paths,)
    stretches: int
    exposure: Float32Array  # with the retarder used [s]
    loudness: Float32Array  # fast maximum, as energy [1]
    silent_exposure: Float32Array  # tyres and engine alone [s]
    silent_loudness: Float32Array  # their part of that maximum [1]
    running_energy: Float32Array  # (receivers, classes) of tyres and engine, all paths [s]


def of_receivers(store: TransferStore, part: slice) -> TransferStore:
    """The paths of some receivers that follow each other, as views."""
    own = slice(int(store.pointer[part.start]), int(store.pointer[part.stop]))
    return TransferStore(
        heights=store.heights,
        pointer=store.pointer[part.start : part.stop + 1] - own.start,
        stretch=store.stretch[own],
        t=store.t[own],
        cmet_factor=store.cmet_factor[own],
        distance=store.distance[own],
        nearest=store.nearest[own],
        flags=store.flags[own],
        grazing=store.grazing[own],
        twin=store.twin[own],
    )


def collapse(store: TransferStore, sound: PassSound) -> ClassTransfers:
    """Paths with the bands and heights of every class summed up.

    Takes `BYTES` of memory a path and class, and the time of one full product.
    """
    classes, stretches = sound.energy.shape[:2]
    exposure, loudness, quiet, low = np.zeros((4, classes, store.paths), dtype=np.float32)
    if classes:
        blocks = packed_blocks(**vars(sound))
        _collapse(
            store.pointer,
            store.stretch,
            store.t.reshape(-1),
            store.distance,
            store.nearest,
            blocks.packed,
            blocks.member,
            FAST_GAIN,
            LANES,
            exposure,
            loudness,
            quiet,
            low,
        )
    running = np.zeros((store.receivers, classes), dtype=np.float32)
    _sum_silent(store.pointer, quiet, running)
    return ClassTransfers(
        store.pointer, store.stretch, stretches, exposure, loudness, quiet, low, running
    )


def scenario_levels(transfers: ClassTransfers, silent: BoolArray) -> PassLevels:
    """Exposure and fast maximum of a pass whose retarder is silent on some stretches.

    `silent` marks them, for all classes over (stretch,) or for each over (class,
    stretch).  Equal to the full product over the same pass.
    """
    classes = len(transfers.exposure)
    if silent.shape[-1] != transfers.stretches or silent.ndim > 2:
        raise OutOfDomainError(
            f"silent stretches: shape {silent.shape} does not fit; allowed are "
            f"({transfers.stretches},) and ({classes}, {transfers.stretches})"
        )
    shape = (len(transfers.pointer) - 1, classes)
    run, low, high = _runs(np.broadcast_to(silent, (classes, transfers.stretches)))
    energy, maximum, share = (np.zeros(shape, dtype=np.float32) for _ in range(3))
    _choose(
        transfers.pointer,
        transfers.stretch,
        transfers.exposure,
        transfers.loudness,
        transfers.silent_exposure,
        transfers.silent_loudness,
        run,
        low,
        high,
        energy,
        maximum,
        share,
    )
    return PassLevels(energy, transfers.running_energy, maximum, share)


def _runs(marks: BoolArray) -> tuple[IntArray, IntArray, IntArray]:
    """Marked stretches of each class as a compressed list of half-open runs."""
    padded = np.pad(marks, ((0, 0), (1, 1))).astype(np.int8)
    change = np.diff(padded, axis=1)
    row, low = np.nonzero(change == 1)
    _, high = np.nonzero(change == -1)
    pointer = np.searchsorted(row, np.arange(len(marks) + 1))
    return pointer.astype(np.int64), low.astype(np.int64), high.astype(np.int64)


@compiled_parallel
def _collapse(
    pointer: IntArray,
    stretch: Array,
    t: Float32Array,
    distance: Float32Array,
    nearest: Float32Array,
    packed: Packed,
    member: IntArray,
    gains: Float32Array,
    width: int,
    exposure: Float32Array,
    loudness: Float32Array,
    silent_exposure: Float32Array,
    silent_loudness: Float32Array,
) -> None:
    for r in prange(len(pointer) - 1):
        lanes = Lanes(
            np.empty(LANES, dtype=np.float32),
            np.empty(LANES, dtype=np.float32),
            np.empty(CLASSES, dtype=np.float32),
        )
        for b in range(len(packed.first)):
            first, last = packed.first[b], packed.last[b]
            for p in range(pointer[r], pointer[r + 1]):
                s = stretch[p]
                if s < first or s >= last:
                    continue
                row = packed.offset[b] - first + s
                fill_lanes(t, p, row, packed, lanes, width, distance[p], nearest[p], gains)
                for i in range(CLASSES):
                    c = member[b, i]
                    if c >= 0:
                        low = lanes.low[i]
                        exposure[c, p] = lanes.loud[i]
                        loudness[c, p] = lanes.loud[CLASSES + i] * lanes.gain[i]
                        silent_exposure[c, p] = low * packed.duration[row * CLASSES + i]
                        silent_loudness[c, p] = low * lanes.gain[i]


@compiled_parallel
def _sum_silent(pointer: IntArray, exposure: Float32Array, out: Float32Array) -> None:
    for r in prange(len(pointer) - 1):
        for c in range(exposure.shape[0]):
            out[r, c] = _sum(exposure[c], pointer[r], pointer[r + 1])


@compiled_sums
def _sum(values: Float32Array, low: int, high: int) -> float:
    total = 0.0
    for p in range(low, high):
        total += values[p]
    return total


@compiled_sums
def _largest(values: Float32Array, low: int, high: int) -> np.float32:
    best = np.float32(0.0)
    for p in range(low, high):
        best = values[p] if values[p] > best else best
    return best


@compiled
def _first_from(stretch: Array, low: int, high: int, wanted: int) -> int:
    """First path of a receiver on a stretch at or beyond the wanted one."""
    while low < high:
        middle = (low + high) // 2
        if stretch[middle] < wanted:
            low = middle + 1
        else:
            high = middle
    return low


@compiled_parallel
def _choose(
    pointer: IntArray,
    stretch: Array,
    exposure: Float32Array,
    loudness: Float32Array,
    silent_exposure: Float32Array,
    silent_loudness: Float32Array,
    run: IntArray,
    run_low: IntArray,
    run_high: IntArray,
    out_energy: Float32Array,
    out_maximum: Float32Array,
    out_share: Float32Array,
) -> None:
    for r in prange(len(pointer) - 1):
        for c in range(exposure.shape[0]):
            place, end = pointer[r], pointer[r + 1]
            total, quiet = 0.0, np.float32(0.0)
            loudest = np.float32(0.0)
            low, high = place, place
            for i in range(run[c], run[c + 1] + 1):
                a, b = end, end
                if i < run[c + 1]:
                    a = _first_from(stretch, place, end, run_low[i])
                    b = _first_from(stretch, a, end, run_high[i])
                total += _sum(exposure[c], place, a) + _sum(silent_exposure[c], a, b)
                free = _largest(loudness[c], place, a)
                if free > loudest:
                    loudest, low, high = free, place, a
                quiet = max(quiet, _largest(silent_loudness[c], a, b))
                place = b
            out_energy[r, c] = total
            out_maximum[r, c] = 10.0 * np.log10(max(loudest, quiet))
            if loudest > quiet:
                for p in range(low, high):
                    if loudness[c, p] == loudest:
                        out_share[r, c] = max(0.0, 1.0 - silent_loudness[c, p] / loudest)
                        break
