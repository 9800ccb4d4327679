"""Tables and the plain record of what weighing found."""

from __future__ import annotations

from typing import Any

from noisemap.exposure.results import Findings, Interval, ZoneResult
from noisemap.outputs.tables import Cell, Table
from noisemap.outputs.weigh_words import answer_sentences, length_text, speed_text
from noisemap.outputs.wording import BINDS_WORDS, hours_text, people_cell, plain, tenth
from noisemap.scene.model import Scene
from noisemap.units import MILE_M, fahrenheit, show_mass
from noisemap.zones.search import Candidate, SearchResult
from noisemap.zones.weighed import Weighed

GRID_ENDS = 60  # candidate ends of the peak grid that the record carries, each way


WAYS = {1: "with the distances", -1: "against them", 0: ""}
"""Directions along a road, in words."""


def weigh_tables(scene: Scene, weighed: Weighed, units: str) -> tuple[Table, ...]:
    """Every table of the weighing, for CSV."""
    return (
        front_table(scene, weighed, units),
        alternatives_table(weighed, units),
        lengths_table(weighed, units),
        speeds_table(weighed, units),
        signs_table(weighed),
        entries_table(weighed, units),
        rules_table(weighed),
        tipping_table(weighed),
        hours_table(weighed),
        plan_table(scene, weighed),
        louder_table(scene, weighed),
        questions_table(weighed),
    )


