"""Flow of gas in a single duct: a pipe driven by a periodic flow, and a running wave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between, require_positive
from noisemap.data_tables import toml_table
from noisemap.errors import NoisemapError, OutOfDomainError
from noisemap.source.engine_kernel import Gas
from noisemap.source.gas_kernel import (
    _advance,
    _fluxes,
    _half_slopes,
    _pipe_cycle,
    _primitive,
    _rates,
)

FloatArray = npt.NDArray[np.float64]

HIGHEST_COURANT = 0.9


@dataclass(frozen=True)
class PipeRun:
    """One period of a driven pipe."""

    outlet_velocity: FloatArray  # (steps,) [m/s]
    inlet_pressure: FloatArray  # (steps,) [Pa]
    outlet_mass_flow: FloatArray  # (steps,) [kg/s]


def outlet_load(diameter_m: float) -> FloatArray:
    """Ambient pressure and temperature, and resistance and inertia of an open end.

    Parameters
    ----------
    diameter_m : float
        Diameter of the pipe. [m]

    Returns
    -------
    ndarray
        Pressure, temperature, resistance and inertia per area, SI.

    References
    ----------
    exhaust-model : resistance 1.504 rho0 c0 and mass 0.6133 rho0 a side by side
    levine-schwinger-1948 : end correction of an unflanged pipe
    """
    model = toml_table("noisemap.source", "exhaust_model.toml")
    ambient, load = model["ambient"], model["radiation_load"]
    density = float(ambient["density_kg_m3"]["value"])
    return np.array(
        [
            float(ambient["pressure_pa"]["value"]),
            float(ambient["temperature_k"]["value"]),
            float(load["resistance"]["value"])
            * density
            * float(ambient["sound_speed_m_s"]["value"]),
            float(load["mass_radii"]["value"]) * density * 0.5 * diameter_m,
        ]
    )


def pipe_response(
    mass_flow: npt.ArrayLike,
    period_s: float,
    *,
    total_temperature_k: float,
    length_m: float,
    diameter_m: float,
    cell_m: float,
    gas: Gas,
    cycles: int,
    fanning: float = 0.0,
    wall_k: float = 300.0,
) -> PipeRun:
    """Response of a straight open pipe to a periodic mass flow of given total temperature.

    Parameters
    ----------
    mass_flow : array_like
        Mass flow into the pipe over one period in equal steps. [kg/s] Mean above 0.
    period_s : float
        Period. [s]
    total_temperature_k : float
        Total temperature of the flow. [K]
    length_m : float
        Length. [m]
    diameter_m : float
        Diameter. [m]
    cell_m : float
        Length of the cells. [m]
    gas : Gas
        Ratio of specific heats and gas constant.
    cycles : int
        Periods to run; the last is returned. [1] Enough to flush the pipe.
    fanning : float
        Friction factor of the wall. [1]
    wall_k : float
        Temperature of the wall. [K] Of no matter without friction.

    Returns
    -------
    PipeRun
        The last period.

    Raises
    ------
    OutOfDomainError
        If the mean flow is not above zero, or the periods do not flush the pipe twice.
    NoisemapError
        If the steps are too long for the cells.

    References
    ----------
    exhaust-model : finite volumes, open end with radiation load
    """
    flow = np.asarray(mass_flow, dtype=float)
    require_positive("mean mass flow", flow.mean(), "kg/s")
    require_between("cell length", cell_m, 1e-3, length_m / 8.0, "m")
    area = 0.25 * np.pi * diameter_m**2
    outside = outlet_load(diameter_m)
    density = outside[0] / (gas.constant * total_temperature_k)
    flushed = cycles * period_s * flow.mean() / (density * area * length_m)
    if flushed < 2.0:
        raise OutOfDomainError(
            f"pipe response: {cycles} periods flush the pipe {flushed:.2f} times, which is not "
            "allowed (allowed: from 2 times); run more periods"
        )
    cells = round(length_m / cell_m)
    duct = np.array([length_m / cells, area, diameter_m, fanning, wall_k])
    q = np.zeros((3, cells + 4))
    q[0] = density
    q[1] = flow.mean() / area
    q[2] = outside[0] / (gas.gamma - 1.0) + 0.5 * q[1] ** 2 / density
    enthalpy = gas.gamma * gas.constant / (gas.gamma - 1.0) * total_temperature_k
    record = np.zeros((3, len(flow)))
    load, step = float(flow.mean() / (area * density)), period_s / len(flow)
    for _ in range(cycles):
        load, fastest = _pipe_cycle(
            q, load, flow, enthalpy, duct, outside, gas.gamma, gas.constant, step, record
        )
        if not np.isfinite(record).all() or fastest * step > HIGHEST_COURANT * duct[0]:
            raise NoisemapError(
                f"pipe response: {len(flow)} steps a period are too few for cells of "
                f"{1e3 * duct[0]:.1f} mm; give more samples of the mass flow"
            )
    return PipeRun(record[0].copy(), record[1].copy(), record[2] * area)


def running_wave(
    velocity: npt.ArrayLike,
    duration_s: float,
    *,
    sound_speed: float,
    wavelength_m: float,
    gas: Gas,
    courant: float = 0.5,
) -> tuple[FloatArray, float]:
    """Velocity of a periodic simple wave after some time, in a frame that rests.

    Parameters
    ----------
    velocity : array_like
        Velocity in the cells of one wavelength at the start. [m/s] Mean 0.
    duration_s : float
        Duration. [s]
    sound_speed : float
        Speed of sound of the gas at rest. [m/s]
    wavelength_m : float
        Wavelength. [m]
    gas : Gas
        Ratio of specific heats and gas constant.
    courant : float
        Courant number of the steps. [1]

    Returns
    -------
    velocity : ndarray
        Velocity in the cells. [m/s]
    drift : float
        Largest relative change of the sums of mass and energy. [1]

    References
    ----------
    exhaust-model : steepening of a simple wave
    """
    u = np.asarray(velocity, dtype=float)
    n, gamma = len(u), gas.gamma
    dx = wavelength_m / n
    local = sound_speed + 0.5 * (gamma - 1.0) * u
    rho = 1.2 * (local / sound_speed) ** (2.0 / (gamma - 1.0))
    p = rho * local**2 / gamma
    q = np.zeros((3, n + 4))
    q[:, 2:-2] = rho, rho * u, p / (gamma - 1.0) + 0.5 * rho * u**2
    start = q[:, 2:-2].sum(axis=1)
    w, slopes, rate, before = (np.zeros_like(q) for _ in range(4))
    flux = np.zeros((3, n + 1))
    fastest = float(np.max(np.abs(u) + local)) * 1.1
    steps = int(np.ceil(duration_s * fastest / (courant * dx)))
    for _ in range(steps):
        for stage in range(2):
            _primitive(q, w, gamma)
            w[:, :2], w[:, -2:] = w[:, n : n + 2], w[:, 2:4]
            _half_slopes(w, slopes)
            _fluxes(w, slopes, flux, gamma)
            _rates(w, flux, rate, dx, 1.0, 0.0, 300.0, gamma, gas.constant)
            _advance(q, before, rate, duration_s / steps, stage == 0)
    end = q[:, 2:-2].sum(axis=1)
    drift = max(abs(end[0] / start[0] - 1.0), abs(end[2] / start[2] - 1.0))
    return q[1, 2:-2] / q[0, 2:-2], float(drift)
