"""Sheets of a roadside inspection: for each truck as HTML and text, for all as a table and JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from noisemap.data_tables import table_rows
from noisemap.inspection.ordinance import ELEMENTS, Family, families
from noisemap.inspection.rule import ABOVE, PACKAGE, TABLE_BASIS_YEAR, number
from noisemap.inspection.verdict import Comparison, Inspection, measured_level
from noisemap.outputs.tables import Cell, Table, csv_text
from noisemap.outputs.wording import plain
from noisemap.storage import sha256_file, write_text

CAUTIONS: tuple[str, ...] = (
    "A verdict speaks of one reading, not of the truck. Not above limit says nothing about the "
    "exhaust system, about other conditions or about the retarder in use.",
    "The text of the rule was read in the edition named here. Look up the current edition, and "
    "ask counsel who may enforce it, before anyone is cited.",
    "The visual rule on the exhaust system comes first: a defect that is seen is the stronger "
    "case, and it needs no level.",
    "A tolerance of up to 2 dB belongs to the rule and is shown in each verdict.",
    "Nothing here judges whether a driver needed the retarder to keep the vehicle under control.",
)

TEMPLATE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Inspection sheet {{ truck.title }}</title>
<style>
body{font:15px/1.45 system-ui,sans-serif;color:#1b1b1b;max-width:56rem;
margin:1.5rem auto;padding:0 1rem}
h1{font-size:1.4rem}h2{font-size:1.15rem;border-top:2px solid #444;padding-top:.6rem}
h3{font-size:1rem}
table{border-collapse:collapse;width:100%;margin:.4rem 0 1rem}
th,td{border:1px solid #999;padding:.25rem .5rem;text-align:left;vertical-align:top}
th{background:#eee}
.verdict{font-size:1.25rem;font-weight:700;border:2px solid #1b1b1b;padding:.5rem .7rem}
.open{font-weight:700}.small{font-size:.88rem}
.short{border-left:4px solid #1b1b1b;padding:.2rem 0 .2rem 1.6rem}
@media print{h2{break-before:page}h2:first-of-type{break-before:auto}}
</style></head><body>
<h1>Roadside inspection: {{ truck.title }}</h1>
{% for sheet in truck.sheets %}
<h2>{{ sheet.title }}</h2>
<p>{{ sheet.when }}</p>
<ul class="short">{% for text in sheet.short %}<li>{{ text }}</li>{% endfor %}</ul>
<h3>1. What was seen</h3>
<table><tr><th>part</th><th>finding</th><th>what</th><th>rule</th></tr>
{% for row in sheet.visual %}<tr>{% for cell in row %}\
<td{% if loop.index == 2 and cell == "fails" %} class="open"{% endif %}>{{ cell }}</td>\
{% endfor %}</tr>
{% endfor %}</table>
<h3>2. What was measured</h3>
<p class="verdict">{{ sheet.verdict }}</p>
<ul>{% for text in sheet.reasons %}<li>{{ text }}</li>{% endfor %}</ul>
{% if sheet.comparisons %}<table>
<tr><th>comparison</th><th>arithmetic</th><th>level</th><th>limit</th><th>over by</th>
<th>verdict</th><th>rule</th></tr>
{% for row in sheet.comparisons %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}</table>{% endif %}
{% for text in sheet.notes %}<p class="small">{{ text }}</p>{% endfor %}
<h3>3. Conditions of a lawful measurement</h3>
<table><tr><th>condition</th><th>asked</th><th>found</th><th>state</th><th>rule</th></tr>
{% for row in sheet.conditions %}<tr>{% for cell in row %}\
<td{% if loop.index == 4 and cell != "met" %} class="open"{% endif %}>{{ cell }}</td>\
{% endfor %}</tr>
{% endfor %}</table>
<h3>4. Evidence: {{ sheet.sufficiency }}</h3>
<table><tr><th>link</th><th>state</th><th>entry</th></tr>
{% for row in sheet.evidence %}<tr>{% for cell in row %}\
<td{% if loop.index == 2 and cell != "recorded" %} class="open"{% endif %}>{{ cell }}</td>\
{% endfor %}</tr>
{% endfor %}</table>
<h3>5. What an ordinance would ask</h3>
<table><tr><th>element</th><th>state</th><th>evidence or gap</th></tr>
{% for row in sheet.elements %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}</table>
<table><tr><th>family of ordinances</th><th>still open</th><th>remark</th></tr>
{% for row in sheet.families %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}</table>
{% if sheet.state_rules %}<h3>6. State rules to look up</h3>
<ul>{% for text in sheet.state_rules %}<li>{{ text }}</li>{% endfor %}</ul>{% endif %}
{% endfor %}
<h2>Editions, and who may enforce them</h2>
<ul class="small">{% for text in editions %}<li>{{ text }}</li>{% endfor %}</ul>
<h3>Read with care</h3>
<ul class="small">{% for text in cautions %}<li>{{ text }}</li>{% endfor %}</ul>
<p class="small">{{ provenance }}</p>
</body></html>
"""

