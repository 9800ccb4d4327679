"""Routes as text, JSON, tables, the page with the map, and a driver's sheet for each."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from noisemap.outputs.route_driver import grade_rows, margin_words, steep_parts, truck_words
from noisemap.outputs.route_map import route_map
from noisemap.outputs.route_page import BEFORE_DEPARTURE, PLANNING_ONLY, Occasion, page
from noisemap.outputs.route_tracks import geojson, gpx, kml, track
from noisemap.outputs.tables import Cell, Table, csv_text
from noisemap.outputs.wording import (
    BINDS_WORDS,
    along_road,
    both_temperatures,
    hours_text,
    people_shown,
    plain,
)
from noisemap.routes.choices import clock
from noisemap.routes.choose import Alternative, Answer
from noisemap.routes.evaluate import Crossing, Route, Setting
from noisemap.routes.network import Vehicle
from noisemap.storage import write_bytes, write_text

FOLDER = "routes"
LITRE_US_GAL = 3.785411784
SECONDS_OF_A_MINUTE = 60.0


@dataclass(frozen=True)
class Told:
    """An answer and everything that its sheets name."""

    occasion: Occasion
    setting: Setting
    vehicle: Vehicle
    answer: Answer
    ends: tuple[str, str]
    moved: tuple[tuple[tuple[str, float, float], ...], ...]  # by alternative

    @property
    def units(self) -> str:
        """The reader's units."""
        return self.occasion.units


PAGE = """
<p class="head">{{ head }}</p>
<h1>{{ title }}</h1>
<p>{{ asked }}</p>
<p><b>{{ verdict }}</b></p>
{% if drawing %}{{ drawing }}
<p class="small">Amber: zones. Dark: downhill parts of 4 % and more. Dots: homes, larger with more \
people. Grey: other roads.</p>
<ol>{% for text in sentences %}<li>{{ text }}</li>{% endfor %}</ol>
<div class="wide"><table>
<tr>{% for cell in headers %}<th>{{ cell }}</th>{% endfor %}</tr>
{% for row in rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table></div>{% endif %}
<h2>How they were found</h2>
<ul class="small">{% for text in method %}<li>{{ text }}</li>{% endfor %}</ul>
"""

SHEET = """
<p class="head">{{ head }}</p>
<h1>{{ title }}</h1>
<p>{{ summary }}</p>
<p><b>{{ standing }}</b></p>
<h2>Roads in driving order</h2>
<p>{{ roads }}</p>
<h2>Zones on the way, and what they demand</h2>
{% if zones %}<table><tr><th>zone</th><th>from the start</th><th>arrival between</th><th>hours</th>\
<th>status</th><th>what it demands</th></tr>
{% for row in zones %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table>{% else %}<p>None.</p>{% endif %}
<h2>Grades downhill of 4 % and more</h2>
{% if grades %}<table><tr><th>from the start</th><th>length</th><th>mean grade</th>\
<th>steepest part</th></tr>
{% for row in grades %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table>{% else %}<p>None.</p>{% endif %}
<h2>Where the retarder is most heard</h2>
{% if heard %}<ul>{% for text in heard %}<li>{{ text }}</li>{% endfor %}</ul>
{% else %}<p>Nowhere within reach of a home.</p>{% endif %}
<h2>Brakes, computed</h2>
<ul>{% for text in brakes %}<li>{{ text }}</li>{% endfor %}</ul>
<h2>Not known of this route</h2>
<ul>{% for text in unknown %}<li>{{ text }}</li>{% endfor %}</ul>
"""

HEADERS = (
    "route",
    "length",
    "time, min",
    "fuel, estimate",
    "people reached",
    "people-weighted sound against the ordinary route, dB",
    "zones that bind",
    "hottest brakes with a full stop",
    "room to the planning limit",
    "with degraded brakes",
    "steepest downhill part",
)


def title_of(number: int, route: Route) -> str:
    """Number and main roads of a route."""
    lengths: dict[str, float] = {}
    for name, length in route.roads:
        lengths[name] = lengths.get(name, 0.0) + length
    main = sorted(lengths, key=lambda name: -lengths[name])[:3]
    named = [name for name in lengths if name in main]
    return f"Route {number}: {', '.join(plain(name, 40) for name in named)}"


