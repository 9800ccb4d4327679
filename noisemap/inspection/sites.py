"""Places along a road where a lawful measurement fits: the lane, the microphone, what is there.

Everything here is geometry; distances of the rule are in feet, the scene is in metres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from noisemap.data_tables import toml_table
from noisemap.inspection import rule
from noisemap.scene.model import BRIDGE, ON_GROUND, TUNNEL, GroundCover, Road, Scene
from noisemap.scene.terrain import height_at
from noisemap.units import FOOT_M

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

NEAR, FAR = 1, -1
"""The microphone stands on the right of the lane that is measured, or across the other lane."""

PROFILE_POINTS = 41
LOOK_STEP_M = 2.0
HARD_BELOW = 0.5
"""Ground factor below which ground is taken for hard [1]."""

NOTHING_M = 1e4
"""Stands for nothing in the way, or no tunnel at all [m]."""


def choice(name: str) -> float:
    """One of the stated choices about sites, see `sites.toml`."""
    return float(toml_table(rule.PACKAGE, "sites.toml")[name]["value"])


def distances_ft() -> tuple[float, ...]:
    """Distances that are tried, the standard one first [ft]."""
    return tuple(toml_table(rule.PACKAGE, "sites.toml")["distances_ft"]["value"])


@dataclass(frozen=True)
class Places:
    """Microphones and the target points before them, one row each."""

    road: IntArray  # index into the scene's roads
    direction: IntArray  # of the lane, 1 with the road's points
    side: IntArray  # NEAR or FAR
    at_m: FloatArray  # chainage of the target point [m]
    distance_ft: FloatArray  # microphone to target point
    target: FloatArray  # (n, 2) on the lane's centre [m]
    microphone: FloatArray  # (n, 2) [m]

    def __len__(self) -> int:
        """Number of places."""
        return len(self.road)

    def rows(self, wanted: IntArray | BoolArray) -> Places:
        """Some of the places."""
        return Places(*(getattr(self, name)[wanted] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class Surroundings:
    """What stands around the places, as trees that can be asked."""

    edges: shapely.STRtree | None
    inside: shapely.STRtree | None
    tunnels: shapely.STRtree | None
    overhead: shapely.STRtree | None
    owner_of_overhead: IntArray


def lane_offset_m(road: Road, width_m: float) -> float:
    """Distance of the lane's centre from the road's line [m]; zero on a one-way road."""
    return 0.0 if road.one_way else choice("lane_share") * width_m


def along_road(road: Road, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points of a road and its unit direction at chainages, (n, 2) each."""
    reach = 5.0
    ends = road.chainage[0], road.chainage[-1]
    low, high = np.clip(at - reach, *ends), np.clip(at + reach, *ends)

    def point(where: FloatArray) -> FloatArray:
        x = np.interp(where, road.chainage, road.x)
        return np.column_stack([x, np.interp(where, road.chainage, road.y)])

    ahead = point(high) - point(low)
    return point(at), ahead / np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]


def places_along(
    scene: Scene, ways: Sequence[tuple[int, int]], distance_ft: float, width_m: float
) -> Places:
    """Places at one distance on both sides of the lanes that carry braking trucks.

    Parameters
    ----------
    scene : Scene
        The scene.
    ways : sequence of (int, int)
        Road and direction of each lane.
    distance_ft : float
        Microphone to target point. [ft]
    width_m : float
        Width of the roads. [m]
    """
    parts = []
    for index, direction in ways:
        road = scene.roads[index]
        at = np.arange(road.chainage[0], road.chainage[-1] + 1e-9, choice("step_m"))
        at = at[road.emits[step_at(road, at)]]
        for side in (NEAR, FAR):
            parts.append(_beside(road, index, direction, side, at, distance_ft, width_m))
    return _joined(parts)


def _beside(
    road: Road, index: int, direction: int, side: int, at: FloatArray, feet: float, width: float
) -> Places:
    point, ahead = along_road(road, at)
    right = direction * np.column_stack([ahead[:, 1], -ahead[:, 0]])
    target = point + lane_offset_m(road, width) * right
    microphone = target + side * feet * FOOT_M * right
    same = np.ones(len(at), dtype=np.int64)
    return Places(
        index * same, direction * same, side * same, at, np.full(len(at), feet), target, microphone
    )


def _joined(parts: Sequence[Places]) -> Places:
    if not parts:
        none, nothing = np.zeros(0, np.int64), np.zeros(0)
        return Places(none, none, none, nothing, nothing, np.zeros((0, 2)), np.zeros((0, 2)))
    return Places(
        *(np.concatenate([getattr(p, n) for p in parts]) for n in Places.__dataclass_fields__)
    )


