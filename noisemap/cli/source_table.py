"""What `noisemap source` computes, as plain data, as lines and as a picture."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.bands import COLUMNS
from noisemap.levels import a_weighted, from_energy, to_energy
from noisemap.source.emission import (
    emission_table,
    exhaust_sound_power,
    exhaust_thirds,
    standard_uncertainty,
    thirds_table,
)
from noisemap.source.jet_noise import JET_ENDS, End, exhaust_jet_thirds, jet_marks
from noisemap.source.muffler import after_treatment_loss
from noisemap.source.operation import (
    character_figures,
    cycle_figures,
    typical_truck,
)
from noisemap.source.pass_by import level_at_15_m
from noisemap.source.radiation import NOMINAL_THIRDS, THIRDS_HZ, line_power, octave_level
from noisemap.states import EXHAUST_STATES, ExhaustState

FloatArray = npt.NDArray[np.float64]

FIFTY_FEET_DB = 20.0 * float(np.log10(15.24 / 15.0))
STRONGEST = 8
"""How many order lines are named [1]."""

CAUTIONS = (
    "Computed, not measured: plausible, and not confirmed by any pass-by measurement.",
    "The uncertainty is one standard deviation, common to all trucks of the class: it does not "
    "average out over many passes.",
    "The level at 15 m labels the exhaust alone, over hard ground; a vehicle has other sources.",
    "It is no verdict against any law or limit: only a measurement by the law's own procedure is.",
)


JET_CAUTION = (
    "Valve-jet noise is in these levels: low confidence. Its efficiency is recalled and the loss "
    "at the turbine assumed, 15 dB between their ends; it is in no study."
)


def source_data(
    engine: str,
    engine_speed_rpm: float,
    cylinders: int,
    calibration_db: float,
    basis: str | None,
    *,
    valve_jet: bool = False,
) -> dict[str, Any]:
    """Levels of every exhaust state at one operating point, fit for JSON."""
    from noisemap.source.engine_family import packaged_engine

    truck = typical_truck(engine, engine_speed_rpm, cylinders)
    power = line_power(truck.lines, packaged_engine(engine).pipe_diameter_m)
    strongest = np.sort(np.argsort(power)[::-1][:STRONGEST])
    return {
        "engine": engine,
        "engine_speed_rpm": engine_speed_rpm,
        "braking_cylinders": cylinders,
        "calibration_db": calibration_db,
        "calibration_basis": basis,
        "model_version": emission_table(engine, "straight").model_version,
        "operation": {
            name: round(value, 4)
            for name, value in cycle_figures(engine, engine_speed_rpm, cylinders).items()
        },
        "states": {
            state: _state(engine, engine_speed_rpm, cylinders, state, calibration_db, valve_jet)
            for state in EXHAUST_STATES
        },
        "valve_jet_noise": "included, low confidence" if valve_jet else "not included",
        "strongest_lines_of_a_typical_straight_stack": {
            "engine_speed_rpm": round(truck.engine_speed_rpm, 1),
            "lines": [
                {
                    "cycle_order": int(place) + 1,
                    "frequency_hz": round(float(truck.lines.frequency[place]), 2),
                    "l_w_db": round(float(10.0 * np.log10(power[place] / 1e-12)), 1),
                }
                for place in strongest
            ],
        },
        "cautions": [*CAUTIONS, *([JET_CAUTION] if valve_jet else [])],
    }


def _state(
    engine: str,
    speed: float,
    cylinders: int,
    state: ExhaustState,
    calibration_db: float,
    valve_jet: bool,
) -> dict[str, Any]:
    octaves = exhaust_sound_power(engine, speed, cylinders, state, calibration_db=calibration_db)
    thirds = exhaust_thirds(engine, speed, cylinders, state, calibration_db=calibration_db)
    jets = None
    if valve_jet:
        ends = {
            end: exhaust_jet_thirds(
                engine, speed, cylinders, state, end, calibration_db=calibration_db
            )
            for end in JET_ENDS
        }
        jets = _jets(octaves, ends)
        octaves = _sum(octaves, octave_level(ends["value"]))
        thirds = _sum(thirds, ends["value"])
    level = float(level_at_15_m(octaves))
    found: dict[str, Any] = {
        "l_a_15_m_db": round(level, 1),
        "l_a_50_ft_db": round(level - FIFTY_FEET_DB, 1),
        "standard_uncertainty_db": round(standard_uncertainty(state), 1),
        "l_w_octaves_db": _bands(COLUMNS, octaves),
        "l_w_thirds_db": _bands(NOMINAL_THIRDS, thirds),
        "spread_of_trucks_octaves_db": _bands(
            COLUMNS, emission_table(engine, state).spread_at(speed, cylinders)
        ),
        "spread_of_trucks_thirds_db": _bands(
            NOMINAL_THIRDS, thirds_table(engine, state).spread_at(speed, cylinders)
        ),
        "time_character": {
            name: round(value, 1)
            for name, value in character_figures(engine, speed, cylinders, state).items()
        },
        "marks": sorted(emission_table(engine, state).marks),
    }
    if jets is not None:
        found["valve_jet"] = jets
    if state == "after_treatment":
        usual = after_treatment_loss("value")
        found["l_a_15_m_range_of_its_loss_db"] = [
            round(level + usual - after_treatment_loss(end), 1) for end in ("high", "low")
        ]
    return found


def _sum(level: FloatArray, jets: FloatArray) -> FloatArray:
    """Pulses and jets; a band that holds no pulses stays masked."""
    both = from_energy(to_energy(level) + to_energy(jets))
    return np.where(np.isfinite(level), both, -np.inf)


def _jets(octaves: FloatArray, ends: Mapping[End, FloatArray]) -> dict[str, Any]:
    """What the jets of one state add, at the middle and at both ends of their ranges."""
    without = float(a_weighted(octaves))
    added = {
        end: float(a_weighted(_sum(octaves, octave_level(thirds)))) - without
        for end, thirds in ends.items()
    }
    total = {end: float(from_energy(to_energy(thirds).sum())) for end, thirds in ends.items()}
    return {
        "confidence": "low",
        "marks": list(jet_marks()),
        "l_w_db": {
            end: round(value, 1) if np.isfinite(value) else None for end, value in total.items()
        },
        "l_w_thirds_db": _bands(NOMINAL_THIRDS, ends["value"]),
        "adds_to_l_a_db": {end: round(value, 2) for end, value in added.items()},
    }


def _bands(names: tuple[str, ...], levels: FloatArray) -> dict[str, float | None]:
    return {
        name: round(float(level), 1) if np.isfinite(level) else None
        for name, level in zip(names, levels, strict=True)
    }


def source_lines(data: Mapping[str, Any], exhaust: ExhaustState) -> list[str]:
    """The states side by side, the spectrum of one of them, the cycle, the cautions."""
    operation = data["operation"]
    offset = f"calibration offset {data['calibration_db']:+.1f} dB"
    if data["calibration_basis"]:
        offset += f" ({data['calibration_basis']})"
    lines = [
        f"{data['engine']} engine, {data['engine_speed_rpm']:g} rpm, "
        f"{data['braking_cylinders']} of 6 cylinders braking; {offset}; "
        f"model {data['model_version']}",
        "",
        "Exhaust alone at 15 m over hard ground [dB(A)], and sound power in octaves [dB]",
        "",
        f"{'state':<16}{'15 m':>6}{'50 ft':>7}{'+-':>5}  " + "".join(f"{b:>7}" for b in COLUMNS),
    ]
    for state, found in data["states"].items():
        octaves = "".join(_cell(value) for value in found["l_w_octaves_db"].values())
        lines.append(
            f"{state.replace('_', '-'):<16}{found['l_a_15_m_db']:6.1f}{found['l_a_50_ft_db']:7.1f}"
            f"{found['standard_uncertainty_db']:5.1f}  {octaves}"
        )
    low, high = data["states"]["after_treatment"]["l_a_15_m_range_of_its_loss_db"]
    lines += [
        "",
        f"after-treatment: its loss is assumed; {low:.1f} to {high:.1f} dB(A) over its range.",
        "+- is the standard uncertainty of the level, in dB; '-' is a band that holds no line.",
        *_jet_lines(data),
        "",
        f"{exhaust.replace('_', '-')}, thirds of an octave: sound power and spread of trucks [dB]",
    ]
    found = data["states"][exhaust]
    thirds, spread = found["l_w_thirds_db"], found["spread_of_trucks_thirds_db"]
    for start in range(0, len(NOMINAL_THIRDS), 9):
        names = NOMINAL_THIRDS[start : start + 9]
        lines += [
            f"{'Hz':<8}" + "".join(f"{name:>7}" for name in names),
            f"{'level':<8}" + "".join(_cell(thirds[name]) for name in names),
            f"{'spread':<8}" + "".join(_cell(spread[name]) for name in names),
        ]
    character = found["time_character"]
    strongest = data["strongest_lines_of_a_typical_straight_stack"]
    named = ", ".join(f"{line['frequency_hz']:.1f}" for line in strongest["lines"])
    lines += [
        "",
        f"pulses: crest factor {character['crest_a_db']:.1f} dB (A), "
        f"{character['crest_db']:.1f} dB; range within 5 ms {character['modulation_5ms_db']:.1f} "
        "dB(A)",
        f"strongest lines of a typical straight stack at {strongest['engine_speed_rpm']:.0f} rpm "
        f"[Hz]: {named}",
        f"cycle: boost {operation['boost_bar']:.2f} bar absolute, highest pressure of a braking "
        f"cylinder {operation['peak_braking_bar']:.0f} bar, retarding power "
        f"{operation['retarding_kw']:.0f} kW, of which {operation['closed_cycle_kw']:.0f} closed "
        f"cycle, {operation['pumping_kw']:.0f} pumping, {operation['friction_kw']:.0f} friction",
        "",
        *data["cautions"],
    ]
    return lines


def _jet_lines(data: Mapping[str, Any]) -> list[str]:
    """What the valve jets add to each state, where they are included."""
    added = []
    for state, found in data["states"].items():
        if "valve_jet" in found:
            adds = found["valve_jet"]["adds_to_l_a_db"]
            name = state.replace("_", "-")
            added.append(f"{name} {adds['value']:+.1f} ({adds['low']:+.1f} to {adds['high']:+.1f})")
    if not added:
        return []
    return ["valve-jet noise included, LOW CONFIDENCE; it adds [dB(A)]", f"  {', '.join(added)}"]


def _cell(value: float | None) -> str:
    return f"{'-':>7}" if value is None else f"{value:7.1f}"


def draw_source(data: Mapping[str, Any], path: Path) -> None:
    """Picture of the thirds of every state, written to a PNG, SVG or PDF file."""
    import matplotlib
    from matplotlib.figure import Figure

    from noisemap.storage import atomic_path

    figure = Figure(figsize=(8.0, 5.0), layout="constrained")
    axes = figure.add_subplot()
    styles = dict(zip(EXHAUST_STATES, ("-", "--", "-.", ":"), strict=True))
    for state, found in data["states"].items():
        levels = [np.nan if v is None else v for v in found["l_w_thirds_db"].values()]
        label = (
            f"{state.replace('_', '-')}: {found['l_a_15_m_db']:.1f} dB(A) at 15 m, "
            f"standard uncertainty {found['standard_uncertainty_db']:.1f} dB"
        )
        axes.semilogx(THIRDS_HZ, levels, styles[state], marker=".", label=label)
    axes.set_xticks([31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000])
    axes.set_xticklabels(["31.5", "63", "125", "250", "500", "1k", "2k", "4k", "8k"])
    axes.minorticks_off()
    axes.set_xlabel("third of an octave [Hz]")
    axes.set_ylabel("sound power level [dB re 1 pW]")
    axes.set_title(
        f"{data['engine']}, {data['engine_speed_rpm']:g} rpm, {data['braking_cylinders']} "
        f"cylinders braking, calibration {data['calibration_db']:+.1f} dB: computed, not measured"
        + (
            "\nvalve-jet noise included: low confidence"
            if data["valve_jet_noise"].startswith("included")
            else ""
        )
    )
    axes.grid(alpha=0.3)
    axes.legend(fontsize="small")
    settings = {"svg.hashsalt": "noisemap", "svg.fonttype": "none"}
    with matplotlib.rc_context(settings), atomic_path(path) as temporary:
        kind = path.suffix.lstrip(".").lower()
        metadata = {"Date": None} if kind == "svg" else None
        figure.savefig(temporary, format=kind, dpi=150, metadata=metadata)
