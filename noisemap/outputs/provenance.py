"""Where the figures come from, and the study's answer on one screen."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from noisemap.exposure.results import Findings, ZoneResult, told_before
from noisemap.outputs.cautions import (
    GOVERNING_RULES,
    INVENTED,
    NO_BAN_ON_CONTROL,
    SCREENING_BRAKES,
)
from noisemap.outputs.tables import hottest_by_condition
from noisemap.outputs.wording import (
    LONGEST_ANSWER,
    brake_verdict,
    decibels,
    people_interval,
    plain,
    with_interval,
    zone_place,
)
from noisemap.references import require_reference
from noisemap.scene.model import Scene
from noisemap.units import show_temperature

SCREEN_WIDTH = 96
HEADLINE_LEVEL = 70
"""Outdoor maximum whose passes lead every comparison of zones [dB]."""

def provenance_record(
    scene: Scene, findings: Findings, provenance: Mapping[str, Any], created: datetime
) -> dict[str, Any]:
    """Everything that tells one run from another, as plain data."""
    return {
        **dict(provenance),
        "created": created.isoformat(),
        "study": findings.study_name,
        "crs": scene.crs,
        "units": findings.units,
        "attribution": list(scene.attribution),
        "warnings": list(dict.fromkeys(scene.warnings + findings.warnings)),
        "assumptions": list(dict.fromkeys(scene.assumptions + findings.assumptions)),
        "repairs": len(scene.repairs),
        "sources": [source_row(key) for key in findings.sources],
    }


def source_row(key: str) -> dict[str, str]:
    """One source as the registry states it."""
    source = require_reference(key)
    return {
        "key": source.key,
        "title": source.title,
        "edition": source.edition,
        "mark": source.mark,
        "note": source.note,
    }


def flat_facts(provenance: Mapping[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    """Facts of a run as pairs of printable words, nested names joined.

    >>> flat_facts({"libraries": {"numpy": "2.3"}, "seed": 7})
    [('libraries numpy', '2.3'), ('seed', '7')]
    """
    facts: list[tuple[str, str]] = []
    for key, value in provenance.items():
        name = f"{prefix} {plain(str(key))}".strip()
        if isinstance(value, Mapping):
            facts += flat_facts(value, name)
        elif isinstance(value, Sequence) and not isinstance(value, str):
            facts.append((name, "; ".join(plain(str(item)) for item in value)))
        else:
            facts.append((name, plain(str(value))))
    return facts


def ordered_zones(findings: Findings) -> list[tuple[int, ZoneResult]]:
    """Zones with their numbers, those refused for brakes first."""

    def rank(item: tuple[int, ZoneResult]) -> tuple[int, float]:
        spared = item[1].people_passes.get(HEADLINE_LEVEL)
        return told_before(item[1].verdict, spared.best if spared else 0.0)

    return sorted(enumerate(findings.zones, start=1), key=rank)


def summary_text(findings: Findings) -> str:
    """Answer of a study for the terminal: refused zones first, cautions last."""
    parts = [_wrapped(plain(findings.study_name)), _wrapped(plain(findings.answer, LONGEST_ANSWER))]
    for number, result in ordered_zones(findings):
        parts.append("\n".join(_zone_lines(number, result, findings.units)))
    if not findings.zones:
        parts.append("No zone in this study: the figures show the noise as it is.")
    if findings.far_people >= 0.5:
        parts.append(
            f"Beyond 1000 m of every braking stretch, outside the method: "
            f"{findings.far_people:,.0f} people."
        )
    parts.append(
        f"The report lists the assumptions ({len(findings.assumptions)}) "
        f"and the warnings ({len(findings.warnings)}) of this run."
    )
    start = (INVENTED,) if findings.invented else ()
    cautions = (*start, NO_BAN_ON_CONTROL, SCREENING_BRAKES, GOVERNING_RULES)
    parts.append(_wrapped(" ".join(cautions)))
    return "\n\n".join(parts) + "\n"


def _spared_words(result: ZoneResult) -> str:
    return "".join(
        f"loud passes a night spared, all residents together: {with_interval(spared)}; "
        for level, spared in result.people_passes.items()
        if level == HEADLINE_LEVEL
    )


def _zone_lines(number: int, result: ZoneResult, units: str) -> list[str]:
    lines = [
        _wrapped(f"Zone {number}, {plain(result.zone.name, 60)}: {result.verdict.upper()}"),
        _wrapped(f"where   {zone_place(result.zone, units)}", "  ", "          "),
        _wrapped(
            f"gain    {_spared_words(result)}"
            f"people quieter by 1 dB or more: {people_interval(result.people_helped)}"
            + (
                f"; night level {decibels(result.quieter_interval)} lower on average"
                if result.quieter_interval
                else ""
            ),
            "  ",
            "          ",
        ),
    ]
    if not any(row.equipped for row in result.brakes):
        return [*lines, "  brakes  no truck uses its retarder in this zone"]
    hottest = hottest_by_condition(result.brakes)
    first = next(iter(hottest.values()))
    peaks = ", ".join(
        f"{show_temperature(row.peak_zone_c, units)} {plain(condition)}"
        for condition, row in hottest.items()
    )
    limit = show_temperature(first.planning_limit_c, units)
    worst = max(hottest.values(), key=lambda row: row.peak_zone_c)
    words = (
        f"brakes  hottest {peaks} ({plain(first.truck, 40)}; planning limit {limit}): "
        f"{brake_verdict(first)}"
    )
    if brake_verdict(worst) != brake_verdict(first):
        words += f"; {plain(worst.condition)}: {brake_verdict(worst)}"
    return [*lines, _wrapped(words, "  ", "          ")]


def _wrapped(text: str, first: str = "", rest: str | None = None) -> str:
    indent = " " * len(first) if rest is None else rest
    return textwrap.fill(
        text, SCREEN_WIDTH, initial_indent=first, subsequent_indent=indent, break_long_words=True
    )
