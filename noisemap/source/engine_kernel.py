"""Compiled cycle of a six-cylinder engine that brakes: cylinders, manifold, turbine, pipe.

Everything here is private to the folder. `_engine_cycle` advances the whole engine
through one cycle of 720 degrees; `engine_simulation` drives it.
"""

# The compiler infers the types of these functions.
# mypy: allow-untyped-defs

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from noisemap.source.gas_kernel import (
    OPTIONS,
    _advance,
    _closed_ghosts,
    _end_state,
    _fastest,
    _fluxes,
    _half_slopes,
    _nozzle_end,
    _open_ghosts,
    _orifice,
    _pipe_rates,
    _primitive,
    _rates,
    _set_flux,
)

CYLINDERS = 6
BANKS = 2
CYCLE_DEG = 720.0


class Geometry(NamedTuple):
    """Cylinder: bore, crank radius, rod and clearance volume, SI."""

    bore: float
    crank: float
    rod: float
    clearance: float


class Lift(NamedTuple):
    """Valve lift: raised cosine up, hold, raised cosine down; angles after top dead centre.

    The lash is taken off the profile before the valve moves.
    """

    opens: float
    full: float
    hold_ends: float
    closes: float
    peak: float
    lash: float
    diameter: float
    valves: float
    discharge: float


class Gas(NamedTuple):
    """Ratio of specific heats and gas constant."""

    gamma: float
    constant: float


class Sources(NamedTuple):
    """What the cylinders draw from and lose heat to."""

    boost: float
    intake_k: float
    wall_k: float
    heat_factor: float


class Turbine(NamedTuple):
    """Nozzle area of one entry and the efficiency of the wheel."""

    entry_area: float
    efficiency: float


TALLY = (
    "turbine_power",
    "intake_flow",
    "inlet_flow",
    "outlet_flow",
    "indicated_work",
    "closed_work",
    "choked_power",
    "turbine_heat",
    "wall_heat",
)
"""Names of what `_engine_cycle` integrates over a cycle."""


@njit(**OPTIONS)
def _volume(angle, geometry):
    """Cylinder volume and its derivative over the angle [m3, m3/rad]."""
    turned = np.radians(angle)
    sine, cosine = np.sin(turned), np.cos(turned)
    lever = np.sqrt(geometry.rod**2 - (geometry.crank * sine) ** 2)
    piston = 0.25 * np.pi * geometry.bore**2
    rise = geometry.crank + geometry.rod - geometry.crank * cosine - lever
    slope = geometry.crank * sine * (1.0 + geometry.crank * cosine / lever)
    return geometry.clearance + piston * rise, piston * slope


@njit(**OPTIONS)
def _lift(angle, lift):
    """Valve lift at an angle after firing top dead centre [m]."""
    x = (angle - lift.opens) % CYCLE_DEG
    up, hold, down = lift.full - lift.opens, lift.hold_ends - lift.opens, lift.closes - lift.opens
    if x >= down:
        return 0.0
    share = 1.0
    if x < up:
        share = 0.5 * (1.0 - np.cos(np.pi * x / up))
    elif x > hold:
        share = 0.5 * (1.0 + np.cos(np.pi * (x - hold) / (down - hold)))
    return max(lift.peak * share - lift.lash, 0.0)


@njit(**OPTIONS)
def _flow_area(lifted, lift, seat_share):
    """Effective flow area of a valve group: curtain, at most a share of the seat [m2]."""
    curtain = np.pi * lift.diameter * lifted
    seat = seat_share * 0.25 * np.pi * lift.diameter**2
    return lift.valves * lift.discharge * min(curtain, seat)


@njit(**OPTIONS)
def _wall_transfer(volume, pressure, temperature, piston_speed):
    """Heat transfer coefficient, Hohenberg [W/(m2 K)]."""
    driven = (pressure * 1e-5) ** 0.8 * (piston_speed + 1.4) ** 0.8
    return 130.0 * volume**-0.06 * driven * temperature**-0.4


@njit(**OPTIONS)
def _wall_heat(volume, pressure, temperature, speed, geometry, sources):
    """Heat flow from the walls to the gas [W]; the piston speed is the mean one."""
    if sources.heat_factor == 0.0:
        return 0.0
    piston_speed = speed * 2.0 * geometry.crank / np.pi
    transfer = _wall_transfer(volume, pressure, temperature, piston_speed)
    area = 0.5 * np.pi * geometry.bore**2 + 4.0 * volume / geometry.bore
    return sources.heat_factor * transfer * area * (sources.wall_k - temperature)


