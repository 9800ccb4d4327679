"""The command on a fleet's trips."""

from __future__ import annotations

import json
from pathlib import Path

import click

from noisemap.cli.descend import zone_names
from noisemap.cli.progress import Progress
from noisemap.cli.words import steady


@click.command("fleet-trips")
@click.argument("study", type=click.Path(dir_okay=False, path_type=Path))
@click.argument("trips", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--zone", "zones", multiple=True, help="Zone taken as in force; default: all.")
@click.option("--no-zones", is_flag=True, help="Take no zone of the study as in force.")
@click.option("--height-m", type=click.FloatRange(1.0, 10.0), help="Height of the trucks.")
@click.option("--hazmat", is_flag=True, help="The loads are hazardous.")
@click.option(
    "--output",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the results; default: [output] folder, beside the study.",
)
@click.option("--allow-outside", is_flag=True, help="Let the study read files outside its folder.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
@click.option("--quiet", "-q", is_flag=True, help="No progress on stderr.")
def fleet_trips_command(
    study: Path,
    trips: Path,
    zones: tuple[str, ...],
    no_zones: bool,
    height_m: float | None,
    hazmat: bool,
    output: Path | None,
    allow_outside: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Burden of the TRIPS (CSV: trip,from,to,depart,truck,exhaust,count) by place and hour.

    Says which trips to move to another road or hour, and by how much.  Advice for
    planning only.
    """
    from noisemap.study.fleet_trips import fleet_trips_study
    from noisemap.study.route import Load

    load = Load(hazmat=hazmat) if height_m is None else Load(height_m, hazmat)
    with Progress(quiet) as reporter:
        result = fleet_trips_study(
            study,
            trips,
            zone_names(zones, no_zones),
            load,
            output,
            reporter,
            allow_outside=allow_outside,
        )
    if as_json:
        click.echo(json.dumps(result.as_json(), indent=2, sort_keys=True, allow_nan=False))
    else:
        click.echo(steady(result.summary))
