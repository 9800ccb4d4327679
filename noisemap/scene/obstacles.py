"""Walls and buildings as edges in plan with a height."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from noisemap.errors import BadDataError
from noisemap.readers.faults import read_each
from noisemap.readers.osm import is_osm, read_ways
from noisemap.readers.vectors import read_layer
from noisemap.scene.crs import move_shapes, project
from noisemap.scene.homes import Buildings
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.layers import layer_repairs
from noisemap.scene.model import Obstacles, Repair
from noisemap.scene.rules import rule

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

LEVEL_M = rule("obstacles", "level_m")
DEFAULT_LEVELS = rule("obstacles", "default_levels")
TOUCH_M = 0.05
WALL_COLUMNS = ("id", "kind", "height_m", "height")
HIGHEST_M = 300.0


def building_obstacles(buildings: Buildings) -> Obstacles:
    """Outer edges of the buildings; touching ones form one block without inner walls."""
    area = shapely.area(buildings.shapes) > 0.0
    shapes = buildings.shapes[area]
    height, levels = buildings.height[area], buildings.levels[area]
    assumed = np.isnan(height) & np.isnan(levels)
    height = np.where(
        np.isnan(height), LEVEL_M * np.where(np.isnan(levels), DEFAULT_LEVELS, levels), height
    )
    block = _blocks(shapes)
    edges: list[FloatArray] = []
    owners: list[IntArray] = []
    for members in _groups(block):
        if len(members) == 1:
            own = _edges(shapes[members[0]])
            edges.append(own)
            owners.append(np.full(len(own), members[0]))
        else:
            own, owner = _dissolved(shapes, members, height)
            edges.append(own)
            owners.append(owner)
    if not edges:
        return no_obstacles()
    owner = np.concatenate(owners)
    return Obstacles(np.concatenate(edges), height[owner], block[owner], assumed[owner])


def no_obstacles() -> Obstacles:
    """Nothing in the way."""
    return Obstacles(np.zeros((0, 4)), np.zeros(0), np.zeros(0, np.int64), np.zeros(0, np.bool_))


def _blocks(shapes: npt.NDArray[Any]) -> IntArray:
    """Number of the block of each building; touching buildings share one."""
    count = len(shapes)
    if not count:
        return np.zeros(0, np.int64)
    a, b = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=TOUCH_M)
    links = coo_array((np.ones(len(a), np.int8), (a, b)), shape=(count, count))
    return np.asarray(connected_components(links, directed=False)[1], np.int64)


def _groups(block: IntArray) -> list[IntArray]:
    order = np.argsort(block, kind="stable")
    return np.split(order, np.nonzero(np.diff(block[order]))[0] + 1) if len(order) else []


def _edges(shape: Any) -> FloatArray:
    """Edges of all rings of a shape, shape (k, 4)."""
    found = []
    for part in shapely.get_parts([shape]).tolist():
        for ring in (part.exterior, *part.interiors):
            corner = shapely.get_coordinates(ring)
            found.append(np.hstack([corner[:-1], corner[1:]]))
    edges = np.concatenate(found)
    return edges[np.hypot(edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1]) > 1e-6]


def _dissolved(
    shapes: npt.NDArray[Any], members: IntArray, height: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Outer edges of a block, each with the tallest building it belongs to."""
    grown = shapely.union_all(shapely.buffer(shapes[members], TOUCH_M, join_style="mitre"))
    outline = shapely.buffer(grown, -TOUCH_M, join_style="mitre")
    edges = _edges(outline if not outline.is_empty else grown)
    middle = shapely.points((edges[:, 0] + edges[:, 2]) / 2.0, (edges[:, 1] + edges[:, 3]) / 2.0)
    distance = np.stack([shapely.distance(middle, shapes[member]) for member in members])
    near = distance <= distance.min(axis=0) + 2.0 * TOUCH_M
    rank = np.where(near, height[members][:, None], -np.inf)
    return edges, members[np.argmax(rank, axis=0)]


