"""From a study file to quiet descents: one road, one or more of its trucks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.errors import UsageError
from noisemap.exposure.driving import TruckClass
from noisemap.exposure.levels import people_shares
from noisemap.exposure.product import energy_at_receivers
from noisemap.exposure.traffic import directions
from noisemap.levels import from_energy
from noisemap.outputs.route_descent import descents_json, descents_text, write_descents
from noisemap.outputs.route_page import Occasion
from noisemap.routes.listening import Source, running_energy, stretch_weights
from noisemap.routes.quiet_descent import QuietDescent, Terms, Trip, quiet_descent
from noisemap.scene.model import Scene
from noisemap.scene.roads import find_road
from noisemap.states import ExhaustState, Zone
from noisemap.storage import FolderLock
from noisemap.study.compute import air_of
from noisemap.study.findings import calibration_note
from noisemap.study.prepare import Prepared, prepare, results_folder
from noisemap.study.progress import Reporter
from noisemap.study.run import STORE_FOLDER, read_scene
from noisemap.transfer.build import Air, build_store
from noisemap.transfer.store import TransferStore

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Wish:
    """What the user asked for on the command line."""

    truck: str | None = None  # None: every truck of the study with a retarder
    exhaust: ExhaustState = "muffled"
    depart_s: float | None = None  # time of day
    zones: tuple[str, ...] | None = None  # names of the zones in force; None all of them
    allow_hotter_k: float = 0.0  # over the ordinary driver's peak, outside zones [K]
    worth_s: float | None = None  # delay that the whole ordinary burden is worth [s]


@dataclass(frozen=True)
class Place:
    """A study read and listened to: what every route and descent needs."""

    prepared: Prepared
    scene: Scene
    air: Air
    store: TransferStore
    weights: FloatArray  # people times transfer over (stretch, height, band)
    people: FloatArray  # at each receiver


@dataclass(frozen=True)
class DescendResult:
    """What `noisemap descend` leaves."""

    folder: Path
    files: tuple[Path, ...]
    place: Place
    descents: tuple[QuietDescent, ...]

    @property
    def summary(self) -> str:
        """The answer on one screen, and where the files are."""
        text = descents_text(self.place.scene, self.descents, occasion(self.place.prepared))
        names = ", ".join(str(file.relative_to(self.folder)) for file in self.files)
        return f"{text}\nWritten to {self.folder}: {names}"

    def as_json(self) -> dict[str, Any]:
        """The answer as plain data."""
        found = descents_json(self.place.scene, self.descents, occasion(self.place.prepared))
        return {
            "study": self.place.prepared.study.study.name,
            "folder": str(self.folder),
            "files": [str(file.relative_to(self.folder)) for file in self.files],
            **found,
        }


def listen(prepared: Prepared, folder: Path, reporter: Reporter) -> Place:
    """Read the scene and build or reuse its transfer store."""
    scene = read_scene(prepared, reporter)
    air = air_of(prepared, scene)
    reporter.stage("sound paths from the roads to the homes")
    store = build_store(
        folder / STORE_FOLDER,
        scene,
        np.column_stack([scene.receivers.x, scene.receivers.y, scene.receivers.height]),
        air,
        prepared.study.run.max_distance_m,
        memory_gb=prepared.study.run.memory_gb,
        progress=reporter.advance,
    )
    people = receiver_people(scene, store, air.temperature)
    weights = stretch_weights(store, people, len(scene.stretches.road))
    return Place(prepared, scene, air, store, weights, people)


def receiver_people(scene: Scene, store: TransferStore, temperature_c: float) -> FloatArray:
    """People at each receiver, by how loud one truck an hour on every road would be there."""
    power = running_energy(scene.stretches.speed_limit_kmh / 3.6, temperature_c)
    emission = np.zeros((1, len(scene.stretches.road), 2, power.shape[1]), np.float32)
    emission[0, :, 0] = power * scene.stretches.length[:, None]
    emission[0, scene.stretches.covered] = 0.0
    level = from_energy(energy_at_receivers(store, emission)[:, 0].astype(float))
    return people_shares(level, scene.receivers, scene.homes)


def descend_study(
    path: Path,
    road: str,
    wish: Wish,
    output: Path | None,
    reporter: Reporter,
    *,
    uphill: bool = False,
    allow_outside: bool = False,
) -> DescendResult:
    """Quiet descents of one road, written into the study's output folder.

    Raises
    ------
    UsageError
        When a road, a truck or a zone is not in the study.
    """
    prepared = prepare(path, allow_outside=allow_outside)
    folder = results_folder(prepared, output, allow_outside=allow_outside)
    trucks = chosen_trucks(prepared.trucks, wish.truck)
    zones = chosen_zones(prepared.zones, wish.zones)
    with FolderLock(folder):
        place = listen(prepared, folder, reporter)
        index = chosen_road(place.scene, road)
        way = directions(place.scene.roads[index], "uphill" if uphill else "downhill")
        if not way:
            raise UsageError(
                f"--road {road}: one-way, no traffic goes {'up' if uphill else 'down'} it"
            )
        trip = Trip(index, way[0], wish.depart_s, prepared.periods.night)
        reporter.stage("quiet descents")
        found = []
        for number, truck in enumerate(trucks, start=1):
            found.append(
                quiet_descent(
                    place.scene,
                    place.store,
                    place.weights,
                    zones,
                    source_of(place, truck, wish.exhaust),
                    prepared.practice,
                    trip,
                    study_terms(prepared, wish),
                )
            )
            reporter.advance(number, len(trucks))
        reporter.stage("writing strip charts and sheets")
        files = write_descents(folder, place.scene, found, occasion(prepared))
    return DescendResult(folder, tuple(files), place, tuple(found))


def occasion(prepared: Prepared) -> Occasion:
    """The study as the sheets name it."""
    study = prepared.study
    notes = tuple(calibration_note(prepared))
    return Occasion(study.study.name, study.units, study.study.invented, notes)


def study_terms(prepared: Prepared, wish: Wish) -> Terms:
    """The study's limits with what the user allows and weighs."""
    limits = prepared.study.descent
    terms = Terms(limits.hard_limit_c, limits.planning_limit_c, wish.allow_hotter_k)
    return terms if wish.worth_s is None else replace(terms, burden_worth_s=wish.worth_s)


