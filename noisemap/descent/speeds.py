"""The speed a driver keeps: the wished speed, slowed down for in time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]


def node_speeds(
    length_m: FloatArray,
    target_ms: FloatArray,
    deceleration_ms2: float | None = None,
    acceleration_ms2: float | None = None,
) -> FloatArray:
    """Speed at the ends of the pieces of a road.

    No piece is driven faster than wished. Before a slower piece the truck slows down
    in time; after it, it speeds up within what follows. At the first point it has the
    speed that this leaves it.

    Parameters
    ----------
    length_m : ndarray
        Lengths of the n pieces. [m] Above zero.
    target_ms : ndarray
        Wished speed on each piece. [m/s] Above zero.
    deceleration_ms2 : float, optional
        Deceleration before slower pieces, 0.5 by default. [m/s2]
    acceleration_ms2 : float, optional
        Acceleration after slower pieces, 0.3 by default. [m/s2]

    Returns
    -------
    ndarray
        Speeds at the n + 1 nodes. [m/s]

    Raises
    ------
    OutOfDomainError
        If an acceleration is not above zero.

    References
    ----------
    own-assumption : both accelerations

    Examples
    --------
    >>> node_speeds(np.full(3, 100.0), np.array([20.0, 20.0, 15.0])).round(2)
    array([20.  , 18.03, 15.  , 15.  ])
    """
    defaults = toml_table("noisemap.descent", "presets.toml")["speed_change"]
    rates = {}
    for name, given in (
        ("deceleration_ms2", deceleration_ms2),
        ("acceleration_ms2", acceleration_ms2),
    ):
        rates[name] = float(defaults[name]["value"]) if given is None else given
        if not rates[name] > 0.0:
            raise OutOfDomainError(f"{name} {given} is not allowed (allowed: above 0)")
    wished = np.concatenate([target_ms[:1], np.minimum(target_ms[:-1], target_ms[1:])])
    square = np.concatenate([wished, target_ms[-1:]]) ** 2
    slowing = np.insert(np.cumsum(2.0 * rates["deceleration_ms2"] * length_m), 0, 0.0)
    gaining = np.insert(np.cumsum(2.0 * rates["acceleration_ms2"] * length_m), 0, 0.0)
    v2 = np.minimum.accumulate((square + slowing)[::-1])[::-1] - slowing
    v2 = np.minimum.accumulate(np.minimum(v2, square) - gaining) + gaining
    return np.asarray(np.sqrt(np.minimum(v2, square)))
