"""The report: one HTML file to read, to print and to file, two pages first for a council."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from noisemap.exposure.results import BrakeRow, Findings, ZoneResult
from noisemap.outputs.cautions import LAW_TO_CHECK, QUESTION, all_cautions
from noisemap.outputs.community_tables import inside_table, louder_table
from noisemap.outputs.figures import Picture, gain_and_brakes_picture, map_picture
from noisemap.outputs.map_data import brake_name, zone_facts
from noisemap.outputs.offline import asset, refuse_outside_references
from noisemap.outputs.provenance import (
    HEADLINE_LEVEL,
    flat_facts,
    ordered_zones,
    provenance_record,
    source_row,
)
from noisemap.outputs.report_people import (
    certainty,
    character_sentences,
    character_shown,
    own_hours_sentences,
    who_gains,
    who_pays,
)
from noisemap.outputs.tables import (
    Table,
    bands_table,
    equipped_rows,
    hottest_by_condition,
    repairs_table,
    strongest_duty,
)
from noisemap.outputs.wording import (
    FEW_PEOPLE,
    LONGEST_ANSWER,
    along_road,
    both_temperatures,
    brake_verdict,
    decibels,
    hours_text,
    people_interval,
    people_shown,
    plain,
    room_words,
    temperature_margin,
    with_interval,
    zone_place,
)
from noisemap.scene.model import Scene
from noisemap.units import show_length, show_mass

ZONES_IN_SUMMARY = 4  # the summary stays two pages; every zone stands in the engineer's part
SENTENCES_IN_SUMMARY = 5
TRUCKS_IN_SUMMARY = 1
HOMES_LISTED = 15
STRETCHES_LISTED = 20
REPAIRS_LISTED = 40


@dataclass(frozen=True)
class ZoneCard:
    """One zone as the report tells it."""

    number: int
    name: str
    verdict: str
    refused: bool
    sentence: str
    reasons: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    place: str
    hours: str
    gain: str
    quieter: str
    spared: str
    brakes: tuple[tuple[str, str], ...]  # truck, hottest with the zone and room to the limit
    brake_rows: tuple[tuple[str, ...], ...]
    criteria: tuple[tuple[str, str, str, str], ...]


@dataclass(frozen=True)
class Story:
    """Everything the report says, in words and figures, before any markup."""

    title: str
    question: str
    answer: str
    refused: tuple[str, ...]
    zones: tuple[ZoneCard, ...]
    zones_first: tuple[ZoneCard, ...]
    map_picture: Picture
    balance_picture: Picture | None
    certainty: tuple[str, ...]
    who_gains: tuple[str, ...]
    who_pays: tuple[str, ...]
    alternatives: tuple[str, ...]
    assumptions: tuple[str, ...]
    assumptions_first: tuple[str, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    law: tuple[str, ...]
    method: tuple[str, ...]
    uncertainty: tuple[str, ...]
    background: tuple[tuple[str, str], ...]
    optional: tuple[tuple[str, str], ...]
    who_gains_all: tuple[str, ...]
    who_pays_all: tuple[str, ...]
    own_hours: tuple[str, ...]
    character: tuple[str, ...]
    character_groups: Table
    inside: Table
    louder: Table
    alternatives_all: tuple[str, ...]
    bands: Table
    homes: Table
    sensitive: Table
    stretches: Table
    repairs: Table
    repairs_left_out: int
    sources: tuple[dict[str, str], ...]
    provenance: tuple[tuple[str, str], ...]
    attribution: tuple[str, ...]
    created: str
    paper: str


BRAKE_COLUMNS = (
    "Truck",
    "Retarder used wherever it helps",
    "Silent in the zone",
    "No retarder at all",
    "One full stop, counted in each",
    "Planning limit",
    "Hard limit",
    "Room with the zone",
    "Finding",
)


def report_html(
    scene: Scene, findings: Findings, provenance: Mapping[str, Any], created: datetime
) -> str:
    """HTML of the report, complete in one file.

    Raises
    ------
    OutsideReferenceError
        The page would point outside its own file.
    """
    import jinja2

    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["picture"] = lambda picture: (
        "data:image/png;base64," + base64.b64encode(picture.png).decode()
    )
    page = environment.from_string(asset("report.html.j2")).render(
        story=story(scene, findings, provenance, created),
        css=asset("report.css"),
        brake_columns=BRAKE_COLUMNS,
    )
    refuse_outside_references(page)
    return page


def story(
    scene: Scene, findings: Findings, provenance: Mapping[str, Any], created: datetime
) -> Story:
    """Contents of the report, the same for HTML and PDF."""
    zones = tuple(zone_card(number, result, findings) for number, result in ordered_zones(findings))
    repairs = repairs_table(scene)
    # the study's own choices before what the data lacked
    own = [text for text in findings.assumptions if text not in scene.assumptions]
    assumptions = _plain_all((*own, *scene.assumptions))
    record = provenance_record(scene, findings, provenance, created)
    left = ("attribution", "warnings", "assumptions", "sources", "study")
    return Story(
        title=plain(findings.study_name),
        question=QUESTION,
        answer=plain(findings.answer, LONGEST_ANSWER),
        refused=_first(
            tuple(
                f"Zone {card.number} ({card.name}) is refused for brakes. {card.sentence}"
                for card in zones
                if card.refused
            )
        ),
        zones=zones,
        zones_first=zones[:ZONES_IN_SUMMARY],
        map_picture=map_picture(scene, findings),
        balance_picture=_balance(findings) if zones else None,
        certainty=certainty(findings),
        who_gains=_first(who_gains(findings)),
        who_pays=_first(who_pays(findings)),
        alternatives=_first(_plain_all(findings.alternatives)),
        assumptions=assumptions,
        assumptions_first=_first(assumptions),
        warnings=_plain_all((*scene.warnings, *findings.warnings)),
        cautions=_plain_all(all_cautions(findings)),
        law=LAW_TO_CHECK,
        method=_plain_all(findings.method),
        uncertainty=_plain_all(findings.uncertainty),
        background=tuple(
            (f"{level} dB", decibels(gain))
            for level, gain in sorted(findings.gain_with_background.items())
        ),
        optional=tuple(
            (plain(name), plain(text, 600)) for name, text in findings.optional_effects.items()
        ),
        who_gains_all=who_gains(findings),
        who_pays_all=who_pays(findings),
        own_hours=own_hours_sentences(scene, findings),
        character=character_sentences(findings),
        character_groups=character_shown(findings),
        inside=_shown(inside_table(scene, findings)),
        louder=louder_table(scene, findings),
        alternatives_all=_plain_all(findings.alternatives),
        bands=bands_table(findings),
        homes=loudest_homes(scene, findings),
        sensitive=sensitive_in_hours(scene, findings),
        stretches=busiest_stretches(scene, findings),
        repairs=Table(repairs.name, repairs.headers[:3], _short(repairs.rows)),
        repairs_left_out=max(len(repairs.rows) - REPAIRS_LISTED, 0),
        sources=tuple(source_row(key) for key in findings.sources),
        provenance=tuple(
            flat_facts({key: value for key, value in record.items() if key not in left})
        ),
        attribution=_plain_all(scene.attribution),
        created=f"{created:%Y-%m-%d %H:%M} {created.tzname() or ''}".strip(),
        paper="letter" if findings.units == "us" else "A4",
    )


def zone_card(number: int, result: ZoneResult, findings: Findings) -> ZoneCard:
    """One zone in words and figures."""
    units = findings.units
    level = HEADLINE_LEVEL if HEADLINE_LEVEL in result.people_passes else None
    return ZoneCard(
        number=number,
        name=plain(result.zone.name, 80),
        verdict=result.verdict,
        refused=result.verdict == "refused for brakes",
        sentence=plain(result.sentence, 600),
        reasons=_plain_all(result.reasons),
        facts=tuple(zone_facts(result, units)),
        place=zone_place(result.zone, units),
        hours=hours_text(result.zone.hours),
        gain=people_interval(result.people_helped),
        quieter="not given"
        if result.quieter_interval is None
        else decibels(result.quieter_interval),
        spared="not given"
        if level is None
        else f"{with_interval(result.people_passes[level])} above {level} dB",
        brakes=brakes_by_weight(result.brakes, units),
        brake_rows=tuple(brake_cells(row, units) for row in result.brakes),
        criteria=tuple(
            (
                plain(name),
                people_interval(before),
                people_interval(after),
                people_shown(result.people_within_2db.get(name, float("nan")))
                if name in result.people_within_2db
                else "not given",
            )
            for name, (before, after) in result.people_over.items()
        ),
    )


def brakes_by_weight(rows: Sequence[BrakeRow], units: str) -> tuple[tuple[str, str], ...]:
    """Hottest brakes of the heaviest truck in normal condition, then the hottest of all."""
    normal = sorted(
        (row for row in equipped_rows(rows) if row.condition == "normal"),
        key=lambda row: -row.mass_kg,
    )[:TRUCKS_IN_SUMMARY]
    worse = [row for name, row in hottest_by_condition(rows).items() if name != "normal"]
    others = sorted(worse, key=lambda row: -row.peak_zone_c)[:1]
    return tuple(
        (
            show_mass(row.mass_kg, units)
            + ("" if row.condition == "normal" else f", {plain(row.condition)}"),
            f"{both_temperatures(row.peak_zone_c, units)}, {room_words(row, units)}",
        )
        for row in [*normal, *others]
    )


def brake_cells(row: BrakeRow, units: str) -> tuple[str, ...]:
    """One row of the engineer's brake table."""
    stop = row.stop_c * 9.0 / 5.0 if units == "us" else row.stop_c
    return (
        brake_name(row, units),
        both_temperatures(row.peak_free_c, units),
        both_temperatures(row.peak_zone_c, units),
        both_temperatures(row.peak_none_c, units),
        f"{stop:.0f} {'°F' if units == 'us' else '°C'}",
        both_temperatures(row.planning_limit_c, units),
        both_temperatures(row.hard_limit_c, units),
        temperature_margin(row, units),
        brake_verdict(row),
    )


