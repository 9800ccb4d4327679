"""Which of many choices no other choice beats."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def front_of_two(gain: FloatArray, margin: FloatArray) -> IntArray:
    """Indices of the points that no other beats in both, by falling gain.

    Equal points count once; by sorting and one running maximum, for millions of points.

    >>> front_of_two(np.array([1.0, 3.0, 2.0, 2.0]), np.array([9.0, 1.0, 5.0, 4.0]))
    array([1, 2, 0])
    """
    order = np.lexsort((-margin, -gain))
    best_before = np.concatenate([[-np.inf], np.maximum.accumulate(margin[order])[:-1]])
    return np.asarray(order[margin[order] > best_before], dtype=np.int64)


def front_of_many(scores: FloatArray) -> IntArray:
    """Indices of the rows of (point, score) that no other row beats, more being better.

    A row is beaten by one that is nowhere less and somewhere more; of equal rows the
    first stays.  For hundreds of points.

    >>> front_of_many(np.array([[1.0, 1.0, 0.0], [0.0, 2.0, 0.0], [0.0, 1.0, 0.0]]))
    array([0, 1])
    """
    kept = []
    for index, row in enumerate(scores):
        nowhere_less = np.all(scores >= row, axis=1)
        more = np.any(scores > row, axis=1)
        same_before = np.all(scores[:index] == row, axis=1).any()
        if not np.any(nowhere_less & more) and not same_before:
            kept.append(index)
    return np.array(kept, dtype=np.int64)


def thinned(values: FloatArray, count: int) -> IntArray:
    """Indices of up to `count` of the values that leave the smallest gaps between them.

    Both ends stay; then the point farthest from those kept comes in, again and again.

    >>> thinned(np.array([0.0, 0.1, 5.0, 5.1, 10.0]), 3)
    array([0, 2, 4])
    """
    if len(values) <= count:
        return np.arange(len(values))
    kept = [int(np.argmin(values)), int(np.argmax(values))][:count]
    while len(kept) < count:
        distance = np.abs(values[:, None] - values[kept]).min(axis=1)
        kept.append(int(np.argmax(distance)))
    return np.array(sorted(set(kept)), dtype=np.int64)
