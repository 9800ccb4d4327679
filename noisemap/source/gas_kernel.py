"""Compiled flow in a duct: second-order finite volumes and the solutions at its ends.

Arrays of a duct have the shape (3, n + 4): density, momentum and energy, or density,
velocity and pressure, of n cells between two ghost cells on each side. Every function
here is private to the folder; the physics is described where it is called from.
"""

# The compiler infers the types of these functions.
# mypy: allow-untyped-defs

from __future__ import annotations

import numpy as np
from numba import njit

OPTIONS = {"cache": True, "error_model": "numpy", "fastmath": {"contract", "reassoc", "arcp"}}
LAMINAR_SHARE = 0.01
"""Relative pressure difference below which orifice flow is taken linear [1]."""

_SOLVER_STEPS = 40
_SOLVER_TOLERANCE = 1e-12


@njit(**OPTIONS)
def _critical_ratio(gamma):
    return (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))


@njit(**OPTIONS)
def _flow_function(ratio, gamma):
    """Dimensionless orifice flow; linear to zero over the last hundredth of the ratio."""
    ratio = max(ratio, _critical_ratio(gamma))
    slow = 1.0 - LAMINAR_SHARE
    share = 1.0
    if ratio > slow:
        share = (1.0 - ratio) / LAMINAR_SHARE
        ratio = slow
    root = ratio ** (2.0 / gamma) - ratio ** ((gamma + 1.0) / gamma)
    return share * np.sqrt(2.0 * gamma / (gamma - 1.0) * root)


@njit(**OPTIONS)
def _orifice(area, p_up, t_up, p_down, gamma, gas):
    """Mass flow through an orifice from the higher stagnation pressure to the lower."""
    return area * p_up / np.sqrt(gas * t_up) * _flow_function(p_down / p_up, gamma)


@njit(**OPTIONS)
def _primitive(q, w, gamma):
    """Density, velocity and pressure of the inner cells."""
    for i in range(2, q.shape[1] - 2):
        speed = q[1, i] / q[0, i]
        w[0, i] = q[0, i]
        w[1, i] = speed
        w[2, i] = (gamma - 1.0) * (q[2, i] - 0.5 * q[1, i] * speed)


@njit(**OPTIONS)
def _fastest(w, gamma):
    """Largest speed of a wave in the duct."""
    fastest = 0.0
    for i in range(2, w.shape[1] - 2):
        fastest = max(fastest, abs(w[1, i]) + np.sqrt(gamma * w[2, i] / w[0, i]))
    return fastest


@njit(**OPTIONS)
def _closed_ghosts(w):
    """A rigid wall at the left: the mirror image."""
    for k in range(2):
        for row in range(3):
            w[row, 1 - k] = w[row, 2 + k]
        w[1, 1 - k] = -w[1, 1 - k]


@njit(**OPTIONS)
def _open_ghosts(w, left):
    """Linear continuation beyond an end, constant where that would change a value much."""
    n = w.shape[1] - 4
    first, second, near, far = (2, 3, 1, 0) if left else (n + 1, n, n + 2, n + 3)
    linear = True
    for row in (0, 2):
        ratio = w[row, second] / w[row, first]
        linear = linear and 0.7 < ratio < 1.3
    for row in range(3):
        step = w[row, first] - w[row, second] if linear else 0.0
        w[row, near] = w[row, first] + step
        w[row, far] = w[row, near] + step


@njit(**OPTIONS)
def _end_state(w, left):
    """State at an end face, continued from the inside."""
    n = w.shape[1] - 4
    first, near = (2, 1) if left else (n + 1, n + 2)
    return (
        0.5 * (w[0, first] + w[0, near]),
        0.5 * (w[1, first] + w[1, near]),
        0.5 * (w[2, first] + w[2, near]),
    )