def front_table(scene: Scene, weighed: Weighed, units: str) -> Table:
    """Zones that no other beats, road by road, by falling gain; every limit row beside them."""
    unit = "°F" if units == "us" else "°C"
    headers = (
        "road", "from [m]", "to [m]", "from [mi]", "to [mi]", "binds", "hours",
        "people x passes a night spared above 60 dB", "above 70 dB", "above 80 dB",
        "above 70 dB, 90 % low", "above 70 dB, 90 % high",
        "people quieter by 1 dB or more", "quieter, 90 % low", "quieter, 90 % high",
        "people's worth of weighted energy removed (screened)",
        f"room below the limit, normal brakes [{unit}]",
        f"room below the limit, worn brakes or steeper grade [{unit}]",
        "keeps every limit", "bound passes a day",
        "bound trucks that could keep the limit only by coming slower [share]",
        "their mean added time over all bound [s]", "recommended",
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for found in weighed.searches:
        for index in sorted(found.front, key=lambda i: -found.candidates[i].leading):
            one = found.candidates[index]
            rows.append(_front_row(scene, found, one, index == found.recommended, units))
    return Table("weigh_front", headers, tuple(rows))


def _front_row(
    scene: Scene, found: SearchResult, one: Candidate, recommended: bool, units: str
) -> tuple[Cell, ...]:
    scale = 1.8 if units == "us" else 1.0
    zone = one.zone
    return (
        plain(scene.roads[found.screen.road].name),
        round(zone.from_m, 1),
        round(zone.to_m, 1),
        round(zone.from_m / MILE_M, 3),
        round(zone.to_m / MILE_M, 3),
        BINDS_WORDS[zone.binds],
        hours_text(zone.hours),
        *(tenth(value) for value in one.spared),
        tenth(one.interval.low),
        tenth(one.interval.high),
        *_people(one.helped),
        tenth(one.benefit),
        tenth(one.normal_margin * scale),
        tenth(one.cautious_margin * scale),
        "yes" if one.keeps_limits else "no",
        tenth(one.bound_a_day),
        round(one.slower_share, 3),
        tenth(one.delay_s),
        "yes" if recommended else "",
    )


def alternatives_table(weighed: Weighed, units: str) -> Table:
    """Measures side by side, in their groups."""
    unit = "°F" if units == "us" else "°C"
    headers = (
        "group", "measure", "people x passes a night spared above 70 dB", "90 % low", "90 % high",
        "people quieter by 1 dB or more", "helped, 90 % low", "helped, 90 % high",
        "people louder", "bound passes a day", f"mean rise of the brakes it binds [{unit}]",
        f"hottest normal brakes [{unit}]",
        f"hottest, worn brakes or steeper grade [{unit}]", "finding", "remark",
    )  # fmt: skip
    rows = tuple(
        (
            one.group,
            plain(one.name),
            *_interval(one.spared),
            *_people(one.helped),
            None if one.louder is None else people_cell(one.louder),
            None if one.bound_a_day is None else tenth(one.bound_a_day),
            None if one.rise_k is None else tenth(one.rise_k * (1.8 if units == "us" else 1.0)),
            _temperature(one.hottest_c, units),
            _temperature(one.hottest_worn_c, units),
            one.verdict or "",
            plain(one.remark, 600),
        )
        for one in weighed.alternatives
    )
    return Table("weigh_alternatives", headers, rows)


def lengths_table(weighed: Weighed, units: str) -> Table:
    """Longest stretches without retarder, in general and at this hill's grades."""
    speeds = max((len(row.speeds_ms) for row in weighed.lengths_general), default=0)
    headers: tuple[str, ...] = ("table", "weight", "grade [%]")
    for number in range(1, speeds + 1):
        headers += (f"assumed speed {number}", f"longest stretch {number}")
    rows: list[tuple[Cell, ...]] = []
    for name, part in (("general", weighed.lengths_general), ("this hill", weighed.lengths_hill)):
        for row in part:
            cells: list[Cell] = [name, show_mass(row.mass_kg, units), round(100 * row.grade, 2)]
            for speed, length in zip(row.speeds_ms, row.lengths_m, strict=True):
                cells += [speed_text(speed, units), length_text(length, units)]
            rows.append(tuple(cells))
    return Table("weigh_lengths", headers, tuple(rows))


def speeds_table(weighed: Weighed, units: str) -> Table:
    """Balance and screened speeds by weight: figures of the screening, never advice."""
    names = [name for name, _ in weighed.speeds[0].screened_zone_ms] if weighed.speeds else []
    headers = (
        "truck", "truck's weight", "driven", "retarder", "assumed speed (the study's)",
        "balance speed with its retarder, steepest stretch", "balance speed without",
        "highest speed screened, retarder free", "highest speed screened, no retarder",
        *(f"highest speed screened, {plain(name, 60)}" for name in names),
    )  # fmt: skip
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            plain(row.truck),
            show_mass(row.mass_kg, units),
            WAYS[row.direction],
            row.retarder.replace("_", " "),
            *(
                speed_text(value, units)
                for value in (
                    row.assumed_ms,
                    row.balance_ms,
                    row.balance_none_ms,
                    row.screened_ms,
                    row.screened_none_ms,
                    *(value for _, value in row.screened_zone_ms),
                )
            ),
        )
        for row in weighed.speeds
    )
    return Table("weigh_speeds", headers, rows)


def signs_table(weighed: Weighed) -> Table:
    """Places of signs as points."""
    return Table(
        "weigh_signs",
        (
            "sign or place",
            "driven",
            "along the road [m]",
            "along the road [mi]",
            "x [m]",
            "y [m]",
            "why there",
        ),
        tuple(
            (
                one.kind,
                WAYS[one.direction],
                round(one.chainage_m, 1),
                round(one.chainage_m / MILE_M, 3),
                round(one.x, 1),
                round(one.y, 1),
                one.text,
            )
            for one in weighed.signs
        ),
    )


def entries_table(weighed: Weighed, units: str) -> Table:
    """What trucks do where the zone begins."""
    unit = "°F" if units == "us" else "°C"
    return Table(
        "weigh_entries",
        ("truck", "truck's weight", "driven", "assumed speed there", "gear",
         "engine speed there [rpm]", "highest in the zone [rpm]", f"brakes there [{unit}]",
            "retarder comes on, no zone [times]",
            "retarder comes on, with the zone [times]"),
        tuple(
            (
                plain(one.truck),
                show_mass(one.mass_kg, units),
                WAYS[one.direction],
                speed_text(one.speed_ms, units),
                one.gear,
                round(one.engine_speed_rpm),
                round(one.engine_speed_in_zone_rpm),
                _temperature(one.brake_c, units),
                one.onsets_free,
                one.onsets_zone,
            )
            for one in weighed.entries
        ),
    )  # fmt: skip


