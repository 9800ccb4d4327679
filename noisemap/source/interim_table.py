"""Writes the interim emission table from its stated inputs.

`python -m noisemap.source.interim_table` writes emission_table.csv beside this
module; `--check` only says whether the file is what the inputs give.
"""

from __future__ import annotations

import csv
import io
import sys
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.bands import A_WEIGHT, COLUMNS
from noisemap.data_tables import toml_table
from noisemap.levels import a_weighted
from noisemap.states import EXHAUST_STATES, ExhaustState

FloatArray = npt.NDArray[np.float64]

FIELDS = (
    "engine",
    "engine_speed_rpm",
    "braking_cylinders",
    "exhaust_state",
    "band_hz",
    "l_w_db",
    "spread_db",
    "masked",
    "source",
    "mark",
    "model_version",
)
TABLE_FILE = "emission_table.csv"


def straight_sound_power(inputs: dict[str, Any]) -> tuple[FloatArray, FloatArray]:
    """Sound power level of the 15 L engine on six cylinders through a straight pipe.

    Parameters
    ----------
    inputs : dict
        Content of interim.toml.

    Returns
    -------
    engine_speed : ndarray
        Engine speeds, ascending, the added lowest one first. [rpm]
    sound_power : ndarray
        Level by engine speed and band. [dB]

    References
    ----------
    exhaust-model : shapes of one pipe, shifted to the means over five pipe lengths
    own-assumption : the row at the lowest speed
    """
    speed = np.array(inputs["shape"]["engine_speed_rpm"], dtype=float)
    shape = np.array(inputs["shape"]["value"], dtype=float) - A_WEIGHT
    level = np.array(inputs["ensemble_level"]["value"], dtype=float)
    lowest = float(inputs["lowest_speed"]["value"])
    slope = (level[-1] - level[0]) / np.log(speed[-1] / speed[0])
    level = np.concatenate([[level[0] + slope * np.log(lowest / speed[0])], level])
    speed = np.concatenate([[lowest], speed])
    shape = np.concatenate([shape[:1], shape])
    shift = level - a_weighted(shape) + float(inputs["label"]["value"])
    return speed, shape + shift[:, None]


def engine_difference(inputs: dict[str, Any], engine: str) -> FloatArray:
    """Level of an engine minus the 15 L engine, by engine speed.

    Parameters
    ----------
    inputs : dict
        Content of interim.toml.
    engine : str
        Key of the engine.

    Returns
    -------
    ndarray
        Difference; the added lowest speed takes that of the next row. [dB]

    References
    ----------
    exhaust-model : differences between engines at equal engine speed
    """
    difference = np.array(inputs["engine_difference"][engine]["value"], dtype=float)
    return np.concatenate([difference[:1], difference])


def exhaust_state_difference(inputs: dict[str, Any], state: ExhaustState) -> FloatArray:
    """Level of an exhaust state minus the straight pipe, by band.

    Parameters
    ----------
    inputs : dict
        Content of interim.toml.
    state : {"after_treatment", "muffled", "worn", "straight"}
        Exhaust state.

    Returns
    -------
    ndarray
        Difference, never above zero. [dB]

    References
    ----------
    ufc-3-450-02 : table of reactive mufflers, recalled
    exhaust-model : worn
    own-assumption : after-treatment
    """
    if state == "straight":
        return np.zeros(len(COLUMNS))
    muffled = -np.array(inputs["muffled"]["value"], dtype=float)
    shift = {
        "muffled": 0.0,
        "worn": float(inputs["worn"]["value"]),
        "after_treatment": -float(inputs["after_treatment"]["value"]),
    }
    return np.asarray(muffled + shift[state])


def interim_table() -> str:
    """Text of the interim emission table, as CSV.

    Returns
    -------
    str
        One row an engine, engine speed, cylinder count, exhaust state and band.

    References
    ----------
    exhaust-model : all levels; every row is marked interim by its model version
    """
    inputs = toml_table("noisemap.source", "interim.toml")
    speeds, straight = straight_sound_power(inputs)
    cylinders = inputs["cylinder_difference"]
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(FIELDS)
    for engine in inputs["engine_difference"]:
        by_speed = straight + engine_difference(inputs, engine)[:, None]
        for speed, spectrum in zip(speeds, by_speed, strict=True):
            for count, difference in zip(
                cylinders["braking_cylinders"], cylinders["value"], strict=True
            ):
                for state in EXHAUST_STATES:
                    level = spectrum + difference + exhaust_state_difference(inputs, state)
                    writer.writerows(_rows(inputs, engine, speed, count, state, level))
    return stream.getvalue()


def _rows(
    inputs: dict[str, Any],
    engine: str,
    speed: float,
    count: int,
    state: ExhaustState,
    level: FloatArray,
) -> list[tuple[str, ...]]:
    assumed = state == "after_treatment" or speed == float(inputs["lowest_speed"]["value"])
    origin = inputs["after_treatment"] if assumed else inputs["shape"]
    tail = (origin["source"], origin["mark"], inputs["model"]["value"])
    spread = f"{inputs['spread']['value']:g}"
    return [
        (engine, f"{speed:g}", str(count), state, band, f"{value:.2f}", spread, "0", *tail)
        for band, value in zip(COLUMNS, level, strict=True)
    ]


def main(arguments: list[str]) -> int:
    """Exit code of writing the table, or of checking it.

    Parameters
    ----------
    arguments : list of str
        Nothing to write the table, `--check` to compare it.

    Returns
    -------
    int
        0, or 1 when a checked table differs. [1]

    References
    ----------
    exhaust-model : all levels
    """
    path = Path(__file__).with_name(TABLE_FILE)
    text = interim_table()
    if arguments == ["--check"]:
        same = path.read_text(encoding="utf-8") == text
        print(f"{path.name}: {'as its inputs give it' if same else 'differs from its inputs'}")
        return 0 if same else 1
    path.write_text(text, encoding="utf-8")
    print(f"{path.name}: {len(text.splitlines()) - 1} rows")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
