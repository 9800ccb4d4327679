"""What stands beside the levels in the exhaust tables: cycles, time character, order lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import as_file, files

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import table_rows
from noisemap.errors import OutOfDomainError
from noisemap.source.emission import emission_table, engines, interpolated
from noisemap.source.exhaust_states import PipeFlow
from noisemap.source.radiation import Lines
from noisemap.states import EXHAUST_STATES, ExhaustState

FloatArray = npt.NDArray[np.float64]

CYCLE_FIGURES = (
    "boost_bar", "peak_braking_bar", "peak_all_bar", "closed_cycle_kw", "closed_cycle_bound_kw",
    "pumping_kw", "friction_kw", "retarding_kw", "mass_flow_kg_s", "turbine_inlet_k", "pipe_k",
    "choked_jet_kw",
)  # fmt: skip
"""Columns of the table of cycles; pressures absolute, powers positive when absorbed."""

CHARACTER_FIGURES = ("crest_a_db", "crest_db", "modulation_5ms_db")
"""Columns of the table of time characters."""

_FLOW_FIGURES = 5


@dataclass(frozen=True)
class TypicalTruck:
    """The truck of an ensemble whose straight pipe lies nearest to the energy mean."""

    engine_speed_rpm: float
    lines: Lines
    flow: PipeFlow


def cycle_figures(
    engine: str, engine_speed_rpm: float, braking_cylinders: float
) -> dict[str, float]:
    """Boost, pressures, powers, flow and temperatures of a braking engine.

    Parameters
    ----------
    engine : str
        Key of the engine.
    engine_speed_rpm : float
        Engine speed. [rpm] 900 to 2100.
    braking_cylinders : float
        How many cylinders brake. [1] 0 to 6.

    Returns
    -------
    dict
        Figures by the names of `CYCLE_FIGURES`, each with its unit at the end.

    Raises
    ------
    OutOfDomainError
        For a point outside the table or an unknown engine.

    References
    ----------
    exhaust-model : means over the ensemble, bilinear between the table's points

    Examples
    --------
    >>> round(cycle_figures("13L", 2100.0, 6)["retarding_kw"])
    294
    """
    values = _cycle_tables().get((engine,))
    return _figures(CYCLE_FIGURES, values, engine, "straight", engine_speed_rpm, braking_cylinders)


def character_figures(
    engine: str, engine_speed_rpm: float, braking_cylinders: float, exhaust_state: ExhaustState
) -> dict[str, float]:
    """Crest factors and range within 5 ms of the pulses at 15 m.

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

    Returns
    -------
    dict
        Figures by the names of `CHARACTER_FIGURES`. [dB]

    Raises
    ------
    OutOfDomainError
        For a point outside the table, an unknown engine or an unknown state.

    References
    ----------
    exhaust-model : means over the ensemble, bilinear between the table's points

    Examples
    --------
    >>> character_figures("15L", 2100.0, 6, "straight")["modulation_5ms_db"]
    13.8
    """
    values = _character_tables().get((engine, exhaust_state))
    return _figures(
        CHARACTER_FIGURES, values, engine, exhaust_state, engine_speed_rpm, braking_cylinders
    )


def typical_truck(engine: str, engine_speed_rpm: float, braking_cylinders: float) -> TypicalTruck:
    """Order lines of a straight pipe at the nearest point of the table.

    Parameters
    ----------
    engine : str
        Key of the engine.
    engine_speed_rpm : float
        Engine speed. [rpm] 900 to 2100.
    braking_cylinders : float
        How many cylinders brake. [1] 0 to 6.

    Returns
    -------
    TypicalTruck
        Lines, flow and the truck's own engine speed, up to 5 % off the point's.

    Raises
    ------
    OutOfDomainError
        For a point outside the table or an unknown engine.

    References
    ----------
    exhaust-model : the truck of the ensemble nearest to its energy mean

    Examples
    --------
    >>> truck = typical_truck("15L", 2100.0, 6)
    >>> 1995.0 <= truck.engine_speed_rpm <= 2205.0
    True
    """
    table = emission_table(engine, "straight")
    table.level(engine_speed_rpm, braking_cylinders)  # outside the table this is an error
    speed = table.engine_speed_rpm[np.abs(table.engine_speed_rpm - engine_speed_rpm).argmin()]
    count = table.braking_cylinders[np.abs(table.braking_cylinders - braking_cylinders).argmin()]
    packed = _lines()[f"{engine}-{speed:g}-{count:g}"]
    own_speed, length, flow, pipe_k, turbine_k = (float(v) for v in packed[:_FLOW_FIGURES].real)
    amplitude = packed[_FLOW_FIGURES:].astype(np.complex128)
    frequency = np.asarray(np.arange(1.0, len(amplitude) + 1.0) * own_speed / 120.0, dtype=float)
    return TypicalTruck(
        own_speed, Lines(frequency, amplitude), PipeFlow(length, flow, pipe_k, turbine_k)
    )


def _figures(
    names: tuple[str, ...], values: FloatArray | None, engine: str, state: ExhaustState,
    speed: float, cylinders: float,
) -> dict[str, float]:  # fmt: skip
    if values is None:
        raise OutOfDomainError(
            f"exhaust tables: engine {engine!r} with exhaust state {state!r} is not allowed "
            f"(allowed: engines {', '.join(engines())}; states {', '.join(EXHAUST_STATES)})"
        )
    table = emission_table(engine, state)
    found = interpolated(table.engine_speed_rpm, table.braking_cylinders, values, speed, cylinders)
    return dict(zip(names, (float(value) for value in found), strict=True))


def _grid(
    rows: tuple[Mapping[str, str], ...], keys: tuple[str, ...], names: tuple[str, ...]
) -> dict[tuple[str, ...], FloatArray]:
    """Values of each engine, or engine and state, by speed, cylinders and column."""
    tables: dict[tuple[str, ...], FloatArray] = {}
    for row in rows:
        table = emission_table(row["engine"], "straight")
        speeds, counts = table.engine_speed_rpm.tolist(), table.braking_cylinders.tolist()
        values = tables.setdefault(
            tuple(row[key] for key in keys), np.full((len(speeds), len(counts), len(names)), np.nan)
        )
        place = (
            speeds.index(float(row["engine_speed_rpm"])),
            counts.index(float(row["braking_cylinders"])),
        )
        values[place] = [float(row[name]) for name in names]
    return tables


@cache
def _cycle_tables() -> dict[tuple[str, ...], FloatArray]:
    rows = table_rows("noisemap.source", "exhaust_cycles.csv")
    return _grid(rows, ("engine",), CYCLE_FIGURES)


@cache
def _character_tables() -> dict[tuple[str, ...], FloatArray]:
    rows = table_rows("noisemap.source", "exhaust_character.csv")
    return _grid(rows, ("engine", "exhaust_state"), CHARACTER_FIGURES)


@cache
def _lines() -> dict[str, npt.NDArray[np.complex64]]:
    with (
        as_file(files("noisemap.source").joinpath("exhaust_lines.npz")) as path,
        np.load(path) as content,
    ):
        return {name: content[name] for name in content.files}