def rules_table(weighed: Weighed) -> Table:
    """Hill-sign lengths and state criteria, evaluated."""
    rows = [(row, way) for way, row in weighed.hill_signs]
    rows += [(row, 0) for row in weighed.approvals]
    answer = {True: "yes", False: "no", None: "to be answered by a person"}
    return Table(
        "weigh_rules",
        ("state or manual", "driven", "rule", "measured or to ask", "holds", "source", "mark",
         "note"),
        tuple(
            (
                row.state,
                WAYS[way],
                row.text,
                row.measured,
                answer[row.holds],
                row.source,
                row.mark,
                row.note,
            )
            for row, way in rows
        ),
    )  # fmt: skip


def tipping_table(weighed: Weighed) -> Table:
    """Tipping points, then what each unknown alone would leave of the interval."""
    rows: list[tuple[Cell, ...]] = [
        ("tipping point", one.name, _rounded(one.value), _rounded(one.now), one.unit, one.sentence)
        for one in weighed.tipping
    ]
    for drivers, unit, digits in (
        (weighed.drivers, "people x passes a night", 1),
        (weighed.level_drivers, "dB, mean fall of the night level", 3),
    ):
        rows += [
            (
                "interval by one unknown alone",
                one.name,
                round(one.interval.low, digits),
                round(one.interval.high, digits),
                unit,
                "low and high of the 90 % interval",
            )
            for one in (drivers.alone if drivers is not None else ())
        ]
    return Table("weigh_tipping", ("kind", "name", "value or low", "now or high", "unit", "words"),
                 tuple(rows))  # fmt: skip


def hours_table(weighed: Weighed) -> Table:
    """Runs of hours for the zone above: what they spare, and whom they bind."""
    most = max((one.spared for one in weighed.hours), default=0.0)
    return Table(
        "weigh_hours",
        (
            "hours",
            "people x passes a night spared above 70 dB",
            "share of the most",
            "bound passes a day",
        ),
        tuple(
            (
                hours_text(frozenset((one.start + k) % 24 for k in range(one.hours))),
                tenth(one.spared),
                round(one.spared / most, 3),
                tenth(one.bound_a_day),
            )
            for one in weighed.hours
        ),
    )


def plan_table(scene: Scene, weighed: Weighed) -> Table:
    """Places and nights of the plan to measure before and after."""
    rows: list[tuple[Cell, ...]] = []
    if weighed.plan is not None:
        places = list(weighed.plan.places)
        places += [weighed.plan.control] if weighed.plan.control is not None else []
        rows = [
            (
                one.home + 1,
                plain(scene.homes.label[one.home] or scene.homes.home_id[one.home], 60),
                one.reason,
                tenth(one.before),
                tenth(one.after),
                one.nights,
                None if one.passes_counted is None else round(one.passes_counted),
            )
            for one in places
        ]
    return Table(
        "weigh_plan",
        ("home number", "home", "why there", "passes a night above 70 dB before, predicted",
         "after, predicted", "nights before and again after", "passes then counted before"),
        tuple(rows),
    )  # fmt: skip


def louder_table(scene: Scene, weighed: Weighed) -> Table:
    """Every home that a measure makes louder: a list of its own, never netted away."""
    rows = [
        (
            plain(one.name),
            home + 1,
            plain(scene.homes.label[home] or scene.homes.home_id[home], 60),
            round(float(scene.homes.x[home]), 1),
            round(float(scene.homes.y[home]), 1),
            rise,
        )
        for one in weighed.alternatives
        for home, rise in one.louder_homes
    ]
    return Table(
        "weigh_louder",
        ("measure", "home number", "home", "x [m]", "y [m]", "night level louder by [dB]"),
        tuple(rows),
    )


