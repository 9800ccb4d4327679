"""Noise of the choked jets at the braking valves: an optional term of low confidence."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between
from noisemap.data_tables import toml_table
from noisemap.source.engine_cycle import flow_area
from noisemap.source.engine_family import Engine
from noisemap.source.engine_simulation import EngineRun
from noisemap.source.radiation import REFERENCE_W, THIRDS_HZ

FloatArray = npt.NDArray[np.float64]


def valve_jet_level(engine: Engine, run: EngineRun) -> FloatArray:
    """Sound power level of the jets at the braking valves behind the turbine.

    Not part of any table: its efficiency is recalled with low confidence and the loss
    at the turbine is assumed, 15 dB between the ends of their ranges.

    Parameters
    ----------
    engine : Engine
        The engine.
    run : EngineRun
        The run; its mean power of the choked streams.

    Returns
    -------
    ndarray
        Levels in thirds from 25 Hz to 10 kHz; minus infinity without a choked stream. [dB]

    References
    ----------
    exhaust-model : mean choked stream power
    own-assumption : efficiency, loss at the turbine, shape of the spectrum
    """
    power = float(require_between("power of the jets", run.choked_power_w, 0.0, 1e7, "W"))
    if power == 0.0:
        return np.full(len(THIRDS_HZ), -np.inf)
    entry = {
        key: float(value["value"])
        for key, value in toml_table("noisemap.source", "exhaust_model.toml")["jet_noise"].items()
    }
    gamma, constant = engine.gas
    throat = np.sqrt(gamma * constant * run.turbine_temperature_k)
    size = np.sqrt(flow_area(engine.brake.peak, engine.brake, engine.seat_share))
    relative = THIRDS_HZ / (entry["strouhal"] * throat / size)
    shape = np.square(relative / (1.0 + np.square(relative)))
    heard = entry["efficiency"] * entry["downstream_share"] * power
    total = 10.0 * np.log10(heard / REFERENCE_W) - entry["turbine_loss_db"]
    return np.asarray(total + 10.0 * np.log10(shape / shape.sum()))
