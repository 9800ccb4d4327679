"""Tables of a study: one definition of rows and columns for CSV and XLSX."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from noisemap.exposure.levels import bedroom_maximum
from noisemap.exposure.results import BrakeRow, DriveRow, Findings, HomeLevels, Interval
from noisemap.outputs.community_tables import (
    character_columns,
    character_table,
    inside_table,
    louder_table,
    own_hours_table,
)
from noisemap.outputs.table import Cell as Cell
from noisemap.outputs.table import Table as Table
from noisemap.outputs.table import csv_text as csv_text
from noisemap.outputs.table import guarded as guarded
from noisemap.outputs.table import xlsx_bytes as xlsx_bytes
from noisemap.outputs.wording import (
    BINDS_WORDS,
    FEW_PEOPLE,
    brake_verdict,
    hours_text,
    people_cell,
    people_shown,
    plain,
    tenth,
)
from noisemap.scene.model import Scene, Stretches
from noisemap.units import FOOT_M, POUND_KG, fahrenheit, mph

ONE_WAY_WORDS = {0: "both", 1: "with the chainage", -1: "against the chainage"}


def all_tables(scene: Scene, findings: Findings) -> tuple[Table, ...]:
    """Every table of a study, in the order of the workbook's sheets."""
    return (
        zones_table(findings),
        brakes_table(findings),
        homes_table(scene, findings),
        louder_table(scene, findings),
        sensitive_table(scene, findings),
        own_hours_table(scene, findings),
        inside_table(scene, findings),
        character_table(findings),
        stretches_table(scene, findings),
        drive_table(findings),
        bands_table(findings),
        repairs_table(scene),
        notes_table(scene, findings),
    )


def homes_table(scene: Scene, findings: Findings) -> Table:
    """Levels at every home, before any zone and with each; nothing stands for no sound."""
    homes = scene.homes
    columns: list[tuple[str, Sequence[Cell]]] = [
        ("number", [index + 1 for index in range(len(homes.home_id))]),
        ("home", [plain(text) for text in homes.home_id]),
        ("label", [plain(text) for text in homes.label]),
        ("kind", [plain(text) for text in homes.kind]),
        ("x [m]", [tenth(value) for value in homes.x]),
        ("y [m]", [tenth(value) for value in homes.y]),
        (
            f"people [persons, empty below {FEW_PEOPLE}]",
            [None if value < FEW_PEOPLE else round(float(value)) for value in homes.people],
        ),
        ("people in words", [people_shown(float(value)) for value in homes.people]),
        ("home assumed", ["yes" if flag else "no" for flag in homes.estimated]),
    ]
    columns += _level_columns("before", findings.before)
    if findings.l_night_long_term is not None:
        columns.append(("before: long-term night level [dB]", _tenths(findings.l_night_long_term)))
    if findings.home_halfwidth is not None:
        columns.append(("90 % interval, plus or minus [dB]", _tenths(findings.home_halfwidth)))
    if findings.home_terrain is not None:
        words = "before: night level moves with the terrain's height error [dB]"
        columns.append((words, [_digits(value, 2) for value in findings.home_terrain]))
    if findings.home_halving is not None:
        for words, values in zip(("night level", "LAmax"), findings.home_halving, strict=True):
            columns.append(
                (
                    f"before: {words} moves when stretches are halved [dB]",
                    [_digits(value, 2) for value in values],
                )
            )
    columns += character_columns(findings)
    for number, result in enumerate(findings.zones, start=1):
        columns += _level_columns(f"zone {number}", result.levels)
        columns.append((f"zone {number}: night level quieter by [dB]", _tenths(result.quieter_by)))
        if result.quieter_bounds is not None:
            for words, values in zip(("low", "high"), result.quieter_bounds, strict=True):
                columns.append((f"zone {number}: quieter by, 90 % {words} [dB]", _tenths(values)))
    columns.append(("flags", ["; ".join(map(plain, flags)) for flags in findings.home_flags]))
    return _from_columns("homes", columns)


