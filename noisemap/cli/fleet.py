"""The command on many readings: fleet."""

from __future__ import annotations

import json
from pathlib import Path

import click

UNIT_SHARE = click.FloatRange(0.0, 1.0)


@click.command("fleet")
@click.argument("readings", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File for the shares, a table [traffic.exhaust_shares] to put into a study.",
)
@click.option(
    "--study",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Study whose split between after-treatment and muffled is kept.",
)
@click.option("--sheet", help="Name of the sheet, for a workbook with several.")
@click.option("--repair", type=UNIT_SHARE, default=0.5, show_default=True,
              help="Share of worn and straight exhausts that a programme repairs.")  # fmt: skip
@click.option("--per-hour", type=click.FloatRange(0.1, 1000.0), default=10.0, show_default=True,
              help="Trucks inspected in an hour.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=20260101, show_default=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
def fleet_command(
    readings: Path,
    output: Path | None,
    study: Path | None,
    sheet: str | None,
    repair: float,
    per_hour: float,
    seed: int,
    as_json: bool,
) -> None:
    """Share of straight and worn exhausts behind READINGS (CSV or XLSX), with intervals."""
    from noisemap.inspection.fleet import fleet_rows, sample_mixture
    from noisemap.inspection.rows import read_readings
    from noisemap.inspection.verdict import inspect
    from noisemap.outputs import inspection_fleet as text
    from noisemap.storage import sha256_file, write_text
    from noisemap.study.load import load_study
    from noisemap.study.model import ExhaustShares

    kept = load_study(study).traffic.exhaust_shares if study else ExhaustShares()
    rows = fleet_rows([inspect(reading) for reading in read_readings(readings, sheet)])
    picture = text.fleet_picture(
        rows,
        sample_mixture(rows.level, rows.group, seed),
        (kept.after_treatment, kept.muffled),
        repair,
        per_hour,
        seed,
    )
    if output:
        provenance = f"Made from {readings.name}, SHA-256 {sha256_file(readings)}."
        write_text(output, text.fleet_toml(picture, provenance))
    if as_json:
        click.echo(json.dumps(text.fleet_json(picture), indent=2, sort_keys=True, allow_nan=False))
        return
    for line in text.fleet_lines(picture):
        click.echo(line)
    shares = ", ".join(f"{name} {share:.4f}" for name, share in picture.shares.items())
    click.echo(f"for the study: {shares}" + (f" (in {output})" if output else ""))
