"""Level indicators from the sound of each clock hour, and people by level.

All take the 24 hourly sounds as energies, hours on the last axis: the mean square
pressure of each hour relative to the reference, `levels.to_energy` of its Leq.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError
from noisemap.levels import from_energy, to_energy

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

HOURS = 24
SECONDS_AN_HOUR = 3600.0
BAND_WIDTH_DB = 5


@dataclass(frozen=True)
class Periods:
    """Which hours of the day count as evening, as night, and for kinds of places as their own."""

    night: frozenset[int]
    evening: frozenset[int] = frozenset()
    own: tuple[tuple[str, frozenset[int]], ...] = ()  # kind of place and its hours

    def __post_init__(self) -> None:
        named = self.night.union(self.evening, *(hours for _, hours in self.own))
        if not named <= frozenset(range(HOURS)):
            raise OutOfDomainError("periods: an hour is not allowed (allowed: 0 to 23)")
        if self.night & self.evening:
            raise OutOfDomainError(
                f"periods: hours {sorted(self.night & self.evening)} are both evening and night"
            )


def named_periods(name: str) -> Periods:
    """Periods of a named rule.

    Parameters
    ----------
    name : {"us", "eu"}
        Rule.

    Returns
    -------
    Periods
        Night and evening hours.

    Raises
    ------
    OutOfDomainError
        For an unknown name.

    References
    ----------
    24cfr51 : night 22 to 7
    directive-2002-49 : evening 19 to 23, night 23 to 7, recalled

    Examples
    --------
    >>> sorted(named_periods("eu").evening)
    [19, 20, 21, 22]
    """
    table = toml_table("noisemap.community", "periods.toml")
    if name not in ("us", "eu"):
        raise OutOfDomainError(f"periods {name!r} are not allowed (allowed: us, eu)")
    return Periods(
        frozenset(table[name]["night"]["value"]), frozenset(table[name]["evening"]["value"])
    )


def hourly_energy(exposure_energy: npt.ArrayLike) -> FloatArray:
    """Mean energy of an hour from the sum of its exposures.

    Parameters
    ----------
    exposure_energy : array_like
        Sum of 10^(SEL/10) over the events of the hour. [1]

    Returns
    -------
    ndarray
        Mean square pressure of the hour over the reference. [1]

    References
    ----------
    directive-2002-49 : definition of the equivalent level

    Examples
    --------
    >>> float(hourly_energy(3600.0))
    1.0
    """
    return np.asarray(np.asarray(exposure_energy, dtype=float) / SECONDS_AN_HOUR)


def sound_exposure_level(exposure_energy: npt.ArrayLike, axis: int = -1) -> FloatArray:
    """Sound exposure level of several sounds together.

    Parameters
    ----------
    exposure_energy : array_like
        Energies 10^(SEL/10) of the parts. [1]
    axis : int
        Axis to sum over. [1]

    Returns
    -------
    ndarray
        Sound exposure level re 1 s. [dB]

    References
    ----------
    moving-point-source : exposures add

    Examples
    --------
    >>> float(sound_exposure_level([5e7, 5e7]))
    80.0
    """
    return from_energy(np.asarray(exposure_energy, dtype=float).sum(axis=axis))


def equivalent_level(energy: npt.ArrayLike, hours: Iterable[int] = range(HOURS)) -> FloatArray:
    """Equivalent continuous level over a set of clock hours.

    Parameters
    ----------
    energy : array_like
        Energies of the 24 hours, hours last. [1]
    hours : iterable of int
        The hours that count, 0 to 23; all by default. [h]

    Returns
    -------
    ndarray
        Equivalent level; minus infinity in silence. [dB]

    Raises
    ------
    OutOfDomainError
        If there are not 24 hours, an energy is negative, or no hour is asked for.

    References
    ----------
    directive-2002-49 : definition of the equivalent level

    Examples
    --------
    >>> import numpy as np
    >>> float(equivalent_level(np.full(24, 1e6), {22, 23}))
    60.0
    """
    checked = _checked(energy)
    chosen = sorted(set(hours))
    if not chosen or not set(chosen) <= set(range(HOURS)):
        raise OutOfDomainError(f"hours {chosen} are not allowed (allowed: at least one of 0 to 23)")
    return from_energy(checked[..., chosen].mean(axis=-1))


def day_night_level(energy: npt.ArrayLike, periods: Periods | None = None) -> FloatArray:
    """Day-night level: the night counts ten decibels more.

    Parameters
    ----------
    energy : array_like
        Energies of the 24 hours, hours last. [1]
    periods : Periods, optional
        Hours; the US rule by default. An evening, if there is one, counts as day.

    Returns
    -------
    ndarray
        Ldn. [dB]

    Raises
    ------
    OutOfDomainError
        If there are not 24 hours or an energy is negative.

    References
    ----------
    24cfr51 : 51.101 and 51.103, night 22 to 7 with 10 dB

    Examples
    --------
    >>> import numpy as np
    >>> round(float(day_night_level(np.full(24, 1e6))), 2)
    66.41
    """
    night = (named_periods("us") if periods is None else periods).night
    return _weighted_level(energy, Periods(night))


def day_evening_night_level(energy: npt.ArrayLike, periods: Periods | None = None) -> FloatArray:
    """Day-evening-night level: evening five, night ten decibels more.

    Parameters
    ----------
    energy : array_like
        Energies of the 24 hours, hours last. [1]
    periods : Periods, optional
        Hours; the EU rule by default.

    Returns
    -------
    ndarray
        Lden. [dB]

    Raises
    ------
    OutOfDomainError
        If there are not 24 hours or an energy is negative.

    References
    ----------
    directive-2002-49 : annex I, recalled

    Examples
    --------
    >>> import numpy as np
    >>> round(float(day_evening_night_level(np.full(24, 1e6))), 2)
    66.4
    """
    return _weighted_level(energy, named_periods("eu") if periods is None else periods)


def night_level(energy: npt.ArrayLike, periods: Periods | None = None) -> FloatArray:
    """Equivalent level of the night hours, without any addition.

    Parameters
    ----------
    energy : array_like
        Energies of the 24 hours, hours last. [1]
    periods : Periods, optional
        Hours; the EU rule by default.

    Returns
    -------
    ndarray
        Lnight. [dB]

    Raises
    ------
    OutOfDomainError
        If there are not 24 hours, an energy is negative, or there are no night hours.

    References
    ----------
    directive-2002-49 : annex I, recalled

    Examples
    --------
    >>> import numpy as np
    >>> float(night_level(np.full(24, 1e5)))
    50.0
    """
    return equivalent_level(energy, (named_periods("eu") if periods is None else periods).night)


def worst_hour(energy: npt.ArrayLike) -> tuple[FloatArray, IntArray]:
    """Loudest hour of the day.

    Parameters
    ----------
    energy : array_like
        Energies of the 24 hours, hours last. [1]

    Returns
    -------
    level : ndarray
        Its equivalent level. [dB]
    hour : ndarray of int
        Which hour it is; the first of equals. 0 to 23.

    Raises
    ------
    OutOfDomainError
        If there are not 24 hours or an energy is negative.

    References
    ----------
    23cfr772 : hourly equivalent level

    Examples
    --------
    >>> import numpy as np
    >>> level, hour = worst_hour(np.where(np.arange(24) == 17, 1e7, 1e5))
    >>> float(level), int(hour)
    (70.0, 17)
    """
    checked = _checked(energy)
    return from_energy(checked.max(axis=-1)), np.asarray(checked.argmax(axis=-1), dtype=np.int64)


def level_band(level: npt.ArrayLike) -> IntArray:
    """Lower bound of the 5 dB band a level falls in; 55 holds 55.0 up to below 60.

    Parameters
    ----------
    level : array_like
        Level, not minus infinity. [dB]

    Returns
    -------
    ndarray of int
        Lower bound. [dB]

    References
    ----------
    rd1513-2005 : annex VI, bands 55-59, 60-64, ...

    Examples
    --------
    >>> level_band([54.99, 55.0, 59.99])
    array([50, 55, 55])
    """
    floor = np.floor(np.asarray(level, dtype=float) / BAND_WIDTH_DB)
    return np.asarray(floor * BAND_WIDTH_DB, dtype=np.int64)


def people_by_band(
    level: npt.ArrayLike, people: npt.ArrayLike, lowest: int, highest: int
) -> dict[str, float]:
    """People by 5 dB band of level.

    Parameters
    ----------
    level : array_like
        Level of each home. [dB]
    people : array_like
        People in each home. [1]
    lowest : int
        Lower bound of the lowest named band; quieter homes stand as `below`. [dB]
    highest : int
        Lower bound of the highest band, open above. [dB]

    Returns
    -------
    dict
        Band label to people, from quiet to loud; the sum is everyone. [1]

    Raises
    ------
    OutOfDomainError
        If the bounds are no multiples of five in rising order.

    References
    ----------
    rd1513-2005 : annex VI, reporting bands

    Examples
    --------
    >>> people_by_band([49.0, 56.0, 80.0], [1.0, 2.0, 3.0], 55, 65)
    {'below 55': 1.0, '55-59': 2.0, '60-64': 0.0, '65 and over': 3.0}
    """
    if lowest % BAND_WIDTH_DB or highest % BAND_WIDTH_DB or lowest >= highest:
        raise OutOfDomainError(
            f"level bands from {lowest} to {highest} are not allowed "
            "(allowed: multiples of 5, the lowest below the highest)"
        )
    levels, counts = np.asarray(level, dtype=float), np.asarray(people, dtype=float)
    found = np.full(levels.shape, lowest - BAND_WIDTH_DB)
    found[levels >= lowest] = level_band(levels[levels >= lowest])
    found = np.minimum(found, highest)
    bands = range(lowest, highest, BAND_WIDTH_DB)
    result = {f"below {lowest}": float(counts[found < lowest].sum())}
    result |= {f"{low}-{low + 4}": float(counts[found == low].sum()) for low in bands}
    return result | {f"{highest} and over": float(counts[found == highest].sum())}


def _weighted_level(energy: npt.ArrayLike, periods: Periods) -> FloatArray:
    penalties = toml_table("noisemap.community", "periods.toml")["penalty_db"]
    weights = np.ones(HOURS)
    weights[sorted(periods.evening)] = to_energy(float(penalties["evening"]["value"]))
    weights[sorted(periods.night)] = to_energy(float(penalties["night"]["value"]))
    return from_energy(_checked(energy) @ weights / HOURS)


def _checked(energy: npt.ArrayLike) -> FloatArray:
    array = np.asarray(energy, dtype=float)
    if array.ndim == 0 or array.shape[-1] != HOURS:
        raise OutOfDomainError(
            f"hourly energies of shape {array.shape} need 24 hours on the last axis"
        )
    if not np.all(array >= 0.0):
        raise OutOfDomainError(
            "an hourly energy is negative or not a number (allowed: 0 and above)"
        )
    return array
