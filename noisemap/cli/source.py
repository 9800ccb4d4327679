"""The command on the exhaust's levels: source."""

from __future__ import annotations

import json
from pathlib import Path

import click

from noisemap.errors import BadDataError, OutOfDomainError, UsageError
from noisemap.states import EXHAUST_STATES, ExhaustState

PICTURES = (".png", ".svg", ".pdf")


@click.command("source")
@click.option("--engine", help="Engine of the emission table.  [default: 13L]")
@click.option(
    "--truck",
    help="Packaged truck, or the TOML file of a truck, whose engine is taken.",
)
@click.option(
    "--exhaust",
    type=click.Choice(EXHAUST_STATES),
    default="straight",
    show_default=True,
    help="State whose thirds are listed; all states stand side by side.",
)
@click.option("--rpm", type=float, default=2100.0, show_default=True, help="Engine speed.")
@click.option(
    "--cylinders",
    type=int,
    default=6,
    show_default=True,
    help="How many cylinders brake: 2, 4, 6, or 3 with a switch of two positions; 0 is motoring.",
)
@click.option(
    "--calibration-db",
    type=float,
    default=0.0,
    show_default=True,
    help="Offset of the engine class, -6 to 6 dB; needs --calibration-basis.",
)
@click.option("--calibration-basis", help="The measurement behind the offset, in words.")
@click.option(
    "--valve-jet",
    is_flag=True,
    help="Add the noise of the jets at the braking valves, above 4 kHz: low confidence.",
)
@click.option(
    "--plot",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Picture of the spectra: PNG, SVG or PDF.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
def source_command(
    engine: str | None,
    truck: str | None,
    exhaust: ExhaustState,
    rpm: float,
    cylinders: int,
    calibration_db: float,
    calibration_basis: str | None,
    valve_jet: bool,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Level and spectrum of a braking truck's exhaust, its states side by side.

    Computed levels with their standard uncertainty; never a verdict against a limit.
    """
    from noisemap.cli.source_table import draw_source, source_data, source_lines

    if plot and plot.suffix.lower() not in PICTURES:
        raise UsageError(
            f"--plot {plot.name}: this kind of picture is not allowed "
            f"(allowed: {', '.join(PICTURES)})"
        )
    require_basis(calibration_db, calibration_basis)
    key = chosen_engine(engine, truck)
    require_point(key, rpm, cylinders, calibration_db)
    data = source_data(key, rpm, cylinders, calibration_db, calibration_basis, valve_jet=valve_jet)
    if plot:
        draw_source(data, plot)
    if as_json:
        click.echo(json.dumps(data, indent=2, allow_nan=False))
        return
    for line in source_lines(data, exhaust):
        click.echo(line)
    if plot:
        click.echo(f"\nspectra drawn in {plot}")


def require_point(engine: str, rpm: float, cylinders: int, calibration_db: float) -> None:
    """Refuse an engine, a speed, a number of cylinders or an offset that no table holds."""
    from noisemap.source.emission import emission_table, require_calibration
    from noisemap.source.engine_family import require_braking_cylinders

    try:
        table = emission_table(engine, "straight")
        require_braking_cylinders(engine, cylinders)
        table.level(rpm, cylinders)
        require_calibration(calibration_db)
    except OutOfDomainError as error:
        raise UsageError(str(error)) from error


def require_basis(calibration_db: float, basis: str | None) -> None:
    """Refuse an offset without the measurement that it comes from, and the reverse."""
    if (calibration_db != 0.0) != bool(basis and basis.strip()):
        raise UsageError(
            "a calibration offset comes from a measurement: give --calibration-db and "
            "--calibration-basis together, or neither"
        )


def chosen_engine(engine: str | None, truck: str | None) -> str:
    """Key of the engine, named or taken from a truck."""
    from noisemap.descent.truck import packaged_truck, truck_from_table

    if engine and truck:
        raise UsageError("give either --engine or --truck")
    if truck is None:
        return engine or packaged_truck().engine
    if not truck.endswith(".toml"):
        try:
            return packaged_truck(truck).engine
        except BadDataError as error:
            raise UsageError(str(error)) from error
    from noisemap.readers.toml_files import read_toml

    path = Path(truck)
    return truck_from_table(read_toml(path), path.stem).engine
