"""Codes of the what-if as differences, which compress well because neighbours are alike."""

from __future__ import annotations

import zlib
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.zones.what_if_rows import Paths


def differences(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Differences of whole numbers along the last axis, modulo what their type holds.

    >>> differences(np.array([[3, 5, 4]], dtype=np.uint8)).tolist()
    [[3, 2, 255]]
    """
    out = values.copy()
    out[..., 1:] -= values[..., :-1]
    return out


def from_first(attenuation: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Attenuations (row, shape, piece) with all shapes but the first as differences from it.

    >>> from_first(np.array([[[80, 81]], [[70, 73]]], dtype=np.uint8).swapaxes(0, 1)).tolist()
    [[[80, 81], [246, 248]]]
    """
    out = attenuation.copy()
    out[:, 1:] -= attenuation[:, :1]
    return out


def packed_bytes(paths: Paths) -> int:
    """Size of the paths as a page carries them, compressed [bytes]."""
    laid = (from_first(paths.attenuation), paths.running, paths.gain)
    return sum(len(zlib.compress(differences(one).tobytes(), 6)) for one in laid)
