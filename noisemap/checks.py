"""Small checks of what a formula may be given."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]


def require_between(
    name: str, value: npt.ArrayLike, low: float, high: float, unit: str, cure: str = ""
) -> FloatArray:
    """The value as an array, every element within low..high (NaN never is).

    >>> float(require_between("temperature", 10.0, -20.0, 50.0, "°C"))
    10.0
    >>> require_between("relative humidity", 0.7, 10.0, 100.0, "%", "write per cent, 70")
    Traceback (most recent call last):
    ...
    noisemap.errors.OutOfDomainError: relative humidity: 0.7 % is not allowed \
(allowed: 10..100 %); write per cent, 70
    """
    array = np.asarray(value, dtype=np.float64)
    wrong = ~((array >= low) & (array <= high))
    if wrong.any():
        first = float(array[wrong].flat[0])
        text = f"{name}: {first:g} {unit} is not allowed (allowed: {low:g}..{high:g} {unit})"
        raise OutOfDomainError(f"{text}; {cure}" if cure else text)
    return array


def require_positive(name: str, value: npt.ArrayLike, unit: str, cure: str = "") -> FloatArray:
    """The value as an array, every element finite and above zero.

    >>> float(require_positive("distance", 2.0, "m"))
    2.0
    >>> require_positive("distance", 0.0, "m")
    Traceback (most recent call last):
    ...
    noisemap.errors.OutOfDomainError: distance: 0 m is not allowed (allowed: above 0 m)
    """
    array = np.asarray(value, dtype=np.float64)
    wrong = ~((array > 0.0) & np.isfinite(array))
    if wrong.any():
        first = float(array[wrong].flat[0])
        text = f"{name}: {first:g} {unit} is not allowed (allowed: above 0 {unit})"
        raise OutOfDomainError(f"{text}; {cure}" if cure else text)
    return array


def require_finite(name: str, value: npt.ArrayLike, cure: str = "") -> FloatArray:
    """The value as an array without NaN and infinity.

    >>> float(require_finite("height", 1.0))
    1.0
    >>> require_finite("height", [1.0, float("nan")], "fill the voids first")
    Traceback (most recent call last):
    ...
    noisemap.errors.OutOfDomainError: height: 1 of 2 values are not finite; fill the voids first
    """
    array = np.asarray(value, dtype=np.float64)
    bad = int(array.size - np.isfinite(array).sum())
    if bad:
        text = f"{name}: {bad} of {array.size} values are not finite"
        raise OutOfDomainError(f"{text}; {cure}" if cure else text)
    return array
