"""The one block of data that the offline map carries; every text in it is untrusted."""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.exposure.results import BrakeRow, Findings, HomeLevels, ZoneResult
from noisemap.outputs.backdrop import relief_bounds, relief_picture
from noisemap.outputs.bands import (
    DUTY_BANDS,
    DUTY_LABELS,
    FEWER_BANDS,
    GRADE_BANDS,
    NIGHT_BANDS,
    PASS_BANDS,
    PEAK_BANDS,
    QUIETER_BANDS,
    ZONE_COLOUR,
    Band,
    band_of,
)
from noisemap.outputs.cautions import QUESTION, all_cautions
from noisemap.outputs.community_tables import OWN_LEVEL
from noisemap.outputs.geometry import road_piece, thinned, zone_road
from noisemap.outputs.map_people import (
    has_own_hours,
    louder_by_zone,
    road_names,
    sureness,
)
from noisemap.outputs.tables import strongest_duty
from noisemap.outputs.wording import (
    BINDS_WORDS,
    LONGEST_ANSWER,
    along_road,
    both_temperatures,
    brake_verdict,
    decibels,
    hours_text,
    people_interval,
    people_shown,
    plain,
    sentence_start,
    tenth,
    with_interval,
    zone_place,
)
from noisemap.scene.model import Scene
from noisemap.units import show_mass, show_speed

FloatArray = npt.NDArray[np.float64]

PASS_LEVEL = 70
"""Level above which the map counts passes [dB]."""


def map_data(scene: Scene, findings: Findings) -> dict[str, Any]:
    """Everything the map draws and says, in metres from the scene's south-west corner."""
    west, south, east, north = relief_bounds(scene.terrain)
    corner = (west, south)
    level = pass_level(findings.before)
    return {
        "title": plain(findings.study_name),
        "invented": findings.invented,
        "question": QUESTION,
        "answer": plain(findings.answer, LONGEST_ANSWER),
        "cautions": [plain(text, 600) for text in all_cautions(findings)],
        "attribution": [plain(text, 300) for text in scene.attribution],
        "crs": scene.crs,
        "bounds": [[0.0, 0.0], [north - south, east - west]],
        "backdrop": "data:image/png;base64,"
        + base64.b64encode(relief_picture(scene.terrain)).decode(),
        "units": findings.units,
        "roadNames": road_names(scene, corner),
        "indicators": [*indicators(level), *own_indicator(findings)],
        "homes": _homes(scene, findings, corner, level),
        "stretches": _stretches(scene, findings, corner),
        "gradeBands": [_band(band) for band in GRADE_BANDS],
        "dutyBands": [
            {**_band(band), "label": label}
            for band, label in zip(DUTY_BANDS, DUTY_LABELS, strict=True)
        ],
        "zoneColour": ZONE_COLOUR,
        "zoneFaint": ZONE_COLOUR + "4d",
        "brakeHeaders": list(BRAKE_HEADERS),
        "zones": [
            _zone(scene, findings, result, corner, number)
            for number, result in enumerate(findings.zones, start=1)
        ],
        "areas": _areas(findings, corner),
        "areasLabel": sentence_start(plain(findings.areas_indicator)) + ", no zone",
    }


def pass_level(levels: HomeLevels) -> int:
    """Level of the passes to count: 70 dB, or the nearest one that was computed."""
    return min(levels.passes_night, key=lambda level: abs(level - PASS_LEVEL), default=PASS_LEVEL)


def indicators(level: int) -> list[dict[str, Any]]:
    """What the homes can show: name, unit, classes, and the classes of its difference."""
    return [
        {
            "key": "peak",
            "label": "Loudest pass (LAmax, braking trucks)",
            "unit": "dB",
            "bands": [_band(band) for band in PEAK_BANDS],
            "difference": "Loudest pass: quieter by (dB)",
            "differenceBands": [_band(band) for band in QUIETER_BANDS],
        },
        {
            "key": "night",
            "label": "Night level (braking trucks)",
            "unit": "dB",
            "bands": [_band(band) for band in NIGHT_BANDS],
            "difference": "Night level: quieter by (dB)",
            "differenceBands": [_band(band) for band in QUIETER_BANDS],
        },
        {
            "key": "passes",
            "label": f"Braking passes a night above {level} dB",
            "unit": "a night",
            "bands": [_band(band) for band in PASS_BANDS],
            "difference": f"Fewer braking passes a night above {level} dB",
            "differenceBands": [_band(band) for band in FEWER_BANDS],
            "level": level,
            "counts": True,
        },
    ]


