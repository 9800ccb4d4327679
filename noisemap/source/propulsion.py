"""Propulsion noise of road vehicles and the sum with the rolling noise."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.levels import energy_sum
from noisemap.source.rolling import (
    PACKAGE,
    Revision,
    coefficients,
    rolling_sound_power,
    speed_kmh,
)
from noisemap.states import VehicleClass

FloatArray = npt.NDArray[np.float64]


def propulsion_sound_power(
    vehicle_class: VehicleClass,
    speed_ms: npt.ArrayLike,
    *,
    grade: npt.ArrayLike = 0.0,
    revision: Revision = "2021",
) -> FloatArray:
    """Sound power level of the propulsion noise of one vehicle.

    For a truck whose retarder is a source of its own, leave the grade at zero: on
    descents the gradient term already stands for the engine braking of the average
    fleet, and both together would count it twice.

    Parameters
    ----------
    vehicle_class : {"light", "medium", "heavy"}
        Categories 1, 2 and 3 of the Directive.
    speed_ms : array_like
        Speed. [m/s] Above 0 to 36.1; below 20 km/h the level of 20 km/h holds.
    grade : array_like
        Rise over length in the driving direction. [1]
    revision : {"2015", "2021"}
        Coefficient set: as first published, or as amended in 2021.

    Returns
    -------
    ndarray
        Sound power level with the bands as an added last axis. [dB]

    Raises
    ------
    OutOfDomainError
        For a speed or a class outside the range.

    References
    ----------
    directive-2015-996 : 2.2.5, LWP = AP + BP (v - 70)/70 + gradient; coefficients recalled

    Examples
    --------
    >>> propulsion_sound_power("heavy", 70 / 3.6)[:2]
    array([108.8, 104.2])
    """
    speed = speed_kmh(speed_ms)
    reference = float(toml_table(PACKAGE, "vehicles.toml")["speed"]["reference_kmh"]["value"])
    a = coefficients(vehicle_class, f"propulsion_a/{revision}")
    b = coefficients(vehicle_class, "propulsion_b")
    level = a + b * (speed[..., None] - reference) / reference
    return np.asarray(level + gradient_term(vehicle_class, speed_ms, grade)[..., None])


def gradient_term(
    vehicle_class: VehicleClass, speed_ms: npt.ArrayLike, grade: npt.ArrayLike
) -> FloatArray:
    """Rise of the propulsion noise on climbs and descents, the same in every band.

    Parameters
    ----------
    vehicle_class : {"light", "medium", "heavy"}
        Categories 1, 2 and 3 of the Directive.
    speed_ms : array_like
        Speed. [m/s]
    grade : array_like
        Rise over length in the driving direction; beyond 12 % the term stays constant. [1]

    Returns
    -------
    ndarray
        Correction. [dB]

    References
    ----------
    directive-2015-996 : 2.2.5, gradient effect; recalled

    Examples
    --------
    >>> round(float(gradient_term("heavy", 70 / 3.6, -0.06)), 6)
    2.4
    """
    speed = speed_kmh(speed_ms)
    slope = 100.0 * np.asarray(grade, dtype=float)
    constants = toml_table(PACKAGE, "vehicles.toml")["gradient"][vehicle_class]
    c = {name: float(entry["value"]) for name, entry in constants.items()}
    down = np.maximum(np.minimum(c["cut"], -slope) - c["down_from"], 0.0) / c["down_divisor"]
    down = down * (c["down_constant"] + c["down_per_speed"] * speed / 100.0)
    up = np.maximum(np.minimum(c["cut"], slope) - c["up_from"], 0.0) / c["up_divisor"]
    return np.asarray(down + up * speed / 100.0)


def vehicle_sound_power(
    vehicle_class: VehicleClass,
    speed_ms: npt.ArrayLike,
    *,
    grade: npt.ArrayLike = 0.0,
    temperature_c: float = 20.0,
    revision: Revision = "2021",
) -> FloatArray:
    """Sound power level of rolling and propulsion noise of one vehicle together.

    Parameters
    ----------
    vehicle_class : {"light", "medium", "heavy"}
        Categories 1, 2 and 3 of the Directive.
    speed_ms : array_like
        Speed. [m/s] Above 0 to 36.1.
    grade : array_like
        Rise over length in the driving direction; zero where a retarder is a source. [1]
    temperature_c : float
        Mean air temperature. [°C]
    revision : {"2015", "2021"}
        Coefficient set.

    Returns
    -------
    ndarray
        Sound power level with the bands as an added last axis. [dB]

    Raises
    ------
    OutOfDomainError
        For a speed or a class outside the range.

    References
    ----------
    rd1513-2005 : annex II, energy sum of both parts

    Examples
    --------
    >>> from noisemap.levels import a_weighted
    >>> round(float(a_weighted(vehicle_sound_power("heavy", 80 / 3.6))), 2)
    111.53
    """
    rolling = rolling_sound_power(
        vehicle_class, speed_ms, temperature_c=temperature_c, revision=revision
    )
    propulsion = propulsion_sound_power(vehicle_class, speed_ms, grade=grade, revision=revision)
    return energy_sum(np.stack(np.broadcast_arrays(rolling, propulsion)), axis=0)
