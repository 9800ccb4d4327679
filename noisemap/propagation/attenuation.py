"""The one visible sum A = Adiv + Aatm + Agr + Abar + Amisc (ISO 9613-2, eq. 4).

This is the readable reference for a single path: `noisemap path` shows it, and
the compiled kernel of the maps is tested against it.  Both rest on `cores`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from noisemap.levels import energy_sum
from noisemap.propagation.atmospheric import atmospheric
from noisemap.propagation.divergence import divergence
from noisemap.propagation.ground import GroundStrips, ground
from noisemap.propagation.meteorology import cmet
from noisemap.propagation.reflection import reflected_bands, reflection_loss
from noisemap.propagation.screening import (
    Reading,
    SidePath,
    TopPath,
    barrier_attenuation,
    screening,
    side_path,
    top_path,
)
from noisemap.propagation.terms import number
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
    clearance: float = 0.0  # terrain that rises above the sight line by no more is no edge [m]
    reflectors: tuple[Reflector, ...] = ()


@dataclass(frozen=True)
class Reflector:
    """An upright surface that throws sound to the receiver."""

    path: Path  # from the source by way of the mirror point to the receiver, unfolded
    share: float  # of it in plan up to the surface [1]
    normal: float  # distances of source and receiver from the surface's plane, summed [m]
    length: float  # of the surface [m]
    height: float  # of the surface above its foot [m]
    foot: float  # ground at the mirror point [m]
    coefficient: float  # [1]


@dataclass(frozen=True)
class Reflection:
    """A reflected path."""

    d: float  # length in space [m]
    at: float  # distance of the mirror point from the source in plan [m]
    z: float  # height of the mirror point [m]
    on_surface: bool  # whether it lies between the ground and the top of the surface
    bands: npt.NDArray[np.bool_]  # (8,) in which the surface is large enough
    a: FloatArray  # (8,) with the loss at the surface; infinite where nothing is reflected [dB]
    counted: bool  # among the strongest that are added


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
    reflections: tuple[Reflection, ...] = ()


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
    top = over_the_top(path)
    ways = [top.a]
    left = right = None
    if top.top.blocked:
        rise = float(path.ground[-1] + path.hr - path.ground[0] - path.hs)
        left = _side(path, 1.0, top.dp, rise)
        right = _side(path, -1.0, top.dp, rise)
        around = top.a - top.abar
        ways += [around + side.dz for side in (left, right) if side is not None]
    reflections = _strongest([_reflection(reflector) for reflector in path.reflectors])
    ways += [reflection.a for reflection in reflections if reflection.counted]
    return replace(top, a=_joined(ways), left=left, right=right, reflections=reflections)


def over_the_top(path: Path) -> Attenuation:
    """Attenuation of the path over the top alone, term by term.

    Parameters
    ----------
    path : Path
        The path; its corners and reflectors do not count. [m]

    Returns
    -------
    Attenuation
        All terms, without paths around sides and reflections. [dB]

    Raises
    ------
    OutOfDomainError
        If a term is asked for outside its range.

    References
    ----------
    iso9613-2 : 6, eq. 4; 7.4, eq. 12
    """
    dp = float(path.x[-1] - path.x[0])
    rise = float(path.ground[-1] + path.hr - path.ground[0] - path.hs)
    d = float(np.hypot(dp, rise))
    adiv = float(divergence(d))
    aatm = atmospheric(d, path.absorption)
    bare = ground(path.strips, path.hs, path.hr, dp)
    agr, ahous = ground_or_housing(bare, housing(path.housing_m))
    x, heights = path.x, path.ground
    sight = heights[0] + path.hs + (x - x[0]) / dp * rise
    if 0.0 < np.max(heights[1:-1] - sight[1:-1], initial=0.0) <= path.clearance:
        x, heights = x[[0, -1]], heights[[0, -1]]
    top = top_path(x, heights, path.hs, path.hr, path.object_x, path.object_top)
    dz = np.zeros_like(agr)
    if top.n:
        dz = screening(top.z, top.kmet, top.n, top.e)
    abar = barrier_attenuation(dz, agr, path.reading)
    amisc = foliage(path.foliage_m) + site(path.site_m) + ahous
    return Attenuation(
        d,
        dp,
        adiv,
        aatm,
        agr,
        dz,
        abar,
        amisc,
        adiv + aatm + agr + abar + amisc,
        float(cmet(path.c0, path.hs, path.hr, dp)),
        top,
        None,
        None,
    )


def _joined(ways: Sequence[FloatArray]) -> FloatArray:
    """Attenuation of several ways together, by energy [dB]."""
    least = np.min(ways, axis=0)
    return np.asarray(least - energy_sum(least - np.array(ways), axis=0))


def _reflection(reflector: Reflector) -> Reflection:
    """The reflected path, as a path over the top with the loss at the surface."""
    path = reflector.path
    top = over_the_top(path)
    zs, zr = path.ground[0] + path.hs, path.ground[-1] + path.hr
    at = reflector.share * top.dp
    z = float(zs + reflector.share * (zr - zs))
    on_surface = reflector.foot <= z <= reflector.foot + reflector.height
    bands = np.zeros(len(top.a), dtype=np.bool_)
    loss = 0.0
    if on_surface and reflector.coefficient >= number("reflection", "least_coefficient"):
        loss = reflection_loss(reflector.coefficient)
        bands = reflected_bands(
            reflector.length, reflector.height, reflector.normal, reflector.share, top.d
        )
    a = np.where(bands, top.a + loss, np.inf)
    return Reflection(top.d, at, z, on_surface, bands, a, bool(bands.any()))


def _strongest(found: Sequence[Reflection]) -> tuple[Reflection, ...]:
    """All reflections, of which only the strongest few count."""
    energy = [float(np.sum(10.0 ** (-0.1 * reflection.a))) for reflection in found]
    order = sorted(range(len(found)), key=lambda i: -energy[i])
    kept = set(order[: int(number("reflection", "most_per_path"))])
    return tuple(
        replace(reflection, counted=reflection.counted and i in kept)
        for i, reflection in enumerate(found)
    )


def _side(path: Path, sign: float, dp: float, rise: float) -> Side | None:
    """Path around the corners to the left (+1) or right (-1) of the line."""
    beside = path.corners * np.array([1.0, sign])
    around: SidePath | None = side_path(beside[beside[:, 1] > 0.0], dp, rise)
    if around is None:
        return None
    return Side(around.z, screening(around.z, 1.0, around.n, around.e))
