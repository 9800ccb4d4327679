"""How many passes exceed a level, when passes of a class differ from truck to truck."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]

MEAN_SHIFT = np.log(10.0) / 20.0
"""Energy mean less median of normally spread levels, over the variance [1/dB]: 0.115."""


def exceedance_probability(
    energy_mean_level: npt.ArrayLike, spread_db: npt.ArrayLike, threshold_db: npt.ArrayLike
) -> FloatArray:
    """Probability that one pass of a class exceeds a level.

    Parameters
    ----------
    energy_mean_level : array_like
        Level of the class, an energy mean over its trucks. [dB]
    spread_db : array_like
        Standard deviation of the levels from pass to pass. [dB] 0 and above.
    threshold_db : array_like
        Level to exceed. [dB]

    Returns
    -------
    ndarray
        Probability. [1]

    Raises
    ------
    OutOfDomainError
        For a negative spread.

    References
    ----------
    own-model : normal levels, median = energy mean - 0.115 variance

    Examples
    --------
    >>> round(float(exceedance_probability(80.0, 6.0, 80.0)), 3)
    0.245
    """
    spread = np.asarray(spread_db, dtype=float)
    if not np.all(spread >= 0.0):
        raise OutOfDomainError("passes: a negative spread is not allowed (allowed: 0 and above)")
    mean, threshold = np.asarray(energy_mean_level, dtype=float), np.asarray(threshold_db)
    above = mean - MEAN_SHIFT * spread**2 - threshold
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return np.where(spread > 0.0, ndtr(above / spread), np.where(above > 0.0, 1.0, 0.0))


def expected_passes(
    energy_mean_level: npt.ArrayLike,
    spread_db: npt.ArrayLike,
    passes: npt.ArrayLike,
    threshold_db: float,
    axis: int = -1,
) -> FloatArray:
    """Expected number of passes above a level.

    Parameters
    ----------
    energy_mean_level : array_like
        Level of each class of passes. [dB]
    spread_db : array_like
        Standard deviation within each class. [dB] 0 and above.
    passes : array_like
        Mean number of passes of each class. [1] 0 and above.
    threshold_db : float
        Level to exceed. [dB]
    axis : int
        Axis of the classes. [1]

    Returns
    -------
    ndarray
        Expected number. [1]

    Raises
    ------
    OutOfDomainError
        For a negative spread or number of passes.

    References
    ----------
    own-model : sum over classes of passes times probability

    Examples
    --------
    >>> float(expected_passes([90.0, 60.0], 0.0, [3.0, 10.0], 75.0))
    3.0
    """
    count = np.asarray(passes, dtype=float)
    if not np.all(count >= 0.0):
        raise OutOfDomainError("passes: a negative number is not allowed (allowed: 0 and above)")
    probability = exceedance_probability(energy_mean_level, spread_db, threshold_db)
    return np.asarray((count * probability).sum(axis=axis))


def probability_of_a_pass(expected: npt.ArrayLike) -> FloatArray:
    """Probability of at least one pass above a level.

    Parameters
    ----------
    expected : array_like
        Expected number of passes above it. [1] 0 and above.

    Returns
    -------
    ndarray
        Probability. [1]

    Raises
    ------
    OutOfDomainError
        For a negative expectation.

    References
    ----------
    own-assumption : passes arrive independently of each other, 1 - exp(-expected)

    Examples
    --------
    >>> round(float(probability_of_a_pass(1.0)), 3)
    0.632
    """
    mean = np.asarray(expected, dtype=float)
    if not np.all(mean >= 0.0):
        raise OutOfDomainError("passes: a negative number is not allowed (allowed: 0 and above)")
    return np.asarray(-np.expm1(-mean))