def sensitive_table(scene: Scene, findings: Findings) -> Table:
    """Schools, clinics, hotels and the like in their own hours, now and with each zone."""
    levels = sorted({level for place in findings.sensitive for level in place.passes})
    headers = (
        "number",
        "home",
        "label",
        "kind",
        "hours",
        "level of braking trucks in these hours [dB(A)]",
        "level of all modelled traffic in these hours [dB(A)]",
        *(f"braking passes in these hours above {level} dB" for level in levels),
        *(
            f"zone {number}: braking passes in these hours above {level} dB"
            for number in range(1, len(findings.zones) + 1)
            for level in levels
        ),
    )
    rows = tuple(
        (
            place.home + 1,
            plain(scene.homes.home_id[place.home]),
            plain(scene.homes.label[place.home]),
            plain(place.kind),
            hours_text(place.hours),
            tenth(place.l_eq_braking),
            tenth(place.l_eq_traffic),
            *(tenth(place.passes[level]) for level in levels),
            *(
                tenth(result.levels.passes_own[level][place.home])
                if level in result.levels.passes_own
                else None
                for result in findings.zones
                for level in levels
            ),
        )
        for place in findings.sensitive
    )
    return Table("sensitive", headers, rows)


def stretches_table(scene: Scene, findings: Findings) -> Table:
    """Road stretches with grade, limit and each truck's retarder use."""
    part = scene.stretches
    roads = [scene.roads[int(index)] for index in part.road]
    columns: list[tuple[str, Sequence[Cell]]] = [
        ("stretch", [index + 1 for index in range(part.x.size)]),
        ("road", [plain(road.road_id) for road in roads]),
        ("road name", [plain(road.name) for road in roads]),
        ("from chainage [m]", _tenths(part.from_m)),
        ("to chainage [m]", _tenths(part.to_m)),
        ("length [m]", _tenths(part.length)),
        ("length [ft]", _tenths(part.length / FOOT_M)),
        ("grade [%]", [round(100.0 * float(value), 2) + 0.0 for value in part.grade]),
        (
            "grade standard uncertainty [%]",
            [round(100.0 * float(value), 2) for value in part.grade_sigma],
        ),
        ("speed limit [km/h]", _tenths(part.speed_limit_kmh)),
        ("speed limit [mph]", [tenth(mph(float(value) / 3.6)) for value in part.speed_limit_kmh]),
        *_curve_columns(part),
        ("in a tunnel", _yes_no(part.covered)),
        ("on a bridge", _yes_no(part.bridge)),
        ("driving direction", [ONE_WAY_WORDS[way] for way in part.direction.tolist()]),
        ("trucks allowed", _yes_no(part.trucks_allowed)),
        ("surface", [plain(text, 40) for text in part.paving.tolist()]),
        ("lanes", [_digits(value, 0) for value in part.lanes.tolist()]),
        ("within 100 m of a portal", _yes_no(part.near_portal)),
    ]
    for truck, rows in findings.drive.items():
        duty = strongest_duty(rows)
        columns.append(
            (
                f"retarder on, share of time, {plain(truck)} [1]",
                [_digits(duty.get(index), 3) for index in range(part.x.size)],
            )
        )
    return _from_columns("stretches", columns)


def _curve_columns(part: Stretches) -> list[tuple[str, Sequence[Cell]]]:
    """Radius and what it leaves to trucks; blank on straights and where curves do not count."""
    if not len(part.curve_radius):
        return []
    return [
        ("curve radius [m]", [_finite(value) for value in part.curve_radius]),
        ("assumed of trucks in the curve [km/h]", [_finite(v) for v in 3.6 * part.curve_speed]),
    ]


def _finite(value: float) -> float | None:
    return tenth(float(value)) if math.isfinite(value) else None