def place_at(
    scene: Scene, ways: Sequence[tuple[int, int]], x: float, y: float, width_m: float
) -> Places:
    """The place of a microphone that the user names, before the nearest of the lanes."""
    best: tuple[float, Places] | None = None
    for index, direction in ways:
        road = scene.roads[index]
        line = shapely.LineString(np.column_stack([road.x, road.y]))
        along = float(shapely.line_locate_point(line, shapely.Point(x, y)))
        share = along / line.length
        at = np.array([road.chainage[0] + share * (road.chainage[-1] - road.chainage[0])])
        lane = _beside(road, index, direction, NEAR, at, 0.0, width_m)
        away = np.array([[x, y]]) - lane.target
        feet = float(np.hypot(*away[0])) / FOOT_M
        ahead = along_road(road, at)[1][0] * direction
        on_right = ahead[1] * away[0, 0] - ahead[0] * away[0, 1] >= 0.0
        found = replace(
            lane,
            side=np.array([NEAR if on_right else FAR]),
            distance_ft=np.array([feet]),
            microphone=np.array([[x, y]]),
        )
        if best is None or feet < best[0]:
            best = feet, found
    return _joined([] if best is None else [best[1]])


def step_at(road: Road, at: FloatArray) -> IntArray:
    """Index of the step between two points of a road at chainages."""
    found = np.searchsorted(road.chainage, at, side="right") - 1
    return np.asarray(np.clip(found, 0, len(road.chainage) - 2), dtype=np.int64)


def surroundings(scene: Scene) -> Surroundings:
    """Trees of reflecting edges, buildings, tunnels and bridges of a scene."""
    obstacles = scene.obstacles
    edges = [shapely.LineString(edge.reshape(2, 2)) for edge in obstacles.edges]
    walls = [edge for edge, block in zip(edges, obstacles.block, strict=True) if block >= 0]
    polygons = list(shapely.polygonize(walls).geoms)
    tunnels: list[Any] = []
    bridges: list[Any] = []
    owner: list[int] = []
    for index, road in enumerate(scene.roads):
        for first, last in zip(range(len(road.x) - 1), range(1, len(road.x)), strict=True):
            kind = road.structure[first]
            if kind in (TUNNEL, BRIDGE):
                line = shapely.LineString(
                    [(road.x[first], road.y[first]), (road.x[last], road.y[last])]
                )
                (tunnels if kind == TUNNEL else bridges).append(line)
                owner += [index] if kind == BRIDGE else []
    return Surroundings(
        _tree(edges), _tree(polygons), _tree(tunnels), _tree(bridges), np.array(owner, int)
    )


def _tree(shapes: Sequence[Any]) -> shapely.STRtree | None:
    return shapely.STRtree(list(shapes)) if len(shapes) else None


def nearest_m(tree: shapely.STRtree | None, points: FloatArray) -> FloatArray:
    """Distance from each point to the nearest shape [m]."""
    if tree is None or not len(points):
        return np.full(len(points), NOTHING_M)
    shapes = shapely.points(points)
    nearest = tree.nearest(shapes)
    return np.asarray(shapely.distance(shapes, tree.geometries.take(nearest)))


def clear_radius_ft(places: Places, around: Surroundings) -> FloatArray:
    """Open radius around the nearer of target point and microphone [ft]."""
    both = [nearest_m(around.edges, points) for points in (places.target, places.microphone)]
    clear = np.minimum(*both)
    if around.inside is not None and len(places):
        within = around.inside.query(shapely.points(places.microphone), predicate="within")[0]
        clear[within] = 0.0
    return np.asarray(clear / FOOT_M)


def tunnel_distance_ft(scene: Scene, places: Places, around: Surroundings) -> FloatArray:
    """Distance from the target point to the nearest tunnel, or road overhead [ft].

    A bridge of another road counts where it passes over the lane.
    """
    found = nearest_m(around.tunnels, places.target)
    if around.overhead is not None and len(places):
        reach = rule.number("tunnel_distance_ft") * FOOT_M
        targets = shapely.points(places.target)
        place, bridge = around.overhead.query(targets, predicate="dwithin", distance=reach)
        other = around.owner_of_overhead[bridge] != places.road[place]
        place, bridge = place[other], bridge[other]
        for one, shape in zip(place, around.overhead.geometries.take(bridge), strict=True):
            lane = _lane_line(scene.roads[places.road[one]], float(places.at_m[one]), reach)
            if shapely.distance(lane, shape) <= choice("overhead_m"):
                away = shapely.distance(shapely.Point(places.target[one]), shape)
                found[one] = min(found[one], float(away))
    return np.asarray(found / FOOT_M)


def _lane_line(road: Road, at: float, reach: float) -> Any:
    where = np.arange(max(at - reach, road.chainage[0]), min(at + reach, road.chainage[-1]), 5.0)
    where = where if len(where) > 1 else np.array([at, at + 1.0])
    return shapely.LineString(along_road(road, where)[0])


def on_structure(scene: Scene, places: Places) -> BoolArray:
    """Whether the target point lies on a bridge or in a tunnel."""
    found = np.zeros(len(places), dtype=bool)
    for index in np.unique(places.road).tolist():
        road, rows = scene.roads[index], np.flatnonzero(places.road == index)
        found[rows] = road.structure[step_at(road, places.at_m[rows])] != ON_GROUND
    return found


