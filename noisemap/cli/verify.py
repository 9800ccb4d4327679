"""The command that says whether results still stand on their inputs."""

from __future__ import annotations

import json
from pathlib import Path

import click

from noisemap.cli.progress import Progress
from noisemap.cli.study import JSON, OUTSIDE, QUIET
from noisemap.cli.words import steady


@click.command("verify")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--study",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The study file, where it moved since the run.",
)
@click.option("--rerun", is_flag=True, help="Compute the study again and compare every file.")
@OUTSIDE
@JSON
@QUIET
def verify_command(
    folder: Path,
    study: Path | None,
    rerun: bool,
    allow_outside: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Say whether the results in FOLDER are as the run left them and still stand on its inputs."""
    from noisemap.study.verify import verify

    with Progress(quiet) as reporter:
        found = verify(folder, reporter, study=study, rerun=rerun, allow_outside=allow_outside)
    if as_json:
        click.echo(json.dumps(found.as_json(), indent=2, sort_keys=True, allow_nan=False))
    else:
        click.echo(steady(found.summary))
