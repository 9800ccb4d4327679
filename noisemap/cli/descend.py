"""The command on quiet descents."""

from __future__ import annotations

import json
from pathlib import Path

import click

from noisemap.cli.progress import Progress
from noisemap.cli.words import steady
from noisemap.states import EXHAUST_STATES, ExhaustState


class ClockTime(click.ParamType[float]):
    """A time of day, HH:MM, as seconds after midnight."""

    name = "HH:MM"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Seconds after midnight."""
        hours, colon, minutes = str(value).partition(":")
        whole = colon and hours.isdecimal() and minutes.isdecimal() and len(minutes) == 2
        if whole and int(hours) < 24 and int(minutes) < 60:
            return 3600.0 * int(hours) + 60.0 * int(minutes)
        self.fail(f"{value!r} is not a time of day; write for example 22:30", param, ctx)


def zone_names(names: tuple[str, ...], none: bool) -> tuple[str, ...] | None:
    """Names of the zones in force; None for all of the study's."""
    if none and names:
        raise click.UsageError("give either --zone or --no-zones")
    return () if none else (names or None)


@click.command("descend")
@click.argument("study", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--road", required=True, help="Road of the study, by id or name.")
@click.option("--truck", help="Truck of the study; default: every one with a retarder.")
@click.option(
    "--exhaust",
    type=click.Choice(EXHAUST_STATES),
    default="muffled",
    show_default=True,
    help="State of the truck's exhaust.",
)
@click.option("--uphill", is_flag=True, help="Drive the road against its fall.")
@click.option(
    "--depart",
    type=ClockTime(),
    help="Time of day at the top; without it every hour of a zone counts.",
)
@click.option("--zone", "zones", multiple=True, help="Zone taken as in force; default: all.")
@click.option("--no-zones", is_flag=True, help="Take no zone of the study as in force.")
@click.option(
    "--allow-hotter",
    type=click.FloatRange(0.0, 200.0),
    default=0.0,
    show_default=True,
    help="Kelvins by which a plan may exceed the ordinary driver's peak outside zones.",
)
@click.option(
    "--worth",
    type=click.FloatRange(0.0, 1e5),
    help="Seconds of delay that taking away all of the ordinary pass's burden is worth.",
)
@click.option(
    "--output",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the results; default: [output] folder, beside the study.",
)
@click.option("--allow-outside", is_flag=True, help="Let the study read files outside its folder.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
@click.option("--quiet", "-q", is_flag=True, help="No progress on stderr.")
def descend_command(
    study: Path,
    road: str,
    truck: str | None,
    exhaust: ExhaustState,
    uphill: bool,
    depart: float | None,
    zones: tuple[str, ...],
    no_zones: bool,
    allow_hotter: float,
    worth: float | None,
    output: Path | None,
    allow_outside: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Plan the descent of a road that burdens the homes least within the brake limits.

    Leaves the analyst's strip charts, which are calculation input and no driving
    advice, and a driver's sheet to be read before departure.
    """
    from noisemap.study.descend import Wish, descend_study

    wish = Wish(truck, exhaust, depart, zone_names(zones, no_zones), allow_hotter, worth)
    with Progress(quiet) as reporter:
        result = descend_study(
            study,
            road,
            wish,
            output,
            reporter,
            uphill=uphill,
            allow_outside=allow_outside,
        )
    if as_json:
        click.echo(json.dumps(result.as_json(), indent=2, sort_keys=True, allow_nan=False))
    else:
        click.echo(steady(result.summary))
