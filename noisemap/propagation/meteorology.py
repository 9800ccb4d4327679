"""Meteorological correction for long-term levels (ISO 9613-2, 8)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between, require_positive
from noisemap.propagation.machine.cores import meteorological_correction
from noisemap.propagation.terms import number

FloatArray = npt.NDArray[np.float64]


def cmet(c0: npt.ArrayLike, hs: npt.ArrayLike, hr: npt.ArrayLike, dp: npt.ArrayLike) -> FloatArray:
    """Meteorological correction, to be taken from the A-weighted downwind level of one path.

    Parameters
    ----------
    c0 : array_like
        Constant of the local wind statistics. [dB] Valid 0 to 20, rarely above 2.
    hs, hr : array_like
        Heights of source and receiver above local ground. [m] Valid above 0.
    dp : array_like
        Distance of their feet in plan. [m] Valid above 0.

    Returns
    -------
    ndarray
        Cmet: 0 up to 10 (hs + hr), then C0 [1 - 10 (hs + hr) / dp]. [dB]

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range.

    References
    ----------
    iso9613-2 : 8, eq. 21 and 22

    Examples
    --------
    >>> round(float(cmet(2.0, 3.7, 1.5, 200.0)), 2)
    1.48
    """
    parts = np.broadcast_arrays(
        require_between("C0", c0, 0.0, 20.0, "dB"),
        require_positive("source height", hs, "m"),
        require_positive("receiver height", hr, "m"),
        require_positive("distance in plan", dp, "m"),
    )
    per_height = number("meteorology", "clear_per_height")
    values = [
        meteorological_correction(float(c), float(s), float(r), float(d), per_height)
        for c, s, r, d in zip(*(part.flat for part in parts), strict=True)
    ]
    return np.array(values).reshape(parts[0].shape)
