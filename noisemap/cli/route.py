"""The command on routes."""

from __future__ import annotations

import json
from pathlib import Path

import click

from noisemap.cli.descend import ClockTime, zone_names
from noisemap.cli.progress import Progress
from noisemap.cli.words import steady
from noisemap.states import EXHAUST_STATES, ExhaustState


@click.command("route")
@click.argument("study", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--from", "start", required=True, help="LON,LAT; ROAD@METRES; a home's id; or a town."
)
@click.option("--to", "target", required=True, help="As --from.")
@click.option("--truck", help="Truck of the study; default: the heaviest with a retarder.")
@click.option(
    "--exhaust",
    type=click.Choice(EXHAUST_STATES),
    default="muffled",
    show_default=True,
    help="State of the truck's exhaust.",
)
@click.option(
    "--depart",
    type=ClockTime(),
    help="Time of departure; without it every hour of a zone counts.",
)
@click.option("--zone", "zones", multiple=True, help="Zone taken as in force; default: all.")
@click.option("--no-zones", is_flag=True, help="Take no zone of the study as in force.")
@click.option("--height-m", type=click.FloatRange(1.0, 10.0), help="Height of the truck.")
@click.option("--hazmat", is_flag=True, help="The load is hazardous.")
@click.option(
    "--choices",
    type=click.IntRange(1, 10),
    default=3,
    show_default=True,
    help="Most routes to tell.",
)
@click.option(
    "--level",
    type=click.FloatRange(30.0, 100.0),
    default=60.0,
    show_default=True,
    help="People count as reached from this maximum of the pass on, dB(A) outdoors.",
)
@click.option(
    "--output",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the results; default: [output] folder, beside the study.",
)
@click.option("--allow-outside", is_flag=True, help="Let the study read files outside its folder.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
@click.option("--quiet", "-q", is_flag=True, help="No progress on stderr.")
def route_command(
    study: Path,
    start: str,
    target: str,
    truck: str | None,
    exhaust: ExhaustState,
    depart: float | None,
    zones: tuple[str, ...],
    no_zones: bool,
    height_m: float | None,
    hazmat: bool,
    choices: int,
    level: float,
    output: Path | None,
    allow_outside: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Find lawful routes that no other beats in time, noise, zones and brake temperature.

    Leaves a map, tracks (GPX, KML, GeoJSON), a table, and a driver's sheet for each
    route.  Advice for planning only.
    """
    from noisemap.study.descend import Wish
    from noisemap.study.route import Load, route_study

    load = Load(hazmat=hazmat, most=choices, level_db=level)
    if height_m is not None:
        load = Load(height_m, hazmat, choices, level)
    with Progress(quiet) as reporter:
        result = route_study(
            study,
            start,
            target,
            Wish(truck, exhaust, depart, zone_names(zones, no_zones)),
            load,
            output,
            reporter,
            allow_outside=allow_outside,
        )
    if as_json:
        click.echo(json.dumps(result.as_json(), indent=2, sort_keys=True, allow_nan=False))
    else:
        click.echo(steady(result.summary))
