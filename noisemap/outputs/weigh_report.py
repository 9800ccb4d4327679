"""The two pages a council reads about zones; the tables for the engineer follow them.

The contents are a list of blocks, the same for HTML and PDF (`weigh_pages`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from noisemap.exposure.results import Findings, Interval, ZoneResult
from noisemap.outputs.blocks import Block, Bullets, Grid, Heading, NewPage, Shown, Words
from noisemap.outputs.cautions import LAW_TO_CHECK, all_cautions
from noisemap.outputs.figures import map_picture
from noisemap.outputs.weigh_engineer import MORE_TURNS, SHORT_BINDS, engineer
from noisemap.outputs.weigh_words import (
    answer_sentences,
    assumption_sentences,
    brake_sentences,
    degrees,
    gain_sentences,
    pay_sentences,
)
from noisemap.outputs.wording import (
    hours_text,
    people_interval,
    plain,
    with_interval,
    zone_place,
)
from noisemap.scene.model import Scene
from noisemap.units import show_temperature
from noisemap.zones.alternatives import Alternative
from noisemap.zones.conditions import CONDITIONS
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weighed import Weighed

QUESTION = (
    "Is there a stretch of this road where a sign would spare people the noise of engine brakes "
    "and the brakes of heavy trucks still keep the planning limit, and what else could be done?"
)
ZONES_LISTED = 7
NO_SIGN = ("decision sight", "first home reached")  # places that only decide where signs stand
LEAD = 3  # sentences of the answer that stand before its list


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
                map_picture(scene, findings, sign_places(weighed)),
                "Homes, road and zones by the numbers of the table. Dashed: refused for brakes. "
                "Diamonds: where signs of the zone above would stand, the advance signs too. "
                + "; ".join(plain(text) for text in scene.attribution),
                50.0,
            )
        )
        blocks.append(zones_grid(findings.zones, weighed, units))
    blocks += [
        Heading("What the brakes do"),
        Bullets(brake_sentences(weighed, scene, units)),
        Heading("Other measures beside the sign"),
        alternatives_grid(weighed.alternatives, units),
        Heading("Who gains"),
        Bullets(gain_sentences(scene, weighed)),
        Heading("Who pays"),
        Bullets(pay_sentences(weighed, units)),
        Heading("Where the answer turns"),
        Bullets(
            tuple(one.sentence for one in weighed.tipping if not one.name.startswith(MORE_TURNS))
        ),
        Heading("What was assumed"),
        Bullets(assumption_sentences(weighed)),
        Heading("Read this with every figure"),
        Bullets(tuple(plain(text, 600) for text in all_cautions(findings))),
        Heading("The law to check locally"),
        Bullets(LAW_TO_CHECK),
    ]
    return [block for block in blocks if not (isinstance(block, Bullets) and not block.texts)]


def sign_places(weighed: Weighed) -> list[tuple[float, float]]:
    """Where signs of the zone above would stand, x and y [m]."""
    return [(one.x, one.y) for one in weighed.signs if one.kind not in NO_SIGN]


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
        (72.0, 20.0, 24.0, 22.0, 34.0),
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


def hottest_words(result: ZoneResult, units: str) -> str:
    """Hottest brakes of the trucks that a zone binds, by condition."""
    words = []
    for condition in CONDITIONS:
        peaks = [
            row.peak_zone_c for row in result.brakes if row.equipped and row.condition == condition
        ]
        if peaks:
            words.append(show_temperature(max(peaks), units))
    return " / ".join(words) if words else "no truck uses its retarder there"


def alternatives_grid(alternatives: Sequence[Alternative], units: str) -> Grid:
    """Measures in their groups; only signs compete as zones."""
    rows = tuple(
        (
            one.group,
            plain(one.name, 120),
            "not computed" if one.spared is None else with_interval(one.spared),
            _people(one.helped),
            _bound(one, units),
            _heat(one, units),
            plain(one.remark or one.verdict or "", 600),
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
            "Passes a day bound; rise of their brakes, mean",
            "Hottest brakes: normal / worn or steeper",
            "Finding or remark",
        ),
        rows,
        (10.0, 38.0, 27.0, 21.0, 19.0, 21.0, 64.0),
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
    peaks = (one.hottest_c, one.hottest_worn_c)
    return " / ".join(show_temperature(peak, units) for peak in peaks if peak is not None)