Row = tuple[str, ...]


def trucks(inspections: Iterable[Inspection]) -> tuple[tuple[Inspection, ...], ...]:
    """Rows that belong to one truck: those of one plate; a row without a plate stands alone."""
    groups: dict[str, list[Inspection]] = {}
    for item in inspections:
        plate = " ".join(item.reading.text("plate").upper().split())
        groups.setdefault(plate or f"line {item.reading.line}", []).append(item)
    return tuple(tuple(group) for group in groups.values())


def sheet_html(group: Sequence[Inspection], provenance: str, family: str | None = None) -> str:
    """One truck's sheet as a page that needs nothing else; every text is escaped."""
    import jinja2

    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    content = {
        "truck": {
            "title": _truck_title(group),
            "sheets": [_sheet(item, family) for item in group],
        },
        "editions": edition_lines(),
        "cautions": CAUTIONS,
        "provenance": provenance,
    }
    return environment.from_string(TEMPLATE).render(content)


def sheet_text(group: Sequence[Inspection], provenance: str, family: str | None = None) -> str:
    """One truck's sheet as plain text."""
    lines = [f"ROADSIDE INSPECTION: {_truck_title(group)}"]
    for item in group:
        sheet = _sheet(item, family)
        lines += ["", f"== {sheet['title']}", sheet["when"]]
        lines += [*(f"* {text}" for text in sheet["short"]), "", "1. What was seen"]
        lines += [f"  {a}: {b} ({c}; {d})" for a, b, c, d in sheet["visual"]]
        lines += ["", "2. What was measured", f"  VERDICT: {sheet['verdict']}"]
        lines += [f"  - {text}" for text in sheet["reasons"]]
        for name, text, _, limit, over, verdict, clause in sheet["comparisons"]:
            lines.append(f"  {name}: {text}; limit {limit}, {over}: {verdict} [{clause}]")
        lines += [f"  {text}" for text in sheet["notes"]]
        lines += ["", "3. Conditions of a lawful measurement"]
        lines += [
            f"  [{state}] {name}: {found} (asked: {asked}) [{clause}]"
            for name, asked, found, state, clause in sheet["conditions"]
        ]
        lines += ["", f"4. Evidence: {sheet['sufficiency']}"]
        lines += [f"  [{state}] {name}: {text}" for name, state, text in sheet["evidence"]]
        lines += ["", "5. What an ordinance would ask"]
        lines += [f"  [{state}] {name}: {text}" for name, state, text in sheet["elements"]]
        lines += [
            f"  {title}: still open: {gaps}. {note}" for title, gaps, note in sheet["families"]
        ]
        if sheet["state_rules"]:
            lines += ["", "6. State rules to look up"]
            lines += [f"  - {text}" for text in sheet["state_rules"]]
    lines += ["", "Editions, and who may enforce them", *(f"- {text}" for text in edition_lines())]
    lines += ["", "Read with care", *(f"- {text}" for text in CAUTIONS), "", provenance]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def inspections_table(inspections: Sequence[Inspection]) -> Table:
    """All rows of the record sheet with verdict, arithmetic and gaps."""
    headers = (
        "reading", "line in the sheet", "date", "time", "site", "run", "plate", "carrier",
        "exhaust finding", "tyre finding", "verdict", "reasons", "level [dB(A)]",
        "limit [dB(A)]", "over by [dB]", "tolerance [dB]", "level at 50 ft [dB(A)]",
        "limit at 50 ft [dB(A)]", "verdict at 50 ft", "evidence", "missing or at fault", "notes",
    )  # fmt: skip
    return Table("inspections", headers, tuple(_table_row(item) for item in inspections))


