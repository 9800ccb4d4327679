"""What kinds of gearbox do to a retarder on the engine: gear changes interrupt it."""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Gearbox = Literal["uninterrupted", "manual", "automated", "converter"]

GEARBOXES: tuple[Gearbox, ...] = get_args(Gearbox)


def gear_changes(gear: IntArray) -> BoolArray:
    """Pieces on which a drive begins in another gear than the piece before.

    Parameters
    ----------
    gear : ndarray of int
        Gear on each piece. [1]

    Returns
    -------
    ndarray of bool
        Change at the start of each piece; never on the first.

    References
    ----------
    own-model : one change where the lowest allowed gear changes

    Examples
    --------
    >>> gear_changes(np.array([7, 7, 6, 6, 7]))
    array([False, False,  True, False,  True])
    """
    return np.concatenate([[False], np.diff(gear) != 0])


def engaged_share(gear: IntArray, time_s: FloatArray, gearbox: Gearbox) -> FloatArray:
    """Share of the time on each piece with the driveline closed.

    Parameters
    ----------
    gear : ndarray of int
        Gear on each piece. [1]
    time_s : ndarray
        Time on each piece. [s] Above 0.
    gearbox : {"uninterrupted", "manual", "automated", "converter"}
        Kind of gearbox; the first has no interruption at all.

    Returns
    -------
    ndarray
        Share. [1] 0 to 1.

    Raises
    ------
    OutOfDomainError
        If the kind is unknown.

    References
    ----------
    own-assumption : time for which the driveline is open

    Examples
    --------
    >>> engaged_share(np.array([7, 6]), np.array([10.0, 10.0]), "manual")
    array([1.  , 0.85])
    """
    if gearbox not in GEARBOXES:
        raise OutOfDomainError(
            f"gearbox {gearbox!r} is not allowed (allowed: {', '.join(GEARBOXES)})"
        )
    if gearbox == "uninterrupted":
        return np.ones(len(time_s))
    open_s = float(toml_table("noisemap.descent", "gearbox.toml")[gearbox]["open_s"]["value"])
    return np.asarray(1.0 - gear_changes(gear) * np.minimum(open_s / time_s, 1.0))


def locked(gear: IntArray, gearbox: Gearbox) -> BoolArray:
    """Pieces on whose gear the engine is coupled firmly enough for a retarder on it.

    Parameters
    ----------
    gear : ndarray of int
        Gear on each piece, 1 the lowest. [1]
    gearbox : {"uninterrupted", "manual", "automated", "converter"}
        Kind of gearbox.

    Returns
    -------
    ndarray of bool
        True where the retarder may work.

    References
    ----------
    own-assumption : gears in which a converter is not locked

    Examples
    --------
    >>> locked(np.array([2, 3]), "converter"), locked(np.array([2, 3]), "manual")
    (array([False,  True]), array([ True,  True]))
    """
    if gearbox == "uninterrupted":
        return np.ones(len(gear), dtype=bool)
    entry = toml_table("noisemap.descent", "gearbox.toml")[gearbox]
    return np.asarray(gear > int(entry["unlocked_gears"]["value"]))