def loudest_homes(scene: Scene, findings: Findings) -> Table:
    """Homes with the highest pass, with what each zone does there."""
    import numpy as np

    peaks = np.nan_to_num(findings.before.l_a_max, neginf=-1e9, nan=-1e9)
    order = np.argsort(-peaks, kind="stable")[:HOMES_LISTED]
    headers = ["Home", "Number", "Loudest pass now [dB]", "Night level now [dB]"]
    headers += [f"Zone {n}: quieter by [dB]" for n in range(1, len(findings.zones) + 1)]
    rows = []
    for index in order:
        row = [
            plain(scene.homes.label[index], 60) or plain(scene.homes.home_id[index], 60),
            f"{index + 1}",
            _level(findings.before.l_a_max[index]),
            _level(findings.before.l_night[index]),
        ]
        row += [_level(result.quieter_by[index]) for result in findings.zones]
        rows.append(tuple(row))
    return Table("homes", tuple(headers), tuple(rows))


def sensitive_in_hours(scene: Scene, findings: Findings) -> Table:
    """Schools, clinics and hotels, loudest first, in the hours of their kind."""
    headers = ("Place", "Kind", "Hours", "Braking trucks [dB]", "All modelled traffic [dB]")
    order = sorted(findings.sensitive, key=lambda place: (-place.l_eq_braking, place.home))
    rows = tuple(
        (
            plain(scene.homes.label[place.home] or scene.homes.home_id[place.home], 60),
            plain(place.kind, 30),
            hours_text(place.hours),
            _level(place.l_eq_braking),
            _level(place.l_eq_traffic),
        )
        for place in order[:HOMES_LISTED]
    )
    return Table("sensitive", headers, rows)


