"""Reflections from walls and facades (ISO 9613-2, 7.5)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between, require_finite, require_positive
from noisemap.data_tables import table_rows
from noisemap.errors import OutOfDomainError
from noisemap.propagation.machine.mirror import least_wave_number, mirror
from noisemap.propagation.terms import number, wavelengths

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


class MirrorPoint(NamedTuple):
    """Where a surface throws the sound of a source to a receiver."""

    length: float  # from the source by way of the surface to the receiver, in plan [m]
    at: float  # of it up to the surface [m]
    along: float  # distance of the mirror point from the surface's first end [m]
    normal: float  # distances of source and receiver from the surface, summed [m]


def reflection_coefficient(surface: str) -> float:
    """Reflection coefficient of a kind of surface.

    Parameters
    ----------
    surface : {"hard_wall", "building", "half_open"}
        Flat hard wall; building with windows; half of the wall open. [1]

    Returns
    -------
    float
        Share of the sound energy that is reflected. [1]

    Raises
    ------
    OutOfDomainError
        If the surface is not in the table.

    References
    ----------
    iso9613-2 : 7.5, table 4

    Examples
    --------
    >>> reflection_coefficient("building")
    0.8
    """
    known = {
        row["surface"]: float(row["coefficient"])
        for row in table_rows("noisemap.propagation", "reflection_table4.csv")
    }
    if surface not in known:
        raise OutOfDomainError(f"surface: {surface!r} is not allowed (allowed: {', '.join(known)})")
    return known[surface]


def mirror_point(
    start: npt.ArrayLike, end: npt.ArrayLike, source: npt.ArrayLike, receiver: npt.ArrayLike
) -> MirrorPoint | None:
    """Mirror point of an upright plane surface, in plan.

    Parameters
    ----------
    start, end : array_like
        x, y of the ends of the surface. [m]
    source, receiver : array_like
        x, y of source and receiver. [m]

    Returns
    -------
    MirrorPoint or None
        None where the two do not stand before the same side of the surface, or
        the mirror point lies beside it.

    Raises
    ------
    OutOfDomainError
        If a number is not finite or the surface has no length.

    References
    ----------
    iso9613-2 : 7.5, figure 8; convention C20

    Examples
    --------
    >>> point = mirror_point([-10.0, 30.0], [60.0, 30.0], [0.0, 0.0], [40.0, 0.0])
    >>> point.along, point.normal
    (30.0, 60.0)
    """
    a, b = require_finite("surface", start), require_finite("surface", end)
    s, r = require_finite("source", source), require_finite("receiver", receiver)
    long = float(require_positive("length of the surface", np.hypot(*(b - a)), "m"))
    found = mirror(*a.tolist(), *b.tolist(), *s.tolist(), *r.tolist())
    if found.length == 0.0:
        return None
    return MirrorPoint(found.length, found.share * found.length, found.along * long, found.normal)


def reflected_bands(
    length: float, height: float, normal: float, share: float, d: float
) -> BoolArray:
    """Bands in which a surface is large enough to reflect.

    1/lambda > [2 / (lmin cos beta)^2] ds dr / (ds + dr), with lmin the smaller of
    length and height.

    Parameters
    ----------
    length, height : float
        Size of the surface. [m] Valid above 0.
    normal : float
        Distances of source and receiver from the surface, summed. [m] Valid above 0.
    share : float
        Part of the reflected path up to the surface. [1] Valid 0 to 1.
    d : float
        Length of the reflected path in space. [m] Valid above 0.

    Returns
    -------
    ndarray
        (8,) True where the surface reflects.

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range.

    References
    ----------
    iso9613-2 : 7.5, eq. 19

    Examples
    --------
    >>> reflected_bands(70.0, 6.0, 60.0, 0.5, 72.19591).tolist().index(True)
    3
    """
    size = np.minimum(
        require_positive("length of the surface", length, "m"),
        require_positive("height of the surface", height, "m"),
    )
    across = float(require_positive("distance from the surface", normal, "m"))
    part = float(require_between("share of the path", share, 0.0, 1.0, ""))
    whole = float(require_positive("length of the path", d, "m"))
    least = least_wave_number(float(size), across, part, whole, number("reflection", "size_factor"))
    return np.asarray(1.0 / wavelengths() > least)


def reflection_loss(coefficient: float) -> float:
    """Loss of level at a surface, -10 lg rho.

    Parameters
    ----------
    coefficient : float
        Reflection coefficient rho. [1] Valid 0.2 to 1: surfaces below it reflect
        nothing that counts.

    Returns
    -------
    float
        The loss. [dB]

    Raises
    ------
    OutOfDomainError
        If the coefficient is outside its range.

    References
    ----------
    iso9613-2 : 7.5, eq. 20

    Examples
    --------
    >>> round(reflection_loss(0.8), 3)
    0.969
    """
    least = number("reflection", "least_coefficient")
    rho = float(require_between("reflection coefficient", coefficient, least, 1.0, ""))
    return float(-10.0 * np.log10(rho))
