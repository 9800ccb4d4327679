"""The cycle of one cylinder: volume, valves, heat loss, the release event, friction."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.integrate import solve_ivp
from scipy.optimize import minimize_scalar

from noisemap.checks import require_between, require_positive
from noisemap.errors import NoisemapError
from noisemap.source.engine_family import Engine
from noisemap.source.engine_kernel import (
    CYLINDERS,
    Gas,
    Geometry,
    Lift,
    Sources,
    _cylinder_rates,
    _flow_area,
    _lift,
    _volume,
    _wall_transfer,
)

FloatArray = npt.NDArray[np.float64]

NO_VALVE = Lift(0.0, 1.0, 2.0, 3.0, 0.0, 0.0, 0.0, 0.0, 0.0)
RELATIVE_TOLERANCE = 1e-10


@dataclass(frozen=True)
class ReleaseEvent:
    """Outcome of one compression release against a constant back pressure."""

    peak_pressure_pa: float
    peak_angle_deg: float
    initial_mass_kg: float
    released_mass_kg: float
    work_j: float
    peak_flow_kg_s: float
    final_pressure_pa: float
    energy_residual_j: float


def cylinder_volume(angle_deg: npt.ArrayLike, geometry: Geometry) -> FloatArray:
    """Volume of a cylinder at a crank angle.

    Parameters
    ----------
    angle_deg : array_like
        Crank angle after top dead centre. [deg]
    geometry : Geometry
        Bore, crank radius, rod, clearance volume.

    Returns
    -------
    ndarray
        Volume. [m3]

    References
    ----------
    own-model : slider and crank

    Examples
    --------
    >>> from noisemap.source.engine_family import packaged_engine
    >>> volume = cylinder_volume([0.0, 90.0, 180.0], packaged_engine("15L").geometry)
    >>> [round(float(v) * 1e6, 2) for v in volume]
    [155.7, 1607.71, 2646.96]
    """
    angle = np.asarray(angle_deg, dtype=float)
    return np.array([_volume(value, geometry)[0] for value in angle.ravel()]).reshape(angle.shape)


def valve_lift(angle_deg: npt.ArrayLike, lift: Lift) -> FloatArray:
    """Lift of a valve at a crank angle.

    Parameters
    ----------
    angle_deg : array_like
        Crank angle after firing top dead centre. [deg]
    lift : Lift
        Opening, full lift, end of hold, closing, peak lift, lash.

    Returns
    -------
    ndarray
        Lift: raised-cosine flanks and a hold, less the lash. [m]

    References
    ----------
    exhaust-model : shape of the lift

    Examples
    --------
    >>> from noisemap.source.engine_family import packaged_engine
    >>> lift = valve_lift([-55.0, -32.5, 0.0], packaged_engine("15L").brake)
    >>> [round(float(value) * 1e3, 3) for value in lift]
    [0.0, 1.075, 2.15]
    """
    angle = np.asarray(angle_deg, dtype=float)
    return np.array([_lift(value, lift) for value in angle.ravel()]).reshape(angle.shape)


def wall_heat_transfer(
    volume_m3: float, pressure_pa: float, temperature_k: float, piston_speed_ms: float
) -> float:
    """Heat transfer coefficient between the gas in a cylinder and its walls.

    Parameters
    ----------
    volume_m3 : float
        Volume of the cylinder. [m3] Above 0.
    pressure_pa : float
        Pressure. [Pa] Above 0.
    temperature_k : float
        Temperature of the gas. [K] Above 0.
    piston_speed_ms : float
        Mean piston speed. [m/s] 0 and above.

    Returns
    -------
    float
        Coefficient in W/(m2 K). [1]

    Raises
    ------
    OutOfDomainError
        If a state is not above zero.

    References
    ----------
    hohenberg-1979 : h = 130 V^-0.06 p^0.8 T^-0.4 (v + 1.4)^0.8, p in bar

    Examples
    --------
    >>> round(wall_heat_transfer(1e-3, 1e5, 400.0, 10.0), 1)
    125.5
    """
    volume = float(require_positive("volume", volume_m3, "m3"))
    pressure = float(require_positive("pressure", pressure_pa, "Pa"))
    temperature = float(require_positive("temperature", temperature_k, "K"))
    speed = float(require_between("mean piston speed", piston_speed_ms, 0.0, 40.0, "m/s"))
    return float(_wall_transfer(volume, pressure, temperature, speed))


def release_event(
    geometry: Geometry,
    brake: Lift,
    gas: Gas,
    *,
    engine_speed_rpm: float,
    initial_pressure_pa: float,
    initial_temperature_k: float,
    back_pressure_pa: float,
    start_deg: float = -140.0,
    end_deg: float = 130.0,
    seat_share: float = 1.0,
) -> ReleaseEvent:
    """One compression and release of an adiabatic cylinder, integrated to high order.

    Gas that flows back enters at the momentary temperature of the cylinder.

    Parameters
    ----------
    geometry : Geometry
        The cylinder.
    brake : Lift
        The braking valve.
    gas : Gas
        Ratio of specific heats and gas constant.
    engine_speed_rpm : float
        Engine speed. [rpm] Above 0.
    initial_pressure_pa : float
        Pressure at the start. [Pa]
    initial_temperature_k : float
        Temperature at the start. [K]
    back_pressure_pa : float
        Pressure behind the valve. [Pa]
    start_deg : float
        Start, intake closed. [deg]
    end_deg : float
        End, before the main exhaust opens. [deg]
    seat_share : float
        Largest flow area as a share of the valve's disc. [1]

    Returns
    -------
    ReleaseEvent
        Peak pressure, masses, work and the residual of the energy balance.

    Raises
    ------
    OutOfDomainError
        If the speed or a pressure is not above zero.
    NoisemapError
        If the integration fails.

    References
    ----------
    exhaust-model : check of the cylinder event
    orifice-flow : flow through the valve
    """
    speed = np.pi * float(require_positive("engine speed", engine_speed_rpm, "rpm")) / 30.0
    pressure = float(require_positive("initial pressure", initial_pressure_pa, "Pa"))
    temperature = float(require_positive("initial temperature", initial_temperature_k, "K"))
    back = float(require_positive("back pressure", back_pressure_pa, "Pa"))
    sources = Sources(pressure, temperature, temperature, 0.0)
    parts = (geometry, brake, NO_VALVE, NO_VALVE, seat_share)
    volume = _volume(start_deg, geometry)[0]
    mass = pressure * volume / (gas.constant * temperature)
    energy = pressure * volume / (gas.gamma - 1.0)
    out = np.zeros(9)

    def momentary(angle: float, state: FloatArray) -> None:
        own = (gas.gamma - 1.0) * state[1] / (state[0] * gas.constant)
        _cylinder_rates(angle, speed, state[0], state[1], 1.0, back, own, parts, sources, gas, out)

    def rates(angle: float, state: FloatArray) -> list[float]:
        momentary(angle, state)
        per_degree = np.pi / 180.0 / speed
        return [
            out[0] * per_degree, out[1] * per_degree, out[3] * per_degree, out[6] * per_degree,
        ]  # fmt: skip

    # Corners of the lift profile end a step, so that the order of the scheme holds.
    corners = [brake.opens, brake.full, brake.hold_ends, brake.closes]
    stops = [start_deg, *[c for c in corners if start_deg < c < end_deg], end_deg]
    state = np.array([mass, energy, 0.0, 0.0])
    parts_of_path = []
    for begin, end in pairwise(stops):
        solved = solve_ivp(
            rates, (begin, end), state, method="DOP853", rtol=RELATIVE_TOLERANCE,
            atol=[mass * 1e-12, energy * 1e-12, energy * 1e-12, energy * 1e-12],
            dense_output=True, max_step=2.0,
        )  # fmt: skip
        if not solved.success:
            raise NoisemapError(f"release event: {solved.message}")
        state = solved.y[:, -1]
        parts_of_path.append((begin, end, solved.sol))

    def at(angle: float, quantity: int) -> float:
        for begin, end, path in parts_of_path:
            if begin <= angle <= end:
                momentary(angle, path(angle))
                break
        return float(out[quantity])

    peak_angle, peak = _largest(lambda angle: at(angle, 5), start_deg, end_deg)
    _, peak_flow = _largest(lambda angle: at(angle, 2), start_deg, end_deg)
    return ReleaseEvent(
        peak,
        peak_angle,
        mass,
        mass - float(state[0]),
        float(state[3]),
        peak_flow,
        at(end_deg, 5),
        float(state[1] - energy + state[2] + state[3]),
    )


def friction_power(engine: Engine, engine_speed_rpm: npt.ArrayLike) -> FloatArray:
    """Friction power of the whole engine.

    Parameters
    ----------
    engine : Engine
        The engine.
    engine_speed_rpm : array_like
        Engine speed. [rpm]

    Returns
    -------
    ndarray
        Power. [W]

    References
    ----------
    engine-practice : mean effective friction pressure 0.6 bar + 0.12 bar a metre per second

    Examples
    --------
    >>> from noisemap.source.engine_family import packaged_engine
    >>> round(float(friction_power(packaged_engine("15L"), 2100.0)) / 1e3)
    53
    """
    speed = np.asarray(engine_speed_rpm, dtype=float)
    constant, slope = engine.friction_bar
    piston_speed = speed / 30.0 * 2.0 * engine.geometry.crank
    pressure = 1e5 * (constant + slope * piston_speed)
    return np.asarray(pressure * engine.displacement_m3 * speed / 120.0)


def closed_cycle_bound(
    geometry: Geometry,
    *,
    engine_speed_rpm: float,
    boost_pa: float,
    exponent: float = 1.35,
    closing_deg: float = -140.0,
) -> float:
    """Largest power that the closed cycles of six cylinders can take up.

    The gas is compressed to top dead centre and released there at once to a manifold
    at boost pressure, in which the piston then runs back.

    Parameters
    ----------
    geometry : Geometry
        The cylinder.
    engine_speed_rpm : float
        Engine speed. [rpm]
    boost_pa : float
        Absolute boost pressure. [Pa]
    exponent : float
        Polytropic exponent. [1]
    closing_deg : float
        Closing of the intake. [deg]

    Returns
    -------
    float
        Power. [W]

    References
    ----------
    own-model : upper bound of the retarding power

    Examples
    --------
    >>> from noisemap.source.engine_family import packaged_engine
    >>> cylinder = packaged_engine("15L").geometry
    >>> round(closed_cycle_bound(cylinder, engine_speed_rpm=2100.0, boost_pa=2e5) / 1e3)
    189
    """
    big, small = cylinder_volume([closing_deg, 0.0], geometry)
    compression = boost_pa * big / (exponent - 1.0) * ((big / small) ** (exponent - 1.0) - 1.0)
    returned = boost_pa * (big - small)
    return float(CYLINDERS * (compression - returned) * engine_speed_rpm / 120.0)


def flow_area(lift_m: float, lift: Lift, seat_share: float) -> float:
    """Effective flow area of a group of valves.

    Parameters
    ----------
    lift_m : float
        Lift. [m]
    lift : Lift
        Diameter, number of valves, discharge coefficient.
    seat_share : float
        Largest flow area as a share of the valve's disc. [1]

    Returns
    -------
    float
        Area, discharge coefficient included. [m2]

    References
    ----------
    exhaust-model : n Cd min(pi d L, share pi d^2 / 4)

    Examples
    --------
    >>> from noisemap.source.engine_family import packaged_engine
    >>> brake = packaged_engine("15L").brake
    >>> round(flow_area(2e-3, brake, 0.83) * 1e4, 3)
    1.979
    """
    return float(_flow_area(lift_m, lift, seat_share))


def _largest(function: Callable[[float], float], low: float, high: float) -> tuple[float, float]:
    grid = np.arange(low, high, 0.25)
    best = float(grid[int(np.argmax([function(float(angle)) for angle in grid]))])
    found = minimize_scalar(
        lambda angle: -function(angle),
        bounds=(max(best - 0.5, low), min(best + 0.5, high)),
        method="bounded",
        options={"xatol": 1e-6},
    )
    return float(found.x), float(-found.fun)
