"""Which gear a truck descends in, and how fast its engine turns."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.descent.truck import TruckModel
from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def engine_speed(speed_ms: npt.ArrayLike, gear: IntArray, truck: TruckModel) -> FloatArray:
    """Engine speed with the driveline engaged.

    Parameters
    ----------
    speed_ms : array_like
        Speed of the truck. [m/s]
    gear : ndarray of int
        Gear, 1 the lowest. [1]
    truck : TruckModel
        The truck.

    Returns
    -------
    ndarray
        Engine speed. [rpm]

    References
    ----------
    own-model : 60 v / (2 pi r) times axle and gear ratio

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> round(float(engine_speed(20.0, np.array(10), packaged_truck("13L"))))
    990
    """
    wheel = 60.0 * np.asarray(speed_ms, dtype=float) / (2.0 * np.pi * truck.tyre_radius_m)
    return np.asarray(wheel * truck.axle_ratio * np.array(truck.gear_ratios)[gear - 1])


def descent_gear(speed_ms: npt.ArrayLike, truck: TruckModel) -> IntArray:
    """Lowest gear that keeps the engine within its highest speed.

    Parameters
    ----------
    speed_ms : array_like
        Highest speed of the truck while in the gear. [m/s]
    truck : TruckModel
        The truck.

    Returns
    -------
    ndarray of int
        Gear, 1 the lowest. [1]

    Raises
    ------
    OutOfDomainError
        If the truck is too fast even for its highest gear.

    References
    ----------
    truck-handbooks : at most 2100 rpm downhill
    own-model : the lowest such gear

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> descent_gear([5.0, 20.1168], packaged_truck("13L"))
    array([4, 8])
    """
    speed = np.asarray(speed_ms, dtype=float)
    all_gears = np.arange(1, len(truck.gear_ratios) + 1)
    within = engine_speed(speed[..., None], all_gears, truck) <= truck.highest_speed_rpm
    if not within[..., -1].all():
        raise OutOfDomainError(
            f"truck {truck.name!r}: {float(np.max(speed)):.4g} m/s is not allowed: the engine "
            f"would exceed {truck.highest_speed_rpm:g} rpm in the highest gear; lower the speed"
        )
    return np.asarray(np.argmax(within, axis=-1) + 1)
