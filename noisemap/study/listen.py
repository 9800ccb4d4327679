"""From a study or a straight road to passes made audible, all of one set on one gain."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.errors import UsageError
from noisemap.exposure.traffic import directions
from noisemap.listening.render import (
    Levels,
    computed_levels,
    levels_with_zone,
    peak_level,
    pressure,
    pressure_with_zone,
    shifted,
)
from noisemap.listening.track import Track, home_pass
from noisemap.listening.voice import Voice, exhaust_voice
from noisemap.listening.wav import common_full_scale, file_name, write_wav
from noisemap.source.emission import emission_table, standard_uncertainty
from noisemap.states import EXHAUST_STATES, ExhaustState, Zone
from noisemap.storage import FolderLock, cannot_write, write_json
from noisemap.study.descend import Place, chosen_road, listen
from noisemap.study.prepare import prepare, results_folder
from noisemap.study.progress import Reporter

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

NINETY_PERCENT = 1.645
CAUTIONS = (
    "An ILLUSTRATION: computed, not recorded. It proves nothing about any truck.",
    "All files of one run share one gain: turn the volume once, then compare.",
    "Played at another volume than the calibration it tells differences, not loudness.",
    "Low and high are the ends of the 90 % interval of the exhaust's level, where asked for.",
)


@dataclass(frozen=True)
class Truck:
    """How the truck that is heard brakes."""

    engine: str
    engine_speed_rpm: float = 1800.0
    cylinders: int = 6


@dataclass(frozen=True)
class Wish:
    """What is to be rendered."""

    states: tuple[ExhaustState, ...] = EXHAUST_STATES
    calibration_db: float = 0.0
    ends: bool = False  # also the ends of the 90 % interval
    full_scale_db: float | None = None  # None: from the loudest state
    seed: int = 20260101
    zone: Zone | None = None  # also with this zone obeyed


def home_of_study(
    study: Path,
    home: str,
    road: str,
    speed_ms: float,
    seconds: float,
    reporter: Reporter,
    *,
    uphill: bool = False,
    output: Path | None = None,
) -> tuple[Place, Track]:
    """The study's place, and the pass at the loudest receiver of one of its homes.

    Raises
    ------
    UsageError
        When home or road are not in the study, or no path leads from one to the other.
    """
    prepared = prepare(study)
    with FolderLock(folder := results_folder(prepared, output, allow_outside=False)):
        place = listen(prepared, folder, reporter)
    return place, home_track(place, home, road, speed_ms, seconds, uphill=uphill)


def home_track(
    place: Place, home: str, road: str, speed_ms: float, seconds: float, *, uphill: bool = False
) -> Track:
    """The pass at the home's loudest receiver."""
    scene = place.scene
    index = chosen_road(scene, road)
    way = directions(scene.roads[index], "uphill" if uphill else "downhill")
    if not way:
        raise UsageError(f"--road {road}: one-way, no traffic goes that way")
    number = home_index(scene.homes.home_id, home)
    tracks = []
    for receiver in np.flatnonzero(scene.receivers.home == number):
        try:
            tracks.append(
                home_pass(
                    scene, place.store, int(receiver), index, way[0], speed_ms, seconds=seconds
                )
            )
        except UsageError:
            continue
    if not tracks:
        raise UsageError(f"no sound path leads from road {road} to home {home}; choose another")
    return min(tracks, key=lambda one: float(one.attenuation_db[:, 3].min()))


def home_index(ids: tuple[str, ...], home: str) -> int:
    """Index of a home by its id, or by its number from one on."""
    if home in ids:
        return ids.index(home)
    if home.isdecimal() and 1 <= int(home) <= len(ids):
        return int(home) - 1
    raise UsageError(
        f"--home {home!r} is not in the study (allowed: an id, or a number from 1 to {len(ids)})"
    )