def strongest_duty(rows: Iterable[DriveRow]) -> dict[int, float]:
    """Largest share of time with the retarder on, by stretch [1]."""
    duty: dict[int, float] = {}
    for row in rows:
        duty[row.stretch] = max(row.duty, duty.get(row.stretch, 0.0))
    return duty


def drive_table(findings: Findings) -> Table:
    """Computed descent of each truck, stretch by stretch; inputs for review."""
    headers = (
        "truck",
        "stretch",
        "speed assumed in the model, not to be posted [km/h]",
        "engine speed [rpm]",
        "braking cylinders, mean while braking",
        "retarder on, share of time [1]",
        "brake temperature [°C]",
        "brake temperature [°F]",
    )
    rows = tuple(
        (
            plain(truck),
            row.stretch + 1,
            tenth(row.speed_kmh),
            _digits(row.engine_speed_rpm, 0),
            tenth(row.braking_cylinders),
            _digits(row.duty, 3),
            _digits(row.brake_temperature_c, 0),
            _digits(fahrenheit(row.brake_temperature_c), 0),
        )
        for truck, drive in findings.drive.items()
        for row in drive
    )
    return Table("drive", headers, rows)


def zones_table(findings: Findings) -> Table:
    """Zones with what they give and what the brakes say, one row each."""
    criteria = list(dict.fromkeys(key for zone in findings.zones for key in zone.people_over))
    levels = sorted({key for zone in findings.zones for key in zone.people_passes})
    headers = [
        "zone",
        "name",
        "verdict",
        "road",
        "from chainage [m]",
        "to chainage [m]",
        "hours",
        "binds",
        "observed by, share [1]",
        "hottest brakes with the zone [°C]",
        "hottest brakes with the zone [°F]",
        "least room below the planning limit [°C]",
        "trucks taken over the planning limit by the zone",
    ]
    headers += _interval_headers("people quieter by 1 dB or more [persons]")
    headers += _interval_headers("night level quieter by, mean over people [dB]")
    headers.append("people louder [persons]")
    for level in levels:
        headers += _interval_headers(f"people x passes a night spared above {level} dB [1]")
    for name in criteria:
        headers += _interval_headers(f"people over {plain(name)}, before [persons]")
        headers += _interval_headers(f"people over {plain(name)}, with the zone [persons]")
        headers.append(f"people within 2 dB of {plain(name)}, with the zone [persons]")
    headers += ["sentence", "reasons"]
    rows = []
    for number, result in enumerate(findings.zones, start=1):
        zone, rows_here = result.zone, equipped_rows(result.brakes)
        hottest = hottest_row(rows_here)
        row: list[Cell] = [
            number,
            plain(zone.name),
            result.verdict,
            plain(zone.road),
            tenth(zone.from_m),
            tenth(zone.to_m),
            hours_text(zone.hours),
            BINDS_WORDS[zone.binds],
            _digits(zone.observance, 2),
            _digits(hottest.peak_zone_c if hottest else None, 0),
            _digits(fahrenheit(hottest.peak_zone_c) if hottest else None, 0),
            _digits(least_margin(rows_here), 0),
            sum(entry.forbids for entry in result.brakes),
        ]
        row += _people_cells(result.people_helped)
        row += _interval_cells(result.quieter_interval)
        row.append(people_cell(result.people_louder))
        for level in levels:
            row += _interval_cells(result.people_passes.get(level))
        for name in criteria:
            before, after = result.people_over.get(name, (None, None))
            row += _people_cells(before) + _people_cells(after)
            within = result.people_within_2db.get(name)
            row.append(None if within is None else people_cell(within))
        row += [plain(result.sentence, 600), "; ".join(plain(text, 300) for text in result.reasons)]
        rows.append(tuple(row))
    return Table("zones", tuple(headers), tuple(rows))


def hottest_row(rows: Sequence[BrakeRow]) -> BrakeRow | None:
    """Row with the hottest brakes under the zone, among the trucks that have a retarder."""
    equipped = [row for row in rows if row.equipped]
    return max(equipped, key=lambda row: row.peak_zone_c, default=None)


