"""What the method does not vouch for on a single path (ISO 9613-2, table 5, and our limits)."""

from __future__ import annotations

import numpy as np

from noisemap.propagation.attenuation import Path
from noisemap.propagation.terms import number

BEYOND_1000_M = "beyond 1000 m: no stated accuracy"
ABOVE_30_M = "mean path height above 30 m: no stated accuracy"
NEAR_GRAZING = "near grazing: a small terrain error moves the level"
MINIMUM_DISTANCE = "closer than the minimum distance"


def path_flags(path: Path) -> list[str]:
    """Words about a path that the method's accuracy does not cover, in the maps' order.

    Parameters
    ----------
    path : Path
        The path; surfaces that reflect and corners do not count. [m]

    Returns
    -------
    list of str
        The straight line is longer than 1000 m; it runs over 30 m above the ground in the
        mean; it passes the highest point in it within 0.3 m; source and receiver are
        nearer in plan than maps compute. [1]

    Raises
    ------
    ValueError
        If the profile has no two points.

    References
    ----------
    iso9613-2 : 9, table 5
    own-assumption : limits of grazing and of the distance
    """
    if len(path.x) < 2:
        raise ValueError("a profile has two points at least")
    x, ground = np.asarray(path.x), np.asarray(path.ground)
    dp = float(x[-1] - x[0])
    zs, zr = float(ground[0] + path.hs), float(ground[-1] + path.hr)
    mean = 0.5 * (zs + zr) - float(np.sum(0.5 * (ground[1:] + ground[:-1]) * np.diff(x))) / dp
    places = np.concatenate([x[1:-1], np.asarray(path.object_x)])
    tops = np.concatenate([ground[1:-1], np.asarray(path.object_top)])
    rise = float(np.max(tops - (zs + (places - x[0]) / dp * (zr - zs)), initial=-np.inf))
    found = {
        BEYOND_1000_M: np.hypot(dp, zr - zs) > number("validity", "distance_m"),
        ABOVE_30_M: mean > number("validity", "mean_height_m"),
        NEAR_GRAZING: abs(rise) < number("validity", "near_grazing_m"),
        MINIMUM_DISTANCE: dp < number("validity", "least_distance_m"),
    }
    return [words for words, holds in found.items() if holds]
