"""Groups in which a CUDA device is handed the scratch of its threads."""

from __future__ import annotations

from typing import Any, NamedTuple


class Sizes(NamedTuple):
    """Lengths of a thread's scratch: points, readings, pieces, and those of reflected paths."""

    points: int
    readings: int
    pieces: int
    room: int
    cover: int
    heights: int
    echo_points: int
    echo_pieces: int
    echo_room: int
    most: int  # reflections kept


class Columns(NamedTuple):
    """Scratch of all threads, one column a thread."""

    real: Any  # (rows, threads) float64
    whole: Any  # (rows, threads) int64
    short: Any  # (rows, threads) int32
    mark: Any  # (rows, threads) bool
    exponential: Any  # (2 * BANDS, threads) float64
    bits: Any  # the same memory as int64
    factor: Any  # (2, heights, BANDS, threads) float64
    energy: Any  # (heights, most, BANDS, threads) float64
    strength: Any  # (heights, most, threads) float64
    ramp: Any  # 0, 1, 2 ...
    inverse: Any  # 1/i
