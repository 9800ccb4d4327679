"""What was found in a recording, as lines, a table and JSON, with its limits in words."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from noisemap.inspection.band_filters import NOMINAL_THIRDS_HZ
from noisemap.inspection.event_levels import Levels
from noisemap.inspection.exhaust_state import StateLikelihood, word
from noisemap.inspection.likelihood import FEATURES, LIMITS
from noisemap.inspection.recording import Analysis, Event
from noisemap.outputs.tables import Cell, Table, csv_text
from noisemap.states import EXHAUST_STATES

__all__ = ["CAUTIONS", "analysis_json", "analysis_lines", "csv_text", "events_table"]

CAUTIONS: tuple[str, ...] = (
    LIMITS,
    "Levels hold for the place of the microphone and for the calibration that was stated.",
    "Engine speed follows from the release frequency and a count of cylinders that is listed, "
    "not known.",
    "The exhaust is told only if the event was a truck with its retarder on, by a computed table "
    "of levels with equal priors; it is no finding on any truck.",
    "The adjustment for impulsiveness uses a recalled formula (NT ACOU 112).",
)


def analysis_lines(found: Analysis) -> Iterator[str]:
    """The analysis in plain sentences."""
    yield (
        f"{found.duration_s:.1f} s, LAeq {found.l_aeq:.1f} dB(A), {_count(len(found.events))}"
        + (f"; overloaded for {found.overloaded_s:.2f} s" if found.overloaded_s else "")
    )
    for number, event in enumerate(found.events, start=1):
        levels = event.levels
        yield (
            f"{number}. {event.start_s:.2f} to {event.end_s:.2f} s: LAFmax {levels.l_af_max:.1f}, "
            f"SEL {levels.sel:.1f}, LAeq {levels.l_aeq:.1f} dB(A), "
            f"{_background_told(levels)}{_validity(event)}"
        )
        yield f"   {_corrected_told(levels)}"
        yield f"   retarder {event.likelihood.word} (index {event.likelihood.index:.2f})"
        yield from (f"   - {reason}" for reason in event.likelihood.reasons)
        if event.engine_speeds:
            yield f"   release frequency {event.release_hz:.1f} Hz: {_speeds_told(event)}"
        if event.exhaust is not None:
            yield f"   {_exhaust_told(event.exhaust)}"
    yield from (f"- {text}" for text in CAUTIONS)


def events_table(found: Analysis) -> Table:
    """One row an event."""
    headers = [
        "event", "start [s]", "loudest [s]", "end [s]", "LAFmax [dB(A)]", "LASmax [dB(A)]",
        "LAeq [dB(A)]", "SEL [dB(A)]", "background LAeq [dB(A)]",
        "background before [dB(A)]", "background after [dB(A)]", "background, error [dB]",
        "LAFmax less background [dB(A)]", "LAFmax less background, error [dB]",
        "LAFmax less background, without ripple [dB(A)]",
        "SEL less background [dB(A)]", "SEL less background, error [dB]",
        "LAeq less background [dB(A)]", "rise [dB]", "fall [dB]",
        "overloaded", "retarder", "index [1]", "release frequency [Hz]",
        "engine speed, likeliest [rpm]", "braking cylinders, likeliest",
        "onset rate [dB/s]", "impulse adjustment [dB]",
    ]  # fmt: skip
    headers += [f"if a braking truck: {word(state)} [1]" for state in EXHAUST_STATES]
    headers += ["misfit of the best exhaust [1]"]
    headers += [f"feature: {name}" for name in FEATURES]
    headers += [f"Z third {band:g} Hz [dB]" for band in NOMINAL_THIRDS_HZ]
    rows = tuple(_row(number, event) for number, event in enumerate(found.events, start=1))
    return Table("events", tuple(headers), rows)


def analysis_json(found: Analysis) -> dict[str, Any]:
    """The analysis as one JSON-able object."""
    return {
        "version": 1,
        "duration_s": round(found.duration_s, 3),
        "l_aeq_dba": _tenth(found.l_aeq),
        "overloaded_s": round(found.overloaded_s, 3),
        "cautions": list(CAUTIONS),
        "events": [_json_event(event) for event in found.events],
    }


def _count(events: int) -> str:
    """Number of events in words.

    >>> _count(1), _count(2)
    ('1 event', '2 events')
    """
    return f"{events} event" + ("" if events == 1 else "s")


def _speeds_told(event: Event) -> str:
    """Possible engine speeds with their counts of braking cylinders, likeliest first."""
    counts: dict[tuple[int, bool], list[int]] = {}
    for speed in event.engine_speeds:
        key = round(speed.engine_speed_rpm), speed.evenly
        counts.setdefault(key, []).append(speed.braking_cylinders)
    return " or ".join(
        f"{rpm} rpm with {' or '.join(map(str, cylinders))} of 6"
        + ("" if evenly else " (uneven releases)")
        for (rpm, evenly), cylinders in counts.items()
    )


def _corrected_told(levels: Levels) -> str:
    """Levels less the background in a sentence, or why there are none."""
    less = levels.corrected
    if less.l_af_max is None or less.l_af_max_error is None:
        return "less the background: not told, 3 dB or less above it"
    told = f"less the background: LAFmax {less.l_af_max:.1f} \u00b1 {less.l_af_max_error:.2f}"
    if less.l_af_max_without_ripple is not None:
        told += f" ({less.l_af_max_without_ripple:.1f} without ripple)"
    if less.sel is not None and less.sel_error is not None:
        told += f", SEL {less.sel:.1f} \u00b1 {less.sel_error:.2f}"
    sides = [
        f"{level:.1f} {word}"
        for level, word in (
            (levels.background_before, "before"),
            (levels.background_after, "after"),
        )
        if level is not None and math.isfinite(level)
    ]
    told += " dB(A) (standard uncertainty)"
    return told + (f"; background {', '.join(sides)}" if sides else "")


def _background_told(levels: Levels) -> str:
    """The background, or that nothing but the event is heard around it."""
    if math.isfinite(levels.background):
        return f"background {levels.background:.1f} dB(A)"
    return "background not heard: the quiet around it is the event's own tails"


def _exhaust_told(exhaust: StateLikelihood) -> str:
    """Shares of the exhaust states in a sentence."""
    shares = ", ".join(f"{word(state)} {share:.2f}" for state, share in exhaust.posterior.items())
    return (
        f"exhaust, if it was a braking truck: {shares}; worn or straight {exhaust.unmuffled:.2f} "
        f"({exhaust.reason})"
    )


def _validity(event: Event) -> str:
    return "; overloaded: not a valid measurement" if event.overloaded else ""


def _row(number: int, event: Event) -> tuple[Cell, ...]:
    levels, best = event.levels, event.engine_speeds[0] if event.engine_speeds else None
    less = levels.corrected
    row: list[Cell] = [
        number,
        round(event.start_s, 2),
        round(event.peak_s, 2),
        round(event.end_s, 2),
        _tenth(levels.l_af_max),
        _tenth(levels.l_as_max),
        _tenth(levels.l_aeq),
        _tenth(levels.sel),
        _tenth(levels.background),
        _tenth(levels.background_before),
        _tenth(levels.background_after),
        _hundredth(levels.background_error),
        _tenth(less.l_af_max),
        _hundredth(less.l_af_max_error),
        _tenth(less.l_af_max_without_ripple),
        _tenth(less.sel),
        _hundredth(less.sel_error),
        _tenth(less.l_aeq),
        _tenth(event.rise_db),
        _tenth(event.fall_db),
        "yes, not valid" if event.overloaded else "no",
        event.likelihood.word,
        event.likelihood.index,
        round(event.release_hz, 1),
        round(best.engine_speed_rpm) if best else None,
        best.braking_cylinders if best else None,
        _tenth(event.onset.rate_db_s) if event.onset else None,
        _tenth(event.onset.adjustment_db) if event.onset else None,
    ]
    exhaust = event.exhaust
    row += [round(exhaust.posterior[one], 3) if exhaust else None for one in EXHAUST_STATES]
    row += [round(exhaust.misfit, 2) if exhaust else None]
    row += [round(event.features[name], 3) for name in FEATURES]
    row += [event.thirds_db.get(band) for band in NOMINAL_THIRDS_HZ]
    return tuple(row)


def _json_event(event: Event) -> dict[str, Any]:
    levels, less = event.levels, event.levels.corrected
    return {
        "start_s": round(event.start_s, 2),
        "peak_s": round(event.peak_s, 2),
        "end_s": round(event.end_s, 2),
        "valid": not event.overloaded,
        "l_af_max_dba": _tenth(levels.l_af_max),
        "l_as_max_dba": _tenth(levels.l_as_max),
        "l_aeq_dba": _tenth(levels.l_aeq),
        "sel_dba": _tenth(levels.sel),
        "background_dba": _tenth(levels.background),
        "background_before_dba": _tenth(levels.background_before),
        "background_after_dba": _tenth(levels.background_after),
        "background_error_db": _hundredth(levels.background_error),
        "less_background": {
            "l_af_max_dba": _tenth(less.l_af_max),
            "l_af_max_error_db": _hundredth(less.l_af_max_error),
            "l_af_max_without_ripple_dba": _tenth(less.l_af_max_without_ripple),
            "sel_dba": _tenth(less.sel),
            "sel_error_db": _hundredth(less.sel_error),
            "l_aeq_dba": _tenth(less.l_aeq),
            "from_s": round(less.reach_s[0], 2),
            "to_s": round(less.reach_s[1], 2),
        },
        "rise_db": _tenth(event.rise_db),
        "fall_db": _tenth(event.fall_db),
        "thirds_db": {f"{band:g}": level for band, level in event.thirds_db.items()},
        "retarder": {
            "word": event.likelihood.word,
            "index": event.likelihood.index,
            "reasons": list(event.likelihood.reasons),
            "features": {name: round(value, 3) for name, value in event.features.items()},
        },
        "release_hz": round(event.release_hz, 2),
        "modulation_depth": [round(value, 3) for value in event.modulation],
        "pass": None
        if event.pass_fit is None
        else {
            "speed_ms": round(event.pass_fit.speed_ms, 1),
            "release_frequency_error": round(event.pass_fit.frequency_error, 4),
        },
        "engine_speeds": [
            {
                "braking_cylinders": speed.braking_cylinders,
                "engine_speed_rpm": round(speed.engine_speed_rpm),
                "fits_the_lines": speed.fits_the_lines,
                "evenly": speed.evenly,
            }
            for speed in event.engine_speeds
        ],
        "exhaust_if_a_braking_truck": None
        if event.exhaust is None
        else {
            "posterior": {
                state: round(share, 3) for state, share in event.exhaust.posterior.items()
            },
            "worn_or_straight": round(event.exhaust.unmuffled, 3),
            "told": list(event.exhaust.told),
            "misfit": round(event.exhaust.misfit, 2),
            "distance_m": event.exhaust.distance_m,
            "reason": event.exhaust.reason,
        },
        "onset": None
        if event.onset is None
        else {
            "rate_db_s": _tenth(event.onset.rate_db_s),
            "difference_db": _tenth(event.onset.difference_db),
            "adjustment_db": _tenth(event.onset.adjustment_db),
        },
    }


def _hundredth(value: float | None) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(value, 2) + 0.0


def _tenth(value: float | None) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(value, 1) + 0.0