def standing(one: Alternative, number: int, units: str, limit_c: float) -> str:
    """What speaks for and against a route."""
    parts = []
    if one.over_limit:
        peak = both_temperatures(one.route.drive.peak_c, units)
        parts.append(
            f"Over the planning limit in this screening: brakes {peak}, limit "
            f"{both_temperatures(limit_c, units)}"
        )
    if one.worse:
        parts.append(f"Merely quieter, never first: {'; '.join(one.worse)}")
    if one.ordinary:
        parts.append("The ordinary route: the fastest lawful one")
    elif one.may_be_first and number == 1:
        parts.append("Told first: within the planning limit, and the quietest of such routes")
    if not parts:
        parts.append("Within the planning limit in this screening")
    return ". ".join(parts) + "."


def sentence(told: Told, number: int) -> str:
    """One route in a sentence or two."""
    one = told.answer.alternatives[number - 1]
    route, units = one.route, told.units
    minutes = route.drive.duration_s / SECONDS_OF_A_MINUTE
    side = "quieter" if one.quieter_db >= 0.0 else "louder"
    against = (
        "" if one.ordinary else f", {abs(one.quieter_db):.1f} dB {side} by people-weighted sound"
    )
    text = (
        f"{title_of(number, route)}: {along_road(route.length_m, units)}, {minutes:.1f} min, "
        f"{people_shown(route.people_reached)} people reached{against}; brakes "
        f"{both_temperatures(route.drive.peak_c, units)}. "
    )
    text += standing(one, number, units, told.setting.planning_limit_c)
    moved = told.moved[number - 1]
    if moved:
        name, people, change = moved[0]
        shown = f"by {change:.1f} dB" if change < 100.0 else "where little was heard"
        text += (
            f" Noise moves to {plain(name)}: louder {shown} for {people_shown(people)} people"
            f"{_more(len(moved) - 1)}."
        )
    return text


def _more(count: int) -> str:
    """That further places get louder too."""
    if count == 0:
        return ""
    return f", and to {count} more place{'s' if count > 1 else ''}"


def verdict_words(told: Told) -> str:
    """The answer before the routes."""
    answer = told.answer
    if answer.verdict == "no route":
        return f"No route: {plain(answer.cut, 300)}."
    if answer.verdict != "routes":
        return (
            "No route that may be told first: every one is over the planning limit in this "
            "screening, or merely quieter and steeper or hotter."
        )
    count = len(answer.alternatives)
    return f"{count} route{'s' if count > 1 else ''} of {answer.front} that no other beats."


def asked_words(told: Told) -> str:
    """What was asked for."""
    setting = told.setting
    when = (
        "at any hour" if setting.depart_s is None else f"departing {clock(setting.depart_s, 0.0)}"
    )
    return (
        f"From {plain(told.ends[0])} to {plain(told.ends[1])}, "
        f"{truck_words(setting.source.truck, told.units)}, exhaust "
        f"{setting.source.exhaust.replace('_', ' ')}, {told.vehicle.height_m:.2f} m high, {when}."
    )


def routes_text(told: Told) -> str:
    """The answer on one screen."""
    lines = [PLANNING_ONLY, asked_words(told), verdict_words(told)]
    lines += [sentence(told, number) for number in range(1, len(told.answer.alternatives) + 1)]
    return "\n".join(lines)


