"""Ground effect (ISO 9613-2, 7.3): the general method and the alternative one."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between, require_finite, require_positive
from noisemap.errors import OutOfDomainError
from noisemap.propagation.machine.cores import (
    END_BASE,
    END_MIXED,
    MIDDLE_BASE,
    MIDDLE_SHARE,
    REACH,
    TAIL_RATE,
    end_region,
    hump_distance_factor,
    hump_height_factor,
    mean_factor,
    middle_region,
    middle_weight,
    tail_distance_factor,
    tail_height_factor,
)
from noisemap.propagation.terms import ground_table, number

FloatArray = npt.NDArray[np.float64]


class GroundStrips(NamedTuple):
    """Ground along a path: strips from source to receiver, without gap or overlap."""

    start: FloatArray  # distance from the source [m]
    end: FloatArray  # [m]
    factor: FloatArray  # 0 hard .. 1 porous [1]


class RegionFactors(NamedTuple):
    """Mean ground factors of the three regions [1], and the weight q of the middle one."""

    source: float
    middle: float
    receiver: float
    q: float


def region_factors(strips: GroundStrips, hs: float, hr: float, dp: float) -> RegionFactors:
    """Length-weighted ground factors of source, middle and receiver region.

    The source region reaches 30 hs, the receiver region 30 hr, both at most dp;
    they may overlap, and then q = 0.

    Parameters
    ----------
    strips : GroundStrips
        Ground from 0 to dp. [m]
    hs, hr : float
        Heights of source and receiver above local ground. [m] Valid above 0.
    dp : float
        Distance of their feet in plan. [m] Valid above 0.

    Returns
    -------
    RegionFactors
        The factors. [1]

    Raises
    ------
    OutOfDomainError
        If a number is outside its range, or the strips do not cover 0 to dp
        without gap or overlap.

    References
    ----------
    iso9613-2 : 7.3.1, conventions C3 and C4
    """
    for name, value in (("source height", hs), ("receiver height", hr), ("plan distance", dp)):
        require_positive(name, value, "m")
    start, end, factor = (np.array(part, dtype=np.float64) for part in strips)
    require_between("ground factor", factor, 0.0, 1.0, "", "0 hard .. 1 porous")
    require_finite("ground strips", [start, end])
    joined = len(start) > 0 and start[0] == 0.0 and end[-1] == dp
    if not (joined and (start[1:] == end[:-1]).all() and (end > start).all()):
        raise OutOfDomainError(f"ground strips: they must cover 0..{dp:g} m without gap or overlap")
    per_height = number("ground", "region_per_height")
    reach_s = min(per_height * hs, dp)
    reach_r = min(per_height * hr, dp)
    q = middle_weight(dp, hs, hr, per_height)
    low, high = float(factor.min()), float(factor.max())

    def mean(first: float, last: float) -> float:
        # cut lengths may sum to a rounding error more than the whole: a mean is no extreme
        return min(max(mean_factor(start, end, factor, first, last), low), high)

    return RegionFactors(
        mean(0.0, reach_s),
        mean(reach_s, dp - reach_r) if q > 0.0 else 0.0,
        mean(dp - reach_r, dp),
        q,
    )


def end_attenuation(factor: float, height: float, dp: float) -> FloatArray:
    """Attenuation As or Ar of the region around source or receiver.

    Parameters
    ----------
    factor : float
        Mean ground factor of the region. [1] Valid 0 to 1.
    height : float
        Height above local ground. [m] Valid above 0.
    dp : float
        Full distance of the feet in plan, for both regions. [m] Valid above 0.

    Returns
    -------
    ndarray
        As or Ar in the eight bands. [dB]

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range.

    References
    ----------
    iso9613-2 : 7.3.1, table 3; convention C5

    Examples
    --------
    >>> end_attenuation(0.0, 1.0, 200.0).tolist()[:2]
    [-1.5, -1.5]
    """
    g = float(require_between("ground factor", factor, 0.0, 1.0, ""))
    h = float(require_positive("height", height, "m"))
    d = float(require_positive("plan distance", dp, "m"))
    return np.array(
        [
            end_region(
                g,
                float(row[END_BASE]),
                float(row[END_MIXED]),
                hump_height_factor(h, row),
                hump_distance_factor(d, float(row[REACH])),
                tail_height_factor(h, row),
                tail_distance_factor(d, float(row[TAIL_RATE])),
            )
            for row in ground_table()
        ]
    )


def middle_attenuation(q: float, factor: float) -> FloatArray:
    """Attenuation Am of the middle region.

    Parameters
    ----------
    q : float
        Weight of the region. [1] Valid 0 to 1.
    factor : float
        Mean ground factor of the region. [1] Valid 0 to 1.

    Returns
    -------
    ndarray
        Am in the eight bands. [dB]

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range.

    References
    ----------
    iso9613-2 : 7.3.1, table 3

    Examples
    --------
    >>> middle_attenuation(0.5, 0.5).tolist()[:3]
    [-1.5, -0.75, -0.75]
    """
    weight = float(require_between("weight q", q, 0.0, 1.0, ""))
    g = float(require_between("ground factor", factor, 0.0, 1.0, ""))
    return np.array(
        [
            middle_region(weight, g, float(row[MIDDLE_BASE]), float(row[MIDDLE_SHARE]))
            for row in ground_table()
        ]
    )


def ground(strips: GroundStrips, hs: float, hr: float, dp: float) -> FloatArray:
    """Ground effect of the general method, Agr = As + Ar + Am.

    Parameters
    ----------
    strips : GroundStrips
        Ground from 0 to dp. [m]
    hs, hr : float
        Heights of source and receiver above local ground. [m] Valid above 0.
    dp : float
        Distance of their feet in plan. [m] Valid above 0.

    Returns
    -------
    ndarray
        Agr in the eight bands. [dB]

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range or the strips leave a gap.

    References
    ----------
    iso9613-2 : 7.3.1, eq. 9
    """
    regions = region_factors(strips, hs, hr, dp)
    return np.asarray(
        end_attenuation(regions.source, hs, dp)
        + end_attenuation(regions.receiver, hr, dp)
        + middle_attenuation(regions.q, regions.middle)
    )


def alternative_ground(mean_height: npt.ArrayLike, distance: npt.ArrayLike) -> FloatArray:
    """A-weighted ground effect of the alternative method, never below 0.

    Only where the A-weighted level alone matters, the ground is porous or mostly
    so, and the sound has no pure tones; it goes with `ground_solid_angle`.

    Parameters
    ----------
    mean_height : array_like
        Mean height of the path above the ground. [m] Valid 0 to 10 000.
    distance : array_like
        Straight distance from source to receiver. [m] Valid above 0.

    Returns
    -------
    ndarray
        Agr. [dB]

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range.

    References
    ----------
    iso9613-2 : 7.3.2, eq. 10

    Examples
    --------
    >>> round(float(alternative_ground(2.5, 194.1881)), 4)
    4.3225
    """
    hm = require_between("mean height", mean_height, 0.0, 1e4, "m")
    d = require_positive("distance", distance, "m")
    growth = number("ground", "alternative_offset") + number("ground", "alternative_scale_m") / d
    value = number("ground", "alternative_base_db") - 2.0 * hm / d * growth
    return np.asarray(np.maximum(value, 0.0))


def ground_solid_angle(hs: npt.ArrayLike, hr: npt.ArrayLike, dp: npt.ArrayLike) -> FloatArray:
    """Gain DOmega by reflection near the source, only with the alternative method.

    Parameters
    ----------
    hs, hr : array_like
        Heights of source and receiver above local ground. [m] Valid above 0.
    dp : array_like
        Distance of their feet in plan. [m] Valid above 0.

    Returns
    -------
    ndarray
        DOmega. [dB]

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range.

    References
    ----------
    iso9613-2 : 7.3.2, eq. 11

    Examples
    --------
    >>> round(float(ground_solid_angle(1.0, 4.0, 194.1649)), 4)
    3.0094
    """
    s = require_positive("source height", hs, "m")
    r = require_positive("receiver height", hr, "m")
    d = require_positive("plan distance", dp, "m")
    direct = d**2 + (s - r) ** 2
    image = d**2 + (s + r) ** 2
    return np.asarray(10.0 * np.log10(1.0 + direct / image))
