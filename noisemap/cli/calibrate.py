"""The command on measured levels: calibrate."""

from __future__ import annotations

import json
from pathlib import Path

import click

from noisemap.cli.progress import Progress
from noisemap.cli.words import steady


@click.command("calibrate")
@click.argument("study", type=click.Path(dir_okay=False, path_type=Path))
@click.argument("measured", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--sheet", help="Name of the sheet, for a workbook with several.")
@click.option(
    "--correction",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File for a correction, where one is proposed: a [source] table that counts only once "
    "it stands in a study.",
)
@click.option(
    "--output",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the results; default: [output] folder, beside the study.",
)
@click.option("--allow-outside", is_flag=True, help="Let the study read files outside its folder.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
@click.option("--quiet", "-q", is_flag=True, help="No progress on stderr.")
def calibrate_command(
    study: Path,
    measured: Path,
    sheet: str | None,
    correction: Path | None,
    output: Path | None,
    allow_outside: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Compare MEASURED levels (CSV or XLSX) with those that STUDY predicts at the same points.

    Tells bias, spread and plot by the residual-noise rule. Changes nothing: a correction is
    written to a file only when one is named, and counts only where a study states it.
    """
    from noisemap.study.calibrate import calibrate_study

    with Progress(quiet) as reporter:
        result = calibrate_study(
            study, measured, sheet, correction, output, reporter, allow_outside=allow_outside
        )
    if correction is not None and not result.can_be_stated:
        click.echo(f"{correction}: not written, no correction can be stated", err=True)
    if as_json:
        click.echo(json.dumps(result.as_json(), indent=2, sort_keys=True, allow_nan=False))
    else:
        click.echo(steady(result.summary))