def equipped_rows(rows: Sequence[BrakeRow]) -> list[BrakeRow]:
    """Rows of trucks with a retarder, which alone a zone can change."""
    return [row for row in rows if row.equipped]


def hottest_by_condition(rows: Sequence[BrakeRow]) -> dict[str, BrakeRow]:
    """Row of an equipped truck with the hottest brakes, for each condition of the brakes."""
    chosen = {
        name: hottest_row([row for row in equipped_rows(rows) if row.condition == name])
        for name in dict.fromkeys(row.condition for row in rows)
    }
    return {name: row for name, row in chosen.items() if row is not None}


def least_margin(rows: Sequence[BrakeRow]) -> float | None:
    """Least room below the planning limit among the trucks that have a retarder [°C]."""
    return min(
        (row.planning_limit_c - row.peak_zone_c for row in rows if row.equipped), default=None
    )


def brakes_table(findings: Findings) -> Table:
    """Hottest brakes by zone, truck weight, road and condition of the brakes."""
    headers = [
        "zone",
        "zone name",
        "truck",
        "mass [kg]",
        "mass [lb]",
        "road",
        "direction on the road",
        "retarder fitted",
        "condition of the brakes",
    ]
    for words in (
        "peak, retarder used wherever it helps",
        "peak, retarder silent in the zone",
        "peak, no retarder on the whole descent",
        "share of one full stop in each peak",
        "planning limit",
        "hard limit",
    ):
        headers += [f"{words} [°C]", f"{words} [°F]"]
    headers += ["chainage of the zone's peak [m]", "finding"]
    rows = []
    for number, result in enumerate(findings.zones, start=1):
        for brake in result.brakes:
            row: list[Cell] = [
                number,
                plain(result.zone.name),
                plain(brake.truck),
                _digits(brake.mass_kg, 0),
                _digits(brake.mass_kg / POUND_KG, -2),
                plain(brake.road),
                "with the chainage" if brake.direction > 0 else "against the chainage",
                "yes" if brake.equipped else "no",
                plain(brake.condition),
            ]
            for value in (brake.peak_free_c, brake.peak_zone_c, brake.peak_none_c):
                row += [_digits(value, 0), _digits(fahrenheit(value), 0)]
            row += [_digits(brake.stop_c, 0), _digits(brake.stop_c * 9.0 / 5.0, 0)]
            for value in (brake.planning_limit_c, brake.hard_limit_c):
                row += [_digits(value, 0), _digits(fahrenheit(value), 0)]
            row += [_digits(brake.peak_at_m, 0), brake_verdict(brake)]
            rows.append(tuple(row))
    return Table("brakes", tuple(headers), tuple(rows))


def bands_table(findings: Findings) -> Table:
    """People by level band before any zone; small counts hidden."""
    rows = tuple(
        (
            plain(indicator),
            plain(band),
            None if 0.0 < people < FEW_PEOPLE else round(people),
            people_shown(people),
        )
        for indicator, bands in findings.people_by_band.items()
        for band, people in bands.items()
    )
    headers = ("indicator", "band", f"people [persons, empty below {FEW_PEOPLE}]", "in words")
    return Table("bands", headers, rows)


def repairs_table(scene: Scene) -> Table:
    """Faults found in the data and what was done about each."""
    rows = tuple(
        (
            plain(repair.layer),
            plain(repair.item),
            plain(repair.what, 300),
            tenth(repair.x),
            tenth(repair.y),
        )
        for repair in scene.repairs
    )
    return Table("repairs", ("layer", "item", "what was done", "x [m]", "y [m]"), rows)


