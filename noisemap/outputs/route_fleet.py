"""The fleet's burden by place and hour, and the trips worth moving."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from noisemap.outputs.route_page import PLANNING_ONLY, Occasion, page
from noisemap.outputs.tables import Cell, Table, csv_text
from noisemap.outputs.wording import count, plain
from noisemap.routes.fleet import FleetResult, Move, TripResult, ranked_moves
from noisemap.storage import write_text

FOLDER = "fleet"
SHOWN = 30

PAGE = """
<p class="head">Advice for planning only</p>
<h1>{{ title }}</h1>
<p><b>{{ verdict }}</b></p>
<h2>Trips to move first</h2>
{% if moves %}<div class="wide"><table><tr><th>trip</th><th>from</th><th>to</th><th>departs</th>\
<th>runs</th><th>other road</th><th>other hour</th>\
<th>better move spares of the whole fleet</th></tr>
{% for row in moves %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table></div>{% else %}<p>None: no move spares anything.</p>{% endif %}
<h2>Burden by place and hour</h2>
<div class="wide"><table><tr><th>place</th><th>hour</th>\
<th>share of the burden, not weighted</th></tr>
{% for row in places %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table></div>
<h2>How it was counted</h2>
<ul class="small">{% for text in method %}<li>{{ text }}</li>{% endfor %}</ul>
"""

METHOD = (
    "Each trip is taken to drive its ordinary route, the fastest lawful one, at the posted speed "
    "with the retarder at full stage where needed and permitted.",
    "Burden: people times outdoor sound exposure of the pass. For the moves an evening counts by "
    "5 dB and a night by 10 dB more than a day.",
    "Another road is the quietest route that stays within the planning limit and is not merely "
    "quieter; another hour is the nearest one of the day period. Whether the hour suits shipper, "
    "driver and law is not known here.",
)


def verdict_words(result: FleetResult) -> str:
    """The answer in two sentences."""
    moves = ranked_moves(result)
    driven = [one for one in result.trips if not one.cut]
    lost = len(result.trips) - len(driven)
    text = f"{_trips(len(driven))} driven"
    if lost:
        text += f", {lost} without a route"
    over = sum(one.over_limit for one in driven)
    if over:
        text += f", {over} over the planning limit on their ordinary route"
    if not moves or result.total <= 0.0:
        return f"{text}. No move spares anything."
    spared = sum(move.spared for _, move in moves) / result.total
    return (
        f"{text}. Moving {_trips(len(moves))} would spare {100.0 * spared:.0f} % of the fleet's "
        "weighted burden."
    )


def _trips(number: int) -> str:
    return f"{number:,} trip{'' if number == 1 else 's'}"


def trips_table(result: FleetResult) -> Table:
    """One row a trip."""
    headers = (
        "trip", "from", "to", "departs", "truck", "runs", "verdict", "why none",
        "share of the weighted burden [%]", "over the planning limit",
        "other road", "other road quieter by [dB]", "other road longer by [s]",
        "other road spares of the fleet [%]",
        "other hour", "other hour quieter by [dB]", "other hour spares of the fleet [%]",
    )  # fmt: skip
    whole = result.total if result.total > 0.0 else 1.0
    rows: list[tuple[Cell, ...]] = []
    for one in result.trips:
        trip = one.trip
        road, hour = one.other_road, one.other_hour
        rows.append(
            (
                plain(trip.name),
                plain(trip.start),
                plain(trip.target),
                _clock(trip.depart_s),
                plain(trip.truck),
                trip.count,
                one.verdict,
                plain(one.cut, 300),
                round(100.0 * one.weighted / whole, 2),
                "yes" if one.over_limit else "no",
                plain(road.words) if road else "",
                _tenth(road),
                round(road.extra_s) if road else None,
                _share(road, whole),
                hour.words if hour else "",
                _tenth(hour),
                _share(hour, whole),
            )
        )
    return Table("trips", headers, tuple(rows))


def _tenth(move: Move | None) -> Cell:
    return round(move.quieter_db, 1) if move and move.quieter_db < 200.0 else None


def _share(move: Move | None, whole: float) -> Cell:
    return round(100.0 * move.spared / whole, 2) if move else None


def _clock(depart_s: float) -> str:
    return f"{int(depart_s // 3600):02d}:{int(depart_s % 3600 // 60):02d}"


def places_table(result: FleetResult) -> Table:
    """One row a place and hour."""
    cells = result.by_place_and_hour()
    whole = sum(cells.values()) or 1.0
    rows = sorted(cells.items(), key=lambda item: (-item[1], item[0]))
    return Table(
        "places",
        ("place", "hour", "share of the burden [%]"),
        tuple((plain(place), hour, round(100.0 * part / whole, 2)) for (place, hour), part in rows),
    )


def fleet_json(result: FleetResult, study: Occasion) -> dict[str, Any]:
    """The answer as plain data."""
    whole = result.total if result.total > 0.0 else 1.0
    return {
        "verdict": verdict_words(result),
        "caution": PLANNING_ONLY,
        "notes": list(study.notes),
        "moves": [
            {
                "trip": one.trip.name,
                "move": "road" if move is one.other_road else "hour",
                "to": plain(move.words),
                "spares_pct": round(100.0 * move.spared / whole, 2),
            }
            for one, move in ranked_moves(result)
        ],
        "places": [
            {"place": place, "hour": hour, "share_pct": share}
            for place, hour, share in places_table(result).rows
        ],
        "no_route": [
            {"trip": one.trip.name, "cut": plain(one.cut, 300)} for one in result.trips if one.cut
        ],
    }


def write_fleet(
    folder: Path, result: FleetResult, study: Occasion, notices: tuple[str, ...]
) -> list[Path]:
    """Write page, tables and JSON; returns the paths."""
    target = folder / FOLDER
    target.mkdir(parents=True, exist_ok=True)
    whole = result.total if result.total > 0.0 else 1.0
    moves = [_move_row(one, move, whole) for one, move in ranked_moves(result)[:SHOWN]]
    text = page(
        f"Fleet: {plain(study.name)}",
        PAGE,
        {
            "verdict": verdict_words(result),
            "moves": moves,
            "places": [
                (place, f"{hour:02d}:00", f"{share:.1f} %")
                for place, hour, share in places_table(result).rows[:SHOWN]
            ],
            "method": METHOD,
        },
        study,
        notices,
    )
    data = {"study": study.name, **fleet_json(result, study)}
    written = []
    for name, content in (
        ("fleet.html", text),
        ("fleet.json", json.dumps(data, indent=2, sort_keys=True, allow_nan=False) + "\n"),
        ("trips.csv", csv_text(trips_table(result))),
        ("places.csv", csv_text(places_table(result))),
    ):
        written.append(target / name)
        write_text(written[-1], content)
    return written


def _move_row(one: TripResult, move: Move, whole: float) -> tuple[str, ...]:
    def words(other: Move | None) -> str:
        if other is None:
            return "none"
        mark = " (better)" if other is move else ""
        fall = f"{other.quieter_db:.1f} dB" if other.quieter_db < 200.0 else "not heard there"
        return f"{plain(other.words)}: {fall}{mark}"

    return (
        plain(one.trip.name),
        plain(one.trip.start),
        plain(one.trip.target),
        _clock(one.trip.depart_s),
        count(one.trip.count),
        words(one.other_road),
        words(one.other_hour),
        f"{100.0 * move.spared / whole:.1f} %",
    )
