"""Where people live in a scene: homes within reach of truck roads, and their receivers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from noisemap.errors import BadDataError, StudyError
from noisemap.readers.osm import is_osm, read_areas
from noisemap.scene.crs import require_overlap
from noisemap.scene.ground import Land, osm_land, read_land
from noisemap.scene.homes import (
    Buildings,
    homes_apart,
    join_homes,
    make_homes,
    osm_buildings,
    read_buildings,
    take_homes,
)
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.layers import whole_areas
from noisemap.scene.model import Homes, Receivers, Repair, Road
from noisemap.scene.notes import Notes
from noisemap.scene.parcels import populate, read_parcels
from noisemap.scene.proxies import proxy_homes
from noisemap.scene.receivers import centre_receivers, facade_receivers

BoolArray = npt.NDArray[np.bool_]


def read_homes(inputs: SceneInputs, crs: str, ground: Any, notes: Notes) -> tuple[Buildings, Land]:
    """Buildings on the ground of the study, and the land around them."""
    repairs: list[Repair] = []
    osm = is_osm(inputs.homes_file)
    if osm != (inputs.homes_source == "osm"):
        cure = 'source = "osm"' if osm else 'source = "buildings", "points" or "parcels"'
        raise StudyError(
            f"homes.source: {inputs.homes_source!r} does not fit {inputs.homes_file.name}; "
            f"write {cure}"
        )
    if osm:
        keys = ("building", "landuse", "natural")
        found = read_areas(inputs.homes_file, keys, inputs.around_window)
        areas, repairs = whole_areas("homes", found)
        buildings, own = osm_buildings(areas, crs), osm_land(areas, crs)
        if not len(buildings.ids):
            where = "" if inputs.window is None else " in the study window"
            raise BadDataError(
                f"{inputs.homes_file.name}: holds no building{where}; name a file that does in "
                "[homes], or check the window"
            )
        same = inputs.ground_file is None or inputs.ground_file == inputs.homes_file
        if same:
            land = own
        else:
            land, more = read_land(inputs, crs)
            repairs = [*repairs, *more]
    else:
        if inputs.homes_source == "parcels":
            buildings, repairs, sentences = read_parcels(inputs, crs)
            notes.assumptions.extend(sentences)
        else:
            buildings, repairs = read_buildings(inputs, crs)
        land, more = read_land(inputs, crs)
        repairs = [*repairs, *more]
    notes.repairs.extend(repairs)
    shapely.prepare(ground)
    place = shapely.point_on_surface(buildings.shapes)
    there = shapely.contains(ground, place)
    if not there.any():
        x, y = shapely.get_x(place), shapely.get_y(place)
        box = (float(x.min()), float(y.min()), float(x.max()), float(y.max()))
        hint = "" if osm else homes_apart(inputs, crs, ground.bounds)
        require_overlap(crs, (inputs.homes_file.name, box), ("the terrain", ground.bounds), hint)
        raise BadDataError(f"{inputs.homes_file.name}: no home lies on the terrain; check the crs")
    gone = int((~there & buildings.is_home).sum())
    if gone and inputs.window is None:
        notes.repairs.append(
            Repair("homes", "file", f"{gone} homes lie beyond the terrain: left out")
        )
    return buildings.take(there), land


def near_homes(
    inputs: SceneInputs, crs: str, buildings: Buildings, emitting: shapely.STRtree, notes: Notes
) -> tuple[Homes, npt.NDArray[Any], Buildings]:
    """Homes within reach of a truck road with their shapes, and all buildings there."""
    candidates = buildings.take(buildings.is_home)
    homes, sentences, factor = make_homes(inputs, candidates)
    homes, repairs, shared, doubts = populate(inputs, crs, homes, candidates)
    notes.assumptions.extend([*sentences, *shared])
    notes.warnings.extend(doubts)
    notes.repairs.extend(repairs)
    notes.facts["home_candidates"] = float(len(candidates.ids))
    notes.facts["people_factor"] = factor
    kept = _within(emitting, shapely.points(homes.x, homes.y), inputs.max_distance_m)
    far = int((~kept).sum())
    if far:
        notes.assumptions.append(
            f"Homes farther than {inputs.max_distance_m:.0f} m from every truck road, left out: "
            f"{far:,}."
        )
    on_road = int(_within(emitting, candidates.shapes, inputs.road_width_m / 2.0).sum())
    if on_road:
        notes.warnings.append(
            f"Homes that reach onto a truck road, where levels are overstated: {on_road:,}; check "
            "where they are drawn."
        )
    near = _within(emitting, buildings.shapes, inputs.max_distance_m)
    return take_homes(homes, kept), candidates.shapes[kept], buildings.take(near)


def _within(tree: shapely.STRtree, shapes: Any, distance: float) -> BoolArray:
    """Whether each shape lies within the distance of a truck road."""
    result = np.zeros(len(shapes), np.bool_)
    if len(shapes):
        result[tree.query(shapes, predicate="dwithin", distance=distance)[0]] = True
    return result


def with_proxies(
    inputs: SceneInputs,
    homes: Homes,
    shapes: npt.NDArray[Any],
    land: Land,
    buildings: Buildings,
    roads: Sequence[Road],
    emitting: shapely.STRtree,
    notes: Notes,
) -> tuple[Homes, npt.NDArray[Any]]:
    """Homes with proxies added where residential land has hardly a building."""
    proxies = proxy_homes(
        land.of("landuse", "residential"), buildings.shapes, roads, inputs.proxy_people
    )
    near = _within(emitting, shapely.points(proxies.x, proxies.y), inputs.max_distance_m)
    proxies = take_homes(proxies, near)
    count = len(proxies.home_id)
    if count:
        notes.assumptions.append(
            "Homes assumed along residential streets without mapped buildings, "
            f"{inputs.proxy_people:g} people each and flagged as estimated: {count:,}."
        )
    none = np.full(len(proxies.x), None, dtype=object)
    return join_homes(homes, proxies), np.concatenate([shapes, none])


def place_receivers(
    inputs: SceneInputs,
    homes: Homes,
    shapes: npt.NDArray[Any],
    near: Buildings,
    notes: Notes,
) -> tuple[Receivers, Buildings | None]:
    """Receivers, and the buildings that screen them."""
    at_middle = inputs.homes_source == "points" or (
        inputs.homes_source == "parcels" and inputs.outlines_file is None
    )
    if inputs.placement == "centre" or at_middle:
        if not at_middle:
            notes.assumptions.append(
                "Receivers stand at the buildings' centres, so buildings do not screen."
            )
        return centre_receivers(homes, inputs.receiver_height_m), None
    solid = near.shapes[shapely.area(near.shapes) > 0.0]
    plans = [shape if shapely.area(shape) > 0.0 else None for shape in shapes.tolist()]
    receivers, fallback = facade_receivers(
        homes, plans, solid.tolist(), inputs.receiver_height_m, inputs.facade_case
    )
    if fallback:
        notes.assumptions.append(
            "Homes walled in by their neighbours, with their receiver inside the building: "
            f"{fallback:,}."
        )
    return receivers, near if inputs.obstacle_buildings == "homes" else None