def notes_table(scene: Scene, findings: Findings) -> Table:
    """Plain sentences that belong to the figures: assumptions, warnings, attribution."""
    groups: Mapping[str, Sequence[str]] = {
        "answer": (findings.answer,),
        "assumption": tuple(dict.fromkeys(scene.assumptions + findings.assumptions)),
        "warning": tuple(dict.fromkeys(scene.warnings + findings.warnings)),
        "uncertainty": findings.uncertainty,
        "method": findings.method,
        "attribution": scene.attribution,
        "reading": (
            f"Coordinates in {scene.crs}. An empty level means that no braking truck is heard "
            "in the model. Levels of braking trucks are outdoors at the loudest facade. "
            "A leading apostrophe before a text in the CSV files keeps spreadsheets from "
            "reading it as a formula.",
        ),
    }
    rows = tuple(
        (kind, plain(text, 1000)) for kind, sentences in groups.items() for text in sentences
    )
    return Table("notes", ("kind", "sentence"), rows)


def _level_columns(scenario: str, levels: HomeLevels) -> list[tuple[str, Sequence[Cell]]]:
    columns: list[tuple[str, Sequence[Cell]]] = [
        (f"{scenario}: braking trucks, loudest pass LAmax fast [dB(A)]", _tenths(levels.l_a_max)),
        (f"{scenario}: braking trucks, night level [dB(A)]", _tenths(levels.l_night)),
        (f"{scenario}: braking trucks, Ldn [dB(A)]", _tenths(levels.l_dn)),
        (f"{scenario}: braking trucks, Lden [dB(A)]", _tenths(levels.l_den)),
        (f"{scenario}: braking trucks, loudest hour Leq [dB(A)]", _tenths(levels.l_eq_worst_hour)),
        (f"{scenario}: loudest hour starts at [h]", [int(hour) for hour in levels.worst_hour]),
    ]
    columns += [
        (f"{scenario}: passes a night above {level} dB(A) [1]", [_digits(v, 2) for v in passes])
        for level, passes in sorted(levels.passes_night.items())
    ]
    columns += [
        (f"{scenario}: all modelled traffic, Leq 24 h [dB(A)]", _tenths(levels.l_eq_traffic)),
        (f"{scenario}: all modelled traffic, Lden [dB(A)]", _tenths(levels.l_den_traffic)),
        (f"{scenario}: all modelled traffic, night level [dB(A)]", _tenths(levels.l_night_traffic)),
    ]
    columns += [
        (
            f"{scenario}: braking passes a night above {bedroom_maximum():g} dB(A) inside, "
            f"{difference:g} dB less than outside [1]",
            [_digits(v, 2) for v in passes],
        )
        for difference, passes in sorted(levels.passes_inside.items())
    ]
    columns += [
        (
            f"{scenario}: braking passes above {level} dB(A) in the place's own hours [1]",
            [_digits(v, 2) for v in passes],
        )
        for level, passes in sorted(levels.passes_own.items())
    ]
    if levels.l_night_total is not None:
        columns.append(
            (f"{scenario}: with the background, night level [dB(A)]", _tenths(levels.l_night_total))
        )
    return columns


def _from_columns(name: str, columns: Sequence[tuple[str, Sequence[Cell]]]) -> Table:
    headers = tuple(header for header, _ in columns)
    rows = tuple(zip(*(values for _, values in columns), strict=True))
    return Table(name, headers, rows)


def _tenths(values: Iterable[float]) -> list[Cell]:
    return [tenth(value) for value in values]


def _digits(value: float | None, digits: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    rounded = round(float(value), digits) + 0.0
    return int(rounded) if digits <= 0 else rounded


def _yes_no(flags: Iterable[bool]) -> list[Cell]:
    return ["yes" if flag else "no" for flag in flags]


def _interval_headers(words: str) -> list[str]:
    return [words, f"{words}, 90 % low", f"{words}, 90 % high"]


def _people_cells(value: Interval | None) -> list[Cell]:
    if value is None:
        return [None, None, None]
    return [people_cell(value.best), people_cell(value.low), people_cell(value.high)]


def _interval_cells(value: Interval | None) -> list[Cell]:
    if value is None:
        return [None, None, None]
    return [tenth(value.best), tenth(value.low), tenth(value.high)]
