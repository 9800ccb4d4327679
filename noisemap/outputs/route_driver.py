"""The driver's sheet: one page, read before departure, without any speed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.exposure.driving import TruckClass
from noisemap.outputs.route_page import BEFORE_DEPARTURE, Occasion, page
from noisemap.outputs.wording import (
    BINDS_WORDS,
    along_road,
    both_lengths,
    both_temperatures,
    hours_text,
    plain,
)
from noisemap.routes.quiet_descent import NO_RETARDER, QuietDescent
from noisemap.scene.grades import is_coarse, shortest_base
from noisemap.scene.model import Scene
from noisemap.scene.runs import runs
from noisemap.units import show_mass

FloatArray = npt.NDArray[np.float64]

STEEP = 0.04
JOINED_M = 300.0
SHORTEST_M = 200.0

DESCENT = """
<p class="head">{{ head }}</p>
<h1>{{ title }}</h1>
<p>{{ road }}</p>
<h2>Grades downhill of 4 % and more</h2>
{% if grades %}<table><tr><th>from the start</th><th>length</th><th>mean grade</th>\
<th>steepest part</th></tr>
{% for row in grades %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table>{% else %}<p>None.</p>{% endif %}
<h2>Zones</h2>
{% if zones %}<table><tr><th>zone</th><th>from the start</th><th>hours</th><th>binds</th>\
<th>this truck</th></tr>
{% for row in zones %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table>{% else %}<p>None of the study's zones binds a truck of this sheet here.</p>{% endif %}
<h2>Where the retarder is most heard</h2>
{% if heard %}<ul>{% for text in heard %}<li>{{ text }}</li>{% endfor %}</ul>
{% else %}<p>Nowhere within reach of a home, or the truck has no such retarder.</p>{% endif %}
<h2>Brakes, computed</h2>
<table><tr><th>truck</th><th>driven</th><th>hottest with one full stop</th>\
<th>room to the planning limit</th><th>the same with degraded brakes</th>\
<th>the same with the grade at its upper bound</th></tr>
{% for row in brakes %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table>
<p>Hot, misadjusted or missing brakes lie outside these figures. Check the brakes at the top.</p>
"""


def steep_parts(
    chainage_m: FloatArray, grade: FloatArray, native_cell: float
) -> list[tuple[float, float, float, float | None]]:
    """Downhill parts of 4 % and more: from, to [m], mean grade, steepest [1].

    Short gaps are joined where the whole still keeps 4 %.  The steepest part is over
    the shortest base that the terrain can state; None where it can state none.
    """
    height = np.concatenate([[0.0], np.cumsum(grade * np.diff(chainage_m))])
    spans: list[list[int]] = []
    for first, last in runs(-grade >= STEEP):
        if spans:
            begin = spans[-1][0]
            whole = (height[begin] - height[last]) / (chainage_m[last] - chainage_m[begin])
            near = chainage_m[first] - chainage_m[spans[-1][1]] <= JOINED_M
            if near and whole >= STEEP:
                spans[-1][1] = last
                continue
        spans.append([first, last])
    parts = []
    for first, last in spans:
        length = float(chainage_m[last] - chainage_m[first])
        if length < SHORTEST_M:
            continue
        mean = float(height[first] - height[last]) / length
        steepest = None
        if not is_coarse(native_cell):
            base = min(shortest_base(native_cell), length)
            starts = chainage_m[first:last]
            starts = np.append(starts[starts + base <= chainage_m[last]], chainage_m[last] - base)
            fall = np.interp(starts, chainage_m, height) - np.interp(
                starts + base, chainage_m, height
            )
            steepest = float(fall.max()) / base
        parts.append((float(chainage_m[first]), float(chainage_m[last]), mean, steepest))
    return parts


def grade_rows(
    parts: Sequence[tuple[float, float, float, float | None]], units: str
) -> list[tuple[str, ...]]:
    """The steep parts as a reader sees them."""
    return [
        (
            f"{along_road(begin, units)} to {along_road(end, units)}",
            both_lengths(end - begin, units),
            f"{100.0 * mean:.1f} %",
            "not known from this terrain" if most is None else f"{100.0 * most:.1f} %",
        )
        for begin, end, mean, most in parts
    ]


def descent_sheet(scene: Scene, descents: Sequence[QuietDescent], study: Occasion) -> str:
    """The driver's sheet of one road."""
    first, units = descents[0], study.units
    road = scene.roads[first.trip.road]
    along = first.profile.chainage_m
    fall = float(-(first.profile.grade * np.diff(along)).sum())
    name = plain(road.name or road.road_id)
    heard = next((found.heard for found in descents if found.heard), ())
    return page(
        f"Driver's sheet: {name}",
        DESCENT,
        {
            "head": BEFORE_DEPARTURE,
            "title": f"Driver's sheet: {name}",
            "road": f"{along_road(float(along[-1]), units)} long, "
            f"{both_lengths(fall, units)} down. Distances count from where the drive begins.",
            "grades": grade_rows(
                steep_parts(along, first.profile.grade, scene.terrain.native_cell), units
            ),
            "zones": _zone_rows(descents, scene, units),
            "heard": [
                f"{along_road(begin, units)} to {along_road(end, units)}: {100.0 * share:.0f} % of "
                "what the homes hear of it on this road"
                for begin, end, share in heard
            ],
            "brakes": _brake_rows(descents, units),
        },
        study,
        scene.attribution,
    )


def _zone_rows(descents: Sequence[QuietDescent], scene: Scene, units: str) -> list[tuple[str, ...]]:
    rows: dict[str, list[Any]] = {}
    for found in descents:
        length = float(scene.roads[found.trip.road].chainage[-1])
        for zone in found.zones:
            ends = (zone.from_m, zone.to_m)
            if found.trip.direction < 0:
                ends = (length - zone.to_m, length - zone.from_m)
            row = rows.setdefault(zone.name, [zone, ends, []])
            row[2].append(plain(found.source.truck.name))
    return [
        (
            plain(zone.name),
            f"{along_road(max(ends[0], 0.0), units)} to {along_road(ends[1], units)}",
            hours_text(zone.hours),
            BINDS_WORDS[zone.binds],
            ", ".join(trucks),
        )
        for zone, ends, trucks in rows.values()
    ]


def _brake_rows(descents: Sequence[QuietDescent], units: str) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for found in descents:
        limit = found.terms.planning_limit_c
        for way, words in (
            (found.ordinary, "lowest gear, retarder where permitted"),
            (found.none, f"lowest gear, {NO_RETARDER}"),
        ):
            rows.append(
                (
                    truck_words(found.source.truck, units),
                    words,
                    both_temperatures(way.drive.peak_c, units),
                    margin_words(way.drive.peak_c, limit, units),
                    _peak_words(way.degraded_peak_c, limit, units),
                    _peak_words(way.steeper_peak_c, limit, units),
                )
            )
    return rows


def truck_words(truck: TruckClass, units: str) -> str:
    """Name of a truck class with its mass, unless the name says it."""
    name, mass = plain(truck.name), show_mass(truck.mass, units)
    return name if mass in name else f"{name} ({mass})"


def _peak_words(peak_c: float, limit_c: float, units: str) -> str:
    return f"{both_temperatures(peak_c, units)}, {margin_words(peak_c, limit_c, units)}"


def margin_words(peak_c: float, limit_c: float, units: str) -> str:
    """Room between the hottest brakes and the planning limit, in words."""
    return f"{room_words(peak_c, limit_c, units)} the planning limit"


def room_words(peak_c: float, limit_c: float, units: str) -> str:
    """That room for a column which names the limit.

    >>> room_words(170.0, 190.0, "metric"), room_words(200.0, 190.0, "us")
    ('20 °C within', '18 °F over')
    """
    room = limit_c - peak_c
    shown = abs(room) * (9.0 / 5.0 if units == "us" else 1.0)
    side = "within" if room >= 0.0 else "over"
    return f"{shown:.0f} {'°F' if units == 'us' else '°C'} {side}"