def illustrate(
    track: Track, truck: Truck, wish: Wish, output: Path, reporter: Reporter
) -> dict[str, Any]:
    """Render the passes that are wished and write them; returns what was written, with levels.

    The gain is that of the loudest state, whichever states are asked for.

    Raises
    ------
    CannotWriteError
        When the folder or a file in it cannot be written; the folder is tried first.
    """
    inside = in_zone(track, wish.zone)
    try:
        output.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise cannot_write(output, error) from error
    reporter.stage("the loudest state, for the common gain")
    top = NINETY_PERCENT * standard_uncertainty("straight") if wish.ends else 0.0
    loudest = pressure(_voice(truck, "straight", track, wish, top), track, wish.seed)
    full = common_full_scale(loudest) if wish.full_scale_db is None else wish.full_scale_db
    files: list[dict[str, Any]] = []
    ends = ("low", "best", "high") if wish.ends else ("best",)
    wanted = [(state, end) for state in wish.states for end in ends]
    for number, (state, end) in enumerate(wanted, start=1):
        reporter.stage(f"{state} {end}")
        sign = {"low": -1.0, "best": 0.0, "high": 1.0}[end]
        offset = sign * NINETY_PERCENT * standard_uncertainty(state)
        braking = _voice(truck, state, track, wish, offset)
        same = state == "straight" and offset == top
        sound = loudest if same else pressure(braking, track, wish.seed)
        name = file_name(truck.engine, truck.engine_speed_rpm, truck.cylinders, state, end)
        levels = computed_levels(braking, track)
        files.append(
            _written(output / name, sound, full)
            | {"state": state, "end": end, "zone": None}
            | _levels(levels, state)
        )
        if wish.zone is not None and wish.zone.binds_truck("compression_release", state):
            silent = _voice(Truck(truck.engine, truck.engine_speed_rpm, 0), state, track, wish, 0.0)
            levels = levels_with_zone(braking, silent, track, inside)
            quiet = pressure_with_zone(sound, pressure(silent, track, wish.seed), track, inside)
            files.append(
                _written(output / name.replace(".wav", "-zone.wav"), quiet, full)
                | {"state": state, "end": end, "zone": wish.zone.name}
                | _levels(levels, state)
            )
        reporter.advance(number, len(wanted))
    data = {
        "pass": track.name,
        "speed_ms": round(track.speed_ms, 2),
        "engine": truck.engine,
        "engine_speed_rpm": truck.engine_speed_rpm,
        "braking_cylinders": truck.cylinders,
        "calibration_db": wish.calibration_db,
        "full_scale_sine_db": full,
        "model_version": emission_table(truck.engine, "straight").model_version,
        "seed": wish.seed,
        "files": files,
        "cautions": list(CAUTIONS),
    }
    if wish.zone is not None:
        data["zone"] = wish.zone.name
        data["share_of_pass_in_zone"] = round(float(inside.mean()), 3)
    write_json(output / "ILLUSTRATION.json", data)
    return data | {"folder": str(output)}


def in_zone(track: Track, zone: Zone | None) -> BoolArray:
    """Where along a track the truck is in a zone.

    Raises
    ------
    UsageError
        When the track does not run along a road of a study.
    """
    if zone is None:
        return np.zeros(len(track.time_s), dtype=bool)
    if track.along_m is None:
        raise UsageError("a zone needs a pass along a road of a study")
    return np.asarray((track.along_m >= zone.from_m) & (track.along_m <= zone.to_m))


def _voice(truck: Truck, state: ExhaustState, track: Track, wish: Wish, offset_db: float) -> Voice:
    found = exhaust_voice(
        truck.engine,
        truck.engine_speed_rpm,
        truck.cylinders,
        state,
        track.speed_ms,
        calibration_db=wish.calibration_db,
    )
    return shifted(found, offset_db) if offset_db else found


def _written(path: Path, sound: FloatArray, full_scale_db: float) -> dict[str, Any]:
    write_wav(path, sound, full_scale_db)
    return {"file": path.name, "peak_db": round(peak_level(sound) + 3.0103, 1)}


def _levels(found: Levels, state: ExhaustState) -> dict[str, Any]:
    return {
        "l_af_max_db": round(found.l_af_max, 1),
        "l_af_max_of_mean_power_db": round(found.steady_max, 1),
        "sel_db": round(found.sel, 1),
        "standard_uncertainty_db": round(standard_uncertainty(state), 1),
    }
