"""Sound power of the exhaust in braking, read from tables of precomputed levels."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from noisemap.bands import COLUMNS
from noisemap.data_tables import table_rows, toml_table
from noisemap.errors import OutOfDomainError
from noisemap.source.radiation import NOMINAL_THIRDS
from noisemap.states import EXHAUST_STATES, ExhaustState

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class EmissionTable:
    """Levels of one engine in one exhaust state; a masked band holds minus infinity."""

    engine_speed_rpm: FloatArray  # (s,) ascending [rpm]
    braking_cylinders: FloatArray  # (c,) ascending [1]
    sound_power: FloatArray  # (s, c, bands) [dB]
    spread: FloatArray  # (s, c, bands) standard deviation from truck to truck [dB]
    model_version: str
    marks: frozenset[str]

    def level(
        self, engine_speed_rpm: npt.ArrayLike, braking_cylinders: npt.ArrayLike
    ) -> FloatArray:
        """Level at any point inside the table, bilinear in decibels.

        A masked corner is left out and the others keep its weight, so that a band
        falls silent only where every corner is masked.
        """
        return self._between(self.sound_power, engine_speed_rpm, braking_cylinders)

    def spread_at(
        self, engine_speed_rpm: npt.ArrayLike, braking_cylinders: npt.ArrayLike
    ) -> FloatArray:
        """Spread at any point inside the table, bilinear."""
        return self._between(self.spread, engine_speed_rpm, braking_cylinders)

    def _between(
        self,
        values: FloatArray,
        engine_speed_rpm: npt.ArrayLike,
        braking_cylinders: npt.ArrayLike,
    ) -> FloatArray:
        return interpolated(
            self.engine_speed_rpm,
            self.braking_cylinders,
            values,
            engine_speed_rpm,
            braking_cylinders,
        )


def interpolated(
    speed_nodes: FloatArray,
    cylinder_nodes: FloatArray,
    values: FloatArray,
    engine_speed_rpm: npt.ArrayLike,
    braking_cylinders: npt.ArrayLike,
) -> FloatArray:
    """Values of a table between its nodes, bilinear; infinite corners are left out.

    Parameters
    ----------
    speed_nodes : ndarray
        Engine speeds of the table, ascending. [rpm]
    cylinder_nodes : ndarray
        Braking cylinders of the table, ascending. [1]
    values : ndarray
        Levels or spreads by engine speed, cylinders and column. [dB]
    engine_speed_rpm : array_like
        Engine speed. [rpm] Inside the table.
    braking_cylinders : array_like
        Braking cylinders. [1] Inside the table.

    Returns
    -------
    ndarray
        Values, the columns as an added last axis; minus infinity where every corner is. [dB]

    Raises
    ------
    OutOfDomainError
        For a point outside the table.

    References
    ----------
    exhaust-model : bilinear over engine speed and braking cylinders

    Examples
    --------
    >>> table = np.array([[[0.0], [10.0]], [[20.0], [30.0]]])
    >>> interpolated(np.array([900.0, 1200.0]), np.array([0.0, 2.0]), table, 1050.0, 1.0)
    array([15.])
    """
    row, row_share = _bracket("engine speed [rpm]", speed_nodes, engine_speed_rpm)
    column, column_share = _bracket("braking cylinders", cylinder_nodes, braking_cylinders)
    row, row_share, column, column_share = np.broadcast_arrays(row, row_share, column, column_share)
    total = np.zeros((*row.shape, values.shape[-1]))
    weight_sum = np.zeros_like(total)
    for step_row in (0, 1):
        for step_column in (0, 1):
            weight = np.abs(1 - step_row - row_share) * np.abs(1 - step_column - column_share)
            corner = values[row + step_row, column + step_column]
            weights = np.where(np.isfinite(corner), weight[..., None], 0.0)
            total += weights * np.where(np.isfinite(corner), corner, 0.0)
            weight_sum += weights
    heard = weight_sum > 0.0
    return np.asarray(np.where(heard, total / np.where(heard, weight_sum, 1.0), -np.inf))


def exhaust_sound_power(
    engine: str,
    engine_speed_rpm: npt.ArrayLike,
    braking_cylinders: npt.ArrayLike,
    exhaust_state: ExhaustState,
    *,
    calibration_db: float = 0.0,
) -> FloatArray:
    """Sound power level of an exhaust in octaves while the engine brakes.

    Parameters
    ----------
    engine : str
        Key of the engine, see `engines`.
    engine_speed_rpm : array_like
        Engine speed. [rpm] 900 to 2100.
    braking_cylinders : array_like
        How many cylinders brake. [1] 0 to 6; 0 is motoring.
    exhaust_state : {"after_treatment", "muffled", "worn", "straight"}
        What stands between the engine and the open.
    calibration_db : float
        Offset of this engine's levels set by a pass-by measurement. [dB] -6 to 6.

    Returns
    -------
    ndarray
        Free-field sound power level from 63 Hz to 8 kHz, the bands as an added last axis;
        minus infinity in a masked band. An energy mean over pipes and engines: add no
        further bias. [dB]

    Raises
    ------
    OutOfDomainError
        For a point outside the table or an unknown engine or exhaust state.

    References
    ----------
    exhaust-model : energy mean over an ensemble; plausible, not validated

    Examples
    --------
    >>> from noisemap.source.pass_by import level_at_15_m
    >>> loud = exhaust_sound_power("15L", 2100.0, 6, "straight")
    >>> round(float(level_at_15_m(loud)), 1)
    98.4
    """
    offset = require_calibration(calibration_db)
    table = emission_table(engine, exhaust_state)
    return np.asarray(table.level(engine_speed_rpm, braking_cylinders) + offset)


def exhaust_thirds(
    engine: str,
    engine_speed_rpm: npt.ArrayLike,
    braking_cylinders: npt.ArrayLike,
    exhaust_state: ExhaustState,
    *,
    calibration_db: float = 0.0,
) -> FloatArray:
    """Sound power level of an exhaust in thirds of an octave while the engine brakes.

    Parameters
    ----------
    engine : str
        Key of the engine, see `engines`.
    engine_speed_rpm : array_like
        Engine speed. [rpm] 900 to 2100.
    braking_cylinders : array_like
        How many cylinders brake. [1] 0 to 6; 0 is motoring.
    exhaust_state : {"after_treatment", "muffled", "worn", "straight"}
        What stands between the engine and the open.
    calibration_db : float
        Offset of this engine's levels set by a pass-by measurement. [dB] -6 to 6.

    Returns
    -------
    ndarray
        Free-field sound power level from 25 Hz to 10 kHz, the bands as an added last axis;
        minus infinity in a masked band. [dB]

    Raises
    ------
    OutOfDomainError
        For a point outside the table or an unknown engine or exhaust state.

    References
    ----------
    exhaust-model : energy mean over an ensemble; plausible, not validated

    Examples
    --------
    >>> exhaust_thirds("15L", 2100.0, 6, "straight").shape
    (27,)
    """
    offset = require_calibration(calibration_db)
    table = thirds_table(engine, exhaust_state)
    return np.asarray(table.level(engine_speed_rpm, braking_cylinders) + offset)


def standard_uncertainty(exhaust_state: ExhaustState) -> float:
    """Standard uncertainty of the A-weighted level of an exhaust state.

    Parameters
    ----------
    exhaust_state : {"after_treatment", "muffled", "worn", "straight"}
        What stands between the engine and the open.

    Returns
    -------
    float
        5 dB for a straight stack; with 4 dB for the difference to it otherwise. [dB]

    References
    ----------
    exhaust-model : manifold, valves and turbine are worth 3 to 7 dB each

    Examples
    --------
    >>> standard_uncertainty("straight"), round(standard_uncertainty("muffled"), 1)
    (5.0, 6.4)
    """
    unknown = toml_table("noisemap.source", "exhaust_model.toml")["uncertainty"]
    straight = float(unknown["straight_db"]["value"])
    if exhaust_state == "straight":
        return straight
    return float(np.hypot(straight, float(unknown["muffled_difference_db"]["value"])))


def require_calibration(calibration_db: float) -> float:
    """Offset of an engine's levels, if it is one that a measurement may set.

    Parameters
    ----------
    calibration_db : float
        Offset. [dB] -6 to 6.

    Returns
    -------
    float
        The offset. [dB]

    Raises
    ------
    OutOfDomainError
        For an offset outside its range.

    References
    ----------
    exhaust-model : one offset an engine class, -6 to 6 dB

    Examples
    --------
    >>> require_calibration(-2.0)
    -2.0
    """
    unknown = toml_table("noisemap.source", "exhaust_model.toml")["uncertainty"]
    limit = float(unknown["calibration_limit_db"]["value"])
    if not -limit <= calibration_db <= limit:
        raise OutOfDomainError(
            f"source calibration: {calibration_db:g} dB is not allowed "
            f"(allowed: {-limit:g} to {limit:g} dB)"
        )
    return float(calibration_db)


def engines() -> tuple[str, ...]:
    """Keys of the engines in the emission table.

    Returns
    -------
    tuple of str
        Engine keys.

    References
    ----------
    exhaust-model : the three engines that were computed

    Examples
    --------
    >>> engines()
    ('15L', '13L', '11L')
    """
    return tuple(dict.fromkeys(row["engine"] for row in _rows()))


def emission_table(engine: str, exhaust_state: ExhaustState) -> EmissionTable:
    """Table in octaves of one engine in one exhaust state.

    Parameters
    ----------
    engine : str
        Key of the engine.
    exhaust_state : {"after_treatment", "muffled", "worn", "straight"}
        Exhaust state.

    Returns
    -------
    EmissionTable
        Levels and spreads by engine speed, cylinders and octave from 63 Hz to 8 kHz.

    Raises
    ------
    OutOfDomainError
        If the engine or the exhaust state is not in the table.

    References
    ----------
    exhaust-model : energy means over an ensemble of trucks

    Examples
    --------
    >>> emission_table("11L", "muffled").engine_speed_rpm.tolist()
    [900.0, 1200.0, 1500.0, 1800.0, 2100.0]
    """
    return _one(_octave_tables(), engine, exhaust_state)


def thirds_table(engine: str, exhaust_state: ExhaustState) -> EmissionTable:
    """Table in thirds of an octave of one engine in one exhaust state.

    Parameters
    ----------
    engine : str
        Key of the engine.
    exhaust_state : {"after_treatment", "muffled", "worn", "straight"}
        Exhaust state.

    Returns
    -------
    EmissionTable
        Levels and spreads by engine speed, cylinders and third from 25 Hz to 10 kHz.

    Raises
    ------
    OutOfDomainError
        If the engine or the exhaust state is not in the table.

    References
    ----------
    exhaust-model : energy means over an ensemble of trucks

    Examples
    --------
    >>> thirds_table("11L", "muffled").sound_power.shape
    (5, 5, 27)
    """
    return _one(_third_tables(), engine, exhaust_state)


def _one(
    tables: Mapping[tuple[str, str], EmissionTable], engine: str, exhaust_state: str
) -> EmissionTable:
    try:
        return tables[engine, exhaust_state]
    except KeyError:
        raise OutOfDomainError(
            f"emission table: engine {engine!r} with exhaust state {exhaust_state!r} is not "
            f"allowed (allowed: engines {', '.join(engines())}; "
            f"states {', '.join(EXHAUST_STATES)})"
        ) from None


def tables_from_rows(
    rows: Iterable[Mapping[str, str]], bands: Sequence[str] = COLUMNS
) -> dict[tuple[str, str], EmissionTable]:
    """Tables by engine and exhaust state from rows of text.

    Parameters
    ----------
    rows : iterable of mapping
        Rows with the columns of emission_table.csv, in any order.
    bands : sequence of str
        Nominal names of the bands, in their order.

    Returns
    -------
    dict
        Table by (engine, exhaust state).

    Raises
    ------
    OutOfDomainError
        If a combination of engine speed, cylinders and band is missing or doubled.

    References
    ----------
    exhaust-model : columns of the table
    """
    groups: dict[tuple[str, str], list[Mapping[str, str]]] = {}
    for row in rows:
        groups.setdefault((row["engine"], row["exhaust_state"]), []).append(row)
    return {key: _table(key, group, bands) for key, group in groups.items()}


def _table(
    key: tuple[str, str], rows: list[Mapping[str, str]], bands: Sequence[str]
) -> EmissionTable:
    speeds = sorted({float(row["engine_speed_rpm"]) for row in rows})
    counts = sorted({float(row["braking_cylinders"]) for row in rows})
    shape = (len(speeds), len(counts), len(bands))
    level, spread = np.full(shape, np.nan), np.zeros(shape)
    for row in rows:
        place = (
            speeds.index(float(row["engine_speed_rpm"])),
            counts.index(float(row["braking_cylinders"])),
            bands.index(row["band_hz"]),
        )
        level[place] = -np.inf if row["masked"] == "1" else float(row["l_w_db"])
        spread[place] = float(row["spread_db"])
    if np.isnan(level).any() or len(rows) != level.size:
        raise OutOfDomainError(
            f"emission table: {key[0]} {key[1]}: {len(rows)} rows for {level.size} combinations "
            "of engine speed, cylinders and band; each must stand exactly once"
        )
    return EmissionTable(
        np.array(speeds),
        np.array(counts),
        level,
        spread,
        " ".join(sorted({row["model_version"] for row in rows})),
        frozenset(row["mark"] for row in rows),
    )


def _bracket(
    name: str, nodes: FloatArray, value: npt.ArrayLike
) -> tuple[npt.NDArray[np.int64], FloatArray]:
    array = np.asarray(value, dtype=float)
    inside = (array >= nodes[0]) & (array <= nodes[-1])
    if not inside.all():
        raise OutOfDomainError(
            f"emission table: {name} {array[~inside].flat[0]:.6g} is not allowed "
            f"(allowed: {nodes[0]:g} to {nodes[-1]:g})"
        )
    lower = np.clip(np.searchsorted(nodes, array, side="right") - 1, 0, len(nodes) - 2)
    return lower.astype(np.int64), (array - nodes[lower]) / (nodes[lower + 1] - nodes[lower])


@cache
def _rows() -> tuple[dict[str, str], ...]:
    return table_rows("noisemap.source", "emission_table.csv")


@cache
def _octave_tables() -> dict[tuple[str, str], EmissionTable]:
    return tables_from_rows(_rows())


@cache
def _third_tables() -> dict[tuple[str, str], EmissionTable]:
    return tables_from_rows(table_rows("noisemap.source", "emission_thirds.csv"), NOMINAL_THIRDS)
