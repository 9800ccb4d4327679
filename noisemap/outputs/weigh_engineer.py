"""The engineer's part of the weighing: the search, what makes it unsure, and every table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import numpy as np

from noisemap.exposure.results import Findings
from noisemap.outputs.blocks import Block, Bullets, Grid, Heading, Shown, Words, grid_of
from noisemap.outputs.provenance import source_row
from noisemap.outputs.table import Cell, Table
from noisemap.outputs.weigh_figures import PASSES_SPARED, drivers_picture, front_picture
from noisemap.outputs.weigh_tables import (
    entries_table,
    hours_table,
    lengths_table,
    louder_table,
    plan_table,
    questions_table,
    rules_table,
    signs_table,
    speeds_table,
)
from noisemap.outputs.weigh_words import degrees, search_sentences
from noisemap.outputs.wording import (
    along_road,
    both_temperatures,
    hours_text,
    people_interval,
    plain,
    with_interval,
)
from noisemap.scene.model import Scene
from noisemap.zones.conditions import setting
from noisemap.zones.pareto import thinned
from noisemap.zones.search import Candidate
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weighed import Weighed

HEAT_ROWS = 16
HOUR_ROWS = 12
MORE_TURNS = "after-treatment"  # tipping points told to the engineer alone
LEFT_TO_FILES = ("x [m]", "y [m]", "truck's weight")
SOURCES = (
    "grade-severity",
    "hill-sign-practice",
    "decision-sight-practice",
    "state-engine-brake-practice",
    "curve-design-practice",
    "truck-rollover-practice",
    "42usc4917",
    "23cfr658",
    "own-model",
    "own-assumption",
)
Row = tuple[Cell, ...]

SHORT_BINDS = {
    "unmuffled_compression_release": "unmuffled only",
    "compression_release": "every compression-release brake",
    "every_auxiliary_brake": "every auxiliary brake",
}


def engineer(
    scene: Scene,
    findings: Findings,
    weighed: Weighed,
    provenance: Mapping[str, Any],
    created: datetime,
) -> list[Block]:
    """Tables for the engineer."""
    units = findings.units
    blocks: list[Block] = [
        Heading("For the engineer", 1),
        Heading("The search"),
        Bullets(search_sentences(weighed, scene)),
        Shown(
            front_picture(weighed, units),
            "Each point is one zone. Orange: drawn by hand in the study, in its order there.",
            54.0,
        ),
        front_grid(scene, weighed, units),
        candidate_grid(weighed, units),
        Heading("What makes the gain unsure"),
    ]
    if weighed.drivers is not None:
        picture = drivers_picture(weighed.drivers, PASSES_SPARED)
        blocks.append(Shown(picture, "Passes spared: one unknown at a time.", 48.0))
    if weighed.level_drivers is not None:
        sound = "all sound there" if weighed.with_background else "braking trucks"
        picture = drivers_picture(
            weighed.level_drivers, f"mean fall of the night level of {sound} [dB]"
        )
        blocks.append(Shown(picture, "Night level: one unknown at a time.", 48.0))
    blocks.append(
        Bullets(tuple(one.sentence for one in weighed.tipping if one.name.startswith(MORE_TURNS)))
    )
    hours = hours_table(weighed)
    titles: tuple[tuple[str, Table, str], ...] = (
        (
            "Gear and engine speed where the zone begins",
            entries_table(weighed, units),
            "Computed from the assumed speeds: information, not advice",
        ),
        (
            "Places of the signs",
            signs_table(weighed),
            "Points along the road; x and y stand in weigh_signs.csv, the points in weigh.gpkg",
        ),
        (
            "Hours of the zone",
            replace(hours, rows=some_rows(hours.rows, [one.spared for one in weighed.hours])),
            "Runs of hours that no other beats, some of them; the brakes of a bound truck are as "
            "hot in each; all rows in weigh_hours.csv",
        ),
        (
            "Longest stretch without retarder",
            lengths_table(weighed, units),
            "Steady descent, planning limit, reserve of a full stop kept",
        ),
        (
            "Speeds of the screening",
            speeds_table(weighed, units),
            "Figures for review, to be posted nowhere without an engineering study",
        ),
        ("Hill signs and state criteria", rules_table(weighed), "Evaluated on the fitted profile"),
        ("Before and after", plan_table(scene, weighed), "Counting that shows the change"),
    )
    for title, table, caption in titles:
        if table.rows:
            blocks += [Heading(title), grid_of(table, caption, LEFT_TO_FILES)]
    if weighed.plan is not None:
        blocks.append(Bullets(weighed.plan.rules))
    louder = louder_table(scene, weighed)
    if louder.rows:
        blocks += [
            Heading("Homes that become louder"),
            grid_of(louder, "Measure by measure; x and y stand in weigh_louder.csv", LEFT_TO_FILES),
        ]
    blocks += [
        Heading("Questions for counsel, and fields to fill in"),
        grid_of(questions_table(weighed), "Questions, not answers"),
        Heading("Sources"),
        Grid(
            "How well each source was seen",
            ("Key", "Title", "Edition", "Mark"),
            tuple(
                (row["key"], row["title"], row["edition"], row["mark"])
                for row in map(source_row, SOURCES)
            ),
            (24.0, 80.0, 40.0, 20.0),
        ),
        Words(
            f"noisemap {provenance.get('noisemap', '')}, seed {provenance.get('seed', '')}, "
            f"made on {created:%Y-%m-%d %H:%M} {created.tzname() or ''}. "
            + "; ".join(plain(text) for text in scene.attribution),
            "small",
        ),
    ]
    return [
        block for block in blocks if not (isinstance(block, Grid | Bullets) and not _filled(block))
    ]


def _filled(block: Grid | Bullets) -> bool:
    return bool(block.rows if isinstance(block, Grid) else block.texts)


def some_rows(rows: Sequence[Row], gains: Sequence[float]) -> tuple[Row, ...]:
    """Rows spread over what they gain, the most first."""
    return tuple(rows[int(place)] for place in thinned(np.array(gains), HOUR_ROWS))


def front_grid(scene: Scene, weighed: Weighed, units: str) -> Grid:
    """Some of the zones that no other beats, from the most to the least gain."""
    rows = []
    for found in weighed.searches:
        front = sorted(found.front, key=lambda i: -found.candidates[i].leading)
        gains = [found.candidates[i].leading for i in front]
        for place in thinned(np.array(gains), int(setting("shown"))):
            one = found.candidates[front[int(place)]]
            rows.append(_front_cells(scene, found.screen.road, one, units))
    return Grid(
        "Zones that no other beats in passes, energy and room; in brackets the 90 % interval; "
        "all rows in weigh_front.csv",
        (
            "Road",
            "From",
            "To",
            "Binds, hours",
            f"Spared above {LEADING_LEVEL} dB",
            "People quieter by 1 dB",
            "Room, normal brakes",
            "Room, worn or steeper",
            "Bound passes a day",
        ),
        tuple(rows),
        (20.0, 13.0, 13.0, 40.0, 28.0, 22.0, 15.0, 17.0, 13.0),
    )


def _front_cells(scene: Scene, road: int, one: Candidate, units: str) -> tuple[str, ...]:
    return (
        plain(scene.roads[road].name, 40),
        along_road(one.zone.from_m, units),
        along_road(one.zone.to_m, units),
        f"{SHORT_BINDS[one.zone.binds]}, {hours_text(one.zone.hours)}",
        with_interval(one.interval),
        people_interval(one.helped),
        degrees(one.normal_margin, units),
        degrees(one.cautious_margin, units),
        f"{one.bound_a_day:,.1f}",
    )


def candidate_grid(weighed: Weighed, units: str) -> Grid:
    """Every row behind the recommendation: trucks, directions, conditions, the worst among them."""
    chosen = weighed.decision.candidate
    rows: list[tuple[str, ...]] = []
    if chosen is not None:
        for row in sorted(chosen.heat, key=lambda row: row.margin)[:HEAT_ROWS]:
            rows.append(
                (
                    plain(weighed.trucks[row.truck], 40),
                    "with the distances" if row.direction > 0 else "against them",
                    row.condition,
                    both_temperatures(row.peak_free_c, units),
                    both_temperatures(row.peak_zone_c, units),
                    degrees(row.margin, units),
                )
            )
    return Grid(
        "Brakes on the zone to take further, least room first; degraded on the steeper grade: also "
        "warm where the zone begins, at the 95th and 99th percentile weights",
        ("Truck", "Driven", "Condition", "Free", "With the zone", "Room"),
        tuple(rows),
        (18.0, 26.0, 34.0, 30.0, 30.0, 18.0),
    )
