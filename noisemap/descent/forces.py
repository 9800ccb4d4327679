"""What pulls a truck downhill and what holds it without anybody braking."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.units import HORSEPOWER_W, MILE_M, POUND_KG, STANDARD_GRAVITY

FloatArray = npt.NDArray[np.float64]


def gravity_force(mass_kg: npt.ArrayLike, slope: npt.ArrayLike) -> FloatArray:
    """Pull of the grade along the road.

    Parameters
    ----------
    mass_kg : array_like
        Mass of the truck. [kg]
    slope : array_like
        Fall over horizontal length, positive downhill. [1]

    Returns
    -------
    ndarray
        Force, positive downhill. [N]

    References
    ----------
    own-model : m g sin(atan slope)

    Examples
    --------
    >>> round(float(gravity_force(1000.0, 0.06)), 3)
    587.343
    """
    return np.asarray(np.asarray(mass_kg) * STANDARD_GRAVITY * np.sin(np.arctan(slope)))


def rolling_force(
    mass_kg: npt.ArrayLike, slope: npt.ArrayLike, rolling_resistance: float
) -> FloatArray:
    """Resistance of the rolling tyres.

    Parameters
    ----------
    mass_kg : array_like
        Mass of the truck. [kg]
    slope : array_like
        Fall over horizontal length. [1]
    rolling_resistance : float
        Resistance over load. [1]

    Returns
    -------
    ndarray
        Force against the motion. [N]

    References
    ----------
    own-model : Crr m g cos
    nap-13288 : values of Crr

    Examples
    --------
    >>> round(float(rolling_force(1000.0, 0.0, 0.0068)), 3)
    66.685
    """
    normal = np.asarray(mass_kg) * STANDARD_GRAVITY * np.cos(np.arctan(slope))
    return np.asarray(rolling_resistance * normal)


def air_force(speed_ms: npt.ArrayLike, drag_area_m2: float) -> FloatArray:
    """Air drag in still air.

    Parameters
    ----------
    speed_ms : array_like
        Speed. [m/s]
    drag_area_m2 : float
        Drag coefficient times front area. [m2]

    Returns
    -------
    ndarray
        Force against the motion. [N]

    References
    ----------
    own-model : rho CdA v^2 / 2
    nap-13288 : values of Cd

    Examples
    --------
    >>> float(air_force(10.0, 6.3))
    378.0
    """
    density = float(toml_table("noisemap.descent", "presets.toml")["air_density_kg_m3"]["value"])
    return np.asarray(0.5 * density * drag_area_m2 * np.asarray(speed_ms, dtype=float) ** 2)


def federal_gravity_force(mass_kg: npt.ArrayLike, slope: npt.ArrayLike) -> FloatArray:
    """Pull of the grade with the small-angle rule of the federal model.

    Parameters
    ----------
    mass_kg : array_like
        Mass of the truck. [kg]
    slope : array_like
        Fall over length, positive downhill. [1]

    Returns
    -------
    ndarray
        Force, positive downhill. [N]

    References
    ----------
    grade-severity : W theta

    Examples
    --------
    >>> round(float(federal_gravity_force(1000.0, 0.06)), 3)
    588.399
    """
    return np.asarray(np.asarray(mass_kg) * STANDARD_GRAVITY * np.asarray(slope, dtype=float))


def federal_drag_force(speed_ms: npt.ArrayLike) -> FloatArray:
    """Drag of every truck in the federal model, whatever its weight.

    Parameters
    ----------
    speed_ms : array_like
        Speed. [m/s]

    Returns
    -------
    ndarray
        Force against the motion. [N]

    References
    ----------
    grade-severity : 450 + 17.25 V pounds, V in miles an hour

    Examples
    --------
    >>> round(float(federal_drag_force(20.1168)), 1)
    5454.6
    """
    federal = toml_table("noisemap.descent", "presets.toml")["federal"]
    speed_mph = np.asarray(speed_ms, dtype=float) * 3600.0 / MILE_M
    pounds = federal["drag_constant_lb"]["value"] + federal["drag_per_mph_lb"]["value"] * speed_mph
    return np.asarray(pounds * POUND_KG * STANDARD_GRAVITY)


def federal_engine_power() -> float:
    """Power an engine takes up in the federal model, at every speed.

    Returns
    -------
    float
        Power. [W]

    References
    ----------
    grade-severity : 73 hp

    Examples
    --------
    >>> round(federal_engine_power())
    54436
    """
    federal = toml_table("noisemap.descent", "presets.toml")["federal"]
    return float(federal["engine_hp"]["value"]) * HORSEPOWER_W
