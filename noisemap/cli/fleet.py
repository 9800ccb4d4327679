"""The command on many readings: fleet."""

from __future__ import annotations

import json
from pathlib import Path

import click

from noisemap.errors import UsageError

UNIT_SHARE = click.FloatRange(0.0, 1.0)


@click.command("fleet")
@click.argument("readings", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File for the shares; a study reads it with fleet = ... in [traffic].",
)
@click.option(
    "--study",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Study whose split between after-treatment and muffled is kept, and whose homes "
    "--homes looks at.",
)
@click.option("--sheet", help="Name of the sheet, for a workbook with several.")
@click.option("--repair", type=UNIT_SHARE, default=0.5, show_default=True,
              help="Share of the worn and straight exhausts found that gets repaired.")  # fmt: skip
@click.option("--found", type=UNIT_SHARE, default=1.0, show_default=True,
              help="Share of the worn and straight exhausts that an inspection finds.")  # fmt: skip
@click.option("--per-hour", type=click.FloatRange(0.1, 1000.0), default=10.0, show_default=True,
              help="Trucks inspected in an hour.")  # fmt: skip
@click.option("--passes-a-day", type=click.FloatRange(0.01, 100.0), default=1.0, show_default=True,
              help="Braking passes of one truck on the study's roads in a day.")  # fmt: skip
@click.option("--homes", is_flag=True,
              help="Compute what the programme brings at the homes of --study.")  # fmt: skip
@click.option(
    "--results",
    type=click.Path(file_okay=False, path_type=Path),
    help="With --homes: folder of the study's results, whose sound paths are used.",
)
@click.option(
    "--table",
    type=click.Path(dir_okay=False, path_type=Path),
    help="With --homes: CSV file for the figures of the programme.",
)
@click.option("--allow-outside", is_flag=True, help="Let the study read files outside its folder.")
@click.option("--seed", type=click.IntRange(0), default=20260101, show_default=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
@click.option("--quiet", "-q", is_flag=True, help="No progress on stderr.")
def fleet_command(
    readings: Path,
    output: Path | None,
    study: Path | None,
    sheet: str | None,
    repair: float,
    found: float,
    per_hour: float,
    passes_a_day: float,
    homes: bool,
    results: Path | None,
    table: Path | None,
    allow_outside: bool,
    seed: int,
    as_json: bool,
    quiet: bool,
) -> None:
    """Share of straight and worn exhausts behind READINGS (CSV or XLSX), with intervals.

    With --homes, what finding and repairing them brings at the homes of a study, whole and
    for an hour of inspection.
    """
    from noisemap.cli.progress import Progress
    from noisemap.inspection.fleet import fleet_rows, sample_mixture
    from noisemap.inspection.programme import Effort
    from noisemap.inspection.rows import read_readings
    from noisemap.inspection.verdict import inspect
    from noisemap.outputs import inspection_fleet as text
    from noisemap.outputs import inspection_programme as gains
    from noisemap.outputs.tables import csv_text
    from noisemap.storage import sha256_file, write_text
    from noisemap.study.load import load_study
    from noisemap.study.model_exhausts import ExhaustShares
    from noisemap.study.programme import homes_gain

    if homes and study is None:
        raise UsageError("--homes needs --study: name the study whose homes are meant")
    for name, value in (("--results", results), ("--table", table)):
        if value is not None and not homes:
            raise UsageError(f"{name} belongs to --homes; give --homes too")
    kept = load_study(study).traffic.shares if study else ExhaustShares()
    rows = fleet_rows([inspect(reading) for reading in read_readings(readings, sheet)])
    draws = sample_mixture(rows.level, rows.group, seed)
    effort = Effort(per_hour, found, repair, passes_a_day)
    picture = text.fleet_picture(rows, draws, (kept.after_treatment, kept.muffled), effort, seed)
    if output:
        provenance = f"Made from {readings.name}, SHA-256 {sha256_file(readings)}."
        write_text(output, text.fleet_toml(picture, provenance))
    gain = None
    if homes and study is not None:
        with Progress(quiet) as reporter:
            gain = homes_gain(
                study,
                ExhaustShares.model_validate(picture.shares),
                readings.name,
                draws.share[:, 1:].sum(axis=1),
                effort,
                results,
                reporter,
                allow_outside=allow_outside,
            )
    if gain is not None and table is not None:
        write_text(table, csv_text(gains.gain_table(gain)))
    if as_json:
        content = text.fleet_json(picture)
        content["homes"] = None if gain is None else gains.gain_json(gain)
        click.echo(json.dumps(content, indent=2, sort_keys=True, allow_nan=False))
        return
    for line in text.fleet_lines(picture):
        click.echo(line)
    shares = ", ".join(f"{name} {share:.4f}" for name, share in picture.shares.items())
    click.echo(f"for the study: {shares}" + (f" (in {output})" if output else ""))
    if gain is None:
        click.echo("at homes: name a study with --study and give --homes")
        return
    for line in gains.gain_lines(gain):
        click.echo(line)
