"""The driver's sheet of one route: one page, read before departure, without any speed."""

from __future__ import annotations

from collections.abc import Sequence

from noisemap.outputs.route_driver import grade_rows, margin_words, steep_parts
from noisemap.outputs.route_page import BEFORE_DEPARTURE, page
from noisemap.outputs.route_words import (
    SECONDS_OF_A_MINUTE,
    Told,
    asked_words,
    fuel_words,
    standing,
    title_of,
    work_words,
)
from noisemap.outputs.wording import (
    BINDS_WORDS,
    along_road,
    both_temperatures,
    hours_text,
    plain,
)
from noisemap.routes.choices import clock
from noisemap.routes.evaluate import Crossing, Route

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
<h2>For the planner</h2>
<p>{{ planner }}</p>
<h2>Not known of this route</h2>
<ul>{% for text in unknown %}<li>{{ text }}</li>{% endfor %}</ul>
"""


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
            "planner": f"Fuel, a calculated estimate: {fuel_words(route.fuel, units)}. "
            f"{work_words(route.work)}.",
            "unknown": _unknown_lines(route, units),
        },
        told.occasion,
        setting.scene.attribution,
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
        ("The same with the grade at its upper bound", route.steeper_peak_c),
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