def questions_table(weighed: Weighed) -> Table:
    """Questions for counsel and the blank fields."""
    rows: list[tuple[Cell, ...]] = [
        (one.topic, one.question, one.text, one.seen, one.source, one.mark, "")
        for one in weighed.questions
    ]
    rows += [("to be filled in", text, "", "", "", "", "") for text in weighed.blanks]
    return Table(
        "weigh_questions",
        ("topic", "question", "text", "last looked at", "source", "mark", "answer"),
        tuple(rows),
    )


def weigh_record(scene: Scene, weighed: Weighed, findings: Findings) -> dict[str, Any]:
    """What weighing found as plain data; `verdict` says in a word what follows."""
    chosen = weighed.decision.recommended
    tables = weigh_tables(scene, weighed, findings.units)
    return {
        "study": findings.study_name,
        "verdict": "no defensible zone" if chosen is None else "zone recommended",
        "answer": list(answer_sentences(weighed, findings)),
        "recommended": None if chosen is None else _zone(chosen),
        "runners_up": [_zone(one) for one in weighed.decision.runners_up],
        "study_zones": [_zone(one) for one in weighed.zones],
        "searches": [_search(scene, weighed, found) for found in weighed.searches],
        "tables": {
            table.name: [dict(zip(table.headers, row, strict=True)) for row in table.rows]
            for table in tables
        },
    }


def _zone(result: ZoneResult) -> dict[str, Any]:
    zone = result.zone
    return {
        "name": zone.name,
        "road": zone.road,
        "from_m": round(zone.from_m, 1),
        "to_m": round(zone.to_m, 1),
        "hours": sorted(zone.hours),
        "binds": zone.binds,
        "verdict": result.verdict,
        "people_passes_spared": {
            str(level): _interval(value) for level, value in result.people_passes.items()
        },
        "people_helped": _people(result.people_helped),
    }


def _search(scene: Scene, weighed: Weighed, found: SearchResult) -> dict[str, Any]:
    sheet = found.screen
    step = max(-(-len(sheet.ends) // GRID_ENDS), 1)
    shown = range(0, len(sheet.ends), step)
    trucks = []
    for one in sheet.trucks:
        permitted = one.marched.permitted
        furthest = [
            None
            if not permitted[i].any()
            else round(float(sheet.chainage[permitted[i].nonzero()[0][-1]]), 1)
            for i in range(len(sheet.ends))
        ]
        trucks.append(
            {
                "truck": weighed.trucks[one.truck],
                "direction": one.direction,
                "condition": one.case.condition,
                "limit_c": round(one.limit_c, 1),
                "peak_free_c": round(one.free_peak_c, 1),
                "furthest_permitted_end_m": furthest,
                "peak_c": [
                    [round(float(one.marched.peak_c[i, j]), 1) for j in shown if j > i]
                    for i in shown
                ],
            }
        )
    return {
        "road": scene.roads[sheet.road].name,
        "screened": found.screened,
        "weighed_exactly": len(found.candidates),
        "everything_weighed_exactly": found.everything,
        "screen_loss": found.screen_loss,
        "ends_m": [round(float(v), 1) for v in sheet.chainage],
        "peak_ends_m": [round(float(sheet.chainage[i]), 1) for i in shown],
        "trucks": trucks,
    }


def _interval(value: Interval | None) -> list[Cell]:
    if value is None:
        return [None, None, None]
    return [tenth(part) for part in (value.best, value.low, value.high)]


def _people(value: Interval | None) -> list[Cell]:
    """People as an interval; counts too small to publish stand as nothing."""
    if value is None:
        return [None, None, None]
    return [people_cell(part) for part in (value.best, value.low, value.high)]


def _temperature(value: float | None, units: str) -> float | None:
    if value is None:
        return None
    return tenth(fahrenheit(value) if units == "us" else value)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(float(value), 4)
