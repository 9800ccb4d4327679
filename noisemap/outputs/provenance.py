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
    people_shown,
    plain,
    with_interval,
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
    answer = _wrapped(plain(findings.answer, LONGEST_ANSWER))
    parts = [f"{_wrapped(plain(findings.study_name))}\n{answer}"]
    lines = [
        line
        for number, result in ordered_zones(findings)
        for line in _zone_lines(number, result, findings.units)
    ]
    if lines:
        parts.append("\n".join([*lines, _wrapped(_legend(findings))]))
    else:
        parts.append("No zone in this study: the figures show the noise as it is.")
    more = (
        f"More stands in the report, with its assumptions ({len(findings.assumptions)}) "
        f"and warnings ({len(findings.warnings)})."
    )
    if findings.far_people >= 0.5:
        more += (
            f" Beyond 1000 m of every braking stretch, outside the method: "
            f"{people_shown(findings.far_people)} people."
        )
    start = (INVENTED,) if findings.invented else ()
    cautions = (*start, NO_BAN_ON_CONTROL, SCREENING_BRAKES, GOVERNING_RULES)
    parts.append(_wrapped(more) + "\n" + _wrapped(" ".join(cautions)))
    return "\n\n".join(parts) + "\n"


def _legend(findings: Findings) -> str:
    """What the figures of the zones' lines are."""
    limits = {row.planning_limit_c for zone in findings.zones for row in zone.brakes}
    words = (
        f"Loud passes: a night, above {HEADLINE_LEVEL} dB outdoors, all residents together. "
        "Quieter: by 1 dB or more. Brakes: the hottest truck with a retarder"
    )
    if limits:
        words += f"; planning limit {show_temperature(min(limits), findings.units)}"
    return f"{words}."


def _zone_lines(number: int, result: ZoneResult, units: str) -> list[str]:
    """A zone on two lines: what it is found to be, and the figures behind it."""
    head = _wrapped(f"Zone {number}, {plain(result.zone.name, 60)}: {result.verdict.upper()}")
    spared = result.people_passes.get(HEADLINE_LEVEL)
    words = "" if spared is None else f"{with_interval(spared)} loud passes spared, "
    words += f"{people_shown(result.people_helped.best)} people quieter; "
    return [head, _wrapped(words + _brake_words(result, units), "  ")]


def _brake_words(result: ZoneResult, units: str) -> str:
    hottest = hottest_by_condition(result.brakes)
    if not hottest:
        return "no truck uses its retarder there"
    first = next(iter(hottest.values()))
    worst = max(hottest.values(), key=lambda row: row.peak_zone_c)
    words = f"brakes {show_temperature(first.peak_zone_c, units)}"
    if worst is not first:
        words += f", worst {show_temperature(worst.peak_zone_c, units)}"
    return words


def _wrapped(text: str, first: str = "", rest: str | None = None) -> str:
    indent = " " * len(first) if rest is None else rest
    return textwrap.fill(
        text, SCREEN_WIDTH, initial_indent=first, subsequent_indent=indent, break_long_words=True
    )
