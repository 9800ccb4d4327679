"""The commands on studies: demo, new, check, run."""

from __future__ import annotations

import json
from pathlib import Path

import click

from noisemap.cli.execution import execution_of, execution_options
from noisemap.cli.progress import Progress
from noisemap.cli.words import steady
from noisemap.execution.tasks import HERE, Device, Execution

JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
OUTSIDE = click.option(
    "--allow-outside", is_flag=True, help="Let the study read files outside its own folder."
)
QUIET = click.option("--quiet", "-q", is_flag=True, help="No progress on stderr.")


@click.command("demo")
@click.option(
    "--output",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("noisemap-demo"),
    show_default=True,
    help="Folder for the demo's study and its results.",
)
@JSON
@QUIET
def demo_command(output: Path, as_json: bool, quiet: bool) -> None:
    """Run the main job on an invented town and leave map, report and tables."""
    from noisemap.storage import claim_folder
    from noisemap.study.demo import copy_demo

    claim_folder(output)
    _run(copy_demo(output / "study"), output, False, as_json, quiet)


@click.command("new")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@JSON
def new_command(folder: Path, as_json: bool) -> None:
    """Write a commented study file into FOLDER, ready to be filled in."""
    from noisemap.study.demo import new_study

    path = new_study(folder)
    if as_json:
        click.echo(json.dumps({"study": str(path)}))
    else:
        click.echo(f"{path}: edit the file names in it, then run\n  noisemap check {path}")


@click.command("check")
@click.argument("study", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--sheet",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for a map and tables of what was read, and a layer of the repairs.",
)
@OUTSIDE
@JSON
@QUIET
def check_command(
    study: Path, sheet: Path | None, allow_outside: bool, as_json: bool, quiet: bool
) -> None:
    """Read everything that STUDY names and say what was understood; compute no levels."""
    from noisemap.study.check import check_study, check_text

    with Progress(quiet) as reporter:
        found, errors = check_study(study, reporter, allow_outside=allow_outside, sheet=sheet)
    if as_json:
        click.echo(json.dumps(found, indent=2, sort_keys=True, allow_nan=False))
    else:
        click.echo(steady(check_text(found)), nl=False)
    if errors:
        count = len(found["problems"])
        noun = "problem" if count == 1 else "problems"
        errors[0].args = (f"{count} {noun}\n" + "\n".join(found["problems"]),)
        raise errors[0]


@click.command("run")
@click.argument("study", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--output",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the results; default: [output] folder, beside the study.",
)
@execution_options
@OUTSIDE
@JSON
@QUIET
def run_command(
    study: Path,
    output: Path | None,
    jobs: int | None,
    dask: str | None,
    tile: str | None,
    merge: bool,
    device: Device,
    allow_outside: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Compute STUDY whole: levels at homes, zones side by side, brakes; write the outputs."""
    execution = execution_of(jobs, dask, tile, merge, device)
    _run(study, output, allow_outside, as_json, quiet, execution)


def _run(
    study: Path,
    output: Path | None,
    allow_outside: bool,
    as_json: bool,
    quiet: bool,
    execution: Execution = HERE,
) -> None:
    from noisemap.study.run import run_study
    from noisemap.study.shares import run_share

    run = run_study if execution.share is None else run_share
    with Progress(quiet) as reporter:
        result = run(study, output, reporter, execution, allow_outside=allow_outside)
    if as_json:
        click.echo(json.dumps(result.as_json(), indent=2, sort_keys=True, allow_nan=False))
    else:
        click.echo(steady(result.summary))
