"""Adjustments for the character of a sound: impulses, tones, low frequencies.

Three methods that may be chosen; each says nothing about what it does not assess.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def difference_adjustment(level: npt.ArrayLike, a_level: npt.ArrayLike) -> FloatArray:
    """Adjustment for impulses, or for low frequencies, from a difference of levels.

    Parameters
    ----------
    level : array_like
        Impulse-weighted LAIeq for impulses, C-weighted LCeq for low frequencies. [dB]
    a_level : array_like
        LAeq of the same time. [dB]

    Returns
    -------
    ndarray
        0 up to a difference of 10 dB, 3 up to 15 dB, 6 above. [dB]

    Raises
    ------
    OutOfDomainError
        For a level that is not finite.

    References
    ----------
    rd1367-2007 : annex IV A 3.3, Ki and Kf

    Examples
    --------
    >>> difference_adjustment([70.0, 70.1, 75.1], 60.0)
    array([0., 3., 6.])
    """
    spec = _rule("levels")["difference"]
    found = np.asarray(level, dtype=float) - np.asarray(a_level, dtype=float)
    if not np.all(np.isfinite(found)):
        raise OutOfDomainError("character: a level is not a number (allowed: finite levels)")
    low, high = spec["limits_db"]["value"]
    none, some, full = spec["adjustment_db"]["value"]
    return np.where(found > high, full, np.where(found > low, some, none))


def tone_excess(third_level: npt.ArrayLike) -> FloatArray:
    """Excess of each third of an octave over the arithmetic mean of its two neighbours.

    Parameters
    ----------
    third_level : array_like
        Levels in neighbouring thirds, bands last. [dB]

    Returns
    -------
    ndarray
        Excess; not a number in the first and last third, and beside a silent one. [dB]

    Raises
    ------
    OutOfDomainError
        For fewer than three thirds.

    References
    ----------
    rd1367-2007 : annex IV A 3.3, Lt = Lf - Ls, recalled as the arithmetic mean

    Examples
    --------
    >>> tone_excess([50.0, 60.0, 54.0])
    array([nan,  8., nan])
    """
    level = _thirds(third_level)
    out = np.full(level.shape, np.nan)
    with np.errstate(invalid="ignore"):
        excess = level[..., 1:-1] - 0.5 * (level[..., :-2] + level[..., 2:])
    out[..., 1:-1] = np.where(np.isfinite(excess), excess, np.nan)
    return out


def tone_margin(third_level: npt.ArrayLike) -> FloatArray:
    """Excess of each third of an octave over the louder of its two neighbours.

    Parameters
    ----------
    third_level : array_like
        Levels in neighbouring thirds, bands last. [dB]

    Returns
    -------
    ndarray
        Excess, negative where a neighbour is louder; not a number in the first and last
        third. [dB]

    Raises
    ------
    OutOfDomainError
        For fewer than three thirds.

    References
    ----------
    iso1996-2 : survey of thirds, recalled

    Examples
    --------
    >>> tone_margin([50.0, 60.0, 54.0])
    array([nan,  6., nan])
    """
    level = _thirds(third_level)
    out = np.full(level.shape, np.nan)
    with np.errstate(invalid="ignore"):
        out[..., 1:-1] = level[..., 1:-1] - np.maximum(level[..., :-2], level[..., 2:])
    return out


def tonal_adjustment(excess_db: npt.ArrayLike, middle_hz: npt.ArrayLike) -> FloatArray:
    """Adjustment for tones: that of the third of an octave that stands out most.

    Parameters
    ----------
    excess_db : array_like
        Excess of each third, as of `tone_excess`, bands last; not a number where none is
        known. [dB]
    middle_hz : array_like
        Nominal middle of each third. [Hz] 20 to 10 000.

    Returns
    -------
    ndarray
        0, 3 or 6, the largest of all thirds. [dB]

    Raises
    ------
    OutOfDomainError
        For a third outside the rule.

    References
    ----------
    rd1367-2007 : annex IV A 3.3, Kt: 8/12 dB to 125 Hz, 5/8 to 400 Hz, 3/5 to 10 kHz

    Examples
    --------
    >>> float(tonal_adjustment([0.0, 10.0, 0.0], [80.0, 100.0, 125.0]))
    3.0
    """
    return np.asarray(tone_steps(excess_db, middle_hz).max(axis=-1))


def tone_steps(excess_db: npt.ArrayLike, middle_hz: npt.ArrayLike) -> FloatArray:
    """Adjustment for tones that each third of an octave calls for by itself.

    Parameters
    ----------
    excess_db : array_like
        Excess of each third, bands last; not a number where none is known. [dB]
    middle_hz : array_like
        Nominal middle of each third. [Hz] 20 to 10 000.

    Returns
    -------
    ndarray
        0, 3 or 6 a third. [dB]

    Raises
    ------
    OutOfDomainError
        For a third outside the rule.

    References
    ----------
    rd1367-2007 : annex IV A 3.3, Kt

    Examples
    --------
    >>> tone_steps([3.0, 10.0, 12.1], [1000.0, 100.0, 125.0])
    array([3., 3., 6.])
    """
    spec = _rule("levels")["tone"]
    limits = np.array(spec["limits_db"]["value"])[_range(middle_hz, spec)]
    none, some, full = spec["adjustment_db"]["value"]
    excess = np.nan_to_num(np.asarray(excess_db, dtype=float), nan=-np.inf)
    return np.where(excess > limits[:, 1], full, np.where(excess >= limits[:, 0], some, none))


def heard_third(level: npt.ArrayLike, middle_hz: npt.ArrayLike) -> BoolArray:
    """Whether thirds of an octave reach the threshold of hearing.

    Parameters
    ----------
    level : array_like
        Unweighted levels in thirds, bands last. [dB]
    middle_hz : array_like
        Nominal middle of each third. [Hz]

    Returns
    -------
    ndarray of bool
        True from the threshold on, and in thirds above 125 Hz, which are not judged.

    References
    ----------
    iso389-7 : thresholds from 25 to 125 Hz, recalled

    Examples
    --------
    >>> heard_third([59.0, 60.0, 0.0], [31.5, 31.5, 1000.0])
    array([False,  True,  True])
    """
    spec = _rule("levels")["heard"]
    limits = dict(zip(spec["middle_hz"]["value"], spec["threshold_db"]["value"], strict=True))
    least = [limits.get(float(hz), -np.inf) for hz in np.atleast_1d(middle_hz)]
    return np.asarray(np.asarray(level, dtype=float) >= np.array(least))


def character_adjustment(
    impulsive_db: npt.ArrayLike, tonal_db: npt.ArrayLike, low_frequency_db: npt.ArrayLike
) -> FloatArray:
    """Adjustment for the whole character: the sum of the three, capped.

    Parameters
    ----------
    impulsive_db : array_like
        Adjustment for impulses. [dB]
    tonal_db : array_like
        Adjustment for tones. [dB]
    low_frequency_db : array_like
        Adjustment for low frequencies. [dB]

    Returns
    -------
    ndarray
        Sum, at most 9. [dB]

    References
    ----------
    rd1367-2007 : annex IV A 3.3, the sum is capped at 9 dB

    Examples
    --------
    >>> float(character_adjustment(6.0, 6.0, 0.0))
    9.0
    """
    total = (
        np.asarray(impulsive_db, dtype=float)
        + np.asarray(tonal_db, dtype=float)
        + np.asarray(low_frequency_db, dtype=float)
    )
    return np.asarray(np.minimum(total, float(_rule("levels")["cap_db"]["value"])))


def onset_prominence(rate_db_s: npt.ArrayLike, difference_db: npt.ArrayLike) -> FloatArray:
    """Prominence of an onset from how fast and how far the level rises.

    Parameters
    ----------
    rate_db_s : array_like
        Onset rate. [dB/s] Above 0.
    difference_db : array_like
        Level difference. [dB] Above 0.

    Returns
    -------
    ndarray
        Prominence P. [1]

    Raises
    ------
    OutOfDomainError
        For a rate or difference that is not above zero.

    References
    ----------
    nt-acou-112 : P = 3 lg(onset rate) + 2 lg(level difference), recalled

    Examples
    --------
    >>> round(float(onset_prominence(100.0, 20.0)), 2)
    8.6
    """
    rate = np.asarray(rate_db_s, dtype=float)
    rise = np.asarray(difference_db, dtype=float)
    if not (np.all(rate > 0.0) and np.all(rise > 0.0)):
        raise OutOfDomainError("onset: a rate or a difference is not allowed (allowed: above 0)")
    spec = _rule("onset")
    factor, second = (float(spec[name]["value"]) for name in ("rate_factor", "difference_factor"))
    return np.asarray(factor * np.log10(rate) + second * np.log10(rise))


def onset_adjustment(prominence: npt.ArrayLike) -> FloatArray:
    """Adjustment for the most prominent onset of half an hour.

    Parameters
    ----------
    prominence : array_like
        Prominence P. [1]

    Returns
    -------
    ndarray
        1.8 (P - 5), 0 to 9. [dB]

    References
    ----------
    nt-acou-112 : K = 1.8 (P - 5) for P above 5, recalled; 0.0 to 9.0 dB, seen

    Examples
    --------
    >>> onset_adjustment([4.9, 8.60206]).round(2)
    array([0.  , 6.48])
    """
    spec = _rule("onset")
    low, high = spec["range_db"]["value"]
    above = np.asarray(prominence, dtype=float) - float(spec["prominent_from"]["value"])
    return np.asarray(np.clip(float(spec["adjustment_slope"]["value"]) * above, low, high))


def prominent_tone(margin_db: npt.ArrayLike, middle_hz: npt.ArrayLike) -> BoolArray:
    """Whether a third of an octave exceeds both its neighbours so far that a tone is heard.

    Parameters
    ----------
    margin_db : array_like
        Excess of each third over its louder neighbour, as of `tone_margin`, bands last;
        not a number where none is known. [dB]
    middle_hz : array_like
        Nominal middle of each third. [Hz] 20 to 10 000.

    Returns
    -------
    ndarray of bool
        Whether any third does.

    Raises
    ------
    OutOfDomainError
        For a third outside the rule.

    References
    ----------
    iso1996-2 : survey of thirds, 15 dB to 125 Hz, 8 dB to 400 Hz, 5 dB above, recalled

    Examples
    --------
    >>> bool(prominent_tone([0.0, 16.0, 0.0], [80.0, 100.0, 125.0]))
    True
    """
    spec = _rule("classes")["tone"]
    limits = np.array(spec["limits_db"]["value"])[_range(middle_hz, spec)]
    margin = np.nan_to_num(np.asarray(margin_db, dtype=float), nan=-np.inf)
    return np.asarray((margin >= limits).any(axis=-1))


def class_adjustment(impulsive: bool, tonal: bool) -> tuple[float, float]:
    """Adjustment by the kinds of sound that are heard, as a range.

    Parameters
    ----------
    impulsive : bool
        Whether impulses are prominent; taken as regular impulsive sound.
    tonal : bool
        Whether a tone is prominent.

    Returns
    -------
    low, high : float
        The range, equal where it is one figure. [dB]

    References
    ----------
    iso1996-1 : table A.1, regular impulsive 5 dB, prominent tones 3 to 6 dB, recalled

    Examples
    --------
    >>> class_adjustment(True, False), class_adjustment(False, True)
    ((5.0, 5.0), (3.0, 6.0))
    """
    spec = _rule("classes")
    low, high = spec["prominent_tone_db"]["value"] if tonal else (0.0, 0.0)
    own = float(spec["regular_impulsive_db"]["value"]) if impulsive else 0.0
    return own + float(low), own + float(high)


def _rule(name: str) -> dict[str, Any]:
    rule: dict[str, Any] = toml_table("noisemap.community", "character.toml")[name]
    return rule


def _thirds(third_level: npt.ArrayLike) -> FloatArray:
    level = np.asarray(third_level, dtype=float)
    if level.ndim == 0 or level.shape[-1] < 3:
        raise OutOfDomainError(
            f"tones: levels of shape {level.shape} are not allowed (allowed: three thirds or more)"
        )
    return level


def _range(middle_hz: npt.ArrayLike, spec: dict[str, Any]) -> npt.NDArray[np.int64]:
    """Which range of the rule each third lies in."""
    middle = np.asarray(middle_hz, dtype=float)
    ends = np.array(spec["up_to_hz"]["value"])
    if not np.all((middle >= 20.0) & (middle <= ends[-1])):
        raise OutOfDomainError(
            f"tones: a third is not allowed (allowed: 20 Hz to {ends[-1]:g} Hz, nominal)"
        )
    return np.asarray(np.searchsorted(ends, middle), dtype=np.int64)
