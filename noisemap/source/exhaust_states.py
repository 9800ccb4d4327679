"""Exhaust states: from the straight pipe's order lines to levels behind what stands there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError
from noisemap.levels import from_energy, to_energy
from noisemap.source.engine_family import Engine
from noisemap.source.engine_simulation import EngineRun
from noisemap.source.four_pole import HotGas
from noisemap.source.gas_kernel import _orifice
from noisemap.source.muffler import (
    INTERIORS,
    LEAK_PLACES,
    Interior,
    LeakPlace,
    Network,
    after_treatment_loss,
    default_network,
    flow_noise,
    handbook_loss_at,
    power_ratio,
)
from noisemap.source.radiation import (
    FIRST_OCTAVE_THIRD,
    THIRDS_HZ,
    Lines,
    a_weighting,
    line_power,
    order_lines,
    pressure_cycle,
    third_octave_level,
)
from noisemap.states import EXHAUST_STATES, ExhaustState

FloatArray = npt.NDArray[np.float64]

WornKind = Literal["leak", "empty"]
SHORT_TIME_S = 0.005
SAMPLES = 8192


@dataclass(frozen=True)
class Exhaust:
    """What stands between the turbine and the open.

    `muffler` chooses the handbook's insertion loss or the physical network. `worn`
    is a hole of `leak_m2` at `leak_place`, or an empty shell. After-treatment takes
    its loss from the low end, the middle or the high end of its range.
    """

    state: ExhaustState
    muffler: Literal["handbook", "network"] = "handbook"
    handbook_row: str | None = None
    worn: WornKind = "leak"
    leak_m2: float | None = None
    leak_place: LeakPlace = "inlet_pipe"
    after_treatment: Literal["low", "value", "high"] = "value"

    def __post_init__(self) -> None:
        allowed = {
            "state": EXHAUST_STATES,
            "muffler": ("handbook", "network"),
            "worn": ("leak", "empty"),
            "leak_place": LEAK_PLACES,
            "after_treatment": ("low", "value", "high"),
        }
        for name, values in allowed.items():
            if getattr(self, name) not in values:
                raise OutOfDomainError(
                    f"exhaust {name}: {getattr(self, name)!r} is not allowed "
                    f"(allowed: {', '.join(values)})"
                )


@dataclass(frozen=True)
class PipeFlow:
    """What the states need from a run: the flow in the pipe and at the turbine."""

    pipe_length_m: float
    mass_flow_kg_s: float
    pipe_temperature_k: float
    turbine_temperature_k: float


def pipe_flow(run: EngineRun, pipe_length_m: float) -> PipeFlow:
    """Flow of a run in its pipe.

    Parameters
    ----------
    run : EngineRun
        The run.
    pipe_length_m : float
        Length of the straight pipe. [m]

    Returns
    -------
    PipeFlow
        Length, mass flow, temperatures.

    References
    ----------
    exhaust-model : periodic operation
    """
    return PipeFlow(
        pipe_length_m, run.mass_flow_kg_s, run.pipe_temperature_k, run.turbine_temperature_k
    )


def hot_gas(engine: Engine, flow: PipeFlow) -> HotGas:
    """Gas in the exhaust pipe at ambient pressure.

    Parameters
    ----------
    engine : Engine
        The engine.
    flow : PipeFlow
        Mass flow and temperature.

    Returns
    -------
    HotGas
        Speed of sound, density and mass flow.

    References
    ----------
    exhaust-model : ideal gas behind the turbine
    """
    gamma, constant = engine.gas
    ambient = toml_table("noisemap.source", "exhaust_model.toml")["ambient"]
    temperature = flow.pipe_temperature_k
    return HotGas(
        float(np.sqrt(gamma * constant * temperature)),
        float(ambient["pressure_pa"]["value"]) / (constant * temperature),
        flow.mass_flow_kg_s,
    )


def source_admittance(engine: Engine, flow: PipeFlow) -> float:
    """Admittance of the turbine as a source, for mass velocity.

    Parameters
    ----------
    engine : Engine
        The engine.
    flow : PipeFlow
        Mass flow and temperatures.

    Returns
    -------
    float
        Admittance: the nozzle's -dm/dp plus (gamma - 1) M / Y of an inlet whose total
        enthalpy is given. [1]

    References
    ----------
    exhaust-model : entropy-wave term of the admittance
    orifice-flow : turbine nozzle at the mean flow
    """
    gamma, constant = engine.gas
    gas = hot_gas(engine, flow)
    back = gas.density * constant * flow.pipe_temperature_k
    area, hot = engine.turbine_area_m2, flow.turbine_temperature_k

    def through(total: float, behind: float) -> float:
        return float(_orifice(area, total, hot, behind, gamma, constant))

    total = brentq(lambda p: through(p, back) - flow.mass_flow_kg_s, 1.0000001 * back, 50.0 * back)
    step = 1e-4 * back
    fall = (through(total, back - step) - through(total, back)) / step
    pipe = engine.pipe_area_m2
    return fall + (gamma - 1.0) * gas.mach(pipe) / gas.impedance(pipe)


def line_ratio(
    frequency: npt.ArrayLike, engine: Engine, flow: PipeFlow, exhaust: Exhaust
) -> FloatArray:
    """Sound power of an exhaust over that of the straight pipe, line by line.

    Parameters
    ----------
    frequency : array_like
        Frequencies of the lines. [Hz]
    engine : Engine
        The engine.
    flow : PipeFlow
        Flow in the pipe.
    exhaust : Exhaust
        What stands there.

    Returns
    -------
    ndarray
        Ratio, the leak's own radiation included. [1]

    References
    ----------
    ufc-3-450-02 : insertion loss of the default muffler
    munjal-1987 : physical network; and the leak, with the handbook's muffler as well
    """
    f = np.asarray(frequency, dtype=float)
    if exhaust.state == "straight":
        return np.ones(f.shape)
    if exhaust.state == "worn" and exhaust.worn == "empty":
        return _network_ratio(f, engine, flow, "empty", 0.0, exhaust.leak_place)[0]
    leak = 0.0
    if exhaust.state == "worn":
        worn = toml_table("noisemap.source", "muffler.toml")["worn"]
        default = 1e-4 * float(worn["leak_cm2"]["value"])
        leak = default if exhaust.leak_m2 is None else exhaust.leak_m2
    if exhaust.muffler == "network":
        ratio, escaped = _network_ratio(f, engine, flow, "whole", leak, exhaust.leak_place)
    else:
        ratio, escaped = 10.0 ** (-0.1 * handbook_loss_at(f, exhaust.handbook_row)), 0.0 * f
        if leak > 0.0:
            # The leak takes from the muffler what it takes from the network's outlet.
            tight, _ = _network_ratio(f, engine, flow, "whole", 0.0, exhaust.leak_place)
            leaky, escaped = _network_ratio(f, engine, flow, "whole", leak, exhaust.leak_place)
            ratio = ratio * np.minimum(leaky / tight, 1.0)
    if exhaust.state == "after_treatment":
        ratio = ratio * 10.0 ** (-0.1 * after_treatment_loss(exhaust.after_treatment))
    return np.asarray(ratio + escaped)


def _network_ratio(
    f: FloatArray, engine: Engine, flow: PipeFlow, interior: Interior, leak: float,
    place: LeakPlace,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    network = fitted_network(engine, flow, interior, leak, place)
    ratio = power_ratio(f, network, hot_gas(engine, flow), source_admittance(engine, flow))
    return ratio.outlet, ratio.leak


def fitted_network(
    engine: Engine, flow: PipeFlow, interior: Interior = "whole", leak_m2: float = 0.0,
    leak_place: LeakPlace = "inlet_pipe",
) -> Network:  # fmt: skip
    """Muffler network in a line as long as the straight pipe.

    Parameters
    ----------
    engine : Engine
        The engine.
    flow : PipeFlow
        Length of the straight pipe.
    interior : {"whole", "empty", "lined"}
        What is inside the shell.
    leak_m2 : float
        Area of a hole. [m2]
    leak_place : {"inlet_pipe", "after_perforated_tube"}
        Where it is.

    Returns
    -------
    Network
        The default muffler; inlet and tail pipe share the rest of the length as 1.8 to 1.5.

    Raises
    ------
    OutOfDomainError
        For a pipe no longer than the muffler, or an unknown interior.

    References
    ----------
    exhaust-model : 1.8 m before and 1.5 m behind the muffler of a line of 4.5 m
    """
    if interior not in INTERIORS:
        raise OutOfDomainError(
            f"muffler interior: {interior!r} is not allowed (allowed: {', '.join(INTERIORS)})"
        )
    usual = default_network(
        engine.pipe_diameter_m, interior=interior, leak_m2=leak_m2, leak_place=leak_place
    )
    rest = flow.pipe_length_m - usual.length_m
    if rest <= 0.0:
        raise OutOfDomainError(
            f"muffler: a pipe of {flow.pipe_length_m:g} m is not allowed "
            f"(allowed: longer than the muffler's {usual.length_m:g} m)"
        )
    share = rest / (usual.inlet_m + usual.tail_m)
    values = {**usual.__dict__, "inlet_m": share * usual.inlet_m, "tail_m": share * usual.tail_m}
    return Network(**values)


def third_levels(lines: Lines, engine: Engine, flow: PipeFlow, exhaust: Exhaust) -> FloatArray:
    """Sound power level of an exhaust in thirds of an octave.

    Parameters
    ----------
    lines : Lines
        Order lines at the outlet of the straight pipe.
    engine : Engine
        The engine.
    flow : PipeFlow
        Flow in the pipe.
    exhaust : Exhaust
        What stands there.

    Returns
    -------
    ndarray
        Levels from 25 Hz to 10 kHz, flow noise included behind a muffler; minus infinity
        in a third of a straight pipe that holds no line. [dB]

    References
    ----------
    exhaust-model : power of the lines
    iso14163 : flow noise of a muffler's outlet
    """
    power = line_power(lines, engine.pipe_diameter_m)
    ratio = line_ratio(lines.frequency, engine, flow, exhaust)
    level = third_octave_level(lines.frequency, power * ratio)
    if exhaust.state == "straight":
        return level
    floor = flow_noise_thirds(hot_gas(engine, flow), engine.pipe_diameter_m)
    return from_energy(to_energy(level) + to_energy(floor))


def flow_noise_thirds(gas: HotGas, diameter_m: float) -> FloatArray:
    """Flow noise of a muffler's outlet in thirds: each octave split evenly.

    Parameters
    ----------
    gas : HotGas
        Gas and flow.
    diameter_m : float
        Diameter of the outlet. [m]

    Returns
    -------
    ndarray
        Levels from 25 Hz to 10 kHz; none below 50 Hz, where nothing is stated. [dB]

    References
    ----------
    iso14163 : flow noise of a silencer
    """
    ambient = toml_table("noisemap.source", "exhaust_model.toml")["ambient"]
    octaves = flow_noise(gas, diameter_m, float(ambient["pressure_pa"]["value"]))
    thirds = np.full(len(THIRDS_HZ), -np.inf)
    thirds[FIRST_OCTAVE_THIRD:] = np.repeat(octaves - 10.0 * np.log10(3.0), 3)
    return thirds


def time_character(
    lines: Lines, engine: Engine, flow: PipeFlow, exhaust: Exhaust
) -> tuple[float, float, float]:
    """Crest factors and short-time modulation of the pulses at 15 m.

    Parameters
    ----------
    lines : Lines
        Order lines at the outlet of the straight pipe.
    engine : Engine
        The engine.
    flow : PipeFlow
        Flow in the pipe.
    exhaust : Exhaust
        What stands there; it changes amplitudes, and leaves the phases as they were.

    Returns
    -------
    crest_a : float
        Crest factor, A-weighted. [dB]
    crest : float
        Crest factor, unweighted. [dB]
    modulation : float
        Highest minus lowest A-weighted level of 5 ms within a cycle. [dB]

    References
    ----------
    exhaust-model : short-time level range, 5 ms
    """
    amplitude = np.sqrt(line_ratio(lines.frequency, engine, flow, exhaust))
    plain = lines.volume_flow * amplitude
    weighted = plain * 10.0 ** (0.05 * a_weighting(lines.frequency))
    diameter = engine.pipe_diameter_m
    p = pressure_cycle(Lines(lines.frequency, plain), diameter, SAMPLES)
    p_a = pressure_cycle(Lines(lines.frequency, weighted), diameter, SAMPLES)
    width = max(round(SHORT_TIME_S * lines.frequency[0] * SAMPLES), 1)
    running = _circular_mean(np.square(p_a), width)
    modulation = 10.0 * np.log10(running.max() / running.min())
    return _crest(p_a), _crest(p), float(modulation)


def run_lines(run: EngineRun, engine: Engine) -> Lines:
    """Order lines at the outlet of a run's straight pipe.

    Parameters
    ----------
    run : EngineRun
        The run.
    engine : Engine
        The engine.

    Returns
    -------
    Lines
        Frequencies and complex volume flow.

    References
    ----------
    exhaust-model : volume velocity at the exit
    """
    return order_lines(run.outlet_velocity, engine.pipe_area_m2, run.cycle_s)


def _circular_mean(values: FloatArray, width: int) -> FloatArray:
    total = np.cumsum(np.concatenate([values, values[:width]]))
    return np.asarray((total[width:] - total[:-width]) / width)


def _crest(pressure: FloatArray) -> float:
    mean = float(np.mean(np.square(pressure)))
    return float(10.0 * np.log10(np.max(np.square(pressure)) / mean))