def routes_json(told: Told) -> dict[str, Any]:
    """The answer as plain data."""
    answer = told.answer
    return {
        "verdict": answer.verdict,
        "cut": answer.cut,
        "caution": PLANNING_ONLY,
        "from": told.ends[0],
        "to": told.ends[1],
        "truck": told.setting.source.truck.name,
        "planning_limit_c": round(told.setting.planning_limit_c, 1),
        "front": answer.front,
        "labels": answer.labels,
        "search_cut": answer.search_cut,
        "closed_links": answer.closed_links,
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
        "fuel_l": round(route.fuel_l, 1),
        "traction_mj": round(route.traction_mj, 1),
        "people_reached": round(route.people_reached, 1),
        "reached_from_db": told.setting.level_db,
        "quieter_db": round(one.quieter_db, 2),
        "zone_m": round(route.zone_m),
        "peak_c": round(route.drive.peak_c, 1),
        "degraded_peak_c": round(route.degraded_peak_c, 1),
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
        fuel = (
            f"{route.fuel_l / LITRE_US_GAL:.1f} gal" if units == "us" else f"{route.fuel_l:.1f} L"
        )
        limit = told.setting.planning_limit_c
        binding = [plain(crossing.zone.name) for crossing in route.crossings if crossing.silent]
        rows.append(
            (
                str(number),
                along_road(route.length_m, units),
                f"{route.drive.duration_s / SECONDS_OF_A_MINUTE:.1f}",
                fuel,
                people_shown(route.people_reached),
                "ordinary" if one.ordinary else f"{-one.quieter_db:+.1f}",
                ", ".join(dict.fromkeys(binding)) or "none",
                both_temperatures(route.drive.peak_c, units),
                margin_words(route.drive.peak_c, limit, units),
                margin_words(route.degraded_peak_c, limit, units),
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
        f"people reached at {told.setting.level_db:g} dB or more",
        "quieter than the ordinary route by [dB]",
        "zones that bind [m]",
        "hottest brakes with a full stop [°C]",
        "planning limit [°C]",
        "over the planning limit",
        "with degraded brakes [°C]",
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
                round(route.fuel_l, 1),
                people_shown(route.people_reached),
                round(one.quieter_db, 1),
                round(route.zone_m),
                round(route.drive.peak_c, 1),
                round(told.setting.planning_limit_c, 1),
                "yes" if one.over_limit else "no",
                round(route.degraded_peak_c, 1),
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
        "Fuel is a rough estimate from the energy at the wheels.",
    ]
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
    note = " ".join((PLANNING_ONLY, *scene.attribution))
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
        invented=told.occasion.invented,
        notices=scene.attribution,
    )


def driver_sheet(told: Told, number: int) -> str:
    """One page for the driver of one route, without any speed."""
    one = told.answer.alternatives[number - 1]
    route, units, setting = one.route, told.units, told.setting
    hours = route.drive.duration_s / SECONDS_OF_A_MINUTE
    parts = steep_parts(route.chainage_m, route.grade, setting.scene.terrain.native_cell)
    title = f"Driver's sheet, {title_of(number, route)}"
    return page(
        title,
        SHEET,
        {
            "head": BEFORE_DEPARTURE,
            "summary": f"{asked_words(told)} {along_road(route.length_m, units)}, about "
            f"{hours:.0f} min without traffic. Distances count from the start.",
            "standing": standing(one, number, units, setting.planning_limit_c),
            "roads": "; ".join(
                f"{plain(name)} {along_road(length, units)}" for name, length in route.roads
            ),
            "zones": [_zone_row(told, crossing) for crossing in route.crossings],
            "grades": grade_rows(parts, units),
            "heard": [
                f"{along_road(begin, units)} to {along_road(end, units)}: {100.0 * share:.0f} % of "
                "what the homes hear of it on this route"
                for begin, end, share in route.heard
            ],
            "brakes": _brake_lines(route, setting.planning_limit_c, units),
            "unknown": _unknown_lines(route, units),
        },
        invented=told.occasion.invented,
        notices=setting.scene.attribution,
    )


def _zone_row(told: Told, crossing: Crossing) -> tuple[str, ...]:
    units, start = told.units, told.setting.depart_s
    if start is None:
        arrival = (
            f"{crossing.earliest_s / SECONDS_OF_A_MINUTE:.0f} to "
            f"{crossing.latest_s / SECONDS_OF_A_MINUTE:.0f} min after departure"
        )
    else:
        arrival = f"{clock(start, crossing.earliest_s)} to {clock(start, crossing.latest_s)}"
    demand = f"asks {BINDS_WORDS[crossing.zone.binds]} to stay silent"
    demand += "; binds this truck" if crossing.binds else "; does not bind this truck"
    return (
        plain(crossing.zone.name),
        f"{along_road(crossing.from_m, units)} to {along_road(crossing.to_m, units)}",
        arrival,
        hours_text(crossing.zone.hours),
        crossing.status,
        demand,
    )


def _brake_lines(route: Route, limit_c: float, units: str) -> list[str]:
    peaks: Sequence[tuple[str, float]] = (
        ("With the retarder where permitted", route.drive.peak_c),
        ("The same with degraded brakes", route.degraded_peak_c),
        ("Without any retarder", route.no_retarder_peak_c),
    )
    return [
        f"{words}: hottest with one full stop {both_temperatures(peak, units)}, "
        f"{margin_words(peak, limit_c, units)}."
        for words, peak in peaks
    ]


def _unknown_lines(route: Route, units: str) -> list[str]:
    lines = [
        f"{kind.capitalize()}: not tagged on {along_road(length, units)}; unknown, to be checked."
        for kind, length in route.unknown_m.items()
        if length > 0.0
    ]
    if route.local_m > 0.0:
        lines.append(
            f"Open only to trucks with a destination there: {along_road(route.local_m, units)}."
        )
    return lines or ["Height, weight, truck access and hazardous loads are tagged all the way."]
