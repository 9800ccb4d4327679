"""Rolling noise of road vehicles: tyres on the Directive's reference surface."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from noisemap.bands import COLUMNS
from noisemap.data_tables import band_row, toml_table
from noisemap.errors import OutOfDomainError
from noisemap.states import VEHICLE_CLASSES, VehicleClass

FloatArray = npt.NDArray[np.float64]
Revision = Literal["2015", "2021"]

PACKAGE = "noisemap.source"


def rolling_sound_power(
    vehicle_class: VehicleClass,
    speed_ms: npt.ArrayLike,
    *,
    temperature_c: float = 20.0,
    revision: Revision = "2021",
) -> FloatArray:
    """Sound power level of the rolling noise of one vehicle.

    Parameters
    ----------
    vehicle_class : {"light", "medium", "heavy"}
        Categories 1, 2 and 3 of the Directive.
    speed_ms : array_like
        Speed. [m/s] Above 0 to 36.1 (130 km/h); below 20 km/h the level of 20 km/h holds.
    temperature_c : float
        Mean air temperature. [°C]
    revision : {"2015", "2021"}
        Coefficient set: as first published, or as amended in 2021. The amended set of
        the medium class is the first set raised by the heavy class's differences.

    Returns
    -------
    ndarray
        Sound power level with the bands as an added last axis. [dB]

    Raises
    ------
    OutOfDomainError
        For a speed or a class outside the range above.

    References
    ----------
    directive-2015-996 : 2.2.4, LWR = AR + BR lg(v/70); coefficients recalled
    rd1513-2005 : annex II, speed floor, reference conditions

    Examples
    --------
    >>> rolling_sound_power("heavy", 70 / 3.6)[:2]
    array([91.7, 96.2])
    """
    speed = speed_kmh(speed_ms)[..., None]
    a = coefficients(vehicle_class, f"rolling_a/{revision}")
    b = coefficients(vehicle_class, "rolling_b")
    base = a + b * np.log10(speed / _constant("speed", "reference_kmh"))
    return np.asarray(base + temperature_correction(vehicle_class, temperature_c))


def temperature_correction(vehicle_class: VehicleClass, temperature_c: float) -> float:
    """Correction of the rolling noise for the air temperature.

    Parameters
    ----------
    vehicle_class : {"light", "medium", "heavy"}
        Categories 1, 2 and 3 of the Directive.
    temperature_c : float
        Mean air temperature. [°C]

    Returns
    -------
    float
        Correction, the same in every band. [dB]

    References
    ----------
    rd1513-2005 : annex II, K (20 °C - temperature), rolling only

    Examples
    --------
    >>> round(temperature_correction("heavy", 5.0), 3)
    0.6
    """
    table = toml_table(PACKAGE, "vehicles.toml")["temperature"]
    slope = float(table["db_per_c"][_checked_class(vehicle_class)]["value"])
    return slope * (float(table["reference_c"]["value"]) - temperature_c)


def speed_kmh(speed_ms: npt.ArrayLike) -> FloatArray:
    """Speed for the emission formulas, with the Directive's lower bound applied.

    Parameters
    ----------
    speed_ms : array_like
        Speed. [m/s] Above 0 to 36.1.

    Returns
    -------
    ndarray
        Speed, at least 20. [km/h]

    Raises
    ------
    OutOfDomainError
        If a speed is not a number, not above zero, or above 130 km/h.

    References
    ----------
    rd1513-2005 : annex II, 20 km/h for every lower speed

    Examples
    --------
    >>> speed_kmh([1.0, 10.0])
    array([20., 36.])
    """
    speed = np.asarray(speed_ms, dtype=float) * 3.6
    highest = _constant("speed", "highest_kmh")
    if not np.all((speed > 0.0) & (speed <= highest * (1.0 + 1e-9))):
        worst = speed[~((speed > 0.0) & (speed <= highest * (1.0 + 1e-9)))].flat[0]
        raise OutOfDomainError(
            f"vehicle emission: speed {worst:.6g} km/h is not allowed "
            f"(allowed: above 0 to {highest:g} km/h); cap the speed and report it"
        )
    return np.asarray(np.maximum(speed, _constant("speed", "floor_kmh")))


def coefficients(vehicle_class: VehicleClass, name: str) -> FloatArray:
    """Band coefficients of a vehicle class, such as `rolling_a/2021`.

    Parameters
    ----------
    vehicle_class : {"light", "medium", "heavy"}
        Categories 1, 2 and 3 of the Directive.
    name : str
        `rolling_a/2015`, `rolling_a/2021`, `rolling_b`, or the same for `propulsion`.

    Returns
    -------
    ndarray
        Eight coefficients. [dB]

    Raises
    ------
    OutOfDomainError
        If the class or the coefficient is not in the table.

    References
    ----------
    directive-2015-996 : Table F-1, recalled

    Examples
    --------
    >>> coefficients("heavy", "rolling_b")[:3]
    array([30. , 33.5, 31.3])
    """
    key = f"{_checked_class(vehicle_class)}/{name}"
    try:
        return band_row(PACKAGE, "coefficients.csv", key, COLUMNS)
    except KeyError as error:
        raise OutOfDomainError(f"vehicle emission: {error.args[0]}") from None


def _checked_class(vehicle_class: str) -> str:
    if vehicle_class not in VEHICLE_CLASSES:
        raise OutOfDomainError(
            f"vehicle class {vehicle_class!r} is not allowed "
            f"(allowed: {', '.join(VEHICLE_CLASSES)})"
        )
    return vehicle_class


def _constant(group: str, name: str) -> float:
    return float(toml_table(PACKAGE, "vehicles.toml")[group][name]["value"])