def read_walls(inputs: SceneInputs, crs: str) -> tuple[Obstacles, list[Repair], list[str]]:
    """Walls of the obstacle file; those without a height only where one is assumed.

    Raises
    ------
    BadDataError
        When the file cannot be read or a height is not a number above 0.
    """
    if inputs.walls_file is None:
        return no_obstacles(), [], []
    if is_osm(inputs.walls_file):
        lines, heights, ids = _osm_walls(inputs, crs)
        repairs: list[Repair] = []
    else:
        lines, heights, ids, repairs = _layer_walls(inputs, crs)
    missing = np.isnan(heights)
    assumed = inputs.assumed_wall_height_m
    sentences: list[str] = []
    if missing.any() and assumed is None:
        sentences.append(
            f"Walls without height, left out: {int(missing.sum()):,}; set assumed_wall_height_m in "
            "[obstacles] to count them."
        )
        lines, heights = lines[~missing], heights[~missing]
        ids = [item for item, none in zip(ids, missing.tolist(), strict=True) if not none]
        missing = missing[~missing]
    elif missing.any() and assumed is not None:
        sentences.append(
            f"Walls without height, taken as {assumed:g} m high: {int(missing.sum()):,}."
        )
        heights = np.where(missing, assumed, heights)
    edges: list[FloatArray] = []
    owners: list[IntArray] = []
    for index, line in enumerate(lines):
        own = _line_edges(line)
        if not len(own):
            repairs.append(Repair("obstacles", ids[index], "wall without length: left out"))
        edges.append(own)
        owners.append(np.full(len(own), index))
    if not edges:
        return no_obstacles(), repairs, sentences
    owner = np.concatenate(owners)
    walls = Obstacles(
        np.concatenate(edges), heights[owner], np.full(len(owner), -1), missing[owner]
    )
    return walls, repairs, sentences


def _line_edges(shape: Any) -> FloatArray:
    """Edges of a wall: its line, or the outline where it is drawn as a polygon."""
    outline = shapely.boundary(shape) if shapely.get_dimensions(shape) == 2 else shape
    found = []
    for part in shapely.get_parts([outline]).tolist():
        corner = shapely.get_coordinates(part)
        found.append(np.hstack([corner[:-1], corner[1:]]))
    edges = np.concatenate(found)
    return edges[np.hypot(edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1]) > 1e-6]


def _layer_walls(
    inputs: SceneInputs, crs: str
) -> tuple[npt.NDArray[Any], FloatArray, list[str], list[Repair]]:
    assert inputs.walls_file is not None
    layer = read_layer(
        inputs.walls_file,
        table="obstacles",
        layer=inputs.walls_layer,
        crs=inputs.walls_crs,
        columns=inputs.walls_columns,
        known=WALL_COLUMNS,
        numbers=("height_m", "height"),
        encoding=inputs.walls_encoding,
        decimal=inputs.walls_decimal,
    )
    frame = layer.frame
    column = next((name for name in ("height_m", "height") if name in frame.columns), None)
    cells = [None] * len(frame) if column is None else frame[column].tolist()
    heights = read_each(
        list(zip(frame["id"], cells, strict=True)),
        lambda one: _height(layer.name, one[0], one[1]),
        np.nan,
    )
    shapes = move_shapes(frame.crs, crs, frame.geometry.to_numpy())
    if (shapely.get_dimensions(shapes) == 0).any():
        raise BadDataError(f"{layer.name}: holds points; walls are lines or polygons")
    repairs = layer_repairs("obstacles", layer, crs)
    return shapes, np.array(heights, np.float64), list(frame["id"]), repairs


def _height(name: str, item: str, value: object) -> float:
    """Height of a wall [m], NaN where none is given."""
    if value is None or value != value or str(value).strip() == "":
        return float("nan")
    try:
        height = float(str(value).strip().removesuffix("m").strip())
    except ValueError:
        height = -1.0
    if not 0.0 < height <= HIGHEST_M:
        raise BadDataError(
            f"{name}: wall {item!r}: height {value!r} is not allowed "
            f"(allowed: above 0, up to {HIGHEST_M:g}, in metres with a point)"
        )
    return height


def _osm_walls(inputs: SceneInputs, crs: str) -> tuple[npt.NDArray[Any], FloatArray, list[str]]:
    assert inputs.walls_file is not None
    lines: list[Any] = []
    heights: list[float] = []
    ids: list[str] = []
    for way in read_ways(inputs.walls_file, "barrier", inputs.around_window):
        if "wall" not in way.tags["barrier"] or len(way.lon) < 2:
            continue
        xy = project("EPSG:4326", crs, way.lon, way.lat)
        lines.append(shapely.LineString(xy))
        heights.append(_height(inputs.walls_file.name, f"way {way.way_id}", way.tags.get("height")))
        ids.append(f"way {way.way_id}")
    shapes = np.empty(len(lines), dtype=object)
    shapes[:] = lines
    return shapes, np.array(heights, np.float64), ids


def join_obstacles(parts: Sequence[Obstacles]) -> Obstacles:
    """All obstacles of several parts; block numbers stay apart from walls."""
    return Obstacles(
        np.concatenate([part.edges for part in parts]),
        np.concatenate([part.height for part in parts]),
        np.concatenate([part.block for part in parts]).astype(np.int64),
        np.concatenate([part.assumed_height for part in parts]).astype(np.bool_),
    )
