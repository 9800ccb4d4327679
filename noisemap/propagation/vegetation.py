"""Foliage, industrial sites and housing (ISO 9613-2, annex A)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between
from noisemap.propagation.machine.cores import foliage_band
from noisemap.propagation.terms import foliage_lengths, foliage_table, number, site_table

FloatArray = npt.NDArray[np.float64]

LONGEST_M = 1e5


def foliage(length: float) -> FloatArray:
    """Attenuation through dense foliage.

    Dense means that one cannot see through it.  Shorter paths than 10 m count
    nothing, up to and with 20 m the table's first row holds, beyond 200 m the
    value of 200 m.

    Parameters
    ----------
    length : float
        Length of the downward curved path (radius 5 km) inside foliage. [m]
        Valid 0 to 100 000.

    Returns
    -------
    ndarray
        Afol in the eight bands. [dB]

    Raises
    ------
    OutOfDomainError
        If the length is outside its range.

    References
    ----------
    iso9613-2 : annex A.1, table A.1

    Examples
    --------
    >>> foliage(100.0).tolist()
    [2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 9.0, 12.0]
    """
    inside = float(require_between("length in foliage", length, 0.0, LONGEST_M, "m"))
    short, long = foliage_table()
    shortest, change, longest = foliage_lengths().tolist()
    return np.array(
        [
            foliage_band(inside, float(a), float(b), shortest, change, longest)
            for a, b in zip(short, long, strict=True)
        ]
    )


def site(length: float) -> FloatArray:
    """Attenuation through installations of industrial sites.

    Parameters
    ----------
    length : float
        Length of the downward curved path (radius 5 km) through the site. [m]
        Valid 0 to 100 000.

    Returns
    -------
    ndarray
        Asite in the eight bands, at most 10 dB. [dB]

    Raises
    ------
    OutOfDomainError
        If the length is outside its range.

    References
    ----------
    iso9613-2 : annex A.2, table A.2

    Examples
    --------
    >>> site(200.0).tolist()
    [0.0, 3.0, 5.0, 5.0, 4.0, 4.0, 3.0, 3.0]
    """
    inside = float(require_between("length in the site", length, 0.0, LONGEST_M, "m"))
    return np.asarray(np.minimum(inside * site_table(), number("site", "cap_db")))


def housing(built_length: float, facade_percent: float = 0.0, barrier_loss: float = 10.0) -> float:
    """A-weighted attenuation through built-up areas, Ahous = A1 + A2.

    Parameters
    ----------
    built_length : float
        Path length through the area times the share of its plan covered by
        buildings, B db. [m] Valid 0 to 100 000.
    facade_percent : float
        Length of facades over length of road, where houses stand in rows. [%]
        Valid 0 to 90.
    barrier_loss : float
        Insertion loss of a wall of the mean height of the houses, which bounds
        A2. [dB] Valid 0 to 25.

    Returns
    -------
    float
        Ahous, at most 10 dB. [dB]

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range.

    References
    ----------
    iso9613-2 : annex A.3, eq. A.1 to A.3

    Examples
    --------
    >>> housing(40.0), round(housing(40.0, 50.0), 2)
    (4.0, 7.01)
    """
    through = float(require_between("built length", built_length, 0.0, LONGEST_M, "m"))
    percent = float(
        require_between(
            "facade share",
            facade_percent,
            0.0,
            number("housing", "longest_facade_percent"),
            "%",
        )
    )
    bound = float(require_between("barrier loss", barrier_loss, 0.0, 25.0, "dB"))
    a1 = number("housing", "density_db_per_m") * through
    a2 = min(-10.0 * np.log10(1.0 - percent / 100.0), bound)
    return float(min(a1 + a2, number("housing", "cap_db")))


def ground_or_housing(agr: npt.ArrayLike, ahous: float) -> tuple[FloatArray, FloatArray]:
    """Ground effect and housing of a built-up path: band by band the larger one alone.

    Parameters
    ----------
    agr : array_like
        Ground effect without the houses, bands last. [dB]
    ahous : float
        Attenuation by housing. [dB]

    Returns
    -------
    tuple of ndarray
        Agr and Ahous to be added; one of the two is 0 in each band. [dB]

    References
    ----------
    iso9613-2 : annex A.3, convention C22

    Examples
    --------
    >>> [part.tolist() for part in ground_or_housing([-3.0, 8.0], 4.0)]
    [[0.0, 8.0], [4.0, 0.0]]
    """
    bare = np.asarray(agr, dtype=np.float64)
    if ahous <= 0.0:
        return bare, np.zeros_like(bare)
    open_ground = bare > ahous
    return np.where(open_ground, bare, 0.0), np.where(open_ground, 0.0, ahous)
