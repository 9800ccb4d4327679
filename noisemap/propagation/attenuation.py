"""The one visible sum A = Adiv + Aatm + Agr + Abar + Amisc (ISO 9613-2, eq. 4).

This is the readable reference for a single path: `noisemap path` shows it, and
the compiled kernel of the maps is tested against it.  Both rest on `cores`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from noisemap.levels import energy_sum
from noisemap.propagation.atmospheric import atmospheric
from noisemap.propagation.divergence import divergence
from noisemap.propagation.ground import GroundStrips, ground
from noisemap.propagation.meteorology import cmet
from noisemap.propagation.screening import (
    Reading,
    SidePath,
    TopPath,
    barrier_attenuation,
    screening,
    side_path,
    top_path,
)
from noisemap.propagation.vegetation import foliage, ground_or_housing, housing, site

FloatArray = npt.NDArray[np.float64]


def _none() -> FloatArray:
    return np.zeros(0)


@dataclass(frozen=True)
class Path:
    """One source, one receiver and what lies between."""

    x: FloatArray  # distances from the source in plan, rising from 0 [m]
    ground: FloatArray  # heights of the ground there [m]
    hs: float  # source above its foot [m]
    hr: float  # receiver above its foot [m]
    strips: GroundStrips  # ground factors along the path
    absorption: FloatArray  # (8,) [dB/m]
    object_x: FloatArray = field(default_factory=_none)  # tops of walls and buildings [m]
    object_top: FloatArray = field(default_factory=_none)  # absolute height [m]
    corners: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))  # x, to the left [m]
    foliage_m: float = 0.0
    site_m: float = 0.0
    housing_m: float = 0.0  # path length times built share [m]
    c0: float = 0.0  # [dB]
    reading: Reading = "literal"


@dataclass(frozen=True)
class Side:
    """A path around one side."""

    z: float  # [m]
    dz: FloatArray  # (8,) [dB]


@dataclass(frozen=True)
class Attenuation:
    """The terms of one path; bands are last."""

    d: float  # straight distance [m]
    dp: float  # plan distance [m]
    adiv: float  # [dB]
    aatm: FloatArray
    agr: FloatArray
    dz: FloatArray  # of the path over the top
    abar: FloatArray  # of the path over the top
    amisc: FloatArray  # foliage, site and housing
    a: FloatArray  # energy sum of all open paths
    cmet: float  # not in A
    top: TopPath
    left: Side | None
    right: Side | None


def attenuation(path: Path) -> Attenuation:
    """Attenuation of one path, term by term.

    Parameters
    ----------
    path : Path
        The path. [m]

    Returns
    -------
    Attenuation
        All terms. [dB]

    Raises
    ------
    OutOfDomainError
        If a term is asked for outside its range.

    References
    ----------
    iso9613-2 : 6, eq. 4; 7.4, eq. 12 and 13; conventions C1 to C22
    """
    dp = float(path.x[-1] - path.x[0])
    rise = float(path.ground[-1] + path.hr - path.ground[0] - path.hs)
    d = float(np.hypot(dp, rise))
    adiv = float(divergence(d))
    aatm = atmospheric(d, path.absorption)
    bare = ground(path.strips, path.hs, path.hr, dp)
    agr, ahous = ground_or_housing(bare, housing(path.housing_m))
    top = top_path(path.x, path.ground, path.hs, path.hr, path.object_x, path.object_top)
    dz = np.zeros_like(agr)
    if top.n:
        dz = screening(top.z, top.kmet, top.n, top.e)
    abar = barrier_attenuation(dz, agr, path.reading)
    amisc = foliage(path.foliage_m) + site(path.site_m) + ahous
    shared = adiv + aatm + agr + amisc
    left = right = None
    ways = [shared + abar]
    if top.blocked:
        left = _side(path, 1.0, dp, rise)
        right = _side(path, -1.0, dp, rise)
        ways += [shared + side.dz for side in (left, right) if side is not None]
    least = np.min(ways, axis=0)
    total = least - energy_sum(least - np.array(ways), axis=0)
    return Attenuation(
        d,
        dp,
        adiv,
        aatm,
        agr,
        dz,
        abar,
        amisc,
        total,
        float(cmet(path.c0, path.hs, path.hr, dp)),
        top,
        left,
        right,
    )


def _side(path: Path, sign: float, dp: float, rise: float) -> Side | None:
    """Path around the corners to the left (+1) or right (-1) of the line."""
    beside = path.corners * np.array([1.0, sign])
    around: SidePath | None = side_path(beside[beside[:, 1] > 0.0], dp, rise)
    if around is None:
        return None
    return Side(around.z, screening(around.z, 1.0, around.n, around.e))
