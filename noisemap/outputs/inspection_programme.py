"""What a repair programme brings at the homes, as sentences, a table and JSON."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from noisemap.exposure.results import Interval
from noisemap.inspection.programme import Effort, HomesGain
from noisemap.outputs.tables import Cell, Table
from noisemap.outputs.wording import count, plain

CAUTIONS: tuple[str, ...] = (
    "Repaired exhausts are taken to become muffled ones, on every road and at every hour alike.",
    "Each hour is taken to inspect trucks that no hour before it has seen.",
    "Trucks an hour, share found, share repaired, passes a day: all stated, none measured.",
)


def gain_lines(gain: HomesGain) -> Iterator[str]:
    """The programme at the homes in plain sentences."""
    effort, whole = gain.effort, gain.spared
    yield (
        f"At the homes of {plain(gain.study)}, with the shares of these readings: working mufflers "
        f"on {100 * effort.reached:.0f} % of the worn and straight exhausts spare "
        f"{_figure(whole)} passes a night above {gain.level_db} dB outdoors, summed over all "
        f"{gain.people:,.0f} residents; the night level of braking trucks falls by "
        f"{gain.quieter.best:.1f} dB ({gain.quieter.low:.1f} to {gain.quieter.high:.1f}) on "
        f"average, and by 1 dB or more for {_figure(gain.helped)} people"
    )
    yield (
        f"One hour that inspects {effort.inspected_per_hour:g} trucks, finds "
        f"{100 * effort.found:.0f} % of their worn and straight exhausts and gets "
        f"{100 * effort.repaired:.0f} % of those repaired, repairs "
        f"{_small(gain.repaired_per_hour)} trucks; with {effort.passes_a_day:g} braking passes a "
        "day each they spare from then on "
        f"{_small(gain.spared_per_hour)} passes a night above {gain.level_db} dB, summed over all "
        "residents"
    )
    yield f"Intervals are 90 %, {gain.samples} paired samples, seed {gain.seed}."
    yield from CAUTIONS


def gain_table(gain: HomesGain) -> Table:
    """Every figure of the programme with its interval."""
    effort = gain.effort
    stated: tuple[tuple[str, float], ...] = (
        ("stated: trucks inspected an hour", effort.inspected_per_hour),
        ("stated: share of worn and straight exhausts found [1]", effort.found),
        ("stated: share of those repaired [1]", effort.repaired),
        ("stated: braking passes of one truck a day", effort.passes_a_day),
        ("passes a day that become quiet", gain.passes_a_day),
        ("people whose night level rises", gain.louder),
    )
    found: tuple[tuple[str, Interval], ...] = (
        (f"passes a night above {gain.level_db} dB spared, times people", gain.spared),
        ("people whose night level falls by 1 dB or more", gain.helped),
        ("mean fall of the night level [dB]", gain.quieter),
        ("trucks repaired by an hour", gain.repaired_per_hour),
        ("passes a night spared by an hour, times people", gain.spared_per_hour),
    )
    rows: list[tuple[Cell, ...]] = [(name, _digits(value), None, None) for name, value in stated]
    rows += [(name, _digits(x.best), _digits(x.low), _digits(x.high)) for name, x in found]
    return Table("programme", ("figure", "best", "low", "high"), tuple(rows))


def gain_json(gain: HomesGain) -> dict[str, Any]:
    """The programme as one JSON-able object."""
    return {
        "study": plain(gain.study),
        "effort": effort_json(gain.effort),
        "people": round(gain.people, 1),
        "level_db": gain.level_db,
        "passes_a_day_made_quiet": _digits(gain.passes_a_day),
        "people_passes_spared": _json(gain.spared),
        "people_helped": _json(gain.helped),
        "night_quieter_by_db": _json(gain.quieter),
        "people_louder": _digits(gain.louder),
        "repaired_per_hour": _json(gain.repaired_per_hour),
        "people_passes_spared_per_hour": _json(gain.spared_per_hour),
        "samples": gain.samples,
        "seed": gain.seed,
        "cautions": list(CAUTIONS),
    }


def effort_json(effort: Effort) -> dict[str, float]:
    """What the programme puts in."""
    return {
        "inspected_per_hour": effort.inspected_per_hour,
        "found": effort.found,
        "repaired": effort.repaired,
        "passes_a_day": effort.passes_a_day,
    }


def _figure(value: Interval) -> str:
    return f"{count(value.best)} ({count(value.low)} to {count(value.high)})"


def _small(value: Interval) -> str:
    return f"{_short(value.best)} ({_short(value.low)} to {_short(value.high)})"


def _short(value: float) -> str:
    return f"{value:,.0f}" if value >= 10.0 else f"{value:.2g}"


def _digits(value: float) -> float:
    return float(f"{value:.4g}")


def _json(value: Interval) -> dict[str, float]:
    return {"value": _digits(value.best), "low": _digits(value.low), "high": _digits(value.high)}