def own_indicator(findings: Findings) -> list[dict[str, Any]]:
    """Passes in the own hours of places: schools by day, homes when shift workers sleep."""
    if not has_own_hours(findings):
        return []
    hours = "; ".join(
        f"{plain(kind, 20)} {hours_text(own)}" for kind, own in sorted(findings.own_hours.items())
    )
    words = f"braking passes above {OWN_LEVEL} dB in school, shift-sleep and other own hours"
    return [
        {
            "key": "own",
            "label": sentence_start(words),
            "unit": "a day",
            "bands": [
                {**_band(band), "label": band.label.replace("a night", "a day")}
                for band in PASS_BANDS
            ],
            "difference": f"Fewer {words}",
            "differenceBands": [
                {**_band(band), "label": band.label.replace("a night", "a day")}
                for band in FEWER_BANDS
            ],
            "level": OWN_LEVEL,
            "counts": True,
            "note": hours,
        }
    ]


def data_text(data: Mapping[str, Any]) -> str:
    """JSON that cannot end its script block, whatever the names in it hold."""
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def _homes(
    scene: Scene, findings: Findings, corner: tuple[float, float], level: int
) -> dict[str, Any]:
    homes = scene.homes
    wide = findings.home_halfwidth
    own_hours = _own_hours(findings)
    return {
        "x": _tenths(homes.x - corner[0]),
        "y": _tenths(homes.y - corner[1]),
        "id": [plain(text, 60) for text in homes.home_id],
        "label": [plain(text, 90) for text in homes.label],
        "kind": [plain(text, 30) for text in homes.kind],
        "flags": [
            "; ".join(map(plain, (*flags, *own_hours.get(home, ()))))
            for home, flags in enumerate(findings.home_flags)
        ],
        "halfwidth": None if wide is None else [tenth(value) for value in wide],
        "before": _levels(findings.before, level),
        "after": [_levels(result.levels, level) for result in findings.zones],
        "nightQuieter": [_tenths(result.quieter_by) for result in findings.zones],
        "sure": [sureness(result) for result in findings.zones],
        "louder": louder_by_zone(findings),
    }


def _own_hours(findings: Findings) -> dict[int, list[str]]:
    """What is heard at schools, clinics and hotels in their own hours, by home."""
    found: dict[int, list[str]] = {}
    for place in findings.sensitive:
        if math.isfinite(place.l_eq_braking):
            found.setdefault(place.home, []).append(
                f"{place.kind}, {hours_text(place.hours)}: braking trucks "
                f"{place.l_eq_braking:.1f} dB, all modelled traffic {place.l_eq_traffic:.1f} dB"
            )
    return found


def _levels(levels: HomeLevels, level: int) -> dict[str, list[float | None]]:
    passes = levels.passes_night.get(level, np.full(levels.l_night.size, np.nan))
    return {
        "peak": _tenths(levels.l_a_max),
        "night": _tenths(levels.l_night),
        "passes": _counts(passes),
        "own": _counts(levels.passes_own.get(OWN_LEVEL, np.full(levels.l_night.size, np.nan))),
    }


def _counts(values: FloatArray) -> list[float | None]:
    return [round(float(v), 2) if math.isfinite(v) else None for v in values]


def _stretches(scene: Scene, findings: Findings, corner: tuple[float, float]) -> dict[str, Any]:
    part = scene.stretches
    shift = np.tile(corner, 2)
    duties = [strongest_duty(rows) for rows in findings.drive.values()]
    shares = [[round(duty.get(index, 0.0), 2) for index in range(part.x.size)] for duty in duties]
    return {
        "ends": np.round(part.ends - shift, 1).tolist(),
        "road": [plain(scene.roads[int(index)].name, 60) for index in part.road],
        "from": [along_road(float(value), findings.units) for value in part.from_m],
        "grade": [round(100.0 * float(value), 1) + 0.0 for value in part.grade],
        "sigma": [round(100.0 * float(value), 1) for value in part.grade_sigma],
        "limit": [show_speed(float(v) / 3.6, findings.units) for v in part.speed_limit_kmh],
        "covered": [bool(value) for value in part.covered],
        "trucks": [plain(name, 60) for name in findings.drive],
        "duty": shares,
    }