@njit(**OPTIONS)
def _half_slopes(w, slopes):
    """Half of the van Leer limited difference across each cell."""
    for row in range(3):
        for i in range(1, w.shape[1] - 1):
            back = w[row, i] - w[row, i - 1]
            ahead = w[row, i + 1] - w[row, i]
            product = back * ahead
            total = back + ahead
            rising = product > 0.0
            slopes[row, i] = product / (total if rising else 1.0) if rising else 0.0


@njit(**OPTIONS)
def _fluxes(w, slopes, flux, gamma):
    """HLLC fluxes of mass, momentum and energy through the n + 1 faces."""
    for face in range(flux.shape[1]):
        a, b = face + 1, face + 2
        rho_l, rho_r = w[0, a] + slopes[0, a], w[0, b] - slopes[0, b]
        u_l, u_r = w[1, a] + slopes[1, a], w[1, b] - slopes[1, b]
        p_l, p_r = w[2, a] + slopes[2, a], w[2, b] - slopes[2, b]
        c_l, c_r = np.sqrt(gamma * p_l / rho_l), np.sqrt(gamma * p_r / rho_r)
        slow = min(u_l - c_l, u_r - c_r)
        fast = max(u_l + c_l, u_r + c_r)
        mass_l, mass_r = rho_l * (slow - u_l), rho_r * (fast - u_r)
        contact = (p_r - p_l + u_l * mass_l - u_r * mass_r) / (mass_l - mass_r)
        from_left = contact >= 0.0
        rho = rho_l if from_left else rho_r
        u = u_l if from_left else u_r
        p = p_l if from_left else p_r
        s = slow if from_left else fast
        carried = mass_l if from_left else mass_r
        running = min(slow, 0.0) if from_left else max(fast, 0.0)
        energy = p / (gamma - 1.0) + 0.5 * rho * u * u
        star = carried / (s - contact)
        star_energy = star * (energy / rho + (contact - u) * (contact + p / carried))
        flux[0, face] = rho * u + running * (star - rho)
        flux[1, face] = rho * u * u + p + running * (star * contact - rho * u)
        flux[2, face] = u * (energy + p) + running * (star_energy - energy)


@njit(**OPTIONS)
def _rates(w, flux, rate, dx, diameter, fanning, wall_k, gamma, gas):
    """Rates of the conserved quantities: fluxes, wall friction, wall heat."""
    heat_capacity = gamma * gas / (gamma - 1.0)
    for i in range(2, w.shape[1] - 2):
        rho, u = w[0, i], w[1, i]
        shear = 2.0 * fanning * rho * abs(u) / diameter
        total_k = w[2, i] / (gas * rho) + 0.5 * u * u / heat_capacity
        rate[0, i] = (flux[0, i - 2] - flux[0, i - 1]) / dx
        rate[1, i] = (flux[1, i - 2] - flux[1, i - 1]) / dx - shear * u
        rate[2, i] = (flux[2, i - 2] - flux[2, i - 1]) / dx
        rate[2, i] += shear * heat_capacity * (wall_k - total_k)


@njit(**OPTIONS)
def _set_flux(flux, face, rho, u, p, gamma):
    flux[0, face] = rho * u
    flux[1, face] = rho * u * u + p
    flux[2, face] = u * (gamma / (gamma - 1.0) * p + 0.5 * rho * u * u)


@njit(**OPTIONS)
def _nozzle_flow(z, inner, area, nozzle, p_down, t_down, gamma, gas):
    """Flow in the duct minus flow through the nozzle, and the latter with its heat."""
    rho_i, u_i, p_i = inner
    c_i = np.sqrt(gamma * p_i / rho_i)
    u = u_i - 2.0 * c_i / (gamma - 1.0) * (z - 1.0)
    c = c_i * z
    rho = rho_i * z ** (2.0 / (gamma - 1.0))
    p = rho * c * c / gamma
    t = c * c / (gamma * gas)
    t_total = t + 0.5 * (gamma - 1.0) * u * u / (gamma * gas)
    p_total = p * (t_total / t) ** (gamma / (gamma - 1.0))
    if u < 0.0:
        p_total = p
    if p_total >= p_down:
        flow = _orifice(nozzle, p_total, t_total, p_down, gamma, gas)
    else:
        flow = -_orifice(nozzle, p_down, t_down, p_total, gamma, gas)
    return rho * u * area - flow, rho, u, p, t_total, p_total


