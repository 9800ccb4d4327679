"""Time weighting for impulses, and the onsets in a course of levels."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import signal

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]


def impulse_weighted(square: npt.ArrayLike, step_s: float) -> FloatArray:
    """Impulse-weighted mean square: rises within 35 ms, decays over 1.5 s.

    Parameters
    ----------
    square : array_like
        Square of the sound pressure, or its mean over each step, relative to any
        reference. [1] 0 and above.
    step_s : float
        Step. [s] Above 0, at most 0.01.

    Returns
    -------
    ndarray
        Weighted mean square, in the same measure. [1]

    Raises
    ------
    OutOfDomainError
        For a negative square, or a step outside its range.

    References
    ----------
    iec61672-1 : impulse weighting of earlier editions, 35 ms and 1.5 s, recalled

    Examples
    --------
    >>> import numpy as np
    >>> burst = np.r_[np.ones(20), np.zeros(50)]  # 20 ms
    >>> round(10 * float(np.log10(impulse_weighted(burst, 0.001).max())), 1)
    -3.6
    """
    values = np.asarray(square, dtype=float)
    if not np.all(values >= 0.0):
        raise OutOfDomainError("impulses: a negative square is not allowed (allowed: 0 and above)")
    if not 0.0 < step_s <= 0.01:
        raise OutOfDomainError(
            f"impulses: a step of {step_s:g} s is not allowed (allowed: above 0, up to 0.01 s)"
        )
    spec = toml_table("noisemap.community", "character.toml")["impulse"]
    share = -np.expm1(-step_s / float(spec["rise_s"]["value"]))
    rising = np.asarray(signal.lfilter([share], [1.0, share - 1.0], values))
    fall = np.arange(values.size) * (step_s / float(spec["decay_s"]["value"]))
    with np.errstate(divide="ignore"):
        held = np.maximum.accumulate(np.log(np.maximum(rising, 0.0)) + fall)
    return np.asarray(np.exp(held - fall))


def onsets(level: npt.ArrayLike, step_s: float) -> FloatArray:
    """Onsets in a course of fast-weighted levels: where it rises faster than 10 dB/s.

    Parameters
    ----------
    level : array_like
        Fast-weighted levels in equal steps. [dB] Finite.
    step_s : float
        Step. [s] Above 0.

    Returns
    -------
    ndarray
        One row an onset: onset rate, as the slope of the straight line that fits it best
        [dB/s], and level difference [dB].

    Raises
    ------
    OutOfDomainError
        For a level that is not finite, or a step not above zero.

    References
    ----------
    nt-acou-112 : an onset is the rise at more than 10 dB/s, recalled

    Examples
    --------
    >>> onsets([50.0, 50.0, 52.0, 54.0, 54.0], 0.1).round(1)
    array([[20.,  4.]])
    """
    course = np.asarray(level, dtype=float)
    if not (np.all(np.isfinite(course)) and step_s > 0.0):
        raise OutOfDomainError(
            "onsets: a level or the step is not allowed (allowed: finite levels)"
        )
    spec = toml_table("noisemap.community", "character.toml")["onset"]
    rising = np.diff(course) / step_s > float(spec["steepest_db_s"]["value"])
    edges = np.flatnonzero(np.diff(np.r_[False, rising, False]))
    found = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        part = course[first : last + 1]
        slope = np.polynomial.polynomial.polyfit(np.arange(part.size) * step_s, part, 1)[1]
        found.append((float(slope), float(part[-1] - part[0])))
    return np.array(found).reshape(-1, 2)
