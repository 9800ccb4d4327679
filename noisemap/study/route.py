"""From a study file to routes between two places."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from noisemap.descent.quiet_step import rig
from noisemap.errors import UsageError
from noisemap.outputs.route_sheets import routes_json, routes_text, write_routes
from noisemap.outputs.route_words import Told
from noisemap.routes.arcs import road_pieces
from noisemap.routes.choices import choice
from noisemap.routes.choose import (
    Answer,
    find_routes,
    moved_to,
    nearest_point,
    places_of_homes,
    usable_links,
)
from noisemap.routes.evaluate import Setting
from noisemap.routes.network import Vehicle, main_part
from noisemap.scene.crs import WGS84, project
from noisemap.scene.model import BoolArray, Scene
from noisemap.scene.roads import find_road
from noisemap.storage import FolderLock
from noisemap.study.descend import (
    Place,
    Wish,
    chosen_trucks,
    chosen_zones,
    listen,
    occasion,
    source_of,
)
from noisemap.study.prepare import prepare, results_folder
from noisemap.study.progress import Reporter

_PAIR = re.compile(r"^\s*(-?\d+(?:\.\d+)?)\s*,\s*(-?\d+(?:\.\d+)?)\s*$")
_ALONG = re.compile(r"^(.+)@\s*(\d+(?:\.\d+)?)\s*$")


@dataclass(frozen=True)
class Load:
    """What must get through, and what is asked for."""

    height_m: float = choice("vehicle", "height_m")
    hazmat: bool = False
    most: int = 3  # routes told
    level_db: float = choice("vehicle", "reached_db")


@dataclass(frozen=True)
class RouteResult:
    """What `noisemap route` leaves."""

    folder: Path
    files: tuple[Path, ...]
    place: Place
    told: Told

    @property
    def answer(self) -> Answer:
        """The routes found."""
        return self.told.answer

    @property
    def summary(self) -> str:
        """The answer on one screen, and where the files are."""
        names = ", ".join(str(file.relative_to(self.folder)) for file in self.files)
        return f"{routes_text(self.told)}\nWritten to {self.folder}: {names}"

    def as_json(self) -> dict[str, Any]:
        """The answer as plain data."""
        return {
            "study": self.place.prepared.study.study.name,
            "folder": str(self.folder),
            "files": [str(file.relative_to(self.folder)) for file in self.files],
            **routes_json(self.told),
        }


def route_study(
    path: Path,
    start: str,
    target: str,
    wish: Wish,
    load: Load,
    output: Path | None,
    reporter: Reporter,
    *,
    allow_outside: bool = False,
) -> RouteResult:
    """Routes between two places of a study, written into its output folder.

    Raises
    ------
    UsageError
        When a place, a truck or a zone is not in the study.
    """
    prepared = prepare(path, allow_outside=allow_outside)
    folder = results_folder(prepared, output, allow_outside=allow_outside)
    with FolderLock(folder):
        place = listen(prepared, folder, reporter)
        reporter.stage("routes")
        setting, vehicle = request(place, wish, load)
        open_links = usable_links(place.scene, vehicle)[1]
        ends = (
            resolve(place.scene, open_links, "--from", start),
            resolve(place.scene, open_links, "--to", target),
        )
        if ends[0] == ends[1]:
            raise UsageError("--from and --to meet at one point of the road; name two places")
        answer = find_routes(setting, vehicle, ends[0], ends[1], most=load.most)
        told = tell(place, setting, vehicle, answer, (start, target))
        reporter.stage("writing map, tracks and sheets")
        files = write_routes(folder, told)
    return RouteResult(folder, tuple(files), place, told)


def request(place: Place, wish: Wish, load: Load) -> tuple[Setting, Vehicle]:
    """What all routes of one request share; the heaviest truck when none is named."""
    prepared = place.prepared
    truck = max(chosen_trucks(prepared.trucks, wish.truck), key=lambda one: one.mass)
    setting = Setting(
        scene=place.scene,
        store=place.store,
        weights=place.weights,
        people=place.people,
        pieces=road_pieces(place.scene, prepared.practice),
        source=source_of(place, truck, wish.exhaust),
        practice=prepared.practice,
        one=rig(truck.model, truck.mass, truck.retarder, prepared.practice.conditions),
        zones=chosen_zones(prepared.zones, wish.zones),
        depart_s=wish.depart_s,
        level_db=load.level_db,
        planning_limit_c=prepared.study.descent.planning_limit_c,
    )
    return setting, Vehicle(truck.mass, load.height_m, load.hazmat)


def tell(
    place: Place, setting: Setting, vehicle: Vehicle, answer: Answer, ends: tuple[str, str]
) -> Told:
    """The answer with what the sheets need beside it."""
    usual = next((one.route for one in answer.alternatives if one.ordinary), None)
    homes = places_of_homes(place.scene)
    moved = tuple(
        () if usual is None else moved_to(setting, homes, usual, one.route)
        for one in answer.alternatives
    )
    return Told(occasion(place.prepared), setting, vehicle, answer, ends, moved)


def resolve(scene: Scene, open_links: BoolArray, option: str, text: str) -> tuple[int, int]:
    """Road and point meant by longitude and latitude, a road with metres, a home or a place.

    Raises
    ------
    UsageError
        When nothing is called so, or no open truck road is near.
    """
    if not open_links.any():
        raise UsageError(f"{option}: no truck road of this study is open to this truck")
    pair, along = _PAIR.match(text), _ALONG.match(text)
    reach = choice("network", "snap_m")
    if pair:
        lon, lat = float(pair[1]), float(pair[2])
        if not (-180.0 <= lon <= 180.0 and -90.0 <= lat <= 90.0):
            raise UsageError(f"{option} {text!r}: write longitude,latitude in degrees")
        x, y = project(WGS84, scene.crs, np.array([lon]), np.array([lat]))[0].tolist()
    elif along and (index := find_road(scene.roads, along[1].strip())) is not None:
        road = scene.roads[index]
        metres = float(along[2])
        if metres > road.chainage[-1] + 1.0:
            raise UsageError(f"{option} {text!r}: the road is {road.chainage[-1]:.0f} m long")
        x = float(np.interp(metres, road.chainage, road.x))
        y = float(np.interp(metres, road.chainage, road.y))
    else:
        x, y, reach = _named(scene, option, text)
    road_index, point, away = nearest_point(scene, main_part(scene, open_links), x, y)
    if away > reach:  # a part of the network that is cut off is better than none
        road_index, point, away = nearest_point(scene, open_links, x, y)
    if away > reach:
        raise UsageError(
            f"{option} {text!r} lies {away:,.0f} m from the nearest truck road open to this truck "
            f"(allowed: {reach:,.0f} m)"
        )
    return road_index, point


def _named(scene: Scene, option: str, text: str) -> tuple[float, float, float]:
    """Place and reach of a home or a town."""
    for names in (scene.homes.home_id, scene.homes.label):
        if text in names:
            index = names.index(text)
            return (
                float(scene.homes.x[index]),
                float(scene.homes.y[index]),
                choice("network", "snap_m"),
            )
    for one in scene.places:
        if one.name == text:
            return one.x, one.y, choice("network", "place_snap_m")
    raise UsageError(
        f"{option} {text!r} is not known; write LON,LAT, a road with metres such as "
        f"'{_example(scene)}@0', a home's id or label, or a town of the data"
    )


def _example(scene: Scene) -> str:
    return next(road.road_id for road in scene.roads if road.emits.any())