def inspections_json(inspections: Sequence[Inspection]) -> dict[str, Any]:
    """All rows as one JSON-able object of a stable form."""
    return {
        "version": 1,
        "counts": verdict_counts(inspections),
        "tolerance_db": number("tolerance_db"),
        "editions": list(edition_lines()),
        "cautions": list(CAUTIONS),
        "readings": [_json_row(item) for item in inspections],
    }


def verdict_counts(inspections: Iterable[Inspection]) -> dict[str, int]:
    """Number of rows by verdict, in the order of first appearance."""
    counts: dict[str, int] = {}
    for item in inspections:
        counts[item.verdict] = counts.get(item.verdict, 0) + 1
    return counts


def edition_lines() -> tuple[str, ...]:
    """Each rule with its edition and who may enforce it."""
    return tuple(
        f"{row['rule']}: {row['edition']}. {row['who_may_enforce']}"
        for row in table_rows(PACKAGE, "editions.csv")
    )


def write_inspections(
    folder: Path, inspections: Sequence[Inspection], made_from: Path, family: str | None = None
) -> tuple[Path, ...]:
    """Write a sheet for each truck (HTML and text), the table and the JSON; numbered names only."""
    provenance = f"Made from {plain(made_from.name)}, SHA-256 {sha256_file(made_from)}."
    files = {}
    for place, group in enumerate(trucks(inspections), start=1):
        files[f"truck-{place:03d}.html"] = sheet_html(group, provenance, family)
        files[f"truck-{place:03d}.txt"] = sheet_text(group, provenance, family)
    files["inspections.csv"] = csv_text(inspections_table(inspections))
    content = inspections_json(inspections)
    files["inspections.json"] = json.dumps(content, indent=2, sort_keys=True) + "\n"
    for name, text in files.items():
        write_text(folder / name, text)
    return tuple(folder / name for name in files)


def _truck_title(group: Sequence[Inspection]) -> str:
    reading = group[0].reading
    parts = [plain(reading.text(name)) for name in ("plate", "vehicle", "carrier")]
    return ", ".join(part for part in parts if part) or f"reading {plain(reading.reading_id)}"


def _sheet(item: Inspection, family: str | None) -> dict[str, Any]:
    reading = item.reading
    date = reading.dates.get("date")
    when = [date.isoformat() if date else "", reading.text("time"), reading.text("site")]
    when += [reading.text("lane"), reading.as_recorded("distance")]
    return {
        "title": f"Reading {plain(reading.reading_id)}: {reading.run}",
        "when": ", ".join(plain(text) for text in when if text),
        "short": _short(item),
        "visual": [
            ("exhaust", item.exhaust.outcome, item.exhaust.text, item.exhaust.clause),
            ("tyres", item.tyres.outcome, item.tyres.text, item.tyres.clause),
        ],
        "verdict": item.verdict,
        "reasons": [plain(text, 400) for text in item.reasons],
        "comparisons": [_comparison_row(way) for way in item.comparisons],
        "notes": item.notes,
        "conditions": [
            (c.name, c.asked, plain(c.found, 200), c.state, c.clause) for c in item.conditions
        ],
        "sufficiency": item.sufficiency,
        "evidence": [(e.name, e.state, plain(e.text, 200)) for e in item.evidence],
        "elements": [(e.name, e.state, plain(e.text, 200)) for e in item.elements],
        "families": [_family_row(item, one) for one in families() if family in (None, one.key)],
        "state_rules": _state_lines(reading.text("state")),
    }


def _short(item: Inspection) -> list[str]:
    """The sheet in four lines: what was seen, measured, which truck's limit, what is missing."""
    year = item.reading.value("model_year")
    limits = (
        "not recorded"
        if year is None
        else f"{year:.0f}, limits of "
        + ("before 1986" if year < TABLE_BASIS_YEAR else "1986 and later")
    )
    gaps = _gaps(item)
    return [
        f"Seen: exhaust {item.exhaust.outcome}, tyres {item.tyres.outcome}.",
        f"Measured: {item.verdict}.",
        f"Model year: {limits}.",
        f"Evidence: {item.sufficiency}{': ' + ', '.join(gaps) if gaps else ''}.",
    ]


