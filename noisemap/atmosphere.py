"""Absorption of sound by air (ISO 9613-1:1993) and the air pressure at a height."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.bands import EXACT_HZ
from noisemap.checks import require_between
from noisemap.data_tables import toml_table

FloatArray = npt.NDArray[np.float64]


def _number(group: str, name: str) -> float:
    return float(toml_table("noisemap", "atmosphere.toml")[group][name]["value"])


def _domain(name: str) -> float:
    return _number("domain", name)


def _kelvin(temperature: npt.ArrayLike) -> FloatArray:
    checked = require_between(
        "temperature",
        temperature,
        _domain("temperature_low_c"),
        _domain("temperature_high_c"),
        "°C",
        "give degrees Celsius, not kelvin",
    )
    return checked + _number("reference", "celsius_zero_k")


def _humidity(relative_humidity: npt.ArrayLike) -> FloatArray:
    return require_between(
        "relative humidity",
        relative_humidity,
        _domain("humidity_low_percent"),
        _domain("humidity_high_percent"),
        "%",
        "give per cent, 70 and not 0.7",
    )


def _pressure(pressure: npt.ArrayLike) -> FloatArray:
    return require_between(
        "air pressure",
        pressure,
        _domain("pressure_low_kpa"),
        _domain("pressure_high_kpa"),
        "kPa",
        "give kilopascals of the place itself, not reduced to sea level",
    )


def saturation_pressure(temperature: npt.ArrayLike) -> FloatArray:
    """Saturation vapour pressure over water.

    Parameters
    ----------
    temperature : array_like
        Air temperature. [°C] Valid -20 to 50.

    Returns
    -------
    ndarray
        Pressure. [kPa]

    Raises
    ------
    OutOfDomainError
        If the temperature is outside its range.

    References
    ----------
    iso9613-1 : annex B, eq. B.2 and B.3

    Examples
    --------
    >>> round(float(saturation_pressure(20.0)), 3)
    2.337
    """
    kelvin = _kelvin(temperature)
    exponent = _number("saturation", "factor") * (
        _number("saturation", "triple_point_k") / kelvin
    ) ** _number("saturation", "exponent") + _number("saturation", "offset")
    return np.asarray(_number("reference", "pressure_kpa") * 10.0**exponent)


def molar_concentration(
    temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, pressure: npt.ArrayLike
) -> FloatArray:
    """Share of water vapour molecules in the air.

    Parameters
    ----------
    temperature : array_like
        Air temperature. [°C] Valid -20 to 50.
    relative_humidity : array_like
        Relative humidity. [%] Valid 10 to 100.
    pressure : array_like
        Air pressure of the place. [kPa] Valid 50 to 110.

    Returns
    -------
    ndarray
        Concentration. [%]

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range.

    References
    ----------
    iso9613-1 : annex B, eq. B.1

    Examples
    --------
    >>> round(float(molar_concentration(20.0, 70.0, 101.325)), 3)
    1.614
    """
    share = saturation_pressure(temperature) / _pressure(pressure)
    return np.asarray(_humidity(relative_humidity) * share)


def oxygen_relaxation(concentration: npt.ArrayLike, pressure: npt.ArrayLike) -> FloatArray:
    """Relaxation frequency of oxygen.

    Parameters
    ----------
    concentration : array_like
        Molar concentration of water vapour. [%]
    pressure : array_like
        Air pressure of the place. [kPa] Valid 50 to 110.

    Returns
    -------
    ndarray
        Frequency. [Hz]

    Raises
    ------
    OutOfDomainError
        If the pressure is outside its range.

    References
    ----------
    iso9613-1 : 6.2, eq. 3
    """
    h = np.asarray(concentration, dtype=np.float64)
    bracket = _number("oxygen", "base_hz") + _number("oxygen", "slope_hz") * h * (
        _number("oxygen", "numerator") + h
    ) / (_number("oxygen", "denominator") + h)
    return np.asarray(_pressure(pressure) / _number("reference", "pressure_kpa") * bracket)


def nitrogen_relaxation(
    concentration: npt.ArrayLike, temperature: npt.ArrayLike, pressure: npt.ArrayLike
) -> FloatArray:
    """Relaxation frequency of nitrogen.

    Parameters
    ----------
    concentration : array_like
        Molar concentration of water vapour. [%]
    temperature : array_like
        Air temperature. [°C] Valid -20 to 50.
    pressure : array_like
        Air pressure of the place. [kPa] Valid 50 to 110.

    Returns
    -------
    ndarray
        Frequency. [Hz]

    Raises
    ------
    OutOfDomainError
        If temperature or pressure are outside their range.

    References
    ----------
    iso9613-1 : 6.2, eq. 4
    """
    h = np.asarray(concentration, dtype=np.float64)
    ratio = _kelvin(temperature) / _number("reference", "temperature_k")
    cold = np.exp(-_number("nitrogen", "exponent") * (ratio ** (-1.0 / 3.0) - 1.0))
    bracket = _number("nitrogen", "base_hz") + _number("nitrogen", "slope_hz") * h * cold
    scale = _pressure(pressure) / _number("reference", "pressure_kpa")
    return np.asarray(scale * ratio**-0.5 * bracket)


def absorption_coefficient(
    temperature: npt.ArrayLike,
    relative_humidity: npt.ArrayLike,
    pressure: npt.ArrayLike = 101.325,
    frequency: npt.ArrayLike = EXACT_HZ,
) -> FloatArray:
    """Absorption coefficient of air for pure tones.

    The standard's tables belong to exact mid-band frequencies (1000 x 10^(3k/10)),
    the default; the nominal 8000 Hz instead of 7943 Hz gives 1.3 % more.

    Parameters
    ----------
    temperature : array_like
        Air temperature. [°C] Valid -20 to 50.
    relative_humidity : array_like
        Relative humidity. [%] Valid 10 to 100.
    pressure : array_like
        Air pressure of the place, not reduced to sea level. [kPa] Valid 50 to 110.
    frequency : array_like
        Frequencies, the last axis of the answer. [Hz] Valid 50 to 10 000.

    Returns
    -------
    ndarray
        Coefficient; the first three arguments broadcast, frequency is the last axis. [dB/m]

    Raises
    ------
    OutOfDomainError
        If an argument is outside its range.

    References
    ----------
    iso9613-1 : 6.2, eq. 5

    Examples
    --------
    >>> (1000.0 * absorption_coefficient(10.0, 70.0)).round(1).tolist()
    [0.1, 0.4, 1.0, 1.9, 3.7, 9.7, 32.8, 116.9]
    """
    f = require_between(
        "frequency",
        frequency,
        _domain("frequency_low_hz"),
        _domain("frequency_high_hz"),
        "Hz",
    )
    concentration = molar_concentration(temperature, relative_humidity, pressure)
    oxygen = np.expand_dims(oxygen_relaxation(concentration, pressure), -1)
    nitrogen = np.expand_dims(nitrogen_relaxation(concentration, temperature, pressure), -1)
    kelvin = np.expand_dims(_kelvin(temperature), -1)
    scale = np.expand_dims(_pressure(pressure) / _number("reference", "pressure_kpa"), -1)
    ratio = kelvin / _number("reference", "temperature_k")
    classical = _number("classical", "strength") / scale * np.sqrt(ratio)
    of_oxygen = (
        _number("oxygen", "strength")
        * np.exp(-_number("oxygen", "vibration_k") / kelvin)
        / (oxygen + f**2 / oxygen)
    )
    of_nitrogen = (
        _number("nitrogen", "strength")
        * np.exp(-_number("nitrogen", "vibration_k") / kelvin)
        / (nitrogen + f**2 / nitrogen)
    )
    sum_of_parts = classical + ratio**-2.5 * (of_oxygen + of_nitrogen)
    return np.asarray(_number("classical", "db_per_neper") * f**2 * sum_of_parts)


def pressure_at_altitude(altitude: npt.ArrayLike) -> FloatArray:
    """Air pressure of the standard atmosphere.

    Parameters
    ----------
    altitude : array_like
        Height above sea level. [m] Valid -500 to 5500.

    Returns
    -------
    ndarray
        Pressure. [kPa]

    Raises
    ------
    OutOfDomainError
        If the altitude is outside its range.

    References
    ----------
    iso2533 : troposphere, recalled

    Examples
    --------
    >>> round(float(pressure_at_altitude(1500.0)), 1)
    84.6
    """
    height = require_between(
        "altitude",
        altitude,
        _number("standard_atmosphere", "altitude_low_m"),
        _number("standard_atmosphere", "altitude_high_m"),
        "m",
        "give metres above sea level",
    )
    sea_level = _number("standard_atmosphere", "sea_level_k")
    cooling = 1.0 - _number("standard_atmosphere", "lapse_k_per_m") * height / sea_level
    return np.asarray(
        _number("standard_atmosphere", "sea_level_kpa")
        * cooling ** _number("standard_atmosphere", "exponent")
    )
