"""The two pages a council reads about zones, then the tables for the engineer.

The contents are a list of blocks, the same for HTML and PDF (`weigh_pages`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from noisemap.exposure.results import Findings, Interval, ZoneResult
from noisemap.outputs.cautions import all_cautions
from noisemap.outputs.figures import Picture, map_picture
from noisemap.outputs.provenance import source_row
from noisemap.outputs.tables import Table
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
from noisemap.outputs.weigh_words import (
    answer_sentences,
    assumption_sentences,
    brake_sentences,
    degrees,
    gain_sentences,
    search_sentences,
)
from noisemap.outputs.wording import (
    along_road,
    both_temperatures,
    hours_text,
    people_interval,
    plain,
    with_interval,
    zone_place,
)
from noisemap.scene.model import Scene
from noisemap.zones.alternatives import Alternative
from noisemap.zones.conditions import CONDITIONS, setting
from noisemap.zones.pareto import thinned
from noisemap.zones.search import Candidate
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weighed import Weighed

QUESTION = (
    "Is there a stretch of this road where a sign would spare people the noise of engine brakes "
    "and the brakes of heavy trucks still keep the planning limit, and what else could be done?"
)
ZONES_LISTED = 7
LEAD = 3  # sentences of the answer that stand before its list
HEAT_ROWS = 16
SOURCES = (
    "grade-severity",
    "hill-sign-practice",
    "decision-sight-practice",
    "state-engine-brake-practice",
    "42usc4917",
    "23cfr658",
    "own-model",
    "own-assumption",
)


@dataclass(frozen=True)
class Heading:
    """A heading; level 1 begins a part."""

    text: str
    level: int = 2


@dataclass(frozen=True)
class Words:
    """A paragraph in one of the styles `plain`, `question`, `answer`, `small`."""

    text: str
    style: str = "plain"


@dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    texts: tuple[str, ...]


@dataclass(frozen=True)
class Grid:
    """A table with its caption and the relative widths of its columns."""

    caption: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]


@dataclass(frozen=True)
class Shown:
    """A picture with its caption and its height on paper."""

    picture: Picture
    caption: str
    height_mm: float


@dataclass(frozen=True)
class NewPage:
    """The engineer's part begins."""


Block = Heading | Words | Bullets | Grid | Shown | NewPage


def weigh_blocks(
    scene: Scene,
    findings: Findings,
    weighed: Weighed,
    provenance: Mapping[str, Any],
    created: datetime,
) -> list[Block]:
    """Contents of the report."""
    return [
        *council(scene, findings, weighed),
        NewPage(),
        *engineer(scene, findings, weighed, provenance, created),
    ]


def council(scene: Scene, findings: Findings, weighed: Weighed) -> list[Block]:
    """The two pages: question, answer, map, zones, brakes, alternatives, cautions."""
    units, answer = findings.units, answer_sentences(weighed, findings)
    blocks: list[Block] = [
        Heading(f"{plain(findings.study_name)}: which zone, if any", 1),
        Words(QUESTION, "question"),
        Heading("The answer"),
        Words(" ".join(answer[:LEAD]), "answer"),
        Bullets(answer[LEAD:]),
    ]
    if findings.zones:
        blocks.append(
            Shown(
                map_picture(scene, findings),
                "Homes, road and zones by the numbers of the table. Dashed: refused for brakes. "
                + "; ".join(plain(text) for text in scene.attribution),
                58.0,
            )
        )
        blocks.append(zones_grid(findings.zones, weighed, units))
    blocks += [
        Shown(
            front_picture(weighed, units),
            "Each point is one zone. Orange: drawn by hand in the study, in its order there.",
            54.0,
        ),
        Heading("What the brakes do"),
        Bullets(brake_sentences(weighed, scene, units)),
        Heading("Other measures beside the sign"),
        alternatives_grid(weighed.alternatives, units),
        Heading("Who gains, who pays"),
        Bullets(gain_sentences(scene, weighed)),
        Heading("Where the answer turns"),
        Bullets(tuple(point.sentence for point in weighed.tipping)),
        Heading("What was assumed"),
        Bullets(assumption_sentences(weighed)),
        Heading("Read this with every figure"),
        Bullets(tuple(plain(text, 600) for text in all_cautions(findings))),
        Words(
            "The law to check locally stands as questions for counsel in the engineer's part.",
            "small",
        ),
    ]
    return [block for block in blocks if not (isinstance(block, Bullets) and not block.texts)]


def zones_grid(zones: Sequence[ZoneResult], weighed: Weighed, units: str) -> Grid:
    """Zones side by side, noise and brakes in one row."""
    rows = []
    shown = listed_zones(zones, weighed)
    for number, result in shown:
        rows.append(
            (
                f"{number}. {plain(result.zone.name, 40)}: {zone_place(result.zone, units)}; "
                f"{hours_text(result.zone.hours)}; {SHORT_BINDS[result.zone.binds]}",
                result.verdict,
                with_interval(result.people_passes[LEADING_LEVEL]),
                people_interval(result.people_helped),
                hottest_words(result, units),
            )
        )
    more = len(zones) - len(rows)
    return Grid(
        "The zones side by side; in brackets the 90 % interval. Noise and brakes belong together."
        + (f" {more} more stand on the map and in weigh.json." if more > 0 else ""),
        (
            "Zone",
            "Finding",
            f"People times passes a night spared above {LEADING_LEVEL} dB",
            "People quieter by 1 dB or more",
            "Hottest brakes: normal / steeper grade / degraded / both",
        ),
        tuple(rows),
        (46.0, 20.0, 24.0, 22.0, 58.0),
    )