def ground_profile(scene: Scene, places: Places) -> tuple[FloatArray, FloatArray]:
    """Microphone's ground over the lane, and the highest unevenness between them [ft].

    The unevenness is the departure of the ground from a straight line.
    """
    share = np.linspace(0.0, 1.0, PROFILE_POINTS)
    line = places.target[:, None] + share[:, None] * (places.microphone - places.target)[:, None]
    ground = height_at(scene.terrain, line[..., 0].ravel(), line[..., 1].ravel())
    ground = ground.reshape(len(places), PROFILE_POINTS)
    straight = ground[:, :1] + share * (ground[:, -1:] - ground[:, :1])
    uneven = np.abs(ground - straight).max(axis=1, initial=0.0)
    return (ground[:, -1] - ground[:, 0]) / FOOT_M, uneven / FOOT_M


def hard_share(scene: Scene, places: Places, width_m: float) -> FloatArray:
    """Share of the way from target point to microphone over hard ground [1].

    Pavement is hard; beyond it the ground factor of the land use decides.  The ground's
    grid paints the road a cell wide: within that strip the land beside it is taken.
    """
    cover = scene.ground
    offset = np.array(
        [lane_offset_m(scene.roads[index], width_m) for index in places.road.tolist()]
    )
    share = (np.arange(PROFILE_POINTS) + 0.5) / PROFILE_POINTS
    away = share * (places.distance_ft * FOOT_M)[:, None]
    edge = (width_m / 2.0 - places.side * offset)[:, None]
    strip = (max(width_m / 2.0, 0.51 * cover.cell) + 0.71 * cover.cell) - places.side * offset
    outward = places.microphone - places.target
    outward = outward / np.maximum(np.hypot(*outward.T), 1e-9)[:, None]
    reach = np.maximum(away, strip[:, None])
    point = places.target[:, None] + reach[..., None] * outward[:, None]
    hard = _cells(cover, cover.factor, point) < HARD_BELOW
    return np.asarray(((away <= edge) | hard).mean(axis=1))


def microphone_height_m(scene: Scene, places: Places) -> FloatArray:
    """Height of the microphones above the ground they stand on [m].

    The height over the road plane that the rule prefers, as far as the ground allows it.
    """
    over, _ = ground_profile(scene, places)
    wanted = rule.preferred("microphone_height_ft") - over
    low, high = rule.number("microphone_above_surface_ft"), choice("tripod_ft")
    return np.asarray(np.clip(wanted, low, high) * FOOT_M)


def _cells(cover: GroundCover, grid: npt.NDArray[Any], points: FloatArray) -> npt.NDArray[Any]:
    """Values of a grid of the ground at points; beyond its edge the edge's."""
    row = np.round((points[..., 1] - cover.y0) / cover.cell).astype(int)
    column = np.round((points[..., 0] - cover.x0) / cover.cell).astype(int)
    row = np.clip(row, 0, grid.shape[0] - 1)
    return np.asarray(grid[row, np.clip(column, 0, grid.shape[1] - 1)])


def under_trees(scene: Scene, places: Places) -> BoolArray:
    """Whether dense trees stand at target point or microphone."""
    cover = scene.ground
    flags = [_cells(cover, cover.foliage, at) for at in (places.target, places.microphone)]
    return np.asarray(flags[0] | flags[1])


def rise_and_fall_db(scene: Scene, places: Places) -> tuple[FloatArray, FloatArray]:
    """Rise before and fall after the target point of a passing point source [dB].

    By spreading alone, over the look before and after the target point.
    """
    reach = choice("look_m")
    step = np.arange(-reach, reach + 1e-9, LOOK_STEP_M)
    rise, fall = np.zeros(len(places)), np.zeros(len(places))
    for index in np.unique(places.road).tolist():
        road = scene.roads[index]
        rows = np.flatnonzero(places.road == index)
        at = places.at_m[rows, None] + step
        inside = (at >= road.chainage[0]) & (at <= road.chainage[-1])
        x = np.interp(at, road.chainage, road.x) - places.microphone[rows, :1]
        y = np.interp(at, road.chainage, road.y) - places.microphone[rows, 1:]
        away = np.where(inside, np.hypot(x, y), 0.0)
        middle = len(step) // 2
        ways = away[:, : middle + 1].max(axis=1), away[:, middle:].max(axis=1)
        with_points = places.direction[rows] > 0
        level = 20.0 * np.log10(np.stack(ways) / away[:, middle])
        rise[rows] = np.where(with_points, level[0], level[1])
        fall[rows] = np.where(with_points, level[1], level[0])
    return rise, fall


def nearest_road_share(scene: Scene, places: Places) -> FloatArray:
    """Distance from the microphone to the nearest road by that to the target point's road [1].

    Other legs of the same road count, those of a hairpin say.
    """
    pieces: list[Any] = []
    for road in scene.roads:
        points = np.column_stack([road.x, road.y])
        pieces += list(np.asarray(shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1))))
    away = nearest_m(_tree(pieces), places.microphone)
    own = np.zeros(len(places))
    for index in np.unique(places.road).tolist():
        rows = np.flatnonzero(places.road == index)
        points, _ = along_road(scene.roads[index], places.at_m[rows])
        own[rows] = np.hypot(*(places.microphone[rows] - points).T)
    return np.asarray(np.divide(away, own, out=np.ones_like(own), where=own > 0.0))
