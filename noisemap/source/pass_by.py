"""A steady point source passing on a straight line: energy, maximum, fast weighting."""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline
from scipy.special import exp1

from noisemap.errors import OutOfDomainError
from noisemap.levels import a_weighted

FloatArray = npt.NDArray[np.float64]
Ground = Literal["free_field", "hard_ground"]

FAST_S = 0.125
"""Time constant of the fast weighting [s]."""

SLOW_S = 1.0
"""Time constant of the slow weighting [s]."""

LABEL_15_M_DB = 31.5
"""Sound power level minus the level at 15 m over hard ground, rounded as in use [dB]."""

_SOLID_ANGLE = {"free_field": 4.0, "hard_ground": 2.0}
_SERIES_BELOW = 0.005
_TABLE_END = 1000.0


def level_at_15_m(sound_power: npt.ArrayLike) -> FloatArray:
    """A-weighted level at 15 m over hard ground: a label for a source, not a prediction.

    Parameters
    ----------
    sound_power : array_like
        Sound power level, bands last. [dB]

    Returns
    -------
    ndarray
        A-weighted level. [dB]

    References
    ----------
    moving-point-source : 10 lg(2 pi 15^2) = 31.50 dB

    Examples
    --------
    >>> import numpy as np
    >>> round(float(level_at_15_m(np.full(8, 100.0))), 2)
    75.49
    """
    return np.asarray(a_weighted(sound_power) - LABEL_15_M_DB)


def exposure_level(
    sound_power: npt.ArrayLike,
    distance_m: npt.ArrayLike,
    speed_ms: npt.ArrayLike,
    ground: Ground = "free_field",
) -> FloatArray:
    """Sound exposure level of a whole pass on an endless straight line.

    Parameters
    ----------
    sound_power : array_like
        Sound power level. [dB]
    distance_m : array_like
        Shortest distance to the line. [m] Above 0.
    speed_ms : array_like
        Speed of the source. [m/s] Above 0.
    ground : {"free_field", "hard_ground"}
        Radiation into the full or the half space.

    Returns
    -------
    ndarray
        Sound exposure level re 1 s. [dB]

    Raises
    ------
    OutOfDomainError
        If the distance or the speed is not above zero.

    References
    ----------
    moving-point-source : LE = LW - 10 lg(4 d v), half space 2 d v

    Examples
    --------
    >>> round(float(exposure_level(110.0, 15.0, 20.0)), 3)
    79.208
    """
    distance, speed = _positive("distance", distance_m), _positive("speed", speed_ms)
    spread = _SOLID_ANGLE[ground] * distance * speed
    return np.asarray(np.asarray(sound_power, dtype=float) - 10.0 * np.log10(spread))


def maximum_level(
    sound_power: npt.ArrayLike, distance_m: npt.ArrayLike, ground: Ground = "free_field"
) -> FloatArray:
    """Level at the nearest point of a pass, without time weighting.

    Parameters
    ----------
    sound_power : array_like
        Sound power level. [dB]
    distance_m : array_like
        Shortest distance to the line. [m] Above 0.
    ground : {"free_field", "hard_ground"}
        Radiation into the full or the half space.

    Returns
    -------
    ndarray
        Level. [dB]

    Raises
    ------
    OutOfDomainError
        If the distance is not above zero.

    References
    ----------
    moving-point-source : Lmax = LW - 10 lg(4 pi d^2), half space 2 pi d^2

    Examples
    --------
    >>> round(float(maximum_level(110.0, 15.0)), 3)
    75.486
    """
    distance = _positive("distance", distance_m)
    spread = _SOLID_ANGLE[ground] * np.pi * distance**2
    return np.asarray(np.asarray(sound_power, dtype=float) - 10.0 * np.log10(spread))


