"""The command `weigh`: zones against alternatives, and the search of all zones."""

from __future__ import annotations

import json
from pathlib import Path

import click

from noisemap.cli.progress import Progress
from noisemap.cli.study import JSON, OUTSIDE, QUIET
from noisemap.cli.words import steady


@click.command("weigh")
@click.argument("study", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--output",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder of the study's results; default: [output] folder, beside the study.",
)
@OUTSIDE
@JSON
@QUIET
def weigh_command(
    study: Path, output: Path | None, allow_outside: bool, as_json: bool, quiet: bool
) -> None:
    """Weigh STUDY's zones against alternatives and search all zones on its descents.

    Uses the sound paths of an earlier `noisemap run` in the same folder.  Speeds and
    temperatures are figures of a screening, never advice to drivers.
    """
    from noisemap.study.weigh import weigh_study

    with Progress(quiet) as reporter:
        result = weigh_study(study, output, reporter, allow_outside=allow_outside)
    if as_json:
        click.echo(json.dumps(result.as_json(), indent=2, sort_keys=True, allow_nan=False))
    else:
        click.echo(steady(result.summary))