def _zone(
    scene: Scene,
    findings: Findings,
    result: ZoneResult,
    corner: tuple[float, float],
    number: int,
) -> dict[str, Any]:
    zone = result.zone
    line = thinned(road_piece(zone_road(scene, zone), zone.from_m, zone.to_m), 0.5) - corner
    return {
        "name": plain(zone.name, 80),
        "title": f"Zone {number}: {plain(zone.name, 80)}",
        "line": _places(line),
        "verdict": result.verdict,
        "refused": result.verdict == "refused for brakes",
        "sentence": plain(result.sentence, 600),
        "reasons": [plain(text, 300) for text in result.reasons],
        "facts": zone_facts(result, findings.units),
        "brakes": [_brake(row, findings.units) for row in result.brakes],
    }


def zone_facts(result: ZoneResult, units: str) -> list[tuple[str, str]]:
    """Where, when and whom a zone binds and what it gives, as pairs of words."""
    zone = result.zone
    facts = [
        ("Where", zone_place(zone, units)),
        ("When", hours_text(zone.hours)),
        ("Binds", BINDS_WORDS[zone.binds]),
        ("Observed by", f"{100.0 * zone.observance:.0f} % of those it binds (assumed)"),
        ("People quieter by 1 dB or more", people_interval(result.people_helped)),
    ]
    if result.quieter_interval is not None:
        facts.append(("Night level quieter by, mean", decibels(result.quieter_interval)))
    for level, spared in sorted(result.people_passes.items()):
        facts.append((f"People × passes a night spared above {level} dB", with_interval(spared)))
    if result.people_louder > 0.0:
        facts.append(("Louder for", f"{people_shown(result.people_louder)} people"))
    return facts


CONDITION_WORDS = {"degraded": "degraded brakes"}
BRAKE_HEADERS = ("Without the zone", "With the zone", "Planning limit", "Finding")


def brake_name(row: BrakeRow, units: str) -> str:
    """Truck, its mass and the condition of its brakes in words."""
    said = row.equipped or "retarder" in row.truck
    condition = "" if said else ", without a retarder"
    condition += (
        ""
        if row.condition == "normal"
        else f", {CONDITION_WORDS.get(row.condition, plain(row.condition))}"
    )
    name, mass = plain(row.truck, 60), show_mass(row.mass_kg, units)
    return f"{name}{condition}" if mass in name else f"{name} ({mass}){condition}"


def _brake(row: BrakeRow, units: str) -> dict[str, Any]:
    cells = [
        both_temperatures(value, units)
        for value in (row.peak_free_c, row.peak_zone_c, row.planning_limit_c)
    ]
    return {"truck": brake_name(row, units), "cells": [*cells, brake_verdict(row)]}


def _areas(findings: Findings, corner: tuple[float, float]) -> list[dict[str, Any]]:
    return [
        {
            "label": f"{area.low:g} to {area.high:g} dB",
            "colour": band_of(PEAK_BANDS, area.low).colour,
            "polygons": [
                [_places(thinned(ring, 1.0) - corner) for ring in rings] for rings in area.rings
            ],
        }
        for area in findings.areas
    ]


def _places(points: FloatArray) -> list[list[float]]:
    """Points as the map wants them: north first, then east."""
    return [[float(y), float(x)] for x, y in np.round(points, 1)]


def _band(band: Band) -> dict[str, Any]:
    return {
        "low": band.low if math.isfinite(band.low) else None,
        "label": band.label,
        "colour": band.colour,
        "radius": band.radius,
    }


def _tenths(values: Iterable[float] | FloatArray) -> list[float | None]:
    return [tenth(value) for value in values]
