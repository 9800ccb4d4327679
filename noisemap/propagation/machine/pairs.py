"""Which sources are near enough to a receiver to be heard."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_finite, require_positive
from noisemap.propagation.machine.compiled import compiled

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_MOST_CELLS = 4_000_000


def pairs_within(
    receivers: npt.ArrayLike, sources: npt.ArrayLike, max_distance: float
) -> tuple[IntArray, IntArray]:
    """Pairs of receiver and source within a plan distance, as a compressed list.

    Parameters
    ----------
    receivers : array_like
        x, y and possibly more of each receiver. [m]
    sources : array_like
        x, y and possibly more of each source. [m]
    max_distance : float
        Longest plan distance, itself included, above 0. [m]

    Returns
    -------
    tuple of ndarray
        `pair_pointer` (n + 1,) and `pair_source`, rising within each receiver. [1]

    Raises
    ------
    OutOfDomainError
        If a coordinate is not finite or the distance is not above 0.

    Examples
    --------
    >>> pointer, source = pairs_within([[0.0, 0.0], [9.0, 0.0]], [[1.0, 0.0], [4.0, 0.0]], 5.0)
    >>> pointer.tolist(), source.tolist()
    ([0, 2, 3], [0, 1, 1])
    """
    near = require_finite("receivers", np.atleast_2d(np.asarray(receivers, dtype=np.float64)))
    far = require_finite("sources", np.atleast_2d(np.asarray(sources, dtype=np.float64)))
    limit = float(require_positive("longest distance", max_distance, "m"))
    if not near.size or not far.size:
        count = len(near) if near.size else 0
        return np.zeros(count + 1, dtype=np.int64), np.zeros(0, dtype=np.int64)
    x0, y0 = float(far[:, 0].min()), float(far[:, 1].min())
    width, depth = float(np.ptp(far[:, 0])), float(np.ptp(far[:, 1]))
    cell = max(limit, math.sqrt(width * depth / _MOST_CELLS), (width + depth) / _MOST_CELLS)
    columns, rows = int(width / cell) + 1, int(depth / cell) + 1
    place = ((far[:, 1] - y0) / cell).astype(np.int64) * columns
    place += ((far[:, 0] - x0) / cell).astype(np.int64)
    item = np.argsort(place, kind="stable").astype(np.int64)
    pointer = np.searchsorted(place[item], np.arange(rows * columns + 1)).astype(np.int64)
    return _near_pairs(
        np.ascontiguousarray(near[:, 0]),
        np.ascontiguousarray(near[:, 1]),
        np.ascontiguousarray(far[:, 0]),
        np.ascontiguousarray(far[:, 1]),
        limit,
        x0,
        y0,
        cell,
        columns,
        rows,
        pointer,
        item,
    )


@compiled
def _near_pairs(
    rx: FloatArray,
    ry: FloatArray,
    sx: FloatArray,
    sy: FloatArray,
    limit: float,
    x0: float,
    y0: float,
    cell: float,
    columns: int,
    rows: int,
    pointer: IntArray,
    item: IntArray,
) -> tuple[IntArray, IntArray]:
    n = rx.shape[0]
    out_pointer = np.zeros(n + 1, dtype=np.int64)
    out = np.zeros(0, dtype=np.int64)
    for fill in range(2):
        if fill == 1:
            out = np.empty(out_pointer[n], dtype=np.int64)
        for i in range(n):
            column = math.floor((rx[i] - x0) / cell)
            row = math.floor((ry[i] - y0) / cell)
            at = out_pointer[i]
            for b in range(max(row - 1, 0), min(row + 1, rows - 1) + 1):
                for a in range(max(column - 1, 0), min(column + 1, columns - 1) + 1):
                    c = b * columns + a
                    for m in range(pointer[c], pointer[c + 1]):
                        j = item[m]
                        dx, dy = rx[i] - sx[j], ry[i] - sy[j]
                        if dx * dx + dy * dy <= limit * limit:
                            if fill == 1:
                                out[at] = j
                            at += 1
            if fill == 0:
                out_pointer[i + 1] = at
            else:
                out[out_pointer[i] : at].sort()
    return out_pointer, out