def exposure_minus_maximum(distance_m: npt.ArrayLike, speed_ms: npt.ArrayLike) -> FloatArray:
    """Sound exposure level of a pass minus its maximum level, whatever the ground.

    Parameters
    ----------
    distance_m : array_like
        Shortest distance to the line. [m] Above 0.
    speed_ms : array_like
        Speed of the source. [m/s] Above 0.

    Returns
    -------
    ndarray
        Difference. [dB]

    Raises
    ------
    OutOfDomainError
        If the distance or the speed is not above zero.

    References
    ----------
    moving-point-source : 10 lg(pi d / v)

    Examples
    --------
    >>> round(float(exposure_minus_maximum(15.0, 20.0)), 3)
    3.722
    """
    distance, speed = _positive("distance", distance_m), _positive("speed", speed_ms)
    return np.asarray(10.0 * np.log10(np.pi * distance / speed))


def time_weighting_correction(
    distance_m: npt.ArrayLike, speed_ms: npt.ArrayLike, time_constant_s: float = FAST_S
) -> FloatArray:
    """Maximum of the exponentially weighted level minus the maximum level of a pass.

    Parameters
    ----------
    distance_m : array_like
        Shortest distance to the line. [m] Above 0.
    speed_ms : array_like
        Speed of the source. [m/s] Above 0.
    time_constant_s : float
        Time constant, 0.125 for fast, 1 for slow. [s]

    Returns
    -------
    ndarray
        Correction, never above zero; within 0.001 dB of the exact integral. [dB]

    Raises
    ------
    OutOfDomainError
        If an argument is not above zero, or the source passes so close and fast that
        speed times time constant exceeds 1000 distances.

    References
    ----------
    moving-point-source : exponential average of 1/(1 + x^2), depends on v tau / d alone

    Examples
    --------
    >>> round(float(time_weighting_correction(15.0, 20.0)), 3)
    -0.103
    """
    distance, speed = _positive("distance", distance_m), _positive("speed", speed_ms)
    s = speed * float(_positive("time constant", time_constant_s)) / distance
    if np.any(s > _TABLE_END):
        raise OutOfDomainError(
            f"time weighting: speed x time constant / distance = {np.max(s):.6g} is not allowed "
            f"(allowed: up to {_TABLE_END:g}); the receiver stands on the driving line"
        )
    table = _correction_table()
    small = 10.0 * np.log10(1.0 - np.minimum(s, _SERIES_BELOW) ** 2)
    return np.asarray(
        np.where(s < _SERIES_BELOW, small, table(np.log10(np.maximum(s, _SERIES_BELOW))))
    )


@cache
def _correction_table() -> CubicSpline:
    lg_s = np.linspace(np.log10(_SERIES_BELOW), np.log10(_TABLE_END), 400)
    return CubicSpline(lg_s, exact_correction(10.0**lg_s)[0])


def exact_correction(s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Correction and delay of the weighted maximum, from the exponential integral.

    The weighted curve p(u) of a pass 1/(1 + u^2), u in distances, with memory s, is
    (1/s) Im[exp(w) E1(w)], w = -(u + i)/s. It peaks where it crosses the pass itself.

    Parameters
    ----------
    s : ndarray
        Speed times time constant over distance. [1] 0.005 to 1000.

    Returns
    -------
    correction : ndarray
        Weighted maximum minus maximum. [dB]
    delay : ndarray
        Distance run between the nearest point and the weighted maximum, in nearest
        distances. [1]

    References
    ----------
    moving-point-source : closed form of the exponential average

    Examples
    --------
    >>> import numpy as np
    >>> [round(float(value[0]), 3) for value in exact_correction(np.array([1.0]))]
    [-1.301, 0.591]
    """
    low, high = np.zeros_like(s), np.sqrt(s) + 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        rising = _weighted_pass(middle, s) < 1.0 / (1.0 + middle**2)
        low, high = np.where(rising, middle, low), np.where(rising, high, middle)
    return np.asarray(10.0 * np.log10(_weighted_pass(low, s))), low


def _weighted_pass(u: FloatArray, s: FloatArray) -> FloatArray:
    w = -(u + 1j) / s
    return np.asarray(np.imag(np.exp(w) * exp1(w)) / s)


def _positive(name: str, value: npt.ArrayLike) -> FloatArray:
    array = np.asarray(value, dtype=float)
    if not np.all(array > 0.0):
        worst = array[~(array > 0.0)].flat[0]
        raise OutOfDomainError(f"pass-by: {name} {worst:.6g} is not allowed (allowed: above 0)")
    return array
