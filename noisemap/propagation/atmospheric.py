"""Atmospheric absorption along a path (ISO 9613-2, 7.2)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between, require_positive

FloatArray = npt.NDArray[np.float64]


def atmospheric(distance: npt.ArrayLike, absorption: npt.ArrayLike) -> FloatArray:
    """Attenuation by air, Aatm = alpha d.

    Parameters
    ----------
    distance : array_like
        Straight distance from source to receiver in space. [m] Valid above 0.
    absorption : array_like
        Absorption coefficient, bands last. [dB/m] Valid 0 to 10.

    Returns
    -------
    ndarray
        Aatm, bands last. [dB]

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range.

    References
    ----------
    iso9613-2 : 7.2, eq. 8

    Examples
    --------
    >>> atmospheric(1000.0, [0.001, 0.01]).tolist()
    [1.0, 10.0]
    """
    d = require_positive("distance", distance, "m")
    alpha = require_between(
        "absorption", absorption, 0.0, 10.0, "dB/m", "give dB per metre, not per kilometre"
    )
    return np.asarray(d[..., np.newaxis] * alpha)
