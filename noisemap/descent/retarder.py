"""How much power the engine, with or without its retarder, takes from the wheels."""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from noisemap.descent.truck import TruckModel
from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]
PowerRule = Literal["lower", "published", "model"]

POWER_RULES: tuple[PowerRule, ...] = get_args(PowerRule)


def friction_power(engine_speed_rpm: npt.ArrayLike, truck: TruckModel) -> FloatArray:
    """Power of the motoring engine without any retarder.

    Parameters
    ----------
    engine_speed_rpm : array_like
        Engine speed. [rpm]
    truck : TruckModel
        The truck.

    Returns
    -------
    ndarray
        Power. [W]

    References
    ----------
    own-model : (f0 + f1 n) Vd n / 120 with f0 1.0 bar, f1 0.58 bar per 1000 rpm

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> round(float(friction_power(2100.0, packaged_truck("13L"))))
    49683
    """
    n = np.asarray(engine_speed_rpm, dtype=float)
    pressure = truck.friction_constant_bar + truck.friction_per_1000_rpm_bar * n / 1000.0
    return np.asarray(pressure * 1e5 * truck.displacement_l * 1e-3 * n / 120.0)


def published_power(
    engine_speed_rpm: npt.ArrayLike, cylinders: int, truck: TruckModel
) -> FloatArray:
    """Retarding power by the published range of rated powers, friction included.

    Parameters
    ----------
    engine_speed_rpm : array_like
        Engine speed. [rpm]
    cylinders : int
        Braking cylinders: 0 or a position of the truck's switch. [1]
    truck : TruckModel
        The truck.

    Returns
    -------
    ndarray
        Power. [W]

    Raises
    ------
    OutOfDomainError
        If the switch has no such position.

    References
    ----------
    own-model : Pf + s max(0, P (n/2100)^1.5 - Pf), s a third for each switch position
    engine-practice : rated powers and their fall with engine speed

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> round(float(published_power(1500.0, 4, packaged_truck("13L"))) / 745.7)
    174
    """
    share = (_position(cylinders, truck) + 1) / len(truck.retarder.switch_cylinders)
    friction = friction_power(engine_speed_rpm, truck)
    relative = np.asarray(engine_speed_rpm, dtype=float) / truck.highest_speed_rpm
    full = truck.retarder.published_power_kw * 1e3 * relative**truck.retarder.published_exponent
    return np.asarray(friction + share * np.maximum(full - friction, 0.0))


def model_power(engine_speed_rpm: npt.ArrayLike, cylinders: int, truck: TruckModel) -> FloatArray:
    """Retarding power by the source model's own table, friction included.

    Between the nodes of the table the power is linear; beyond them it goes on as the
    power law through the two nearest nodes.

    Parameters
    ----------
    engine_speed_rpm : array_like
        Engine speed. [rpm]
    cylinders : int
        Braking cylinders: 0 or a position of the truck's switch. [1]
    truck : TruckModel
        The truck.

    Returns
    -------
    ndarray
        Power. [W]

    Raises
    ------
    OutOfDomainError
        If the switch has no such position.

    References
    ----------
    exhaust-model : indicated retarding power by engine speed and braking cylinders
    own-assumption : power laws beyond the table

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> round(float(model_power(1200.0, 6, packaged_truck("13L"))) / 745.7)
    144
    """
    n = np.asarray(engine_speed_rpm, dtype=float)
    friction = friction_power(n, truck)
    position = _position(cylinders, truck)
    if position < 0:
        return friction
    nodes = np.array(truck.retarder.model_speed_rpm)
    power = np.array(truck.retarder.model_power_kw[position]) * 1e3
    indicated = np.interp(n, nodes, power)
    for end, outside in (((0, 1), n < nodes[0]), ((-1, -2), n > nodes[-1])):
        exponent = np.log(power[end[0]] / power[end[1]]) / np.log(nodes[end[0]] / nodes[end[1]])
        indicated = np.where(outside, power[end[0]] * (n / nodes[end[0]]) ** exponent, indicated)
    return np.asarray(friction + indicated)


