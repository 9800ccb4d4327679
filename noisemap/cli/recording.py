"""The command on sound recordings: recording."""

from __future__ import annotations

import json
from pathlib import Path

import click

from noisemap.errors import UsageError


@click.command("recording")
@click.argument("recording", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--full-scale-db",
    type=click.FloatRange(60.0, 200.0),
    help="Calibration: sound pressure level of a full-scale sine [dB].",
)
@click.option(
    "--tone",
    nargs=3,
    type=float,
    help="Calibration: a tone in the recording, as FROM and TO [s] and its LEVEL [dB].",
)
@click.option(
    "--distance-m",
    type=click.FloatRange(3.0, 500.0),
    help="Distance from the microphone to the lane; lets the level speak for an exhaust state.",
)
@click.option("--channel", type=click.IntRange(1, 64), default=1, show_default=True)
@click.option(
    "--output",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for events.csv and events.json.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object on stdout.")
def recording_command(
    recording: Path,
    full_scale_db: float | None,
    tone: tuple[float, float, float] | None,
    distance_m: float | None,
    channel: int,
    output: Path | None,
    as_json: bool,
) -> None:
    """Find events in a calibrated RECORDING (WAV): levels, thirds, modulation, likelihood."""
    from noisemap.inspection.events import full_scale_factor, tone_factor
    from noisemap.inspection.recording import analyse
    from noisemap.outputs import inspection_recordings as tables
    from noisemap.readers.recordings import open_recording
    from noisemap.storage import sha256_file, write_json, write_text

    if (full_scale_db is None) == (tone is None):
        raise UsageError(
            "levels need a calibration: give --full-scale-db, or --tone FROM TO LEVEL, one of the "
            "two; an uncalibrated recording has no levels"
        )
    opened = open_recording(recording)
    if opened.channels > 1 and channel == 1:
        click.echo(f"{recording.name}: {opened.channels} channels, the first is read", err=True)
    if full_scale_db is not None:
        pascal, basis = full_scale_factor(full_scale_db), f"full-scale sine = {full_scale_db:g} dB"
    else:
        assert tone is not None
        pascal = tone_factor(opened, channel - 1, *tone)
        basis = f"tone of {tone[2]:g} dB from {tone[0]:g} to {tone[1]:g} s"
    found = analyse(opened, channel - 1, pascal, distance_m)
    content = tables.analysis_json(found)
    content |= {"calibration": basis, "sha256": sha256_file(recording)}
    if output:
        write_text(output / "events.csv", tables.csv_text(tables.events_table(found)))
        write_json(output / "events.json", content)
    if as_json:
        click.echo(json.dumps(content, indent=2, sort_keys=True, allow_nan=False))
        return
    for text in tables.analysis_lines(found):
        click.echo(text)
    click.echo(f"Calibration: {basis}.")
    click.echo(
        f"{output}: events.csv, events.json"
        if output
        else "name a folder with --output for the table and the JSON"
    )
