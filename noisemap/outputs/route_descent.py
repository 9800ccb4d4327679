"""Quiet descents as text, JSON, tables, the analyst's page and the driver's sheet."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from noisemap.outputs.route_driver import descent_sheet, truck_words
from noisemap.outputs.route_page import ANALYST, Occasion, file_stem, page
from noisemap.outputs.route_strip import strip_chart
from noisemap.outputs.tables import Cell, Table, csv_text
from noisemap.outputs.wording import (
    along_road,
    both_temperatures,
    count,
    people_shown,
    plain,
    zone_place,
)
from noisemap.routes.choices import choice, clock
from noisemap.routes.quiet_descent import Pass, QuietDescent, lowest_speed_ms
from noisemap.scene.model import Scene
from noisemap.storage import write_bytes, write_text
from noisemap.units import show_speed

FOLDER = "descents"

TEMPLATE = """
<p class="head">{{ head }}</p>
<h1>{{ title }}</h1>
<p>{{ place }}</p>
{% for one in trucks %}
<h2>{{ one.title }}</h2>
<p><b>{{ one.sentence }}</b></p>
<div class="wide"><table>
<tr>{% for cell in one.headers %}<th>{{ cell }}</th>{% endfor %}</tr>
{% for row in one.rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table></div>
<img alt="{{ one.text }}" src="data:image/png;base64,{{ one.picture }}">
{% endfor %}
<h2>How it was planned</h2>
<ul class="small">{% for text in method %}<li>{{ text }}</li>{% endfor %}</ul>
"""

HEADERS = (
    "driving",
    "people-weighted sound against the ordinary driver, dB",
    "loudest home, dB(A) max",
    "people louder by 1 dB",
    "people quieter by 1 dB",
    "hottest brakes with a full stop",
    "room below the planning limit",
    "the same with degraded brakes",
    "the same with the grade at its upper bound",
    "time, min",
    "onsets",
)


def sentence(found: QuietDescent, units: str) -> str:
    """The answer for one truck."""
    name = plain(found.source.truck.name)
    usual, quiet, plan = found.ordinary, found.quiet, found.plan
    limit = both_temperatures(found.terms.planning_limit_c, units)
    over = usual.drive.peak_c > found.terms.planning_limit_c
    ordinary = (
        f"The ordinary driver's brakes reach {both_temperatures(usual.drive.peak_c, units)}, "
        f"{'over' if over else 'within'} the planning limit of {limit} in this screening."
    )
    if quiet is None or plan is None:
        why = "" if over else " and no hotter than the ordinary driver outside the zones"
        return (
            f"{name}: no descent was found that keeps the planning limit{why}, with the zones "
            f"obeyed and no speed below {show_speed(lowest_speed_ms(), units)}. {ordinary}"
        )
    peak = both_temperatures(quiet.drive.peak_c, units)
    delay = plan.time_s - usual.drive.duration_s
    gap = f"It costs at most {max(100.0 * plan.gap, 0.1):.1f} % more than the best of its grid."
    if found.verdict == "no quieter plan":
        return (
            f"{name}: no descent within the limits is quieter at the homes than the ordinary one "
            f"by {choice('descent', 'quieter_db'):g} dB or more. {ordinary} {gap}"
        )
    return (
        f"{name}: a quieter descent exists: {found.quieter_db(quiet):.1f} dB less "
        f"people-weighted sound than the ordinary driver, "
        f"{abs(delay):.0f} s {'slower' if delay >= 0.0 else 'faster'}, its brakes at {peak}, "
        f"within the planning limit of {limit} in this screening. {ordinary} {gap}"
    )


def changed_people(found: QuietDescent, way: Pass, scene: Scene) -> tuple[float, float]:
    """People for whom the pass is louder, and quieter, by what is noticed."""
    before, after = found.ordinary.sound_exposure, way.sound_exposure
    heard = np.isfinite(before) & np.isfinite(after)
    change = np.where(heard, after - np.where(heard, before, 0.0), 0.0)
    noticed = choice("descent", "noticed_db")
    people = scene.homes.people
    return float(people[change >= noticed].sum()), float(people[change <= -noticed].sum())


def place_words(found: QuietDescent, scene: Scene, units: str) -> str:
    """Which road is driven which way, how far and how far down."""
    road = scene.roads[found.trip.road]
    length = float(found.profile.chainage_m[-1])
    fall = float(-(found.profile.grade * np.diff(found.profile.chainage_m)).sum())
    way = "in the direction of its chainage" if found.trip.direction > 0 else "against its chainage"
    when = (
        "at any hour"
        if found.trip.depart_s is None
        else f"departing at {clock(found.trip.depart_s, 0.0)}"
    )
    drop = f"{fall / 0.3048:,.0f} ft" if units == "us" else f"{fall:,.0f} m"
    return (
        f"{plain(road.name or road.road_id)}, driven {way}, {along_road(length, units)}, "
        f"{drop} down, {when}."
    )


def descents_text(scene: Scene, descents: Sequence[QuietDescent], study: Occasion) -> str:
    """The answers on one screen."""
    units = study.units
    lines = [ANALYST + ".", *study.notes, place_words(descents[0], scene, units)]
    for found in descents:
        lines += ["", sentence(found, units)]
        for zone in found.zones:
            lines.append(f"  zone in force: {plain(zone.name)}, {zone_place(zone, units)}")
    return "\n".join(lines)


def descents_json(
    scene: Scene, descents: Sequence[QuietDescent], study: Occasion
) -> dict[str, Any]:
    """The answers as plain data."""
    first = descents[0]
    return {
        "heading": ANALYST,
        "notes": list(study.notes),
        "road": scene.roads[first.trip.road].road_id,
        "direction": first.trip.direction,
        "trucks": [_truck_json(scene, found) for found in descents],
    }


def _truck_json(scene: Scene, found: QuietDescent) -> dict[str, Any]:
    plan = found.plan
    return {
        "truck": found.source.truck.name,
        "exhaust": found.source.exhaust,
        "verdict": found.verdict,
        "zones": [zone.name for zone in found.zones],
        "planning_limit_c": round(found.terms.planning_limit_c, 1),
        "hard_limit_c": round(found.terms.hard_limit_c, 1),
        "allow_hotter_k": found.terms.allow_hotter_k,
        "gap": None if plan is None else round(plan.gap, 5),
        "stage_changes": None if plan is None else plan.changes,
        "passes": [
            {
                "driving": way.name,
                "quieter_db": round(found.quieter_db(way), 2),
                "peak_c": round(way.drive.peak_c, 2),
                "degraded_peak_c": round(way.degraded_peak_c, 2),
                "steeper_peak_c": round(way.steeper_peak_c, 2),
                "time_s": round(way.drive.duration_s, 1),
                "onsets": way.drive.onsets,
                "loudest_home_db": _finite(float(way.maximum.max(initial=-np.inf))),
                "people_louder": round(changed_people(found, way, scene)[0], 1),
                "people_quieter": round(changed_people(found, way, scene)[1], 1),
            }
            for way in found.passes
        ],
    }


def _finite(value: float) -> float | None:
    return round(value, 1) if np.isfinite(value) else None


def pass_rows(found: QuietDescent, scene: Scene, units: str) -> list[tuple[str, ...]]:
    """One row a way of driving."""
    rows: list[tuple[str, ...]] = []
    for way in found.passes:
        louder, quieter = changed_people(found, way, scene)
        room = found.terms.planning_limit_c - way.drive.peak_c
        shown = room * 9.0 / 5.0 if units == "us" else room
        loudest = _finite(float(way.maximum.max(initial=-np.inf)))
        rows.append(
            (
                way.name,
                "0.0" if way is found.ordinary else f"{-found.quieter_db(way):+.1f}",
                "not heard" if loudest is None else f"{loudest:.1f}",
                people_shown(louder),
                people_shown(quieter),
                both_temperatures(way.drive.peak_c, units),
                f"{shown:+.0f} {'°F' if units == 'us' else '°C'}",
                both_temperatures(way.degraded_peak_c, units),
                both_temperatures(way.steeper_peak_c, units),
                f"{way.drive.duration_s / 60.0:.1f}",
                count(float(way.drive.onsets)),
            )
        )
    return rows


def plan_table(found: QuietDescent) -> Table:
    """The ways of driving by piece; calculation input, not driving advice."""
    headers = (
        f"from [m] ({ANALYST})",
        "to [m]",
        "grade [%]",
        "driving",
        "speed [km/h]",
        "gear",
        "engine speed [rpm]",
        "braking cylinders",
        "share of time braking",
        "brakes with a full stop [°C]",
        "level at the home that hears it most [dB]",
    )
    rows: list[tuple[Cell, ...]] = []
    along = found.profile.chainage_m
    for way in found.passes:
        driven = way.drive
        hot = driven.temperature_c + driven.stop_c
        for piece in range(len(found.profile.grade)):
            rows.append(
                (
                    round(float(along[piece]), 1),
                    round(float(along[piece + 1]), 1),
                    round(100.0 * float(found.profile.grade[piece]), 2),
                    way.name,
                    round(3.6 * float(driven.speed_ms[piece]), 1),
                    int(driven.gear[piece]),
                    round(float(driven.engine_speed_rpm[piece])),
                    int(driven.braking_cylinders[piece]),
                    round(float(driven.retarder_share[piece]), 3),
                    round(float(hot[piece + 1]), 1),
                    _finite(float(way.along[piece])),
                )
            )
    return Table("plan", headers, tuple(rows))


def method_sentences(found: QuietDescent, units: str) -> tuple[str, ...]:
    """How the plans were made and what they do not know."""
    terms = found.terms
    hotter = terms.allow_hotter_k * (9.0 / 5.0 if units == "us" else 1.0)
    unit = "°F" if units == "us" else "°C"
    return (
        "Plan: dynamic programming over distance, speed and gear with exact brake temperatures; "
        "the gap to the optimum of its grid is stated.",
        "Every node keeps the planning limit with the heat of one full stop. Outside zones a plan "
        f"may exceed the ordinary driver's peak by {hotter:g} {unit}.",
        f"Taking away the whole burden of the ordinary pass is worth {terms.burden_worth_s:g} s of "
        f"delay, an onset at night up to {terms.onset_worth_s:g} s, one change of the switch or "
        "gear 2 s: assumptions of this project, to be set by the user.",
        "Ordinary driver: the posted speed, the lowest gear that the engine allows, the retarder "
        "at its full stage wherever it is needed and permitted.",
        "Burden: people times outdoor sound exposure, summed over all homes within reach of the "
        "whole road, so that moved noise counts too.",
        "A stage and a gear hold for a whole block of about 200 m.",
        "The planner itself knows no interruption by gear changes; a plan is driven again with "
        "the truck's own gearbox and kept only if it stays within the limits.",
        "Not in the plan: curves, other traffic, weather, the driver's need of the retarder.",
    )


def write_descents(
    folder: Path, scene: Scene, descents: Sequence[QuietDescent], study: Occasion
) -> list[Path]:
    """Write charts, tables and sheets; returns the paths."""
    units = study.units
    first = descents[0]
    road = scene.roads[first.trip.road]
    stem = file_stem(road.road_id) + ("" if first.trip.direction > 0 else "-back")
    target = folder / FOLDER / stem
    target.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    trucks = []
    for number, found in enumerate(descents, start=1):
        svg, png = strip_chart(found, units)
        name = f"{number:02d}-{file_stem(found.source.truck.name)}"
        for ending, content in (("svg", svg), ("png", png)):
            written.append(target / f"strip-{name}.{ending}")
            write_bytes(written[-1], content)
        written.append(target / f"plan-{name}.csv")
        write_text(written[-1], csv_text(plan_table(found)))
        trucks.append(
            {
                "title": f"{truck_words(found.source.truck, units)}, exhaust "
                f"{found.source.exhaust.replace('_', ' ')}",
                "sentence": sentence(found, units),
                "headers": HEADERS,
                "rows": pass_rows(found, scene, units),
                "picture": base64.b64encode(png).decode(),
                "text": "Strip chart: grade, speed, gear, braking cylinders, brake temperature, "
                "level at the home that hears the stretch most.",
            }
        )
    title = f"Descent of {plain(road.name or road.road_id)}"
    analysis = page(
        f"{ANALYST}: {title}",
        TEMPLATE,
        {
            "head": ANALYST,
            "title": title,
            "place": place_words(first, scene, units),
            "trucks": trucks,
            "method": method_sentences(first, units),
        },
        study,
        scene.attribution,
    )
    data = {"study": study.name, **descents_json(scene, descents, study)}
    for name, text in (
        ("analysis.html", analysis),
        ("driver.html", descent_sheet(scene, descents, study)),
        ("descents.json", json.dumps(data, indent=2, sort_keys=True, allow_nan=False) + "\n"),
    ):
        written.append(target / name)
        write_text(written[-1], text)
    return written