@njit(**OPTIONS)
def _nozzle_end(inner, area, nozzle, p_down, t_down, gamma, gas):
    """State at a nozzle on the right end: the wave that arrives, and what flows out.

    The difference of the two flows falls strictly with z, the speed of sound at the
    face over that inside; a secant step that leaves the bracket is halved instead.
    """
    low, high = 0.3, 3.0
    scale = inner[2] * area / np.sqrt(gas * inner[2] / inner[0] / gas)
    z, previous, value_before = 1.0, 1.002, 0.0
    value_before = _nozzle_flow(previous, inner, area, nozzle, p_down, t_down, gamma, gas)[0]
    found = _nozzle_flow(z, inner, area, nozzle, p_down, t_down, gamma, gas)
    for _ in range(_SOLVER_STEPS):
        value = found[0]
        if value > 0.0:
            low = z
        else:
            high = z
        if abs(value) <= _SOLVER_TOLERANCE * scale or high - low < 1e-13:
            break
        slope = (value - value_before) / (z - previous)
        previous, value_before = z, value
        z = z - value / slope if slope < 0.0 else low
        if not low < z < high:
            z = 0.5 * (low + high)
        found = _nozzle_flow(z, inner, area, nozzle, p_down, t_down, gamma, gas)
    return found


@njit(**OPTIONS)
def _inlet_end(inner, area, mass_flow, enthalpy_flow, gamma):
    """Density, velocity and pressure at a left end fed with mass and total enthalpy."""
    rho_i, u_i, p_i = inner
    c_i = np.sqrt(gamma * p_i / rho_i)
    per_z = 2.0 * c_i / (gamma - 1.0)
    power = 2.0 * gamma / (gamma - 1.0)
    z = 1.0
    u = u_i
    p = p_i
    rho = rho_i
    for _ in range(_SOLVER_STEPS):
        u = u_i + per_z * (z - 1.0)
        p = p_i * z**power
        slope_p = p * power / z
        if mass_flow > 0.0:
            heat = gamma / (gamma - 1.0) * area
            value = heat * p * u + 0.5 * mass_flow * u * u - enthalpy_flow
            slope = heat * (slope_p * u + p * per_z) + mass_flow * u * per_z
            scale = heat * p * c_i
        else:
            rho = rho_i * z ** (power / gamma)
            value = rho * u * area - mass_flow
            slope = area * (rho * per_z + u * rho * power / gamma / z)
            scale = rho_i * area * c_i
        if abs(value) <= _SOLVER_TOLERANCE * scale:
            break
        step = value / slope if slope > 0.0 else 0.1 * (1.0 if value > 0.0 else -1.0)
        z -= min(max(step, -0.1), 0.1)
    if mass_flow > 0.0:
        rho = mass_flow / (area * max(u, 1e-6))
    return rho, u, p


