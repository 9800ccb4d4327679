"""Runs of flagged steps."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def runs(flag: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First index and one past the last of every run of True.

    >>> runs(np.array([True, True, False, True]))
    [(0, 2), (3, 4)]
    """
    edges = np.diff(np.concatenate([[0], flag.astype(np.int8), [0]]))
    starts, ends = np.nonzero(edges == 1)[0].tolist(), np.nonzero(edges == -1)[0].tolist()
    return list(zip(starts, ends, strict=True))
