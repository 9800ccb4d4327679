"""Noise of the choked jets at the braking valves: an optional term of low confidence."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between, require_positive
from noisemap.data_tables import toml_table
from noisemap.source.emission import exhaust_thirds, require_calibration
from noisemap.source.engine_cycle import flow_area
from noisemap.source.engine_family import Engine, packaged_engine
from noisemap.source.operation import cycle_figures
from noisemap.source.radiation import REFERENCE_W, THIRDS_HZ
from noisemap.states import ExhaustState

FloatArray = npt.NDArray[np.float64]

End = Literal["low", "value", "high"]
JET_ENDS: tuple[End, ...] = ("low", "value", "high")


def valve_jet_level(
    engine: Engine, choked_power_w: float, turbine_temperature_k: float, end: End = "value"
) -> FloatArray:
    """Sound power level of the jets at the braking valves behind the turbine.

    Part of no table: the efficiency is recalled with low confidence and the loss at the
    turbine is assumed; the ends of their ranges lie 15 dB apart.

    Parameters
    ----------
    engine : Engine
        The engine: gas, and the valve's largest opening, which sets the pitch.
    choked_power_w : float
        Mean power of the choked streams. [W] 0 to 1e7.
    turbine_temperature_k : float
        Temperature of the gas before the turbine. [K] Above 0.
    end : {"low", "value", "high"}
        Middle, or an end of the ranges of efficiency and loss.

    Returns
    -------
    ndarray
        Levels in thirds from 25 Hz to 10 kHz; minus infinity without a choked stream. [dB]

    Raises
    ------
    OutOfDomainError
        For a power or a temperature outside its range.

    References
    ----------
    exhaust-model : share of the streams' power, half of it downstream, loss at the turbine
    own-assumption : shape of the spectrum about a Strouhal number

    Examples
    --------
    >>> levels = valve_jet_level(packaged_engine("15L"), 63e3, 655.0)
    >>> round(float(10.0 * np.log10(np.sum(10.0 ** (0.1 * levels)))), 1)
    112.3
    """
    power = float(require_between("power of the jets", choked_power_w, 0.0, 1e7, "W"))
    hot = float(require_positive("temperature before the turbine", turbine_temperature_k, "K"))
    if power == 0.0:
        return np.full(len(THIRDS_HZ), -np.inf)
    table = toml_table("noisemap.source", "exhaust_model.toml")["jet_noise"]
    efficiency, loss = (
        {
            "low": table[key]["range"][0],
            "value": table[key]["value"],
            "high": table[key]["range"][1],
        }
        for key in ("efficiency", "turbine_loss_db")
    )
    opposite: dict[End, End] = {"low": "high", "value": "value", "high": "low"}
    heard = efficiency[end] * table["downstream_share"]["value"] * power
    total = 10.0 * np.log10(heard / REFERENCE_W) - loss[opposite[end]]
    return np.asarray(total + 10.0 * np.log10(_spectrum(engine, hot, table)))


def _spectrum(
    engine: Engine, temperature_k: float, table: dict[str, dict[str, float]]
) -> FloatArray:
    """Share of each third: highest at the Strouhal number of throat speed and valve opening."""
    gamma, constant = engine.gas
    throat = np.sqrt(gamma * constant * temperature_k)
    size = np.sqrt(flow_area(engine.brake.peak, engine.brake, engine.seat_share))
    relative = THIRDS_HZ / (table["strouhal"]["value"] * throat / size)
    shape = np.square(relative / (1.0 + np.square(relative)))
    return np.asarray(shape / shape.sum())


def exhaust_jet_thirds(
    engine: str,
    engine_speed_rpm: float,
    braking_cylinders: float,
    exhaust_state: ExhaustState,
    end: End = "value",
    *,
    calibration_db: float = 0.0,
) -> FloatArray:
    """Sound power level of the valve jets behind what stands in the exhaust.

    A muffler takes off the jets what it takes off the pulses in the same third.

    Parameters
    ----------
    engine : str
        Key of the engine.
    engine_speed_rpm : float
        Engine speed. [rpm] 900 to 2100.
    braking_cylinders : float
        How many cylinders brake. [1] 0 to 6.
    exhaust_state : {"after_treatment", "muffled", "worn", "straight"}
        What stands between the engine and the open.
    end : {"low", "value", "high"}
        Middle, or an end of the ranges of efficiency and loss.
    calibration_db : float
        Offset of this engine's levels. [dB] -6 to 6.

    Returns
    -------
    ndarray
        Levels in thirds from 25 Hz to 10 kHz; minus infinity without a choked stream. [dB]

    Raises
    ------
    OutOfDomainError
        For a point outside the table or an unknown engine or exhaust state.

    References
    ----------
    exhaust-model : optional broadband term
    own-assumption : the same loss for pulses and jets

    Examples
    --------
    >>> straight, muffled = (
    ...     exhaust_jet_thirds("15L", 2100.0, 6, state) for state in ("straight", "muffled")
    ... )
    >>> round(float((straight - muffled)[-5]))
    13
    """
    offset = require_calibration(calibration_db)
    point = (engine, engine_speed_rpm, braking_cylinders)
    behind = exhaust_thirds(*point, exhaust_state)
    straight = exhaust_thirds(*point, "straight")
    known = np.isfinite(straight) & np.isfinite(behind)
    loss = np.subtract(straight, behind, out=np.zeros(len(THIRDS_HZ)), where=known)
    cycle = cycle_figures(*point)
    jets = valve_jet_level(
        packaged_engine(engine), 1e3 * cycle["choked_jet_kw"], cycle["turbine_inlet_k"], end
    )
    return np.asarray(jets - np.maximum(loss, 0.0) + offset)


def jet_marks() -> tuple[str, ...]:
    """Marks of the figures behind the valve jets.

    Returns
    -------
    tuple of str
        Marks, each once.

    References
    ----------
    own-assumption : none of them was found in print

    Examples
    --------
    >>> jet_marks()
    ('ASSUMED', 'MEMORY-L')
    """
    table = toml_table("noisemap.source", "exhaust_model.toml")["jet_noise"]
    return tuple(sorted({str(entry["mark"]) for entry in table.values()}))
