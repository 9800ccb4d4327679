"""Emissions of classes laid side by side in blocks of four, as the compiled products read them.

The classes of a block sound on the same stretches.  A row of a block is one stretch;
its numbers lie band by band in lanes: energy of the four classes, then their peaks, and
apart from them what tyres and engine leave, padded to eight lanes.  Eight lanes fill the
vector registers, so that one read of a transfer serves four classes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from noisemap.propagation.compiled import compiled_part
from noisemap.source.pass_by import FAST_S, time_weighting_correction

Array = npt.NDArray[Any]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

CLASSES, LANES, BANDS = 4, 8, 8

_RATIO_LOG = np.linspace(-3.0, 2.0, 251)
TIME_WEIGHTING = time_weighting_correction(1.0, 10.0**_RATIO_LOG / FAST_S)
"""Fast-weighting correction [dB] over speed times 0.125 s by distance, logarithmic steps."""

_FIRST_OCTAVE, _LAST_OCTAVE, _PER_OCTAVE_BITS = -10, 7, 7
_LOW_BITS = 23 - _PER_OCTAVE_BITS
GAIN_BASE = int(np.float32(2.0**_FIRST_OCTAVE).view(np.int32))
GAIN_SHIFT = _LOW_BITS
GAIN_MASK = (1 << _LOW_BITS) - 1
LEAST_RATIO, MOST_RATIO = np.float32(1e-3), np.float32(99.99)


def _gain_table() -> Float32Array:
    """The correction as a factor, at the ratios whose floating-point bits are even steps.

    The place in the table is read off the bits of a ratio, without a logarithm.
    """
    per_octave = 1 << _PER_OCTAVE_BITS
    octave = 2.0 ** np.arange(_FIRST_OCTAVE, _LAST_OCTAVE)
    ratio = (octave[:, None] * (1.0 + np.arange(per_octave) / per_octave)).ravel()
    ratio = np.append(ratio, 2.0**_LAST_OCTAVE)
    decibel = np.interp(np.log10(ratio), _RATIO_LOG, TIME_WEIGHTING)
    return np.asarray(10.0 ** (0.1 * decibel), dtype=np.float32)


FAST_GAIN = _gain_table()


class Packed(NamedTuple):
    """Emissions of all blocks; the rows of a block begin at its offset."""

    loud: Float32Array  # (rows * heights * bands * 8) energy and peak of four classes
    low: Float32Array  # (rows * bands * 8) power of tyres and engine [1]
    duration: Float32Array  # (rows * 4) [s]
    rate: Float32Array  # (rows * 4) speed times 0.125 s [m]
    first: IntArray  # (blocks,) first stretch
    last: IntArray  # (blocks,)
    offset: IntArray  # (blocks,)
    heights: int


class Lanes(NamedTuple):
    """Scratch: what one path carries of the four classes of a block."""

    loud: Float32Array  # (8,) exposure [s], then power [1]
    low: Float32Array  # (8,) power of tyres and engine, four used [1]
    gain: Float32Array  # (4,) from power at the middle to the fast maximum [1]


@dataclass(frozen=True)
class Blocks:
    """Packed emissions, and which class stands in which lane (-1: none)."""

    packed: Packed
    member: IntArray  # (blocks, 4)


def packed_blocks(
    energy: Float32Array,
    peak: Float32Array,
    running: Float32Array,
    duration: Float32Array,
    speed: Float32Array,
    first: IntArray,
    last: IntArray,
) -> Blocks:
    """Blocks of up to four classes that sound on the same stretches."""
    groups: dict[tuple[int, int], list[int]] = {}
    for index, span in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        groups.setdefault(span, []).append(index)
    blocks = [
        (low, high, rows[i : i + CLASSES])
        for (low, high), rows in groups.items()
        for i in range(0, len(rows), CLASSES)
    ]
    heights = energy.shape[2]
    member = np.full((len(blocks), CLASSES), -1, dtype=np.int64)
    counts = [high - low for low, high, _ in blocks]
    offset = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    rows = int(offset[-1])
    loud = np.zeros((rows, heights, BANDS, LANES), dtype=np.float32)
    low_lanes = np.zeros((rows, BANDS, LANES), dtype=np.float32)
    seconds = np.zeros((rows, CLASSES), dtype=np.float32)
    rate = np.ones((rows, CLASSES), dtype=np.float32)
    for b, (low, high, members) in enumerate(blocks):
        part, stretches = slice(offset[b], offset[b + 1]), slice(low, high)
        member[b, : len(members)] = members
        for lane, c in enumerate(members):
            loud[part, ..., lane] = energy[c, stretches]
            loud[part, ..., CLASSES + lane] = peak[c, stretches]
            low_lanes[part, :, lane] = running[c, stretches]
            seconds[part, lane] = duration[c, stretches]
            rate[part, lane] = speed[c, stretches] * np.float32(FAST_S)
    packed = Packed(
        loud.ravel(),
        low_lanes.ravel(),
        seconds.ravel(),
        rate.ravel(),
        np.array([low for low, _, _ in blocks], dtype=np.int64),
        np.array([high for _, high, _ in blocks], dtype=np.int64),
        offset[:-1],
        heights,
    )
    return Blocks(packed, member)


@compiled_part
def fill_lanes(
    t: Array,
    path: int,
    row: int,
    packed: Packed,
    lanes: Lanes,
    width: int,
    distance: float,
    nearest: float,
    gains: Array,
) -> None:
    """What a path carries of the classes of a block.

    `width` is the number of lanes, handed over because a count that the compiler
    does not know becomes a loop of vector instructions.
    """
    loud, low, gain = lanes.loud, lanes.low, lanes.gain
    for i in range(width):
        loud[i] = np.float32(0.0)
    one, heights = np.uint64(1), packed.heights
    for h in range(heights):
        a = np.uint64((path * heights + h) * BANDS)
        k = np.uint64((row * heights + h) * BANDS * LANES)
        t0, t1, t2, t3 = t[a], t[a + one], t[a + np.uint64(2)], t[a + np.uint64(3)]
        a += np.uint64(4)
        t4, t5, t6, t7 = t[a], t[a + one], t[a + np.uint64(2)], t[a + np.uint64(3)]
        emission = packed.loud
        for i in range(width):
            j = k + np.uint64(i)
            loud[i] += (
                t0 * emission[j]
                + t1 * emission[j + np.uint64(8)]
                + t2 * emission[j + np.uint64(16)]
                + t3 * emission[j + np.uint64(24)]
                + t4 * emission[j + np.uint64(32)]
                + t5 * emission[j + np.uint64(40)]
                + t6 * emission[j + np.uint64(48)]
                + t7 * emission[j + np.uint64(56)]
            )
        if h == 0:
            k = np.uint64(row * BANDS * LANES)
            emission = packed.low
            for i in range(width):
                j = k + np.uint64(i)
                low[i] = (
                    t0 * emission[j]
                    + t1 * emission[j + np.uint64(8)]
                    + t2 * emission[j + np.uint64(16)]
                    + t3 * emission[j + np.uint64(24)]
                    + t4 * emission[j + np.uint64(32)]
                    + t5 * emission[j + np.uint64(40)]
                    + t6 * emission[j + np.uint64(48)]
                    + t7 * emission[j + np.uint64(56)]
                )
    per_metre = np.float32(1.0) / np.float32(nearest)
    closer = np.float32(distance) * per_metre
    closer *= closer
    k = np.uint64(row * CLASSES)
    for i in range(CLASSES):
        ratio = packed.rate[k + np.uint64(i)] * per_metre
        ratio = min(max(ratio, LEAST_RATIO), MOST_RATIO)
        bits = np.float32(ratio).view(np.int32) - GAIN_BASE
        place = np.uint64(bits >> GAIN_SHIFT)
        share = np.float32(bits & GAIN_MASK) * np.float32(1.0 / (GAIN_MASK + 1))
        below = gains[place]
        gain[i] = closer * (below + share * (gains[place + one] - below))
