"""The command that makes passes audible: listen."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from noisemap.cli.progress import Progress
from noisemap.cli.source import chosen_engine, require_basis, require_point
from noisemap.errors import OutOfDomainError, UsageError
from noisemap.states import EXHAUST_STATES, ExhaustState


@click.command("listen")
@click.option("--engine", help="Engine of the emission table.  [default: 13L]")
@click.option("--truck", help="Packaged truck or TOML file of a truck, whose engine is taken.")
@click.option(
    "--exhaust",
    "states",
    type=click.Choice(EXHAUST_STATES),
    multiple=True,
    help="State to be heard, several times for several.  [default: all]",
)
@click.option("--rpm", type=float, default=1800.0, show_default=True, help="Engine speed.")
@click.option(
    "--cylinders", type=int, default=6, show_default=True,
    help="How many cylinders brake: 2, 4, 6, or 3 with a switch of two positions; 0 is motoring.",
)  # fmt: skip
@click.option("--speed-kmh", type=click.FloatRange(5.0, 150.0), default=50.0, show_default=True)
@click.option("--distance-m", type=float, help="Distance of a straight road.  [default: 60]")
@click.option(
    "--screening-db",
    help="Screening on a straight road: one value, or eight octaves 63 Hz to 8 kHz by commas.",
)
@click.option("--ear-m", type=float, help="Height of the ear by a straight road.  [default: 1.5]")
@click.option(
    "--study",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Study whose paths are taken; with --home and --road.",
)
@click.option("--home", help="Home of the study, by its number or id.")
@click.option("--road", help="Road of the study, by id or name.")
@click.option("--uphill", is_flag=True, help="Drive the road against its fall.")
@click.option("--seconds", type=float, help="Duration.  [default: by distance, 30 at a home]")
@click.option("--calibration-db", type=float, default=0.0, help="Offset of the engine class.")
@click.option("--calibration-basis", help="The measurement behind the offset, in words.")
@click.option("--ends", is_flag=True, help="Also the low and high end of the uncertainty.")
@click.option(
    "--full-scale-db", type=click.FloatRange(20.0, 200.0),
    help="Level of a full-scale sine.  [default: from the loudest state of this pass]",
)  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=20260101, show_default=True)
@click.option(
    "--output", type=click.Path(file_okay=False, path_type=Path), default=Path("listen"),
    show_default=True, help="Folder for the files.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
@click.option("--quiet", "-q", is_flag=True, help="No progress on stderr.")
def listen_command(
    engine: str | None,
    truck: str | None,
    states: tuple[ExhaustState, ...],
    rpm: float,
    cylinders: int,
    speed_kmh: float,
    distance_m: float | None,
    screening_db: str | None,
    ear_m: float | None,
    study: Path | None,
    home: str | None,
    road: str | None,
    uphill: bool,
    seconds: float | None,
    calibration_db: float,
    calibration_basis: str | None,
    ends: bool,
    full_scale_db: float | None,
    seed: int,
    output: Path,
    as_json: bool,
    quiet: bool,
) -> None:
    """Make a pass of a braking truck audible, on a straight road or at a home of a study.

    Every file is an illustration at a stated calibration, never a recording.
    """
    from noisemap.study.listen import Truck, Wish, home_of_study, illustrate

    require_basis(calibration_db, calibration_basis)
    key = chosen_engine(engine, truck)
    require_point(key, rpm, cylinders, calibration_db)
    with Progress(quiet) as reporter:
        if study is not None:
            if home is None or road is None:
                raise UsageError("--study needs --home and --road")
            straight_only = (distance_m, screening_db, ear_m, calibration_basis)
            if any(value is not None for value in straight_only):
                raise UsageError(
                    "distance, screening, ear and calibration come from the study: leave "
                    "--distance-m, --screening-db, --ear-m and --calibration-db out"
                )
            place, track = home_of_study(
                study,
                home,
                road,
                speed_kmh / 3.6,
                30.0 if seconds is None else seconds,
                reporter,
                uphill=uphill,
            )
            source = place.prepared.study.source
            calibration_db = source.calibration_offset_db
            calibration_basis = source.calibration_basis or None
        elif home is not None or road is not None or uphill:
            raise UsageError("--home, --road and --uphill belong to --study")
        else:
            from noisemap.listening.track import straight_pass

            try:
                track = straight_pass(
                    60.0 if distance_m is None else distance_m,
                    speed_kmh / 3.6,
                    ear_m=1.5 if ear_m is None else ear_m,
                    screening_db=_screening(screening_db),
                    seconds=seconds,
                )
            except OutOfDomainError as error:
                raise UsageError(str(error)) from error
        try:
            data = illustrate(
                track,
                Truck(key, rpm, cylinders),
                Wish(states or EXHAUST_STATES, calibration_db, ends, full_scale_db, seed),
                output,
                reporter,
            )
        except OutOfDomainError as error:
            raise UsageError(str(error)) from error
    data["calibration_basis"] = calibration_basis
    if as_json:
        click.echo(json.dumps(data, indent=2, allow_nan=False))
        return
    for line in _lines(data):
        click.echo(line)


def _screening(text: str | None) -> list[float] | float:
    if text is None:
        return 0.0
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        raise UsageError(
            f"--screening-db {text!r}: not numbers (allowed: one, or eight with commas)"
        ) from None
    return values[0] if len(values) == 1 else values


def _lines(data: dict[str, Any]) -> list[str]:
    lines = [
        f"{data['engine']} engine, {data['engine_speed_rpm']:g} rpm, "
        f"{data['braking_cylinders']} of 6 cylinders braking, {data['speed_ms'] * 3.6:.0f} km/h; "
        f"{data['pass']}",
        f"full-scale sine = {data['full_scale_sine_db']:g} dB; calibration offset "
        f"{data['calibration_db']:+.1f} dB; model {data['model_version']}",
        "",
        f"{'LAFmax':>7}{'mean':>7}{'SEL':>7}{'+-':>5}  file",
    ]
    lines += [
        f"{one['l_af_max_db']:7.1f}{one['l_af_max_of_mean_power_db']:7.1f}{one['sel_db']:7.1f}"
        f"{one['standard_uncertainty_db']:5.1f}  {one['file']}"
        for one in data["files"]
    ]
    told = "LAFmax holds the ripple of the pulses; mean is that of their mean power, as in a study."
    return [*lines, "", told, f"written to {data['folder']}", "", *data["cautions"]]
