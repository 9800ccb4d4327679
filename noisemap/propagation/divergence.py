"""Geometrical divergence (ISO 9613-2, 7.1)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_positive
from noisemap.propagation.terms import number

FloatArray = npt.NDArray[np.float64]


def divergence(distance: npt.ArrayLike) -> FloatArray:
    """Attenuation by spherical spreading, Adiv = 20 lg(d / 1 m) + 11.

    Parameters
    ----------
    distance : array_like
        Straight distance from source to receiver in space. [m] Valid above 0.

    Returns
    -------
    ndarray
        Adiv. [dB]

    Raises
    ------
    OutOfDomainError
        If a distance is not finite and above 0.

    References
    ----------
    iso9613-2 : 7.1, eq. 7

    Examples
    --------
    >>> float(divergence(100.0))
    51.0
    """
    d = require_positive("distance", distance, "m")
    return np.asarray(20.0 * np.log10(d) + number("divergence", "constant_db"))