@njit(**OPTIONS)
def _open_end(inner, carried, outside, gamma, gas):
    """Density, velocity and pressure at a right end open to the outside.

    `outside` holds pressure, temperature, and resistance and inertia of the radiation
    load per area; `carried` is the velocity in the load's inertia.
    """
    rho_i, u_i, p_i = inner
    p_a, t_a, resistance = outside[0], outside[1], outside[2]
    c_i = np.sqrt(gamma * p_i / rho_i)
    if u_i >= c_i:
        return rho_i, u_i, p_i
    per_z = 2.0 * c_i / (gamma - 1.0)
    power = 2.0 * gamma / (gamma - 1.0)
    z = (p_a / p_i) ** (1.0 / power)
    u = u_i
    for _ in range(_SOLVER_STEPS):
        u = u_i - per_z * (z - 1.0)
        p = p_i * z**power
        value = p - p_a - resistance * (u - carried)
        if abs(value) <= _SOLVER_TOLERANCE * p_a:
            break
        z -= value / (p * power / z + resistance * per_z)
    p = p_i * z**power
    c = c_i * z
    if u > c:
        z = (c_i + 0.5 * (gamma - 1.0) * u_i) * 2.0 / ((gamma + 1.0) * c_i)
        u = c_i * z
        p = p_i * z**power
    rho = rho_i * z ** (power / gamma) if u >= 0.0 else p / (gas * t_a)
    return rho, u, p


@njit(**OPTIONS)
def _pipe_rates(w, slopes, flux, rate, carried, feed, duct, outside, gamma, gas):
    """Rates in a pipe fed at the left and open at the right.

    Returns the pressure at the inlet face, the velocity and mass flow at the outlet,
    and the rate of the velocity carried by the inertia of the radiation load.
    """
    dx, area, diameter, fanning, wall_k = duct[0], duct[1], duct[2], duct[3], duct[4]
    n = w.shape[1] - 4
    _open_ghosts(w, True)
    _open_ghosts(w, False)
    _half_slopes(w, slopes)
    _fluxes(w, slopes, flux, gamma)
    rho, u, p = _inlet_end(_end_state(w, True), area, feed[0], feed[1], gamma)
    flux[0, 0] = feed[0] / area
    flux[1, 0] = rho * u * u + p
    flux[2, 0] = feed[1] / area
    rho_e, u_e, p_e = _open_end(_end_state(w, False), carried, outside, gamma, gas)
    _set_flux(flux, n, rho_e, u_e, p_e, gamma)
    if u_e < 0.0:
        flux[2, n] = rho_e * u_e * gamma / (gamma - 1.0) * gas * outside[1]
    _rates(w, flux, rate, dx, diameter, fanning, wall_k, gamma, gas)
    return p, u_e, rho_e * u_e, outside[2] / outside[3] * (u_e - carried)


@njit(**OPTIONS)
def _advance(q, before, rate, dt, first):
    """One of the two stages of the strong-stability-preserving Runge-Kutta scheme."""
    for row in range(3):
        for i in range(2, q.shape[1] - 2):
            if first:
                before[row, i] = q[row, i]
                q[row, i] += dt * rate[row, i]
            else:
                q[row, i] = 0.5 * (before[row, i] + q[row, i] + dt * rate[row, i])


@njit(**OPTIONS)
def _pipe_cycle(q, carried, flows, enthalpy, duct, outside, gamma, gas, dt, record):
    """A pipe fed with a periodic mass flow; records outlet velocity and inlet pressure."""
    w, rate, before = np.zeros_like(q), np.zeros_like(q), np.zeros_like(q)
    slopes, flux = np.zeros_like(q), np.zeros((3, q.shape[1] - 3))
    feed = np.zeros(2)
    steps = flows.shape[0]
    load = carried
    fastest = 0.0
    for step in range(steps):
        for stage in range(2):
            feed[0] = flows[(step + stage) % steps]
            feed[1] = feed[0] * enthalpy
            _primitive(q, w, gamma)
            p_in, u_e, m_e, load_rate = _pipe_rates(
                w, slopes, flux, rate, load, feed, duct, outside, gamma, gas
            )
            if stage == 0:
                record[0, step], record[1, step], record[2, step] = u_e, p_in, m_e
                fastest = max(fastest, _fastest(w, gamma))
                load_before = load
                load += dt * load_rate
            else:
                load = 0.5 * (load_before + load + dt * load_rate)
            _advance(q, before, rate, dt, stage == 0)
    return load, fastest
