"""Quasi-steady gas flow through valves and nozzles."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between, require_positive
from noisemap.source.gas_kernel import _flow_function

FloatArray = npt.NDArray[np.float64]


def critical_ratio(gamma: float) -> float:
    """Pressure ratio at and below which an orifice chokes.

    Parameters
    ----------
    gamma : float
        Ratio of specific heats. [1] Above 1 to 1.67.

    Returns
    -------
    float
        Downstream over upstream stagnation pressure. [1]

    Raises
    ------
    OutOfDomainError
        If gamma is outside its range.

    References
    ----------
    orifice-flow : critical pressure ratio

    Examples
    --------
    >>> round(critical_ratio(1.4), 6)
    0.528282
    """
    g = float(require_between("ratio of specific heats", gamma, 1.0001, 1.67, "1"))
    return float((2.0 / (g + 1.0)) ** (g / (g - 1.0)))


def flow_function(pressure_ratio: npt.ArrayLike, gamma: float) -> FloatArray:
    """Dimensionless mass flow through an orifice.

    Parameters
    ----------
    pressure_ratio : array_like
        Downstream over upstream stagnation pressure. [1] 0 to 1. The last hundredth
        below 1 is linear, which removes the infinite slope there.
    gamma : float
        Ratio of specific heats. [1]

    Returns
    -------
    ndarray
        Mass flow times sqrt(R T0) over area and upstream pressure. [1]

    Raises
    ------
    OutOfDomainError
        If the ratio is outside 0 to 1.

    References
    ----------
    orifice-flow : St Venant-Wantzel, choked and unchoked

    Examples
    --------
    >>> round(float(flow_function(0.8, 1.4)), 6), round(float(flow_function(0.2, 1.4)), 6)
    (0.560661, 0.684731)
    """
    critical_ratio(gamma)
    ratio = require_between("pressure ratio", pressure_ratio, 0.0, 1.0, "1")
    flat = [_flow_function(value, gamma) for value in np.ravel(ratio)]
    return np.array(flat).reshape(ratio.shape)


def mass_flow(
    area_m2: float,
    pressure_pa: float,
    temperature_k: float,
    back_pressure_pa: float,
    *,
    gamma: float,
    gas_constant: float,
) -> float:
    """Mass flow through an orifice, negative when the back pressure is the higher.

    Parameters
    ----------
    area_m2 : float
        Effective area, discharge coefficient included. [m2]
    pressure_pa : float
        Stagnation pressure inside. [Pa] Above 0.
    temperature_k : float
        Stagnation temperature of the side the gas comes from. [K] Above 0.
    back_pressure_pa : float
        Pressure outside. [Pa] Above 0.
    gamma : float
        Ratio of specific heats. [1]
    gas_constant : float
        Gas constant. [J/(kg K)]

    Returns
    -------
    float
        Mass flow. [kg/s]

    Raises
    ------
    OutOfDomainError
        If a pressure or the temperature is not above zero.

    References
    ----------
    orifice-flow : St Venant-Wantzel, from the higher pressure to the lower

    Examples
    --------
    >>> flow = mass_flow(0.7e-4, 30e5, 800.0, 1e5, gamma=1.4, gas_constant=287.05)
    >>> round(flow, 6)
    0.300065
    """
    inside = float(require_positive("pressure", pressure_pa, "Pa"))
    outside = float(require_positive("back pressure", back_pressure_pa, "Pa"))
    temperature = float(require_positive("temperature", temperature_k, "K"))
    high, low = max(inside, outside), min(inside, outside)
    size = area_m2 * high / np.sqrt(gas_constant * temperature)
    flow = float(size * flow_function(low / high, gamma))
    return flow if inside >= outside else -flow


def blowdown_pressure(
    time_s: npt.ArrayLike,
    pressure_pa: float,
    temperature_k: float,
    volume_m3: float,
    area_m2: float,
    *,
    gamma: float,
    gas_constant: float,
) -> FloatArray:
    """Pressure in a rigid adiabatic vessel that empties through a choked orifice.

    Parameters
    ----------
    time_s : array_like
        Time since opening. [s] While the flow is choked.
    pressure_pa : float
        Pressure at the start. [Pa]
    temperature_k : float
        Temperature at the start. [K]
    volume_m3 : float
        Volume. [m3]
    area_m2 : float
        Effective area. [m2]
    gamma : float
        Ratio of specific heats. [1]
    gas_constant : float
        Gas constant. [J/(kg K)]

    Returns
    -------
    ndarray
        Pressure. [Pa]

    Raises
    ------
    OutOfDomainError
        If a size is not above zero.

    References
    ----------
    orifice-flow : closed form, p/p0 = (1 + (g-1)/2 K t)^(-2g/(g-1))

    Examples
    --------
    >>> p = blowdown_pressure(1e-3, 40e5, 800.0, 1e-3, 1e-4, gamma=1.4, gas_constant=287.05)
    >>> round(float(p) / 1e5, 6)
    38.209781
    """
    require_positive("volume", volume_m3, "m3")
    temperature = float(require_positive("temperature", temperature_k, "K"))
    sound = np.sqrt(gamma * gas_constant * temperature)
    rate = area_m2 * sound / volume_m3 * critical_ratio(gamma) ** ((gamma + 1.0) / (2.0 * gamma))
    shrink = 1.0 + 0.5 * (gamma - 1.0) * rate * np.asarray(time_s, dtype=float)
    return np.asarray(pressure_pa * shrink ** (-2.0 * gamma / (gamma - 1.0)))


__all__ = ["blowdown_pressure", "critical_ratio", "flow_function", "mass_flow"]
