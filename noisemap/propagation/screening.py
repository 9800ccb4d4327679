"""Screening by terrain, walls and buildings (ISO 9613-2, 7.4)."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between, require_finite, require_positive
from noisemap.errors import OutOfDomainError
from noisemap.propagation.machine.cores import (
    C1,
    C2,
    C3_SPREAD,
    CAP_DOUBLE,
    CAP_SINGLE,
    KMET_LENGTH,
    detour,
    edge_factor,
    highest_object_below,
    merge_objects,
    meteorological_factor,
    point_detour,
    screen_argument,
    upper_hull,
)
from noisemap.propagation.terms import screen_numbers, wavelengths

FloatArray = npt.NDArray[np.float64]

Reading = Literal["literal", "positive"]
READINGS: tuple[Reading, ...] = ("literal", "positive")


class TopPath(NamedTuple):
    """The path over the top of what stands between source and receiver."""

    n: int  # edges; 0 where nothing screens
    z: float  # path difference, negative for an object below the line of sight [m]
    kmet: float  # [1]
    e: float  # path between first and last edge [m]
    dss: float  # source to first edge [m]
    dsr: float  # last edge to receiver [m]
    edge_x: FloatArray  # distance of each edge from the source in plan [m]
    edge_z: FloatArray  # height of each edge [m]

    @property
    def blocked(self) -> bool:
        """Whether the line of sight is cut."""
        return self.n > 0 and self.z > 0.0


class SidePath(NamedTuple):
    """The path around one side of an obstacle."""

    n: int  # edges
    z: float  # path difference [m]
    e: float  # path between first and last edge [m]


_CLEAR = TopPath(0, 0.0, 1.0, 0.0, 0.0, 0.0, np.zeros(0), np.zeros(0))


def top_path(
    x: npt.ArrayLike,
    ground: npt.ArrayLike,
    hs: float,
    hr: float,
    object_x: npt.ArrayLike = (),
    object_top: npt.ArrayLike = (),
) -> TopPath:
    """Edges and path difference over a profile, by a band stretched over it.

    Interior terrain points and object tops may be edges.  A terrain point on the
    straight line between its neighbours is no edge, an object top that touches
    the band is one.  Over a clear line of sight terrain screens nothing; of
    objects below it the one with the least detour gives a negative z.

    Parameters
    ----------
    x : array_like
        Distances from the source in plan, rising from 0. [m]
    ground : array_like
        Heights of the ground there; first and last are the feet of source and
        receiver. [m]
    hs, hr : float
        Heights of source and receiver above their feet. [m] Valid above 0.
    object_x, object_top : array_like
        Places, rising, and absolute heights of object tops: one for a wall, two
        for a building. [m]

    Returns
    -------
    TopPath
        The path; with n = 0 its z has no meaning.

    Raises
    ------
    OutOfDomainError
        If a number is not finite, x or the objects are not in order, or a height
        is not above 0.

    References
    ----------
    iso9613-2 : 7.4, eq. 16 to 18; conventions C7 to C13
    16bimschv : 6.5, the stretched band
    """
    along = require_finite("profile x", x)
    z = require_finite("profile ground", ground).copy()
    place = require_finite("object x", object_x)
    top = require_finite("object top", object_top)
    if len(along) < 2 or along.shape != z.shape or not (np.diff(along) > 0.0).all():
        raise OutOfDomainError("profile: two or more points with rising x are needed")
    if place.shape != top.shape or not (np.diff(place) >= 0.0).all():
        raise OutOfDomainError("objects: one height for each place is needed, in rising order")
    z[0] += float(require_positive("source height", hs, "m"))
    z[-1] += float(require_positive("receiver height", hr, "m"))
    size = len(along) + len(place)
    px, pz = np.empty(size), np.empty(size)
    is_object = np.empty(size, dtype=np.bool_)
    count = merge_objects(along, z, len(along), place, top, len(place), px, pz, is_object)
    stack = np.empty(size, dtype=np.int64)
    end = count - 1
    n = upper_hull(px, pz, is_object, 1, end - 1, end, stack)
    if n > 0:
        longer, dss, e, dsr, d = detour(px, pz, stack, n)
        kmet = meteorological_factor(longer, dss, dsr, d, float(screen_numbers()[KMET_LENGTH]))
        edges = stack[1 : n + 1]
        return TopPath(n, longer, kmet, e, dss, dsr, px[edges], pz[edges])
    i = highest_object_below(px, pz, is_object, end)
    if i == 0:
        return _CLEAR
    below = -point_detour(px[0], pz[0], px[i], pz[i], px[end], pz[end])
    dss = float(np.hypot(px[i] - px[0], pz[i] - pz[0]))
    dsr = float(np.hypot(px[end] - px[i], pz[end] - pz[i]))
    return TopPath(1, below, 1.0, 0.0, dss, dsr, px[[i]], pz[[i]])


def side_path(corners: npt.ArrayLike, dp: float, rise: float) -> SidePath | None:
    """Path around the corners on one side of the line, by a band stretched in plan.

    Parameters
    ----------
    corners : array_like
        Distance along the line and distance to the side of it, above 0, of each
        corner. [m]
    dp : float
        Distance of source and receiver in plan. [m] Valid above 0.
    rise : float
        Height of the receiver above the source. [m]

    Returns
    -------
    SidePath or None
        The path; None without corners between source and receiver.

    Raises
    ------
    OutOfDomainError
        If a number is not finite or a corner is not beside the line.

    References
    ----------
    iso9613-2 : 7.4, figure 5; convention C18
    """
    points = require_finite("corners", np.asarray(corners, dtype=np.float64).reshape(-1, 2))
    length = float(require_positive("plan distance", dp, "m"))
    require_positive("distance of a corner beside the line", points[:, 1], "m")
    points = points[(points[:, 0] > 0.0) & (points[:, 0] < length)]
    if not len(points):
        return None
    points = points[np.lexsort((points[:, 1], points[:, 0]))]
    last_of_place = np.append(np.diff(points[:, 0]) > 0.0, True)
    points = points[last_of_place]
    x = np.concatenate([[0.0], points[:, 0], [length]])
    y = np.concatenate([[0.0], points[:, 1], [0.0]])
    stack = np.empty(len(x), dtype=np.int64)
    touch = np.ones(len(x), dtype=np.bool_)
    n = upper_hull(x, y, touch, 1, len(x) - 2, len(x) - 1, stack)
    _, dss, e, dsr, _ = detour(x, y, stack, n)
    plan = dss + e + dsr
    d = float(np.hypot(length, rise))
    return SidePath(n, float(np.hypot(plan, rise)) - d, e)


def screening(z: float, kmet: float = 1.0, n: int = 1, e: float = 0.0) -> FloatArray:
    """Screening effect, Dz = 10 lg [3 + (C2 / lambda) C3 z Kmet] with its caps.

    Zero where the bracket is 1 or less, at most 20 dB for one edge and 25 dB for
    two or more.

    Parameters
    ----------
    z : float
        Path difference. [m]
    kmet : float
        Meteorological factor. [1] Valid 0 to 1.
    n : int
        Number of edges. [1]
    e : float
        Path between first and last edge, for two or more. [m] Valid 0 and above.

    Returns
    -------
    ndarray
        Dz in the eight bands. [dB]

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range.

    References
    ----------
    iso9613-2 : 7.4, eq. 14 and 15; conventions C12, C15 to C17

    Examples
    --------
    >>> screening(0.0).round(3).tolist()[:2]
    [4.771, 4.771]
    """
    difference = float(require_finite("path difference", z))
    factor = float(require_between("Kmet", kmet, 0.0, 1.0, ""))
    between = float(require_between("edge distance", e, 0.0, 1e6, "m"))
    numbers = screen_numbers()
    cap = float(numbers[CAP_DOUBLE] if n > 1 else numbers[CAP_SINGLE])
    brackets = np.empty(len(wavelengths()))
    for band, wavelength in enumerate(wavelengths().tolist()):
        c3 = edge_factor(between, wavelength, float(numbers[C3_SPREAD])) if n > 1 else 1.0
        brackets[band] = screen_argument(
            difference * factor, c3, float(numbers[C1]), float(numbers[C2]) / wavelength
        )
    return np.asarray(np.minimum(10.0 * np.log10(np.maximum(brackets, 1.0)), cap))


def barrier_attenuation(dz: npt.ArrayLike, agr: npt.ArrayLike, reading: Reading) -> FloatArray:
    """Barrier attenuation over a top edge, never below 0 and 0 where Dz is 0.

    Parameters
    ----------
    dz : array_like
        Screening effect, caps applied, bands last. [dB]
    agr : array_like
        Ground effect of the unscreened path, bands last. [dB]
    reading : {"literal", "positive"}
        Abar = Dz - Agr, or Abar = Dz - max(Agr, 0). [1]

    Returns
    -------
    ndarray
        Abar. [dB]

    Raises
    ------
    OutOfDomainError
        If the reading is unknown.

    References
    ----------
    iso9613-2 : 7.4, eq. 12; conventions C6, C14, C15

    Examples
    --------
    >>> barrier_attenuation(10.0, -3.0, "literal").tolist()
    13.0
    >>> barrier_attenuation(10.0, -3.0, "positive").tolist()
    10.0
    """
    if reading not in READINGS:
        raise OutOfDomainError(
            f"screening reading: {reading!r} is not allowed (allowed: {', '.join(READINGS)})"
        )
    effect = np.asarray(dz, dtype=np.float64)
    bare = np.asarray(agr, dtype=np.float64)
    if reading == "positive":
        bare = np.maximum(bare, 0.0)
    return np.where(effect > 0.0, np.maximum(effect - bare, 0.0), 0.0)
