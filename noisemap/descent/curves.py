"""The speed that trucks keep to in curves."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError
from noisemap.units import metres_per_second

FloatArray = npt.NDArray[np.float64]

POINT_MASS = 127.0
"""V^2 = 127 R (e + f) with V in km/h and R in metres: 3.6^2 times gravity, as printed."""

_FASTEST_KMH, _STEP_KMH = 200.0, 0.05  # where radii are tabulated


def side_friction(speed_ms: npt.ArrayLike) -> FloatArray:
    """Side friction that trucks use in curves, by speed.

    The comfort values of road design, but no more than a stated share of the lateral
    acceleration at which a loaded truck rolls over. Linear between the speeds of the
    table, beyond them the end values.

    Parameters
    ----------
    speed_ms : array_like
        Speed. [m/s]

    Returns
    -------
    ndarray
        Side friction as a share of gravity. [1]

    References
    ----------
    curve-design-practice : side friction by design speed
    truck-rollover-practice : rollover threshold of a loaded truck
    own-assumption : share of the threshold that is used

    Examples
    --------
    >>> side_friction([5.0, 22.352]).round(3)
    array([0.175, 0.14 ])
    """
    data = toml_table("noisemap.descent", "curves.toml")
    speeds = [metres_per_second(float(row["speed_mph"])) for row in data["side_friction"]]
    comfort = np.interp(
        np.asarray(speed_ms, dtype=float),
        speeds,
        [float(row["value"]) for row in data["side_friction"]],
    )
    most = float(data["rollover_threshold"]["value"]) * float(data["rollover_share"]["value"])
    return np.asarray(np.minimum(comfort, most))


def curve_speed(radius_m: npt.ArrayLike, superelevation: float) -> FloatArray:
    """Speed of trucks in a curve by the point-mass formula V^2 = 127 R (e + f).

    Parameters
    ----------
    radius_m : array_like
        Radius of the driving line; infinite where the road is straight. [m] Above 0.
    superelevation : float
        Crossfall towards the inside. [1] 0 to 0.12.

    Returns
    -------
    ndarray
        Speed at which superelevation and side friction just hold; infinite where the
        radius asks for no less than 200 km/h. [m/s]

    Raises
    ------
    OutOfDomainError
        For a radius that is not above zero or a superelevation outside its range.

    References
    ----------
    curve-design-practice : point-mass formula

    Examples
    --------
    >>> (3.6 * curve_speed([15.0, 100.0, np.inf], 0.04)).round(1)
    array([20.2, 52.3,  inf])
    """
    radius = np.asarray(radius_m, dtype=float)
    if not (radius > 0.0).all():
        raise OutOfDomainError("curve_speed: radius_m is not allowed (allowed: above 0)")
    if not 0.0 <= superelevation <= 0.12:
        raise OutOfDomainError(
            f"curve_speed: superelevation {superelevation:g} is not allowed (allowed: 0 to 0.12)"
        )
    kmh = np.arange(1, round(_FASTEST_KMH / _STEP_KMH) + 1) * _STEP_KMH
    needed = kmh**2 / (POINT_MASS * (superelevation + side_friction(kmh / 3.6)))
    return np.asarray(np.interp(radius, needed, kmh, right=np.inf) / 3.6)
