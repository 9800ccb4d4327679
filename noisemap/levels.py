"""Decibel arithmetic."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.bands import A_WEIGHT

FloatArray = npt.NDArray[np.float64]


def from_energy(energy: npt.ArrayLike) -> FloatArray:
    """Level of a relative energy; zero energy is minus infinity.

    Parameters
    ----------
    energy : array_like
        Energy relative to the reference. [1] Valid 0 and above.

    Returns
    -------
    ndarray
        Level. [dB]

    Examples
    --------
    >>> float(from_energy(100.0))
    20.0
    """
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(energy, dtype=float)))


def to_energy(level: npt.ArrayLike) -> FloatArray:
    """Relative energy of a level.

    Parameters
    ----------
    level : array_like
        Level. [dB]

    Returns
    -------
    ndarray
        Energy relative to the reference. [1]

    Examples
    --------
    >>> float(to_energy(20.0))
    100.0
    """
    return np.asarray(10.0 ** (0.1 * np.asarray(level, dtype=float)))


def energy_sum(level: npt.ArrayLike, axis: int = -1) -> FloatArray:
    """Level of the sum of incoherent sounds.

    Parameters
    ----------
    level : array_like
        Levels of the parts. [dB]
    axis : int
        Axis to sum over. [1]

    Returns
    -------
    ndarray
        Level of the sum. [dB]

    Examples
    --------
    >>> round(float(energy_sum([60.0, 60.0])), 2)
    63.01
    """
    return from_energy(to_energy(level).sum(axis=axis))


def a_weighted(band_level: npt.ArrayLike) -> FloatArray:
    """A-weighted level of an octave-band spectrum.

    Parameters
    ----------
    band_level : array_like
        Unweighted band levels, bands last, 63 Hz to 8 kHz. [dB]

    Returns
    -------
    ndarray
        A-weighted level. [dB]

    References
    ----------
    iec61672-1 : Table 3, weights at nominal mid-band frequencies

    Examples
    --------
    >>> round(float(a_weighted([93.0] * 8)), 2)
    99.99
    """
    return energy_sum(np.asarray(band_level, dtype=float) + A_WEIGHT)
