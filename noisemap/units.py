"""Conversions between the SI units used inside and the US units at the edges."""

from __future__ import annotations

FOOT_M = 0.3048
US_SURVEY_FOOT_M = 1200.0 / 3937.0
MILE_M = 1609.344
POUND_KG = 0.45359237
HORSEPOWER_W = 745.6998715822702
STANDARD_GRAVITY = 9.80665


def fahrenheit(celsius: float) -> float:
    """Temperature in degrees Fahrenheit.

    >>> fahrenheit(260.0)
    500.0
    """
    return celsius * 9.0 / 5.0 + 32.0


def celsius(fahrenheit_value: float) -> float:
    """Temperature in degrees Celsius.

    >>> celsius(500.0)
    260.0
    """
    return (fahrenheit_value - 32.0) * 5.0 / 9.0


def mph(metres_per_second: float) -> float:
    """Speed in miles per hour.

    >>> round(mph(20.1168), 3)
    45.0
    """
    return metres_per_second * 3600.0 / MILE_M


def metres_per_second(mph_value: float) -> float:
    """Speed in metres per second from miles per hour.

    >>> round(metres_per_second(45.0), 6)
    20.1168
    """
    return mph_value * MILE_M / 3600.0


def show_length(metres: float, units: str) -> str:
    """Length as text in the reader's units.

    >>> show_length(1609.344, "us"), show_length(152.4, "us"), show_length(1500.0, "metric")
    ('1.0 mi', '500 ft', '1.5 km')
    """
    if units == "us":
        miles = metres / MILE_M
        return f"{miles:.1f} mi" if abs(miles) >= 0.5 else f"{metres / FOOT_M:.0f} ft"
    return f"{metres / 1000.0:.1f} km" if abs(metres) >= 1000.0 else f"{metres:.0f} m"


def show_temperature(celsius_value: float, units: str) -> str:
    """Temperature as text in the reader's units.

    >>> show_temperature(260.0, "us"), show_temperature(260.0, "metric")
    ('500 °F', '260 °C')
    """
    if units == "us":
        return f"{fahrenheit(celsius_value):.0f} °F"
    return f"{celsius_value:.0f} °C"


def show_both(celsius_value: float, units: str) -> str:
    """Temperature as text in both units, the reader's own first.

    >>> show_both(260.0, "us"), show_both(260.0, "metric")
    ('500 °F (260 °C)', '260 °C (500 °F)')
    """
    other = "metric" if units == "us" else "us"
    own = show_temperature(celsius_value, units)
    return f"{own} ({show_temperature(celsius_value, other)})"


def show_speed(speed_ms: float, units: str) -> str:
    """Speed as text in the reader's units.

    >>> show_speed(20.1168, "us"), show_speed(20.0, "metric")
    ('45 mph', '72 km/h')
    """
    if units == "us":
        return f"{mph(speed_ms):.0f} mph"
    return f"{speed_ms * 3.6:.0f} km/h"


def show_mass(mass_kg: float, units: str) -> str:
    """Mass as text in the reader's units.

    >>> show_mass(36287.4, "us"), show_mass(36287.4, "metric")
    ('80,000 lb', '36.3 t')
    """
    if units == "us":
        return f"{round(mass_kg / POUND_KG, -2):,.0f} lb"
    return f"{mass_kg / 1000.0:.1f} t"
