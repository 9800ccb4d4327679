"""From a study file to measurement sites: every place tried, predicted ambient, ranked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.descent.drive import Drive
from noisemap.errors import StudyError
from noisemap.exposure.arrivals import HillsAbove
from noisemap.exposure.driving import road_rows
from noisemap.exposure.passes import (
    FREE,
    DriveKey,
    PassClass,
    braking_classes,
    other_flows,
    pass_sound,
    traffic_emission,
)
from noisemap.exposure.product import energy_at_receivers, pass_levels
from noisemap.inspection.site_choice import (
    Found,
    Sites,
    best_sites,
    called_apart,
    still_open,
    with_places,
)
from noisemap.inspection.site_criteria import (
    ambient_criterion,
    geometry_criteria,
    limits_db,
    retarder_criteria,
    surfaces,
    whole_state,
)
from noisemap.inspection.sites import (
    Places,
    Surroundings,
    distances_ft,
    microphone_height_m,
    place_at,
    places_along,
    surroundings,
)
from noisemap.levels import from_energy, to_energy
from noisemap.outputs.inspection_sites import sites_json, sites_lines, write_sites
from noisemap.scene.crs import WGS84, project
from noisemap.scene.model import Scene
from noisemap.states import EXHAUST_STATES
from noisemap.storage import FolderLock
from noisemap.study.compute import air_of, free_drives, traffic_of
from noisemap.study.findings import calibration_note
from noisemap.study.prepare import Prepared, prepare, results_folder
from noisemap.study.progress import Reporter
from noisemap.study.run import STORE_FOLDER, read_scene, refuse_changed_inputs
from noisemap.transfer.build import Air, build_store

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class SitesResult:
    """What `noisemap sites` leaves."""

    folder: Path
    files: tuple[Path, ...]
    sites: Sites

    @property
    def summary(self) -> str:
        """The answer on one screen, and where the files are."""
        names = ", ".join(str(file.relative_to(self.folder)) for file in self.files)
        text = "\n".join(sites_lines(self.sites))
        return f"{text}\nWritten to {self.folder}: {names}"

    def as_json(self) -> dict[str, Any]:
        """The answer as plain data."""
        return {
            "folder": str(self.folder),
            "files": [str(file.relative_to(self.folder)) for file in self.files],
            **sites_json(self.sites),
        }


@dataclass(frozen=True)
class Ground:
    """What every place of a study is judged by."""

    prepared: Prepared
    scene: Scene
    air: Air
    flows: list[Any]
    drives: dict[DriveKey, Drive]
    classes: tuple[PassClass, ...]
    around: Surroundings
    store: Path
    hours: tuple[int, ...]


def sites_study(
    path: Path,
    hours: frozenset[int],
    most: int,
    output: Path | None,
    reporter: Reporter,
    *,
    allow_outside: bool = False,
) -> SitesResult:
    """Measurement sites along a study's roads, written into its output folder.

    Parameters
    ----------
    path : Path
        The study.
    hours : frozenset of int
        Hours of the day in which is measured. [h]
    most : int
        Most sites told. [1]
    output : Path, optional
        Folder for the results; default: that of the study.
    reporter : Reporter
        Told of the progress.
    allow_outside : bool
        Whether the study may name files outside its folder.

    Raises
    ------
    StudyError
        When no heavy truck brakes with a retarder on any road of the study.
    """
    prepared = prepare(path, allow_outside=allow_outside)
    folder = results_folder(prepared, output, allow_outside=allow_outside)
    with FolderLock(folder):
        scene = read_scene(prepared, reporter)
        flows, notes = traffic_of(prepared, scene)
        drives = free_drives(prepared, scene, flows, HillsAbove(scene))
        classes = tuple(braking_classes(flows, prepared.trucks, drives, scene.stretches))
        if not classes:
            raise StudyError(
                f"{path.name}: no truck of this study uses a retarder on any of its roads: "
                "there is nothing to measure; look at [[truck]] and at the grades"
            )
        ground = Ground(
            prepared, scene, air_of(prepared, scene), flows, drives, classes, surroundings(scene),
            folder / STORE_FOLDER, tuple(sorted(hours)),
        )  # fmt: skip
        reporter.stage("places for a microphone")
        sites = find_sites(ground, most, reporter)
        sites = sites.with_words(
            (*calibration_note(prepared), *notes),
            prepared.study.study.name,
            called_apart([(road.name, road.road_id) for road in scene.roads]),
        )
        refuse_changed_inputs(prepared)
        reporter.stage("writing map, table and layer")
        files = write_sites(
            folder, scene, sites, prepared.study.units, prepared.study.study.invented,
            datetime.now(UTC).replace(microsecond=0),
        )  # fmt: skip
    return SitesResult(folder, tuple(files), sites)


def find_sites(ground: Ground, most: int, reporter: Reporter) -> Sites:
    """Every place tried at every distance; the best of neighbours are sites.

    A place stands at the first distance at which nothing but the ambient could refuse it,
    else at the standard one.
    """
    width = ground.prepared.study.roads.width_m
    ways = sorted({(one.road, one.direction) for one in ground.classes})
    first, *rest = distances_ft()
    tried = _geometry(ground, places_along(ground.scene, ways, first, width))
    for feet in rest:
        rows = still_open(tried)
        places = places_along(ground.scene, ways, feet, width).rows(rows)
        tried = with_places(tried, rows, _geometry(ground, places))
    named = []
    for site in ground.prepared.study.site:
        x, y = project(WGS84, ground.scene.crs, np.array([site.lon]), np.array([site.lat]))[0]
        own = place_at(ground.scene, ways, float(x), float(y), width)
        named.append((site.name, _geometry(ground, own)))
    reporter.stage("ambient and passes at the places that fit")
    found = _with_sound(ground, [tried, *(one for _, one in named)], reporter)
    return best_sites(
        found[0],
        [(name, one) for (name, _), one in zip(named, found[1:], strict=True)],
        ground.hours,
        most,
    )


def _geometry(ground: Ground, places: Places) -> Found:
    """Conditions that need no level."""
    scene, width = ground.scene, ground.prepared.study.roads.width_m
    kinds, share = surfaces(scene, places, width)
    passes, braking, grade = retarders_at(ground, places)
    criteria = retarder_criteria(braking, grade)
    criteria += geometry_criteria(scene, places, ground.around, share)
    nothing = np.full(len(places), np.nan)
    return Found(
        places, kinds, limits_db(scene, places, kinds), criteria, passes,
        np.full((len(places), 24), np.nan), np.zeros((len(places), len(ground.hours)), bool),
        {state: nothing for state in EXHAUST_STATES},
    )  # fmt: skip


def retarders_at(ground: Ground, places: Places) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Braking passes in the hours, share of retarders at work, grade in driving order.

    The share is that of the trucks with a compression-release retarder.
    """
    scene, trucks = ground.scene, ground.prepared.trucks
    equipped = [i for i, truck in enumerate(trucks) if truck.retarder == "compression_release"]
    fitted = sum(trucks[i].share for i in equipped)
    passes, share, grade = (np.zeros(len(places)) for _ in range(3))
    for road, direction in {*zip(places.road.tolist(), places.direction.tolist(), strict=True)}:
        rows = road_rows(scene.stretches, road)
        own = np.flatnonzero((places.road == road) & (places.direction == direction))
        at = np.searchsorted(scene.stretches.to_m[rows], places.at_m[own])
        stretch = np.clip(at, 0, len(rows) - 1)
        grade[own] = direction * scene.stretches.grade[rows][stretch]
        place = stretch if direction > 0 else len(rows) - 1 - stretch
        for one in ground.classes:
            if (one.road, one.direction) == (road, direction):
                drive = ground.drives[road, direction, one.truck, FREE]
                at_work = drive.braking_cylinders[place] > 0
                passes[own] += at_work * one.per_hour[list(ground.hours)].sum()
        for index in equipped:
            drive = ground.drives[road, direction, index, FREE]
            share[own] += (drive.braking_cylinders[place] > 0) * trucks[index].share / fitted
    return passes, share, grade


