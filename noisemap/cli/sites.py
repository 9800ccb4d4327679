"""The command on places for a measurement: sites."""

from __future__ import annotations

import json
from pathlib import Path

import click

from noisemap.cli.progress import Progress
from noisemap.cli.words import steady
from noisemap.errors import UsageError


@click.command("sites")
@click.argument("study", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--hours", default="7-19", show_default=True,
              help="Hours in which is measured, such as 7-19 or 22-6.")  # fmt: skip
@click.option("--most", type=click.IntRange(1, 200), default=12, show_default=True,
              help="Most sites told.")  # fmt: skip
@click.option(
    "--output",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the results; default: [output] folder, beside the study.",
)
@click.option("--allow-outside", is_flag=True, help="Let the study read files outside its folder.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
@click.option("--quiet", "-q", is_flag=True, help="No progress on stderr.")
def sites_command(
    study: Path,
    hours: str,
    most: int,
    output: Path | None,
    allow_outside: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Where along the roads of STUDY a lawful measurement fits, ranked, with every condition.

    Looks at each side of the lanes on which trucks brake: distance, open radius, ground,
    hard or soft, tunnels, predicted ambient, and whether retarders work there.
    """
    from noisemap.study.hours import parse_hours
    from noisemap.study.sites import sites_study

    try:
        wanted = parse_hours(hours)
    except ValueError as error:
        raise UsageError(f"--hours {hours!r}: {error}") from error
    with Progress(quiet) as reporter:
        result = sites_study(study, wanted, most, output, reporter, allow_outside=allow_outside)
    if as_json:
        click.echo(json.dumps(result.as_json(), indent=2, sort_keys=True, allow_nan=False))
    else:
        click.echo(steady(result.summary))