@njit(**OPTIONS)
def _exchange(area, p, t, p_other, t_other, gas):
    """Mass and enthalpy flow out of a vessel through a valve, either way."""
    capacity = gas.gamma * gas.constant / (gas.gamma - 1.0)
    if p >= p_other:
        flow = _orifice(area, p, t, p_other, gas.gamma, gas.constant)
        return flow, flow * capacity * t
    flow = -_orifice(area, p_other, t_other, p, gas.gamma, gas.constant)
    return flow, flow * capacity * t_other


@njit(**OPTIONS)
def _cylinder_rates(
    angle, speed, mass, energy, brake_scale, outlet_p, outlet_t, engine, sources, gas, out
):
    """Rates of mass and internal energy of one cylinder.

    `out` receives the rates, the flow and enthalpy to the port, the inflow from the
    intake, pressure, the rate of piston work, wall heat, and the power of the choked jet.
    """
    geometry, brake, exhaust, intake, seat_share = engine
    volume, slope = _volume(angle, geometry)
    p = (gas.gamma - 1.0) * energy / volume
    t = p * volume / (mass * gas.constant)
    braking = _lift(angle, brake) * brake_scale
    brake_area = _flow_area(braking, brake, seat_share)
    port_area = brake_area + _flow_area(_lift(angle, exhaust), exhaust, seat_share)
    inlet_area = _flow_area(_lift(angle, intake), intake, seat_share)
    flow, heat, drawn, drawn_heat = 0.0, 0.0, 0.0, 0.0
    if port_area > 0.0:
        flow, heat = _exchange(port_area, p, t, outlet_p, outlet_t, gas)
    if inlet_area > 0.0:
        lost, lost_heat = _exchange(inlet_area, p, t, sources.boost, sources.intake_k, gas)
        drawn, drawn_heat = -lost, -lost_heat
    wall = _wall_heat(volume, p, t, speed, geometry, sources)
    work = p * slope * speed
    out[0] = drawn - flow
    out[1] = drawn_heat - heat - work + wall
    out[2], out[3], out[4], out[5], out[6], out[7] = flow, heat, drawn, p, work, wall
    critical = (2.0 / (gas.gamma + 1.0)) ** (gas.gamma / (gas.gamma - 1.0))
    out[8] = 0.0
    if brake_area > 0.0 and outlet_p < critical * p:
        share = brake_area / port_area
        out[8] = share * flow * gas.gamma * gas.constant * t / (gas.gamma + 1.0)


@njit(**OPTIONS)
def _port_state(w, weights, first, capacity, constant):
    """Pressure, total temperature and density of the gas at a port's mouth."""
    p, rho, heat = 0.0, 0.0, 0.0
    for k in range(weights.shape[0]):
        i = first + k
        total = w[2, i] / (constant * w[0, i]) + 0.5 * w[1, i] ** 2 / capacity
        p += weights[k] * w[2, i]
        rho += weights[k] * w[0, i]
        heat += weights[k] * w[0, i] * total
    return p, heat / rho, rho


@njit(**OPTIONS)
def _port_sources(rate, w, weights, first, flow, heat, rho, capacity, constant, cell_volume):
    """Add a port's flow to the rates of the cells at its mouth.

    Gas enters with its enthalpy and no momentum along the duct; it leaves every cell
    at the same volume flow, with the cell's own density, momentum and enthalpy.
    """
    for k in range(weights.shape[0]):
        i = first + k
        weight = weights[k] / cell_volume
        if flow >= 0.0:
            rate[0, i] += weight * flow
            rate[2, i] += weight * heat
        else:
            taken = weight * flow * w[0, i] / rho
            total = w[2, i] / (constant * w[0, i]) + 0.5 * w[1, i] ** 2 / capacity
            rate[0, i] += taken
            rate[1, i] += taken * w[1, i]
            rate[2, i] += taken * capacity * total


