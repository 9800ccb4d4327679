"""One scene from files: every layer through the door, checked, joined, counted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from noisemap.errors import BadDataError, StudyError
from noisemap.readers.osm import is_osm
from noisemap.scene.cover import with_cover
from noisemap.scene.crs import (
    Bounds,
    project,
    require_overlap,
    study_system,
    why_apart,
    window_shape,
)
from noisemap.scene.descents import THRESHOLD, descents, with_mean_grades
from noisemap.scene.grades import (
    SPACING_M,
    Chain,
    Points,
    fit_heights,
    is_coarse,
    sample_network,
    side_slope,
)
from noisemap.scene.ground import Land, ground_cover
from noisemap.scene.homes import (
    Buildings,
)
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.links import read_named_places, read_turn_rules, road_links
from noisemap.scene.model import (
    Descent,
    GroundCover,
    Homes,
    Obstacles,
    Road,
    Scene,
    Terrain,
)
from noisemap.scene.network import Edge, Way, split_edges, strokes
from noisemap.scene.notes import Notes, emitting_length, road_notes
from noisemap.scene.obstacles import (
    building_obstacles,
    join_obstacles,
    no_obstacles,
    read_walls,
)
from noisemap.scene.road_files import RawRoads, read_roads
from noisemap.scene.roads import (
    build_roads,
    emitting_edges,
    find_road,
    name_strokes,
    place_roads,
)
from noisemap.scene.settlement import near_homes, place_receivers, read_homes, with_proxies
from noisemap.scene.sight import sight_cuts
from noisemap.scene.stretches import cut_stretches, split_stretches
from noisemap.scene.surface import kernel_surface
from noisemap.scene.survey import read_survey, require_one_unit
from noisemap.scene.terrain import (
    NativeTerrain,
    burn_roads,
    coverage,
    load_terrain,
    open_terrain,
    terrain_grid,
    terrain_sentences,
    unit_sentences,
)
from noisemap.scene.topology import crossings, join_ends

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

MARGIN_M = 200.0
NO_TERRAIN_SHARE = 0.01
OSM_NOTICE = "(c) OpenStreetMap contributors, ODbL 1.0"


def build_scene(inputs: SceneInputs, cuts: Mapping[str, Sequence[float]] | None = None) -> Scene:
    """Scene of a study: terrain, roads, stretches, homes, ground and obstacles.

    Parameters
    ----------
    inputs : SceneInputs
        Files and options.
    cuts : mapping, optional
        Chainages [m] at which stretches must end, by id or name of the road; the
        ends of zones.

    Raises
    ------
    BadDataError
        When a file cannot be used as it is.
    MissingInputError
        When a file is not there.
    StudyError
        When an option of the study is at fault.
    """
    notes = Notes()
    raw = read_roads(inputs)
    notes.assumptions.extend(raw.assumptions)
    crs = study_system(inputs.crs, *raw.centre())
    lattices = open_terrain(inputs)
    covered = coverage(lattices, crs)
    ground = covered
    if inputs.window is not None:
        box = window_shape(inputs.window, crs)
        require_overlap(crs, ("the window", _box(box)), ("the terrain", _box(covered)))
        ground = shapely.intersection(covered, box)
    ways, repairs = place_roads(raw, crs, ground)
    notes.repairs.extend(repairs)
    if not ways:
        _explain_no_roads(inputs, raw.crs, crs, raw.ways, ground)
    ways = _tidied(raw, ways, notes)
    edges = split_edges(ways)
    chains_of = strokes(edges)
    names = name_strokes(edges, chains_of)
    emits = emitting_edges(inputs, edges, chains_of, names)
    emitting = shapely.STRtree(
        [
            shapely.LineString(np.column_stack([edge.x, edge.y]))
            for edge, on in zip(edges, emits.tolist(), strict=True)
            if on
        ]
    )
    buildings, land = read_homes(inputs, crs, ground, notes)
    homes, shapes, near = near_homes(inputs, crs, buildings, emitting, notes)
    bounds = _study_bounds(edges, homes, near, _box(covered))
    native = load_terrain(inputs, lattices, crs, bounds)
    points, chains = sample_network(edges, chains_of)
    height, filled, large = native.sample(points.x, points.y)
    _require_terrain(homes, native, large)
    surveyed, spoken_for = _survey(inputs, crs, points, chains, height, notes)
    fitted = fit_heights(
        points,
        chains,
        edges,
        height,
        ~(filled | spoken_for),
        native.native_cell,
        surveyed,
        side_slope(points, chains, native.heights, max(native.native_cell, SPACING_M)),
    )
    surface = build_roads(edges, chains, names, fitted, emits, native.native_cell, spoken_for)
    roads = _driven(surface, native.native_cell)
    terrain = burn_roads(
        terrain_grid(native, bounds), roads, max(6.0, inputs.road_width_m / 2.0 + 1.0)
    )
    if inputs.homes_source == "osm" and inputs.proxies:
        homes, shapes = with_proxies(inputs, homes, shapes, land, buildings, roads, emitting, notes)
    if not len(homes.x):
        raise BadDataError(
            f"{inputs.homes_file.name}: no home lies within {inputs.max_distance_m:.0f} m of a "
            "road that carries trucks; check the files, or set max_distance_m in [run]"
        )
    receivers, screening = place_receivers(inputs, homes, shapes, near, notes)
    cover = _ground(inputs, land, terrain, roads, notes)
    cover, said = with_cover(inputs, cover, land, near, terrain)
    notes.assumptions.extend(said)
    obstacles = _obstacles(inputs, crs, screening, notes)
    by_distance = cut_stretches(roads, receivers)
    seen = sight_cuts(by_distance, roads, receivers, kernel_surface(terrain, cover, obstacles))
    whole, _ = split_stretches(by_distance, roads, seen.cuts)
    stretches, part_of = split_stretches(whole, roads, _cuts(roads, cuts or {}))
    for assumptions, warnings in (
        terrain_sentences(native, int(filled.sum())),
        unit_sentences(inputs, lattices),
    ):
        notes.assumptions.extend(assumptions)
        notes.warnings.extend(warnings)
    road_notes(roads, native.native_cell, notes)
    turns = read_turn_rules(inputs, notes)
    notes.facts.update(
        drivable_ways=float(len({way.way_id for way in ways})),
        edges=float(len(edges)),
        roads=float(len(roads)),
        road_km=sum(edge.length for edge in edges) / 1000.0,
        truck_road_km=emitting_length(roads) / 1000.0,
        terrain_voids=float(native.voids),
        terrain_voids_large=float(native.large_voids),
        road_points=float(len(points.x)),
        road_points_on_voids=float(filled.sum()),
        native_cell_m=native.native_cell,
        buildings=float(len(buildings.ids)),
        homes=float((~homes.estimated).sum()),
        proxies=float(homes.estimated.sum()),
        people=float(homes.people.sum()),
        people_in_proxies=float(homes.people[homes.estimated].sum()),
        receivers=float(len(receivers.x)),
        stretches=float(len(stretches.x)),
        sight_cuts=float(len(whole.x) - len(by_distance.x)),
        sight_paths=float(seen.paths),
        repairs=float(len(notes.repairs)),
    )
    return Scene(
        crs=crs,
        terrain=terrain,
        ground=cover,
        roads=roads,
        stretches=stretches,
        whole=whole,
        part_of=part_of,
        homes=homes,
        receivers=receivers,
        obstacles=obstacles,
        repairs=tuple(notes.repairs),
        assumptions=tuple(notes.assumptions),
        warnings=tuple(notes.warnings),
        attribution=_attribution(inputs),
        facts=notes.facts,
        links=road_links(edges, chains, roads),
        turns=turns,
        places=read_named_places(inputs, crs),
    )


def scene_descents(scene: Scene, threshold: float = THRESHOLD) -> tuple[Descent, ...]:
    """Descents of all roads that carry trucks, longest drop first."""
    found = [
        descent
        for index, road in enumerate(scene.roads)
        if road.emits.any()
        for descent in descents(
            road, index, native_cell=scene.terrain.native_cell, threshold=threshold
        )
    ]
    return tuple(sorted(found, key=lambda descent: -descent.drop))


def _box(shape: Any) -> Bounds:
    west, south, east, north = shapely.bounds(shape).tolist()
    return (west, south, east, north)


def _explain_no_roads(
    inputs: SceneInputs, source: str, crs: str, ways: Sequence[Any], ground: Any
) -> None:
    """Raise: the road file and the terrain do not share any ground."""
    x, y = np.concatenate([w.x for w in ways]), np.concatenate([w.y for w in ways])
    xy = project(source, crs, x, y)
    box: Bounds = (*xy.min(axis=0).tolist(), *xy.max(axis=0).tolist())
    what = "the terrain" if inputs.window is None else "the terrain in the study window"
    hint = why_apart(source, crs, x, y, ground.bounds)
    require_overlap(crs, (inputs.roads_file.name, box), (what, ground.bounds), hint)
    raise BadDataError(
        f"{inputs.roads_file.name}: no road lies on {what}; check the window and both crs"
    )


def _tidied(raw: RawRoads, ways: Sequence[Way], notes: Notes) -> tuple[Way, ...]:
    """Ways with their loose ends joined where the file does not say which ways meet."""
    by_place = all(way.nodes is None for way in raw.ways)
    joined, ends = join_ends(ways, join=by_place)
    total, crossed = crossings(joined)
    notes.repairs.extend([*ends, *crossed])
    notes.facts["loose_ends"] = float(len(ends))
    notes.facts["crossings_without_node"] = float(total)
    notes.facts["crossings_unexplained"] = float(len(crossed))
    if crossed:
        notes.warnings.append(
            f"Roads cross without meeting at {len(crossed):,} places where no bridge or tunnel is "
            "tagged; they are listed in the repairs: correct the road file where they meet."
        )
    return joined


def _study_bounds(edges: Sequence[Edge], homes: Homes, near: Buildings, limit: Bounds) -> Bounds:
    """Box around roads and homes with a margin, no larger than the terrain."""
    x = np.concatenate([homes.x, *(edge.x for edge in edges)])
    y = np.concatenate([homes.y, *(edge.y for edge in edges)])
    if len(near.ids):
        west, south, east, north = shapely.total_bounds(near.shapes)
        x, y = np.append(x, [west, east]), np.append(y, [south, north])
    return (
        max(float(x.min()) - MARGIN_M, limit[0]),
        max(float(y.min()) - MARGIN_M, limit[1]),
        min(float(x.max()) + MARGIN_M, limit[2]),
        min(float(y.max()) + MARGIN_M, limit[3]),
    )


def _survey(
    inputs: SceneInputs,
    crs: str,
    points: Points,
    chains: list[Chain],
    terrain: FloatArray,
    notes: Notes,
) -> tuple[list[tuple[int, int, float, float]], BoolArray]:
    """Surveyed heights for the fit, and the road points they speak for."""
    if inputs.roads_survey_file is None:
        return [], np.zeros(len(points.x), np.bool_)
    survey, repairs = read_survey(inputs.roads_survey_file, crs, points, chains)
    notes.repairs.extend(repairs)
    columns = (survey.first, survey.second, survey.share, survey.height)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    notes.facts["surveyed_points"] = float(len(survey.height))
    require_one_unit(inputs.roads_survey_file.name, survey, terrain)
    return list(rows), survey.near


def _require_terrain(homes: Homes, native: NativeTerrain, large: BoolArray) -> None:
    """Nothing, when nearly all road points and homes have a trusted terrain height.

    Raises
    ------
    BadDataError
        When more than 1 % of either lie in large gaps of the terrain.
    """
    at_homes = native.sample(homes.x, homes.y)[2] if len(homes.x) else np.zeros(0, np.bool_)
    for what, flags in (("road points", large), ("homes", at_homes)):
        share = float(flags.mean()) if len(flags) else 0.0
        if share > NO_TERRAIN_SHARE:
            raise BadDataError(
                f"[terrain]: {100.0 * share:.1f} % of the {what} lie in large gaps of the terrain "
                f"(allowed: {100.0 * NO_TERRAIN_SHARE:.0f} %); add a file that covers them"
            )


def _driven(roads: Sequence[Road], native_cell: float) -> tuple[Road, ...]:
    """Roads whose descents have one mean grade, where the terrain is coarse."""
    if not is_coarse(native_cell):
        return tuple(roads)
    return tuple(with_mean_grades(road, index, native_cell) for index, road in enumerate(roads))


def _cuts(roads: Sequence[Road], cuts: Mapping[str, Sequence[float]]) -> dict[int, Sequence[float]]:
    """Cuts by index of the road."""
    result: dict[int, Sequence[float]] = {}
    for key, places in cuts.items():
        index = find_road(roads, key)
        if index is None:
            names = sorted({road.name for road in roads if road.emits.any() and road.name})
            raise StudyError(
                f"zone.road: no road is called {key!r} in the road file; "
                f"roads with modelled traffic: {', '.join(names[:10]) or 'none'}"
            )
        result[index] = [*result.get(index, ()), *places]
    return result


def _ground(
    inputs: SceneInputs, land: Land, terrain: Terrain, roads: Sequence[Road], notes: Notes
) -> GroundCover:
    cover, facts, assumptions, warnings = ground_cover(inputs, land, terrain, roads)
    notes.facts.update(facts)
    notes.assumptions.extend(assumptions)
    notes.warnings.extend(warnings)
    return cover


def _obstacles(
    inputs: SceneInputs, crs: str, screening: Buildings | None, notes: Notes
) -> Obstacles:
    """Buildings and walls that stand in the way."""
    blocks = building_obstacles(screening) if screening is not None else no_obstacles()
    walls, repairs, sentences = read_walls(inputs, crs)
    notes.repairs.extend(repairs)
    notes.assumptions.extend(sentences)
    if screening is not None and len(blocks.edges):
        assumed = np.isnan(screening.height) & np.isnan(screening.levels)
        assumed &= shapely.area(screening.shapes) > 0.0
        if assumed.any():
            notes.assumptions.append(
                "Buildings without height or storeys, taken as two storeys of 3 m: "
                f"{int(assumed.sum()):,}."
            )
    notes.facts["wall_edges"] = float(len(walls.edges))
    notes.facts["building_edges"] = float(len(blocks.edges))
    return replace(
        join_obstacles([blocks, walls]),
        wall_reflection=inputs.wall_reflection,
        building_reflection=inputs.building_reflection,
    )


def _attribution(inputs: SceneInputs) -> tuple[str, ...]:
    """Notices that must stand on everything made from the scene."""
    files = (inputs.roads_file, inputs.homes_file, inputs.ground_file, inputs.walls_file)
    osm = any(path is not None and is_osm(path) for path in files)
    lines = [*inputs.attribution]
    if osm and not any("OpenStreetMap" in line for line in lines):
        lines.append(OSM_NOTICE)
    return tuple(lines)