def _gaps(item: Inspection) -> list[str]:
    """Links of the chain of evidence that are missing or at fault."""
    return [link.name for link in item.evidence if link.state != "recorded"]


def _comparison_row(way: Comparison) -> Row:
    return (
        way.name,
        way.arithmetic,
        f"{way.level:g}",
        f"{way.limit:g}",
        f"{way.excess:+.1f} dB",
        way.verdict,
        way.clauses,
    )


def _family_row(item: Inspection, family: Family) -> Row:
    open_ones = [
        f"{ELEMENTS[e.key]}{' (against)' if e.state == 'against' else ''}"
        for e in item.elements
        if e.key in family.needs and e.state != "shown"
    ]
    if family.key == "noise_law" and not shows_a_breach(item):
        open_ones.append("a level above the limit, or a defect of the exhaust")
    gaps = _gaps(item)
    if gaps:
        open_ones.append(f"chain of evidence ({', '.join(gaps)})")
    return (family.title, ", ".join(open_ones) or "nothing", family.note)


def shows_a_breach(item: Inspection) -> bool:
    """Whether a noise law would find something: a level above the limit, or a defect seen."""
    return item.verdict == ABOVE or item.exhaust.outcome == "fails"


def _state_lines(state: str) -> list[str]:
    """Provisions of the row's State; all of them when the row names none."""
    rows = table_rows(PACKAGE, "state_rules.csv")
    own = [row for row in rows if row["state"].lower() == state.strip().lower()]
    if state and not own:
        return [f"{plain(state)}: no provision in this program's table; look up the State's law."]
    return [f"{row['state']}, {row['clause']}: {row['what']}" for row in own or rows]


def _table_row(item: Inspection) -> tuple[Cell, ...]:
    reading = item.reading
    date = reading.dates.get("date")
    first = item.comparisons[0] if item.comparisons else None
    second = next((way for way in item.comparisons if "50 ft" in way.name), None)
    level = measured_level(reading)
    return (
        plain(reading.reading_id),
        reading.line,
        date.isoformat() if date else None,
        plain(reading.text("time")),
        plain(reading.text("site")),
        reading.run,
        plain(reading.text("plate")),
        plain(reading.text("carrier")),
        item.exhaust.outcome,
        item.tyres.outcome,
        item.verdict,
        "; ".join(plain(text, 400) for text in item.reasons),
        None if level is None else round(level, 2),
        first.limit if first else None,
        round(first.excess, 2) if first else None,
        number("tolerance_db"),
        round(second.level, 2) if second else None,
        second.limit if second else None,
        second.verdict if second else None,
        item.sufficiency,
        "; ".join(_gaps(item)),
        " ".join(item.notes),
    )


def _json_row(item: Inspection) -> dict[str, Any]:
    reading = item.reading
    return {
        "reading_id": reading.reading_id,
        "line": reading.line,
        "run": reading.run,
        "plate": reading.text("plate"),
        "exhaust": {"finding": item.exhaust.outcome, "clause": item.exhaust.clause},
        "tyres": {"finding": item.tyres.outcome, "clause": item.tyres.clause},
        "verdict": item.verdict,
        "reasons": list(item.reasons),
        "comparisons": [
            {
                "name": way.name,
                "level_dba": round(way.level, 3),
                "limit_dba": way.limit,
                "over_by_db": round(way.excess, 3),
                "verdict": way.verdict,
                "arithmetic": way.arithmetic,
                "clauses": way.clauses,
            }
            for way in item.comparisons
        ],
        "conditions": [
            {
                "name": c.name,
                "clause": c.clause,
                "asked": c.asked,
                "found": c.found,
                "state": c.state,
            }
            for c in item.conditions
        ],
        "evidence": item.sufficiency,
        "gaps": _gaps(item),
        "elements": {e.key: {"state": e.state, "text": e.text} for e in item.elements},
        "notes": list(item.notes),
    }