@njit(**OPTIONS)
def _engine_cycle(
    banks, pipe, load, cylinders, speed, offsets, brake_scales, port_cells, port_weights,
    engine, sources, gas, turbine, bank_duct, pipe_duct, outside, steps, record, peaks, tally,
):  # fmt: skip
    """One cycle of the engine in equal steps, all parts in the same two stages.

    Fills the outlet velocity of every step, the highest pressure of every cylinder and
    the cycle means or sums of `TALLY`; returns the load velocity and the fastest wave.
    """
    gamma, constant = gas.gamma, gas.constant
    capacity = gamma * constant / (gamma - 1.0)
    dt = CYCLE_DEG / (np.degrees(speed) * steps)
    w_bank, rate_bank, old_bank = np.zeros_like(banks), np.zeros_like(banks), np.zeros_like(banks)
    slopes_bank = np.zeros_like(banks)
    flux_bank = np.zeros((BANKS, 3, banks.shape[2] - 3))
    w, rate, old, slopes = (
        np.zeros_like(pipe), np.zeros_like(pipe), np.zeros_like(pipe), np.zeros_like(pipe),
    )  # fmt: skip
    flux = np.zeros((3, pipe.shape[1] - 3))
    rates_c, old_c = np.zeros((CYLINDERS, 2)), np.zeros((CYLINDERS, 2))
    out = np.zeros(9)
    feed = np.zeros(2)
    n = banks.shape[2] - 4
    dx, area, diameter = bank_duct[0], bank_duct[1], bank_duct[2]
    cell_volume = dx * area
    _primitive(pipe, w, gamma)
    p_in, t_in = w[2, 2], w[2, 2] / (constant * w[0, 2])
    fastest_bank, fastest_pipe, load_before = 0.0, 0.0, load
    tally[:] = 0.0
    peaks[:] = 0.0
    share = 0.5 / steps
    for step in range(steps):
        for stage in range(2):
            angle = CYCLE_DEG * (step + stage) / steps
            feed[0], feed[1] = 0.0, 0.0
            _primitive(pipe, w, gamma)
            t_in = w[2, 2] / (constant * w[0, 2]) + 0.5 * w[1, 2] ** 2 / capacity
            for bank in range(BANKS):
                q, wb, rb = banks[bank], w_bank[bank], rate_bank[bank]
                _primitive(q, wb, gamma)
                _closed_ghosts(wb)
                _open_ghosts(wb, False)
                _half_slopes(wb, slopes_bank[bank])
                _fluxes(wb, slopes_bank[bank], flux_bank[bank], gamma)
                _, rho, u, p, t_total, p_total = _nozzle_end(
                    _end_state(wb, False), area, turbine.entry_area, p_in, t_in, gamma, constant
                )
                _set_flux(flux_bank[bank], n, rho, u, p, gamma)
                flow = rho * u * area
                leaving_k = t_total
                if flow >= 0.0:
                    fall = 1.0 - min(p_in / p_total, 1.0) ** ((gamma - 1.0) / gamma)
                    leaving_k = t_total * (1.0 - turbine.efficiency * fall)
                    tally[0] += share * flow * capacity * (t_total - leaving_k)
                    tally[7] += share * flow * t_total
                else:
                    leaving_k = t_in
                    flux_bank[bank, 2, n] = flow * capacity * t_in / area
                feed[0] += flow
                feed[1] += flow * capacity * leaving_k
                _rates(
                    wb, flux_bank[bank], rb, dx, diameter, bank_duct[3], bank_duct[4], gamma,
                    constant,
                )  # fmt: skip
                for port in range(CYLINDERS // BANKS):
                    c = bank * (CYLINDERS // BANKS) + port
                    first = port_cells[port]
                    p_port, t_port, rho_port = _port_state(
                        wb, port_weights[port], first, capacity, constant
                    )
                    turned = (angle - offsets[c]) % CYCLE_DEG
                    _cylinder_rates(
                        turned, speed, cylinders[c, 0], cylinders[c, 1], brake_scales[c],
                        p_port, t_port, engine, sources, gas, out,
                    )  # fmt: skip
                    rates_c[c, 0], rates_c[c, 1] = out[0], out[1]
                    _port_sources(
                        rb, wb, port_weights[port], first, out[2], out[3], rho_port, capacity,
                        constant, cell_volume,
                    )  # fmt: skip
                    peaks[c] = max(peaks[c], out[5])
                    tally[1] += share * out[4]
                    tally[4] += share * out[6]
                    if turned < engine[2].opens or turned >= engine[3].closes:
                        tally[5] += share * out[6]
                    tally[6] += share * out[8]
                    tally[8] += share * out[7]
            p_in, u_e, m_e, load_rate = _pipe_rates(
                w, slopes, flux, rate, load, feed, pipe_duct, outside, gamma, constant
            )
            tally[2] += share * feed[0]
            tally[3] += share * m_e * pipe_duct[1]
            if stage == 0:
                record[step] = u_e
                load_before = load
                load += dt * load_rate
                fastest_pipe = max(fastest_pipe, _fastest(w, gamma))
                for bank in range(BANKS):
                    fastest_bank = max(fastest_bank, _fastest(w_bank[bank], gamma))
            else:
                load = 0.5 * (load_before + load + dt * load_rate)
            _advance(pipe, old, rate, dt, stage == 0)
            for bank in range(BANKS):
                _advance(banks[bank], old_bank[bank], rate_bank[bank], dt, stage == 0)
            for c in range(CYLINDERS):
                for k in range(2):
                    if stage == 0:
                        old_c[c, k] = cylinders[c, k]
                        cylinders[c, k] += dt * rates_c[c, k]
                    else:
                        cylinders[c, k] = 0.5 * (old_c[c, k] + cylinders[c, k] + dt * rates_c[c, k])
    return load, fastest_bank, fastest_pipe
