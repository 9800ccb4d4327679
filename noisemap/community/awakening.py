"""Probability that passes wake a sleeper; every curve is recalled, none was read in print."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

DEFAULT_CURVE = "logistic_2008"


def awakening_curves() -> dict[str, str]:
    """Names of the curves and the indoor level each one needs.

    Returns
    -------
    dict
        Name to `LAE` or `LASmax`.

    References
    ----------
    ansi-s12-9-6 : logistic, recalled
    fican-1997 : power law, recalled
    basner-2006 : quadratic, recalled

    Examples
    --------
    >>> awakening_curves()["logistic_2008"]
    'LAE'
    """
    return {name: str(curve["level"]) for name, curve in _curves().items()}


def indoor_level(
    outdoor_level: npt.ArrayLike, facade_difference_db: float | None = None
) -> FloatArray:
    """Level inside a bedroom with the window slightly open.

    Parameters
    ----------
    outdoor_level : array_like
        Level of an event outside. [dB]
    facade_difference_db : float, optional
        Outside less inside, 15 by default. [dB] 10 (open window) to 28 (closed).

    Returns
    -------
    ndarray
        Level inside. [dB]

    Raises
    ------
    OutOfDomainError
        For a difference outside the range.

    References
    ----------
    who-1999 : 15 dB with the window slightly open
    locher-2018 : medians 10, 16 and 28 dB with the window open, tilted, closed

    Examples
    --------
    >>> float(indoor_level(75.0))
    60.0
    """
    table = toml_table("noisemap.community", "curves.toml")["facade_difference_db"]
    difference = float(table["value"]) if facade_difference_db is None else facade_difference_db
    low, high = table["range"]["value"]
    if not low <= difference <= high:
        raise OutOfDomainError(
            f"facade difference {difference:g} dB is not allowed (allowed: {low:g} to {high:g} dB)"
        )
    return np.asarray(np.asarray(outdoor_level, dtype=float) - difference)


def facade_differences() -> tuple[float, float, float]:
    """Differences from outside to inside that are shown side by side.

    Returns
    -------
    tuple of float
        Window open, slightly open (the default) and closed. [dB]

    References
    ----------
    who-1999 : 15 dB with the window slightly open
    locher-2018 : medians of 10 and 28 dB with the window open and closed

    Examples
    --------
    >>> facade_differences()
    (10.0, 15.0, 28.0)
    """
    table = toml_table("noisemap.community", "curves.toml")["facade_difference_db"]
    low, high = table["range"]["value"]
    return float(low), float(table["value"]), float(high)


def awakening_probability(level_indoor: npt.ArrayLike, curve: str = DEFAULT_CURVE) -> FloatArray:
    """Probability that one pass wakes a sleeper.

    Parameters
    ----------
    level_indoor : array_like
        Level inside: sound exposure level or slow maximum, as the curve needs. [dB]
    curve : str
        Name from `awakening_curves`.

    Returns
    -------
    ndarray
        Probability, zero below the curve's floor (50 dB LAE, 33 dB LASmax), at most 1. [1]

    Raises
    ------
    OutOfDomainError
        For an unknown curve.

    References
    ----------
    ansi-s12-9-6 : logistic, recalled
    fican-1997 : power law, recalled
    basner-2006 : quadratic, recalled

    Examples
    --------
    >>> round(100 * float(awakening_probability(80.0)), 2)
    3.44
    """
    spec = _curve(curve)
    level = np.asarray(level_indoor, dtype=float)
    heard = ~below_range(level, curve)
    counted_level = np.where(heard, level, float(spec["floor_db"]["value"]))
    c = {k: float(v["value"]) for k, v in spec.items() if isinstance(v, dict)}
    if spec["formula"] == "logistic":
        probability = 1.0 / (1.0 + np.exp(-(c["constant"] + c["slope"] * counted_level)))
    elif spec["formula"] == "power":
        probability = c["factor"] * (counted_level - c["from"]) ** c["exponent"] / 100.0
    else:
        polynomial = c["square"] * counted_level**2 + c["slope"] * counted_level + c["constant"]
        probability = polynomial / 100.0
    return np.where(heard, np.clip(probability, 0.0, 1.0), 0.0)


def below_range(level_indoor: npt.ArrayLike, curve: str = DEFAULT_CURVE) -> BoolArray:
    """Whether a level lies below the curve's range, where passes count zero.

    Parameters
    ----------
    level_indoor : array_like
        Level inside. [dB]
    curve : str
        Name from `awakening_curves`.

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
    own-assumption : floors 50 dB LAE and 33 dB LASmax; the recalled curves never reach zero

    Examples
    --------
    >>> below_range([49.9, 50.0])
    array([ True, False])
    """
    floor = float(_curve(curve)["floor_db"]["value"])
    return np.asarray(~(np.asarray(level_indoor, dtype=float) >= floor))


def probability_of_any(
    probability: npt.ArrayLike, count: npt.ArrayLike = 1.0, axis: int = -1
) -> FloatArray:
    """Probability of at least one awakening in a night.

    Parameters
    ----------
    probability : array_like
        Probability of each kind of pass. [1] 0 to 1.
    count : array_like
        Passes of each kind in a night, whole or on average. [1] 0 and above.
    axis : int
        Axis of the kinds. [1]

    Returns
    -------
    ndarray
        Probability. [1]

    Raises
    ------
    OutOfDomainError
        For a probability outside 0 to 1 or a negative count.

    References
    ----------
    ansi-s12-9-6 : 1 - prod(1 - P_i), the joint rule, seen in print

    Examples
    --------
    >>> round(float(probability_of_any([0.1, 0.2])), 3)
    0.28
    """
    p, n = np.asarray(probability, dtype=float), np.asarray(count, dtype=float)
    if not (np.all((p >= 0.0) & (p <= 1.0)) and np.all(n >= 0.0)):
        raise OutOfDomainError(
            "awakenings: a probability or a count is not allowed "
            "(allowed: probabilities 0 to 1, counts 0 and above)"
        )
    return np.asarray(1.0 - np.prod((1.0 - p) ** n, axis=axis))


def _curves() -> dict[str, Any]:
    curves: dict[str, Any] = toml_table("noisemap.community", "curves.toml")["awakening"]
    return curves


def _curve(name: str) -> dict[str, Any]:
    curves = _curves()
    if name not in curves:
        raise OutOfDomainError(
            f"awakening curve {name!r} is not allowed (allowed: {', '.join(curves)})"
        )
    curve: dict[str, Any] = curves[name]
    return curve