def source_of(place: Place, truck: TruckClass, exhaust: ExhaustState) -> Source:
    """What the truck sounds like in the study's air."""
    offset = place.prepared.study.source.calibration_offset_db
    return Source(truck, exhaust, place.air.temperature, offset)


def chosen_road(scene: Scene, key: str) -> int:
    """Index of a road that carries trucks."""
    index = find_road(scene.roads, key)
    carrying = sorted({int(road) for road in scene.stretches.road})
    if index is None or index not in carrying:
        names = ", ".join(scene.roads[one].road_id for one in carrying[:12])
        why = "is not in the study" if index is None else "carries no trucks here"
        raise UsageError(f"--road {key!r} {why}; roads with trucks: {names}")
    return index


def chosen_trucks(trucks: Sequence[TruckClass], name: str | None) -> tuple[TruckClass, ...]:
    """The truck of this name, else every one with a retarder."""
    found = tuple(
        truck
        for truck in trucks
        if (truck.name == name if name is not None else truck.retarder != "none")
    )
    if not found:
        names = ", ".join(truck.name for truck in trucks)
        raise UsageError(f"--truck {name!r} is not in the study; trucks: {names}")
    return found


def chosen_zones(zones: Sequence[Zone], names: tuple[str, ...] | None) -> tuple[Zone, ...]:
    """The zones taken as in force."""
    if names is None:
        return tuple(zones)
    known = {zone.name: zone for zone in zones}
    strange = [name for name in names if name not in known]
    if strange:
        raise UsageError(
            f"--zone {', '.join(map(repr, strange))} is not in the study; "
            f"zones: {', '.join(map(repr, known)) or 'none'}"
        )
    return tuple(known[name] for name in names)