def listed_zones(zones: Sequence[ZoneResult], weighed: Weighed) -> list[tuple[int, ZoneResult]]:
    """The recommended zone, the best one that binds others, and the study's own, numbered."""
    chosen = weighed.decision.recommended
    numbered = list(enumerate(zones, start=1))
    if chosen is None:
        return numbered[:ZONES_LISTED]
    beside = next(
        (one for one in weighed.decision.runners_up if one.zone.binds != chosen.zone.binds), None
    )
    wanted = [chosen, *((beside,) if beside is not None else ()), *weighed.zones]
    return [item for item in numbered if any(item[1] is one for one in wanted)][:ZONES_LISTED]


SHORT_BINDS = {
    "unmuffled_compression_release": "unmuffled only",
    "compression_release": "every compression-release brake",
    "every_auxiliary_brake": "every auxiliary brake",
}


def hottest_words(result: ZoneResult, units: str) -> str:
    """Hottest brakes of the trucks that a zone binds, by condition."""
    words = []
    for condition in CONDITIONS:
        peaks = [
            row.peak_zone_c for row in result.brakes if row.equipped and row.condition == condition
        ]
        if peaks:
            words.append(both_temperatures(max(peaks), units))
    return " / ".join(words) if words else "no truck uses its retarder there"


def alternatives_grid(alternatives: Sequence[Alternative], units: str) -> Grid:
    """Measures in their groups; only signs compete as zones."""
    rows = tuple(
        (
            one.group,
            plain(one.name, 90),
            "not computed" if one.spared is None else with_interval(one.spared),
            _people(one.helped),
            _bound(one, units),
            _heat(one, units),
            plain(one.remark or one.verdict or "", 160),
        )
        for one in alternatives
    )
    return Grid(
        "On the stretch of the zone above, or on every road where nothing is said of it. "
        "Only signs compete as zones.",
        (
            "Group",
            "Measure",
            f"Spared above {LEADING_LEVEL} dB",
            "People quieter",
            "Passes a day it binds, mean rise of their brakes",
            "Hottest brakes: normal / worn or steeper",
            "Finding or remark",
        ),
        rows,
        (14.0, 36.0, 24.0, 22.0, 18.0, 30.0, 36.0),
    )


def _people(value: Interval | None) -> str:
    return "" if value is None else people_interval(value)


def _bound(one: Alternative, units: str) -> str:
    if one.bound_a_day is None:
        return ""
    rise = "" if one.rise_k is None else f", {degrees(one.rise_k, units)}"
    return f"{one.bound_a_day:,.0f}{rise}"


def _heat(one: Alternative, units: str) -> str:
    if one.hottest_c is None:
        return "unchanged" if one.computed else ""
    worn = (
        "" if one.hottest_worn_c is None else " / " + both_temperatures(one.hottest_worn_c, units)
    )
    return both_temperatures(one.hottest_c, units) + worn


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
    titles: tuple[tuple[str, Table, str], ...] = (
        (
            "Gear and engine speed where the zone begins",
            entries_table(weighed, units),
            "Computed from the assumed speeds: information, not advice",
        ),
        (
            "Places of the signs",
            signs_table(weighed),
            "Points along the road; the tables hold x, y",
        ),
        (
            "Hours of the zone",
            hours_table(weighed),
            "Runs of hours that no other beats; the brakes of a bound truck are as hot in each",
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
        blocks += [Heading(title), grid_of(table, caption)]
    if weighed.plan is not None:
        blocks.append(Bullets(weighed.plan.rules))
    louder = louder_table(scene, weighed)
    if louder.rows:
        blocks += [Heading("Homes that become louder"), grid_of(louder, "Measure by measure")]
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


def grid_of(table: Table, caption: str) -> Grid:
    """A table as a grid of words; wide texts get wide columns."""
    rows = tuple(tuple("" if cell is None else str(cell) for cell in row) for row in table.rows)
    widths = tuple(
        float(min(max(8, *(len(row[i]) for row in rows), len(head) // 2), 60)) if rows else 8.0
        for i, head in enumerate(table.headers)
    )
    return Grid(caption, table.headers, rows, widths)


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
            "Room, normal brakes",
            "Room, worn or steeper",
            "Bound passes a day",
        ),
        tuple(rows),
        (22.0, 16.0, 16.0, 40.0, 28.0, 18.0, 20.0, 14.0),
    )


def _front_cells(scene: Scene, road: int, one: Candidate, units: str) -> tuple[str, ...]:
    return (
        plain(scene.roads[road].name, 40),
        along_road(one.zone.from_m, units),
        along_road(one.zone.to_m, units),
        f"{SHORT_BINDS[one.zone.binds]}, {hours_text(one.zone.hours)}",
        with_interval(one.interval),
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
