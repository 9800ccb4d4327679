"""Products over the transfer store, compiled: energy and fast maximum of every pass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from noisemap.exposure.class_blocks import (
    CLASSES,
    FAST_GAIN,
    LANES,
    TIME_WEIGHTING,
    Lanes,
    Packed,
    fill_lanes,
    packed_blocks,
)
from noisemap.propagation.compiled import compiled, compiled_parallel
from noisemap.source.pass_by import FAST_S
from noisemap.transfer.store import TransferStore

__all__ = ["TIME_WEIGHTING", "PassLevels", "PassSound", "pass_levels"]

FloatArray = npt.NDArray[np.float64]
Array = npt.NDArray[Any]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class PassSound:
    """What one pass of each class leaves at the road, A-weighted, by stretch.

    `energy` is sound power times the time on the stretch, `peak` the sound power
    of the loudest state, both relative to 1 pW, over (class, stretch, height,
    band); `running` is the sound power of tyres and engine alone, all of it at the
    lowest height.  A class sounds on the stretches from `first` up to `last` only.
    """

    energy: Float32Array  # [s]
    peak: Float32Array  # [1]
    running: Float32Array  # (class, stretch, band) [1]
    duration: Float32Array  # (class, stretch) [s]
    speed: Float32Array  # (class, stretch) [m/s]
    first: npt.NDArray[np.int64]
    last: npt.NDArray[np.int64]


@dataclass(frozen=True)
class PassLevels:
    """What one pass of each class leaves at each receiver, over (receiver, class)."""

    energy: Float32Array  # exposure of the whole pass [s]
    running_energy: Float32Array  # of tyres and engine alone [s]
    maximum: Float32Array  # fast maximum [dB]
    exhaust_share: Float32Array  # of the energy at that maximum [1]

    def joined(self, other: PassLevels) -> PassLevels:
        """Both sets of classes side by side."""
        return PassLevels(
            np.hstack([self.energy, other.energy]),
            np.hstack([self.running_energy, other.running_energy]),
            np.hstack([self.maximum, other.maximum]),
            np.hstack([self.exhaust_share, other.exhaust_share]),
        )


def pass_levels(store: TransferStore, sound: PassSound) -> PassLevels:
    """Exposure and fast maximum of one pass of each class at every receiver.

    References
    ----------
    moving-point-source : fast-weighted maximum of a passing point source
    """
    classes = sound.energy.shape[0]
    shape = (store.receivers, classes)
    levels = PassLevels(
        energy=np.zeros(shape, dtype=np.float32),
        running_energy=np.zeros(shape, dtype=np.float32),
        maximum=np.full(shape, -np.inf, dtype=np.float32),
        exhaust_share=np.zeros(shape, dtype=np.float32),
    )
    if classes:
        blocks = packed_blocks(**vars(sound))
        _pass_levels(
            store.pointer,
            store.stretch,
            store.t.reshape(-1),
            store.distance,
            store.nearest,
            blocks.packed,
            blocks.member,
            FAST_GAIN,
            LANES,
            levels.energy,
            levels.running_energy,
            levels.maximum,
            levels.exhaust_share,
        )
    return levels


@compiled_parallel
def _pass_levels(
    pointer: IntArray,
    stretch: Array,
    t: Float32Array,
    distance: Float32Array,
    nearest: Float32Array,
    packed: Packed,
    member: IntArray,
    gains: Float32Array,
    width: int,
    out_energy: Float32Array,
    out_running: Float32Array,
    out_maximum: Float32Array,
    out_share: Float32Array,
) -> None:
    for r in prange(len(pointer) - 1):
        lanes = Lanes(
            np.empty(LANES, dtype=np.float32),
            np.empty(LANES, dtype=np.float32),
            np.empty(CLASSES, dtype=np.float32),
        )
        total, rolled = np.empty(CLASSES), np.empty(CLASSES)
        loudest, share = np.empty(CLASSES, dtype=np.float32), np.empty(CLASSES, dtype=np.float32)
        for b in range(len(packed.first)):
            for i in range(CLASSES):
                total[i], rolled[i] = 0.0, 0.0
                loudest[i], share[i] = np.float32(0.0), np.float32(0.0)
            first, last = packed.first[b], packed.last[b]
            offset = packed.offset[b] - first
            for p in range(pointer[r], pointer[r + 1]):
                s = stretch[p]
                if s < first or s >= last:
                    continue
                row = offset + s
                fill_lanes(t, p, row, packed, lanes, width, distance[p], nearest[p], gains)
                k = np.uint64(row * CLASSES)
                for i in range(CLASSES):
                    low, power = lanes.low[i], lanes.loud[CLASSES + i]
                    total[i] += lanes.loud[i]
                    rolled[i] += low * packed.duration[k + np.uint64(i)]
                    loud = power * lanes.gain[i]
                    if loud > loudest[i]:
                        loudest[i] = loud
                        share[i] = max(np.float32(0.0), np.float32(1.0) - low / power)
            for i in range(CLASSES):
                c = member[b, i]
                if c >= 0:
                    out_energy[r, c] = total[i]
                    out_running[r, c] = rolled[i]
                    out_maximum[r, c] = 10.0 * np.log10(loudest[i])
                    out_share[r, c] = share[i]


@compiled
def fast_maximum(
    power: float, speed: float, distance: float, nearest: float, correction: Array
) -> float:
    """Fast maximum of a passing stretch from its energy at the middle point [dB]."""
    ratio = speed * FAST_S / nearest
    place = min(max((np.log10(ratio) + 3.0) * 50.0, 0.0), 249.999)
    i = int(place)
    fast = correction[i] + (correction[i + 1] - correction[i]) * (place - i)
    return float(10.0 * np.log10(power) + 20.0 * np.log10(distance / nearest) + fast)


def energy_at_receivers(store: TransferStore, emission: Float32Array) -> Float32Array:
    """Energy at each receiver of A-weighted emissions (column, stretch, height, band) [1]."""
    columns, stretches = emission.shape[:2]
    out = np.zeros((store.receivers, columns), dtype=np.float32)
    _energy(
        store.pointer,
        store.stretch,
        store.t.reshape(store.paths, -1),
        emission.reshape(columns, stretches, -1),
        out,
    )
    return out


@compiled_parallel
def _energy(pointer: Array, stretch: Array, t: Array, emission: Array, out: Array) -> None:
    for r in prange(len(pointer) - 1):
        for c in range(emission.shape[0]):
            total = 0.0
            for p in range(pointer[r], pointer[r + 1]):
                s = stretch[p]
                e: Any = np.float32(0.0)
                for j in range(t.shape[1]):
                    e += t[p, j] * emission[c, s, j]
                total += e
            out[r, c] = total


@dataclass(frozen=True)
class PathShares:
    """What the paths of each receiver carry of one emission."""

    energy: FloatArray  # (receivers,)
    twin_energy: FloatArray  # (receivers,) over the perturbed terrain
    long_term_energy: FloatArray  # (receivers,) with Cmet
    flagged: FloatArray  # (receivers, 8) energy of the paths with each flag
    screened: FloatArray  # (receivers,) energy of the paths whose sight line is cut
    nearest: FloatArray  # (receivers,) distance to the nearest sounding stretch [m]


def path_shares(store: TransferStore, emission: Float32Array) -> PathShares:
    """Energies by flag, with Cmet and over the twin, for one emission (stretch, height, band)."""
    n = store.receivers
    shares = PathShares(
        np.zeros(n), np.zeros(n), np.zeros(n), np.zeros((n, 8)), np.zeros(n), np.full(n, np.inf)
    )
    _path_shares(
        store.pointer,
        store.stretch,
        store.t,
        store.cmet_factor,
        store.nearest,
        store.flags,
        store.twin,
        emission,
        shares.energy,
        shares.twin_energy,
        shares.long_term_energy,
        shares.flagged,
        store.grazing,
        shares.screened,
        shares.nearest,
    )
    return shares


@compiled_parallel
def _path_shares(
    pointer: Array,
    stretch: Array,
    t: Array,
    cmet: Array,
    distance: Array,
    flags: Array,
    twin: Array,
    emission: Array,
    energy: Array,
    twin_energy: Array,
    long_term: Array,
    flagged: Array,
    grazing: Array,
    screened: Array,
    nearest: Array,
) -> None:
    for r in prange(len(pointer) - 1):
        for p in range(pointer[r], pointer[r + 1]):
            s = stretch[p]
            path = 0.0
            for h in range(t.shape[1]):
                e = 0.0
                for b in range(t.shape[2]):
                    e += t[p, h, b] * emission[s, h, b]
                path += e
                if grazing[p, h] > 0.0:
                    screened[r] += e
                twin_energy[r] += e * 10.0 ** (0.1 * twin[p, h])
                long_term[r] += e * cmet[p, h]
            energy[r] += path
            if path > 0.0:
                nearest[r] = min(nearest[r], distance[p])
                for bit in range(8):
                    if flags[p] & (1 << bit):
                        flagged[r, bit] += path
