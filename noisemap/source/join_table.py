"""Joins the part files into the shipped tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from noisemap.bands import COLUMNS
from noisemap.data_tables import toml_table
from noisemap.levels import a_weighted
from noisemap.source.engine_cycle import closed_cycle_bound, friction_power
from noisemap.source.engine_family import Engine, packaged_engine
from noisemap.source.ensemble import energy_mean, level_spread
from noisemap.source.exhaust_states import Exhaust, PipeFlow, third_levels, time_character
from noisemap.source.radiation import NOMINAL_THIRDS, Lines, octave_level
from noisemap.source.table_parts import ENGINES, Task, all_tasks, grid_pairs, read_part, version
from noisemap.states import EXHAUST_STATES
from noisemap.storage import atomic_path, sha256_file, sha256_json, write_json, write_text

FloatArray = npt.NDArray[np.float64]

TABLES = (
    "emission_table.csv", "emission_thirds.csv", "exhaust_character.csv", "exhaust_cycles.csv",
)  # fmt: skip
LINES_FILE = "exhaust_lines.npz"
MANIFEST_FILE = "exhaust_manifest.json"
INPUTS = (
    "exhaust_model.toml", "muffler.toml", "muffler_table.csv",
    *(f"engines/{engine}.toml" for engine in ENGINES),
)  # fmt: skip
LEVEL_FIELDS = (
    "engine", "engine_speed_rpm", "braking_cylinders", "exhaust_state", "band_hz", "l_w_db",
    "spread_db", "masked", "source", "mark", "model_version",
)  # fmt: skip
CHARACTER_FIELDS = (
    "engine", "engine_speed_rpm", "braking_cylinders", "exhaust_state", "crest_a_db", "crest_db",
    "modulation_5ms_db", "source", "mark", "model_version",
)  # fmt: skip
CYCLE_TABLE_FIELDS = (
    "engine", "engine_speed_rpm", "braking_cylinders", "boost_bar", "peak_braking_bar",
    "peak_all_bar", "closed_cycle_kw", "closed_cycle_bound_kw", "pumping_kw", "friction_kw",
    "retarding_kw", "mass_flow_kg_s", "turbine_inlet_k", "pipe_k", "choked_jet_kw", "source",
    "mark", "model_version",
)  # fmt: skip
SOURCE, MARK = "exhaust-model", "COMPUTED"
PROVENANCE = {
    "straight": (SOURCE, MARK),
    "muffled": ("ufc-3-450-02", "MEMORY-M"),
    "worn": ("ufc-3-450-02", "MEMORY-M"),
    "after_treatment": ("own-assumption", "ASSUMED"),
}
"""Source and mark of the weakest figure behind the levels of each exhaust state."""


class Truck(NamedTuple):
    """One run of an ensemble, read from its part."""

    lines: Lines
    flow: PipeFlow
    cycle: dict[str, float]


def read_truck(folder: Path, task: Task) -> Truck:
    """Run of one truck.

    Parameters
    ----------
    folder : Path
        Folder of the part files.
    task : Task
        The run.

    Returns
    -------
    Truck
        Order lines, flow, figures of the cycle.

    Raises
    ------
    BadDataError
        If the part comes from another version of the model.

    References
    ----------
    exhaust-model : one run
    """
    volume_flow, cycle = read_part(folder, task)
    order = np.arange(1.0, len(volume_flow) + 1.0)
    frequency = np.asarray(order * (cycle["speed_rpm"] / 120.0), dtype=np.float64)
    flow = PipeFlow(cycle["pipe_m"], cycle["mass_flow"], cycle["pipe_k"], cycle["turbine_k"])
    return Truck(Lines(frequency, volume_flow), flow, cycle)


def grid_correction(folder: Path, engine_name: str) -> tuple[FloatArray, FloatArray]:
    """Level on finer cells minus that on the table's, with its spread.

    Parameters
    ----------
    folder : Path
        Folder of the part files.
    engine_name : str
        Key of the engine.

    Returns
    -------
    correction : ndarray
        Mean difference in thirds; 0 where fewer than two runs have a line. [dB]
    spread : ndarray
        Standard deviation of the difference. [dB]

    References
    ----------
    exhaust-model : correction of the grid, at least six points an engine
    """
    engine = packaged_engine(engine_name)
    differences = []
    for fine, usual in grid_pairs():
        if fine.engine != engine_name:
            continue
        levels = [
            third_levels(truck.lines, engine, truck.flow, Exhaust("straight"))
            for truck in (read_truck(folder, fine), read_truck(folder, usual))
        ]
        both = np.isfinite(levels[0]) & np.isfinite(levels[1])
        with np.errstate(invalid="ignore"):
            differences.append(np.where(both, levels[0] - levels[1], np.nan))
    table = np.array(differences)
    heard = np.isfinite(table)
    count = heard.sum(axis=0)
    mean = np.where(heard, table, 0.0).sum(axis=0) / np.maximum(count, 1)
    square = np.square(np.where(heard, table - mean, 0.0)).sum(axis=0)
    deviation = np.sqrt(square / np.maximum(count - 1, 1))
    return np.where(count >= 2, mean, 0.0), np.where(count >= 2, deviation, 0.0)


def join_parts(parts: Path, out: Path) -> list[Path]:
    """Tables of levels, character and cycles, order lines and manifest from all parts.

    Parameters
    ----------
    parts : Path
        Folder of the part files.
    out : Path
        Folder of the tables.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    BadDataError
        If a part comes from another version of the model.

    References
    ----------
    exhaust-model : energy means over the ensemble
    """
    octaves: list[tuple[str, ...]] = []
    thirds: list[tuple[str, ...]] = []
    character: list[tuple[str, ...]] = []
    cycles: list[tuple[str, ...]] = []
    lines: dict[str, npt.NDArray[np.complex64]] = {}
    corrections = {name: grid_correction(parts, name) for name in ENGINES}
    for (name, speed, count), tasks in _points().items():
        engine, trucks = packaged_engine(name), [read_truck(parts, task) for task in tasks]
        key = (name, f"{speed:g}", str(count))
        cycles.append((*key, *_cycle_row(engine, speed, trucks), SOURCE, MARK, version()))
        correction, grid_spread = corrections[name]
        for state in EXHAUST_STATES:
            exhaust = Exhaust(state)
            levels = np.array(
                [third_levels(t.lines, engine, t.flow, exhaust) + correction for t in trucks]
            )
            row_key = (*key, state)
            by_octave = octave_level(levels)
            octaves += _level_rows(row_key, COLUMNS, by_octave, _octave_spread(grid_spread))
            thirds += _level_rows(row_key, NOMINAL_THIRDS, levels, grid_spread)
            means = np.mean(
                [time_character(t.lines, engine, t.flow, exhaust) for t in trucks], axis=0
            )
            row = (f"{value:.1f}" for value in means)
            character.append((*key, state, *row, *PROVENANCE[state], version()))
            if state == "straight":
                typical = trucks[_nearest_to_mean(a_weighted(octave_level(levels)))]
                lines["-".join(key)] = _packed(typical)
    tables = dict(
        zip(
            TABLES,
            (
                _csv(LEVEL_FIELDS, octaves), _csv(LEVEL_FIELDS, thirds),
                _csv(CHARACTER_FIELDS, character), _csv(CYCLE_TABLE_FIELDS, cycles),
            ),
            strict=True,
        )
    )  # fmt: skip
    for name, text in tables.items():
        write_text(out / name, text)
    with atomic_path(out / LINES_FILE) as temporary, temporary.open("wb") as stream:
        np.savez_compressed(stream, **lines)  # type: ignore[arg-type]
    write_json(out / MANIFEST_FILE, manifest(out, corrections))
    return [out / name for name in (*TABLES, LINES_FILE, MANIFEST_FILE)]


def manifest(folder: Path, corrections: dict[str, tuple[FloatArray, FloatArray]]) -> dict[str, Any]:
    """What the tables were made from: version, hashes of inputs and tables, correction.

    Parameters
    ----------
    folder : Path
        Folder of the tables.
    corrections : dict
        Correction of the grid and its spread by engine. [dB]

    Returns
    -------
    dict
        Manifest, fit for JSON.

    References
    ----------
    exhaust-model : version of the model
    """
    return {
        "model_version": version(),
        "inputs": inputs_hash(),
        "files": {name: sha256_file(folder / name) for name in (*TABLES, LINES_FILE)},
        "runs": len(all_tasks()),
        "grid_correction_db": {
            name: [round(float(value), 3) for value in mean]
            for name, (mean, _) in corrections.items()
        },
        "grid_correction_spread_db": {
            name: [round(float(value), 3) for value in spread]
            for name, (_, spread) in corrections.items()
        },
    }


def inputs_hash() -> str:
    """Hash of the model's version and of every data file that the tables depend on.

    Returns
    -------
    str
        Hex SHA-256.

    References
    ----------
    exhaust-model : inputs of the tables

    Examples
    --------
    >>> len(inputs_hash())
    64
    """
    texts = {
        name: files("noisemap.source").joinpath(name).read_text(encoding="utf-8") for name in INPUTS
    }
    return sha256_json({"version": version(), **texts})


def _points() -> dict[tuple[str, float, int], list[Task]]:
    cell = float(
        toml_table("noisemap.source", "exhaust_model.toml")["solver"]["table_cell_m"]["value"]
    )
    points: dict[tuple[str, float, int], list[Task]] = {}
    for task in all_tasks():
        if task.cell_m == cell:
            key = (task.engine, task.engine_speed_rpm, task.cylinders)
            points.setdefault(key, []).append(task)
    order = sorted(points, key=lambda key: (ENGINES.index(key[0]), key[1], key[2]))
    return {key: sorted(points[key], key=lambda task: task.draw) for key in order}


def _level_rows(
    key: tuple[str, ...], bands: Iterable[str], levels: FloatArray, grid_spread: FloatArray
) -> list[tuple[str, ...]]:
    unknown = toml_table("noisemap.source", "exhaust_model.toml")["uncertainty"]["straight_db"]
    spread = np.hypot(level_spread(levels, float(unknown["value"])), grid_spread)
    return [
        (
            *key,
            band,
            f"{level:.2f}" if np.isfinite(level) else "",
            f"{deviation:.2f}",
            "0" if np.isfinite(level) else "1",
            *PROVENANCE[key[-1]],
            version(),
        )
        for band, level, deviation in zip(bands, energy_mean(levels), spread, strict=True)
    ]


def _octave_spread(third_spread: FloatArray) -> FloatArray:
    """Spread of the correction in octaves: the mean of their three thirds."""
    return np.asarray(third_spread[3:].reshape(8, 3).mean(axis=1))


def _cycle_row(engine: Engine, speed: float, trucks: list[Truck]) -> list[str]:
    def mean(name: str) -> float:
        return float(np.mean([truck.cycle[name] for truck in trucks]))

    friction = float(friction_power(engine, speed))
    bound = closed_cycle_bound(engine.geometry, engine_speed_rpm=speed, boost_pa=mean("boost_pa"))
    values = (
        (1e-5 * mean("boost_pa"), 3),
        (1e-5 * max(truck.cycle["peak_braking_pa"] for truck in trucks), 1),
        (1e-5 * max(truck.cycle["peak_all_pa"] for truck in trucks), 1),
        (1e-3 * mean("closed_w"), 1),
        (1e-3 * bound, 1),
        (1e-3 * (mean("indicated_w") - mean("closed_w")), 1),
        (1e-3 * friction, 1),
        (1e-3 * (mean("indicated_w") + friction), 1),
        (mean("mass_flow"), 4),
        (mean("turbine_k"), 0),
        (mean("pipe_k"), 0),
        (1e-3 * mean("choked_w"), 1),
    )
    return [f"{value:.{digits}f}" for value, digits in values]


def _nearest_to_mean(level: FloatArray) -> int:
    return int(np.argmin(np.abs(level - energy_mean(level))))


def _packed(truck: Truck) -> npt.NDArray[np.complex64]:
    """Order lines with the flow they belong to: first the five figures, then the lines."""
    head = [
        truck.cycle["speed_rpm"], truck.flow.pipe_length_m, truck.flow.mass_flow_kg_s,
        truck.flow.pipe_temperature_k, truck.flow.turbine_temperature_k,
    ]  # fmt: skip
    return np.concatenate([head, truck.lines.volume_flow]).astype(np.complex64)


def _csv(fields: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(fields)
    writer.writerows(rows)
    return stream.getvalue()