def retarding_power(
    engine_speed_rpm: npt.ArrayLike,
    cylinders: int,
    truck: TruckModel,
    rule: PowerRule = "lower",
) -> FloatArray:
    """Retarding power of the engine at a switch position, friction included.

    Parameters
    ----------
    engine_speed_rpm : array_like
        Engine speed; below the retarder's lowest speed only friction is left. [rpm]
    cylinders : int
        Braking cylinders: 0 or a position of the truck's switch. [1]
    truck : TruckModel
        The truck.
    rule : {"lower", "published", "model"}
        The lower of both curves, which is cautious for brakes, or one of them.

    Returns
    -------
    ndarray
        Power. [W]

    Raises
    ------
    OutOfDomainError
        If the switch has no such position or the rule is unknown.

    References
    ----------
    engine-practice : the published curve
    exhaust-model : the model curve
    truck-handbooks : no retarder below 900 rpm

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> [round(float(retarding_power(n, 6, packaged_truck("13L"))) / 745.7) for n in (800, 1800)]
    [17, 300]
    """
    curves = {"published": published_power, "model": model_power}
    if rule not in POWER_RULES:
        raise OutOfDomainError(
            f"retarding power: rule {rule!r} is not allowed (allowed: {', '.join(POWER_RULES)})"
        )
    names = ("published", "model") if rule == "lower" else (rule,)
    values = [curves[name](engine_speed_rpm, cylinders, truck) for name in names]
    engaged = np.asarray(engine_speed_rpm, dtype=float) >= truck.retarder.lowest_speed_rpm
    return np.where(engaged, np.min(values, axis=0), friction_power(engine_speed_rpm, truck))


def throttle_power(engine_speed_rpm: npt.ArrayLike, truck: TruckModel) -> FloatArray:
    """Retarding power of the engine behind a closed exhaust throttle, friction included.

    Parameters
    ----------
    engine_speed_rpm : array_like
        Engine speed; below the retarder's lowest speed only friction is left. [rpm]
    truck : TruckModel
        The truck.

    Returns
    -------
    ndarray
        Power. [W]

    References
    ----------
    engine-brake-talk-2008 : about three times the friction power

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> round(float(throttle_power(2100.0, packaged_truck("13L"))))
    149050
    """
    friction = friction_power(engine_speed_rpm, truck)
    engaged = np.asarray(engine_speed_rpm, dtype=float) >= truck.retarder.lowest_speed_rpm
    return np.where(engaged, truck.retarder.throttle_over_friction * friction, friction)


def driveline_power(speed_ms: npt.ArrayLike, truck: TruckModel) -> FloatArray:
    """Power of a retarder on the propeller shaft, the engine's friction not included.

    Parameters
    ----------
    speed_ms : array_like
        Speed of the truck. [m/s]
    truck : TruckModel
        The truck.

    Returns
    -------
    ndarray
        Power. [W]

    References
    ----------
    engine-practice : torque
    own-assumption : the power its cooling carries

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> round(float(driveline_power(10.0, packaged_truck("13L"))))
    213000
    """
    shaft = np.asarray(speed_ms, dtype=float) / truck.tyre_radius_m * truck.axle_ratio
    torque_power = truck.retarder.driveline_torque_nm * shaft
    return np.asarray(np.minimum(torque_power, truck.retarder.driveline_power_kw * 1e3))


def _position(cylinders: int, truck: TruckModel) -> int:
    positions = truck.retarder.switch_cylinders
    if cylinders == 0:
        return -1
    if cylinders not in positions:
        raise OutOfDomainError(
            f"truck {truck.name!r}: {cylinders} braking cylinders are not allowed "
            f"(allowed: 0, {', '.join(map(str, positions))})"
        )
    return positions.index(cylinders)
