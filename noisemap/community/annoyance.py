"""People highly annoyed, and highly disturbed in their sleep, by road traffic.

The curves hold for all road traffic together, not for braking trucks alone, and the
effects of several sources are not added.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

BAND_CENTRE_DB = 2.0
"""Centre of a reporting band above its lower bound: 50-54 stands for 52 [dB]."""


def percent_highly_annoyed(level: npt.ArrayLike, curve: str = "eu_2020") -> FloatArray:
    """Share of people highly annoyed by road traffic, or highly sleep-disturbed.

    Parameters
    ----------
    level : array_like
        Lden outside; for `sleep_eu_2020` Lnight. [dB]
    curve : {"eu_2020", "road_2001", "sleep_eu_2020"}
        Curve.

    Returns
    -------
    ndarray
        Share, zero below the curve's floor (53 dB Lden, 45 dB Lnight), at most 100. [%]

    Raises
    ------
    OutOfDomainError
        For an unknown curve.

    References
    ----------
    directive-2020-367 : HA = 78.9270 - 3.1162 Lden + 0.0342 Lden^2;
        HSD = 19.4312 - 0.9336 Lnight + 0.0126 Lnight^2
    miedema-2001 : cubic, recalled

    Examples
    --------
    >>> percent_highly_annoyed([52.9, 60.0]).round(2)
    array([ 0.  , 15.08])
    """
    spec = _curve(curve)
    origin = float(spec["origin_db"]["value"])
    shifted = np.asarray(level, dtype=float) - origin
    counted = ~below_annoyance_range(level, curve)
    share = np.polynomial.polynomial.polyval(
        np.where(counted, shifted, 0.0), spec["polynomial"]["value"]
    )
    return np.where(counted, np.clip(share, 0.0, 100.0), 0.0)


def below_annoyance_range(level: npt.ArrayLike, curve: str = "eu_2020") -> BoolArray:
    """Whether a level lies below the curve's range, where nobody is counted.

    Parameters
    ----------
    level : array_like
        Lden or Lnight. [dB]
    curve : str
        Curve, as in `percent_highly_annoyed`.

    Returns
    -------
    ndarray of bool
        True below the floor.

    Raises
    ------
    OutOfDomainError
        For an unknown curve.

    References
    ----------
    who-2018 : 53 dB Lden, 45 dB Lnight

    Examples
    --------
    >>> below_annoyance_range([44.0, 45.0], "sleep_eu_2020")
    array([ True, False])
    """
    floor = float(_curve(curve)["floor_db"]["value"])
    return np.asarray(~(np.asarray(level, dtype=float) >= floor))


def people_highly_annoyed(people_by_lower_bound: Mapping[int, float], curve: str) -> float:
    """People highly annoyed, or highly sleep-disturbed, from people by 5 dB band.

    Parameters
    ----------
    people_by_lower_bound : mapping
        Lower bound of a band to its people. [dB] to [1]
    curve : str
        Curve, as in `percent_highly_annoyed`.

    Returns
    -------
    float
        People. [1]

    Raises
    ------
    OutOfDomainError
        For an unknown curve.

    References
    ----------
    rd1513-2005 : annex III 3.1-3.3, bands at their centre, 50-54 at 52 dB

    Examples
    --------
    >>> round(people_highly_annoyed({50: 1000.0, 60: 100.0}, "eu_2020"), 2)
    17.19
    """
    return float(
        sum(
            people * float(percent_highly_annoyed(low + BAND_CENTRE_DB, curve)) / 100.0
            for low, people in people_by_lower_bound.items()
        )
    )


def _curve(name: str) -> dict[str, Any]:
    curves: dict[str, dict[str, Any]] = toml_table("noisemap.community", "curves.toml")["annoyance"]
    if name not in curves:
        raise OutOfDomainError(
            f"annoyance curve {name!r} is not allowed (allowed: {', '.join(curves)})"
        )
    return curves[name]