def busiest_stretches(scene: Scene, findings: Findings) -> Table:
    """Stretches where a retarder works longest, with grade and limit."""
    duties = {plain(name, 60): strongest_duty(rows) for name, rows in findings.drive.items()}
    most = {
        index: max(duty.get(index, 0.0) for duty in duties.values())
        for duty in duties.values()
        for index in duty
    }
    chosen = sorted(sorted(most, key=lambda index: -most[index])[:STRETCHES_LISTED])
    part = scene.stretches
    headers = ["Road", "From", "Length", "Grade [%]", *(f"Retarder on, {n}" for n in duties)]
    rows = []
    for index in chosen:
        row = [
            plain(scene.roads[int(part.road[index])].name, 40),
            along_road(float(part.from_m[index]), findings.units),
            show_length(float(part.length[index]), findings.units),
            f"{100.0 * part.grade[index]:.1f} ± {100.0 * part.grade_sigma[index]:.1f}",
        ]
        row += [f"{100.0 * duty.get(index, 0.0):.0f} %" for duty in duties.values()]
        rows.append(tuple(row))
    return Table("stretches", tuple(headers), tuple(rows))


def _shown(table: Table) -> Table:
    """A table whose empty cells say that a small count is not published."""
    few = f"fewer than {FEW_PEOPLE}"
    rows = tuple(tuple(few if cell is None else cell for cell in row) for row in table.rows)
    return Table(table.name, table.headers, rows)


def _level(value: float) -> str:
    import math

    return f"{value:.1f}" if math.isfinite(value) else "none"


def _plain_all(texts: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(plain(text, 1000) for text in texts))


def _balance(findings: Findings) -> Picture:
    return gain_and_brakes_picture(ordered_zones(findings)[:ZONES_IN_SUMMARY], findings.units)


def _first(texts: tuple[str, ...]) -> tuple[str, ...]:
    if len(texts) <= SENTENCES_IN_SUMMARY:
        return texts
    rest = len(texts) - SENTENCES_IN_SUMMARY
    return (*texts[:SENTENCES_IN_SUMMARY], f"In the part for the engineer: {rest} more.")


def _short(rows: tuple[tuple[Any, ...], ...]) -> tuple[tuple[Any, ...], ...]:
    return tuple(row[:3] for row in rows[:REPAIRS_LISTED])
