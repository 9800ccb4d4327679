"""Routes as text, JSON, tables, the page with the map, and a driver's sheet for each."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from noisemap.outputs.route_driver import room_words
from noisemap.outputs.route_map import route_map
from noisemap.outputs.route_page import PLANNING_ONLY, page
from noisemap.outputs.route_tracks import geojson, gpx, kml, track
from noisemap.outputs.route_trip_sheet import driver_sheet
from noisemap.outputs.route_words import (
    SECONDS_OF_A_MINUTE,
    Told,
    asked_words,
    fuel_method,
    fuel_words,
    sentence,
    title_of,
    verdict_words,
)
from noisemap.outputs.tables import Cell, Table, csv_text
from noisemap.outputs.wording import along_road, both_temperatures, people_shown, plain
from noisemap.routes.evaluate import Crossing
from noisemap.storage import write_bytes, write_text

FOLDER = "routes"


PAGE = """
<p class="head">{{ head }}</p>
<h1>{{ title }}</h1>
<p>{{ asked }}</p>
<p><b>{{ verdict }}</b></p>
{% if drawing %}{{ drawing }}
<p class="small">Amber: zones. Dark: downhill parts of 4 % and more. Dots: homes, larger with more \
people. Grey: other roads. Each number stands where its route is furthest from the others.</p>
<ol>{% for text in sentences %}<li>{{ text }}</li>{% endfor %}</ol>
<div class="wide"><table>
<tr>{% for cell in headers %}<th>{{ cell }}</th>{% endfor %}</tr>
{% for row in rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table></div>{% endif %}
<h2>How they were found</h2>
<ul class="small">{% for text in method %}<li>{{ text }}</li>{% endfor %}</ul>
"""

HEADERS = (
    "route",
    "length",
    "time, min",
    "fuel, estimate and range",
    "people reached",
    "people-weighted sound against the ordinary route, dB",
    "zones that bind",
    "hottest brakes with a full stop",
    "room to the planning limit",
    "with degraded brakes",
    "with the grade at its upper bound",
    "steepest downhill part",
)


def routes_text(told: Told) -> str:
    """The answer on one screen."""
    lines = [PLANNING_ONLY, *told.occasion.notes, asked_words(told), verdict_words(told)]
    lines += [sentence(told, number) for number in range(1, len(told.answer.alternatives) + 1)]
    return "\n".join(lines)


def routes_json(told: Told) -> dict[str, Any]:
    """The answer as plain data."""
    answer = told.answer
    return {
        "verdict": answer.verdict,
        "cut": answer.cut,
        "caution": PLANNING_ONLY,
        "notes": list(told.occasion.notes),
        "from": told.ends[0],
        "to": told.ends[1],
        "truck": told.setting.source.truck.name,
        "planning_limit_c": round(told.setting.planning_limit_c, 1),
        "front": answer.front,
        "labels": answer.labels,
        "search_cut": answer.search_cut,
        "closed_links": answer.closed_links,
        "unused_turns": answer.unused_turns,
        "roads_not_used_m": round(answer.left_out_m),
        "routes": [
            {**figures(told, number), "zones": [_zone_json(c) for c in one.route.crossings]}
            for number, one in enumerate(answer.alternatives, start=1)
        ],
    }


def figures(told: Told, number: int) -> dict[str, Any]:
    """Plain figures of one route."""
    one = told.answer.alternatives[number - 1]
    route = one.route
    return {
        "number": number,
        "ordinary": one.ordinary,
        "may_be_first": one.may_be_first,
        "over_planning_limit": one.over_limit,
        "worse": list(one.worse),
        "roads": [plain(name) for name, _ in route.roads],
        "length_m": round(route.length_m),
        "time_s": round(route.drive.duration_s),
        "fuel_l": round(route.fuel.middle, 2),
        "fuel_range_l": [round(route.fuel.low, 2), round(route.fuel.high, 2)],
        "wheel_work_mj": {"all": round(route.work.total / 1e6, 2), **route.work.as_mj()},
        "people_reached": round(route.people_reached, 1),
        "reached_from_db": told.setting.level_db,
        "quieter_db": round(one.quieter_db, 2),
        "zone_m": round(route.zone_m),
        "peak_c": round(route.drive.peak_c, 1),
        "degraded_peak_c": round(route.degraded_peak_c, 1),
        "steeper_peak_c": round(route.steeper_peak_c, 1),
        "no_retarder_peak_c": round(route.no_retarder_peak_c, 1),
        "steepest_pct": round(100.0 * route.steepest, 1),
        "unknown_m": {kind: round(length) for kind, length in route.unknown_m.items()},
        "local_only_m": round(route.local_m),
        "louder_places": [
            {"place": plain(name), "people": round(people, 1), "db": _finite(change)}
            for name, people, change in told.moved[number - 1]
        ],
    }


def _finite(value: float) -> float | None:
    return round(value, 1) if abs(value) < 1e3 else None


def _zone_json(crossing: Crossing) -> dict[str, Any]:
    return {
        "zone": crossing.zone.name,
        "status": crossing.status,
        "binds": crossing.binds,
        "from_m": round(crossing.from_m),
        "to_m": round(crossing.to_m),
        "arrival_s": [round(crossing.earliest_s), round(crossing.latest_s)],
    }


def comparison_rows(told: Told) -> list[tuple[str, ...]]:
    """One row a route."""
    units = told.units
    rows: list[tuple[str, ...]] = []
    for number, one in enumerate(told.answer.alternatives, start=1):
        route = one.route
        limit = told.setting.planning_limit_c
        binding = [plain(crossing.zone.name) for crossing in route.crossings if crossing.silent]
        rows.append(
            (
                str(number),
                along_road(route.length_m, units),
                f"{route.drive.duration_s / SECONDS_OF_A_MINUTE:.1f}",
                fuel_words(route.fuel, units),
                people_shown(route.people_reached),
                "ordinary" if one.ordinary else f"{-one.quieter_db:+.1f}",
                ", ".join(dict.fromkeys(binding)) or "none",
                both_temperatures(route.drive.peak_c, units),
                room_words(route.drive.peak_c, limit, units),
                room_words(route.degraded_peak_c, limit, units),
                room_words(route.steeper_peak_c, limit, units),
                f"{100.0 * route.steepest:.1f} %",
            )
        )
    return rows


def routes_table(told: Told) -> Table:
    """One row a route, plain numbers with units in the headers."""
    headers = (
        "route",
        "roads",
        "length [m]",
        "time [s]",
        "fuel, estimate [L]",
        "fuel, least [L]",
        "fuel, most [L]",
        "energy at the wheels [MJ]",
        "of it against air [MJ]",
        "of it rolling [MJ]",
        "of it lifting [MJ]",
        "of it changes of speed [MJ]",
        f"people reached at {told.setting.level_db:g} dB or more",
        "quieter than the ordinary route by [dB]",
        "zones that bind [m]",
        "hottest brakes with a full stop [°C]",
        "planning limit [°C]",
        "over the planning limit",
        "with degraded brakes [°C]",
        "with the grade at its upper bound [°C]",
        "steepest downhill part [%]",
        "height not tagged [m]",
        "weight not tagged [m]",
        "truck access not tagged [m]",
        "hazardous loads not tagged [m]",
    )
    rows: list[tuple[Cell, ...]] = []
    for number, one in enumerate(told.answer.alternatives, start=1):
        route = one.route
        rows.append(
            (
                number,
                ", ".join(plain(name) for name, _ in route.roads),
                round(route.length_m),
                round(route.drive.duration_s),
                round(route.fuel.middle, 2),
                round(route.fuel.low, 2),
                round(route.fuel.high, 2),
                round(route.work.total / 1e6, 2),
                *route.work.as_mj().values(),
                people_shown(route.people_reached),
                round(one.quieter_db, 1),
                round(route.zone_m),
                round(route.drive.peak_c, 1),
                round(told.setting.planning_limit_c, 1),
                "yes" if one.over_limit else "no",
                round(route.degraded_peak_c, 1),
                round(route.steeper_peak_c, 1),
                round(100.0 * route.steepest, 1),
                *(round(length) for length in route.unknown_m.values()),
            )
        )
    return Table("routes", headers, tuple(rows))


def method_sentences(told: Told) -> tuple[str, ...]:
    """How the routes were found and what they do not know."""
    answer, units = told.answer, told.units
    said = [
        "All routes that no other beats in time, people-weighted noise, length of zones that bind, "
        "and hottest brakes at once; shown are the most unlike ones of them. Routes that differ by "
        "less than a few kelvins or per cent count as one.",
        "Driven at the posted speed, slower uphill where the engine cannot hold it, in the lowest "
        "gear, with the retarder at full stage where needed and permitted. Traffic, signals and "
        "turning are not in the times.",
        "The zones of the study are taken as in force at their hours; arrival is a range of 0.9 to "
        "1.3 times the computed travel time.",
        f"Roads outside the study's truck classes are not used, since nothing is computed of their "
        f"noise: {along_road(answer.left_out_m, units)}. Known bans, heights and weights close a "
        f"road; links closed: {answer.closed_links:,}. What is not tagged is unknown, not allowed.",
        fuel_method(),
    ]
    if answer.unused_turns:
        said.append(
            "Turn restrictions of these roads that do not hang together, not used: "
            f"{answer.unused_turns:,}."
        )
    if answer.search_cut:
        said.append(
            "The search was cut before it was whole: further routes may exist that none of these "
            "beats."
        )
    return tuple(said)


def write_routes(folder: Path, told: Told) -> list[Path]:
    """Write the page, tracks, table and sheets; returns the paths."""
    target = folder / FOLDER
    target.mkdir(parents=True, exist_ok=True)
    for old in target.glob("driver-*.html"):
        old.unlink()
    scene = told.setting.scene
    tracks = [
        track(
            one.route,
            scene.crs,
            title_of(number, one.route),
            sentence(told, number),
            figures(told, number),
        )
        for number, one in enumerate(told.answer.alternatives, start=1)
    ]
    note = " ".join((PLANNING_ONLY, *told.occasion.notes, *scene.attribution))
    data = {"study": told.occasion.name, **routes_json(told)}
    plain_data = json.dumps(data, indent=2, sort_keys=True, allow_nan=False) + "\n"
    contents: list[tuple[str, bytes]] = [
        ("routes.html", overview(told).encode()),
        ("routes.gpx", gpx(tracks, note)),
        ("routes.kml", kml(tracks, note)),
        ("routes.geojson", geojson(tracks, note)),
        ("routes.json", plain_data.encode()),
    ]
    for number in range(1, len(told.answer.alternatives) + 1):
        contents.append((f"driver-{number}.html", driver_sheet(told, number).encode()))
    written = []
    for name, content in contents:
        written.append(target / name)
        write_bytes(written[-1], content)
    written.append(target / "routes.csv")
    write_text(written[-1], csv_text(routes_table(told)))
    return written


def overview(told: Told) -> str:
    """The page with the map and the comparison."""
    from markupsafe import Markup

    scene = told.setting.scene
    numbered = [
        (title_of(number, one.route), one.route)
        for number, one in enumerate(told.answer.alternatives, start=1)
    ]
    drawing = route_map(scene, numbered, told.setting.zones, told.units) if numbered else ""
    title = f"Routes from {plain(told.ends[0])} to {plain(told.ends[1])}"
    return page(
        title,
        PAGE,
        {
            "head": "Advice for planning only",
            "asked": asked_words(told),
            "verdict": verdict_words(told),
            "drawing": Markup(drawing),
            "sentences": [sentence(told, number) for number in range(1, len(numbered) + 1)],
            "headers": HEADERS,
            "rows": comparison_rows(told),
            "method": method_sentences(told),
        },
        told.occasion,
        scene.attribution,
    )
