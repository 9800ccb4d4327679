"""Fewer numbers a path for the what-if: short stretches joined, spectra of one shape as one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from noisemap.levels import from_energy

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

PIECE_M = 25.0
"""Stretches are joined into pieces up to this length [m]; a longer stretch stays alone."""

SAME_SHAPE_DB = 0.3
"""Two exhausts have one shape where no path that matters weakens them so differently [dB]."""

MATTERS_DB = 25.0
"""A path below the loudest of its receiver by more does not part two shapes [dB]."""


def pieces(
    stretch: IntArray, road: IntArray, ends: Sequence[tuple[float, float]], cuts: Sequence[float]
) -> IntArray:
    """First column of each piece; pieces end at gaps, at `cuts` [m] and where roads change.

    >>> pieces(np.arange(4), np.zeros(4), [(0, 9), (9, 18), (18, 27), (27, 36)], [9.0]).tolist()
    [0, 1, 3]
    """
    first: list[int] = []
    begin = 0.0
    for column, (start, end) in enumerate(ends):
        apart = (
            column == 0
            or stretch[column] != stretch[column - 1] + 1
            or road[column] != road[column - 1]
            or end - begin > PIECE_M
            or any(abs(start - cut) < 0.01 for cut in cuts)
        )
        if apart:
            first.append(column)
            begin = start
    return np.array(first, dtype=np.int64)


def shapes(emitted: FloatArray, t: FloatArray) -> IntArray:
    """Shape of each exhaust, from its emission (exhaust, column, height, band) [1].

    `t` are transfers of some receivers, (receiver, column, height, band).  Shapes are
    numbered from 0; exhausts of one shape differ along no path that matters.
    """
    whole = emitted.sum(axis=(2, 3))
    received = np.einsum("rchb,echb->erc", t, emitted)
    heard = (received > 0.0) & (whole[:, None] > 0.0)
    loss = np.full(received.shape, np.nan)
    share = np.divide(received, whole[:, None], out=np.ones_like(received), where=heard)
    loss[heard] = from_energy(share[heard])
    loudest = received.max(axis=2, keepdims=True)
    loss[received < loudest * 10.0 ** (-0.1 * MATTERS_DB)] = np.nan
    shape = np.full(len(emitted), -1, dtype=np.int64)
    leaders: list[int] = []
    for one in np.argsort(-whole.sum(axis=1), kind="stable").tolist():
        for number, leader in enumerate(leaders):
            if np.nanmax(np.abs(loss[one] - loss[leader]), initial=0.0) <= SAME_SHAPE_DB:
                shape[one] = number
                break
        else:
            shape[one] = len(leaders)
            leaders.append(one)
    return shape


def joined(values: FloatArray, first: IntArray, axis: int) -> FloatArray:
    """Sums over the columns of each piece."""
    return np.asarray(np.add.reduceat(values, first, axis=axis))


def loudest(values: FloatArray, first: IntArray, axis: int) -> FloatArray:
    """Largest over the columns of each piece."""
    return np.asarray(np.maximum.reduceat(values, first, axis=axis))


def effective(received: FloatArray, emitted: FloatArray) -> FloatArray:
    """Transfer of a whole spectrum over the columns of a piece, from sums; 0 of nothing [1]."""
    shape = np.broadcast_shapes(received.shape, emitted.shape)
    known = np.broadcast_to(emitted > 0.0, shape)
    return np.divide(received, emitted, out=np.zeros(shape), where=known)
