"""The command on record sheets: inspect."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("inspect")
@click.argument("readings", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--output",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for a sheet for each truck, the table and the JSON; without it nothing is kept.",
)
@click.option("--sheet", help="Name of the sheet, for a workbook with several.")
@click.option(
    "--family",
    type=click.Choice(
        [
            "unmuffled_only",
            "blanket_emergency",
            "imminent_danger_defence",
            "service_brakes_failed",
            "blanket",
            "noise_law",
        ]
    ),
    help="Show the checklist of this family of ordinances only.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
def inspect_command(
    readings: Path, output: Path | None, sheet: str | None, family: str | None, as_json: bool
) -> None:
    """Judge each row of READINGS (CSV or XLSX) by the roadside rules, clause by clause."""
    from noisemap.inspection.rows import read_readings
    from noisemap.inspection.verdict import inspect
    from noisemap.outputs import inspection_sheets as sheets

    found = [inspect(reading) for reading in read_readings(readings, sheet)]
    content = sheets.inspections_json(found)
    if output:
        sheets.write_inspections(output, found, readings, family)
    if as_json:
        click.echo(json.dumps(content, indent=2, sort_keys=True, allow_nan=False))
        return
    for item in found:
        told = item.reasons[0] if item.reasons else ""
        click.echo(
            f"{item.reading.reading_id}: {item.verdict}; exhaust: {item.exhaust.outcome}; "
            f"{item.sufficiency}\n    {told}"
        )
    click.echo("; ".join(f"{count} {word}" for word, count in content["counts"].items()))
    for text in content["cautions"]:
        click.echo(f"- {text}")
    click.echo(
        f"{output}: a sheet for each truck, inspections.csv, inspections.json"
        if output
        else "name a folder with --output for the sheets"
    )