def _with_sound(ground: Ground, found: Sequence[Found], reporter: Reporter) -> list[Found]:
    """The same with ambient, hours and pass maxima where nothing else refuses the place."""
    open_rows = [np.flatnonzero(whole_state(one.criteria) != 1) for one in found]
    points = [
        _microphones(ground.scene, one.places.rows(rows))
        for one, rows in zip(found, open_rows, strict=True)
    ]
    ambient, maxima = _levels(ground, np.concatenate(points), reporter)
    out, first = [], 0
    for one, rows in zip(found, open_rows, strict=True):
        last = first + len(rows)
        out.append(
            one.with_sound(
                rows,
                ambient[first:last],
                {state: values[first:last] for state, values in maxima.items()},
                ground.hours,
                ambient_criterion,
            )
        )
        first = last
    return out


def _microphones(scene: Scene, places: Places) -> FloatArray:
    """Places of the microphones with their height above the ground, (n, 3) [m]."""
    return np.column_stack([places.microphone, microphone_height_m(scene, places)])


def _levels(
    ground: Ground, points: FloatArray, reporter: Reporter
) -> tuple[FloatArray, dict[Any, FloatArray]]:
    """Ambient by hour (n, 24), and the mean fast maximum of a braking pass by exhaust state.

    The ambient is the study's background and all modelled traffic but the trucks that
    brake with a retarder.
    """
    study, scene, air = ground.prepared.study, ground.scene, ground.air
    nothing = {state: np.zeros(0) for state in EXHAUST_STATES}
    if not len(points):
        return np.zeros((0, 24)), nothing
    store = build_store(
        ground.store, scene, points, air, study.run.max_distance_m,
        memory_gb=study.run.memory_gb, progress=reporter.advance,
    )  # fmt: skip
    rest = other_flows(ground.flows, ground.classes)
    energy = energy_at_receivers(
        store, traffic_emission(rest, scene.stretches, air.temperature, ground.prepared.practice)
    ).astype(float)
    if study.background is not None:
        hourly = np.full(24, study.background.day_db)
        hourly[sorted(ground.prepared.periods.evening)] = study.background.evening_db
        hourly[sorted(ground.prepared.periods.night)] = study.background.night_db
        energy = energy + to_energy(hourly)
    sound = pass_sound(
        ground.classes, ground.drives, scene.stretches, ground.prepared.trucks,
        temperature=air.temperature, calibration_offset=study.source.calibration_offset_db,
    )  # fmt: skip
    return from_energy(energy), _maxima(ground.classes, pass_levels(store, sound).maximum)


def _maxima(
    classes: Sequence[PassClass], maximum: npt.NDArray[np.float32]
) -> dict[Any, FloatArray]:
    """Loudest truck class of each exhaust state at each point [dB(A)]."""
    found = {}
    for state in EXHAUST_STATES:
        rows = [i for i, one in enumerate(classes) if one.exhaust_state == state]
        found[state] = maximum[:, rows].max(axis=1, initial=-np.inf).astype(float)
    return found
