"""A uniform plan grid over walls and buildings, so that a path meets only near edges.

The grid is a compressed row list: the edges of cell c are
`item[pointer[c]:pointer[c + 1]]`.  Buildings are listed by the cells of their
bounding boxes as well, to find the building that holds a point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from noisemap.errors import BadDataError
from noisemap.propagation.machine.compiled import compiled
from noisemap.propagation.machine.cores import floor_of

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

WIDENING = 1e-9
"""Share of a cell by which lines are widened, so that rounding loses no cell [1]."""

_CELLS_PER_EDGE = 2.0
_MOST_CELLS = 4_000_000


@dataclass(frozen=True)
class ObstacleIndex:
    """Edges and buildings by plan cell."""

    x0: float  # western and southern rim of the grid [m]
    y0: float
    cell: float  # [m]
    columns: int
    rows: int
    edge_pointer: IntArray  # (rows * columns + 1,)
    edge_item: IntArray
    edges: FloatArray  # (k, 4) [m]
    height: FloatArray  # (k,) above local ground [m]
    block: IntArray  # (k,) buildings numbered from 0 without gaps, -1 for a wall
    building_pointer: IntArray  # (rows * columns + 1,)
    building_item: IntArray  # building numbers
    member_pointer: IntArray  # (buildings + 1,) edges of each building
    member_item: IntArray
    group: IntArray  # (k,) buildings as numbered, then walls whose pieces hang together
    corner_pointer: IntArray  # (groups + 1,)
    corner: FloatArray  # (corners, 2) different end points of the edges of each group [m]

    @cached_property
    def item_edge(self) -> FloatArray:
        """Edges in the order of `edge_item`, so that those of a cell lie side by side [m]."""
        return np.ascontiguousarray(self.edges[self.edge_item])

    @property
    def empty(self) -> bool:
        """Whether there is nothing to meet."""
        return len(self.height) == 0


def obstacle_index(
    edges: npt.ArrayLike, edge_height: npt.ArrayLike, edge_block: npt.ArrayLike
) -> ObstacleIndex:
    """Plan index of obstacle edges.

    Parameters
    ----------
    edges : array_like
        x1, y1, x2, y2 of each edge. [m]
    edge_height : array_like
        Height above local ground, above 0. [m]
    edge_block : array_like
        Number of the building an edge belongs to, 0 and up; -1 for a wall. [1]

    Returns
    -------
    ObstacleIndex
        The index.

    Raises
    ------
    BadDataError
        If shapes differ, a number is not finite, or a height is not above 0.
    """
    lines = np.ascontiguousarray(np.asarray(edges, dtype=np.float64).reshape(-1, 4))
    height = np.ascontiguousarray(edge_height, dtype=np.float64)
    block = np.array(edge_block, dtype=np.int64)
    if height.shape != (len(lines),) or block.shape != (len(lines),):
        raise BadDataError(
            f"obstacles: {len(lines)} edges, {height.size} heights and {block.size} building "
            "numbers; one of each is needed for every edge"
        )
    if not np.isfinite(lines).all():
        raise BadDataError("obstacles: an edge has a coordinate that is not finite; remove it")
    if len(height) and not (np.isfinite(height).all() and (height > 0.0).all()):
        raise BadDataError("obstacles: heights above local ground must be finite and above 0 m")
    if len(block) and block.min() < -1:
        raise BadDataError("obstacles: building numbers are 0 and up, or -1 for a wall")
    if not len(lines):
        none = np.zeros(0, dtype=np.int64)
        one = np.zeros(2, dtype=np.int64)
        return ObstacleIndex(
            0.0, 0.0, 1.0, 1, 1, one, none, lines, height, block, one, none, one[:1], none,
            none, one[:1], np.zeros((0, 2)),
        )  # fmt: skip
    x = lines[:, 0::2]
    y = lines[:, 1::2]
    x0, y0 = float(x.min()), float(y.min())
    width = max(float(x.max()) - x0, 1.0)
    depth = max(float(y.max()) - y0, 1.0)
    wanted = min(_CELLS_PER_EDGE * len(lines), float(_MOST_CELLS))
    cell = max(math.sqrt(width * depth / wanted), max(width, depth) / 20_000.0)
    columns = int(width / cell) + 1
    rows = int(depth / cell) + 1
    edge_pointer, edge_item = _edges_by_cell(lines, x0, y0, cell, columns, rows)
    members = np.flatnonzero(block >= 0)
    numbers, dense = np.unique(block[members], return_inverse=True)
    block[members] = dense
    order = members[np.argsort(dense, kind="stable")]
    member_pointer = np.searchsorted(block[order], np.arange(len(numbers) + 1)).astype(np.int64)
    building_pointer, building_item = _buildings_by_cell(
        lines, member_pointer, order, x0, y0, cell, columns, rows
    )
    group = _groups(lines, block, len(numbers))
    corner_pointer, corner = _corners(lines, group)
    return ObstacleIndex(
        x0,
        y0,
        cell,
        columns,
        rows,
        edge_pointer,
        edge_item,
        lines,
        height,
        block,
        building_pointer,
        building_item,
        member_pointer,
        order.astype(np.int64),
        group,
        corner_pointer,
        corner,
    )


def _groups(lines: FloatArray, block: IntArray, buildings: int) -> IntArray:
    """Number of the obstacle of each edge: its building, or the wall it hangs together with."""
    group = block.copy()
    walls = np.flatnonzero(block < 0)
    if len(walls):
        ends = lines[walls].reshape(-1, 2)
        _, node = np.unique(ends, axis=0, return_inverse=True)
        link = node.reshape(-1, 2)
        size = int(node.max()) + 1
        graph = coo_array((np.ones(len(link), np.int8), (link[:, 0], link[:, 1])), (size, size))
        group[walls] = buildings + connected_components(graph, directed=False)[1][link[:, 0]]
    return group


def _corners(lines: FloatArray, group: IntArray) -> tuple[IntArray, FloatArray]:
    """Different end points of the edges of each group, as a compressed list."""
    ends = np.column_stack([np.repeat(group, 2).astype(np.float64), lines.reshape(-1, 2)])
    ends = np.unique(ends, axis=0)
    pointer = np.searchsorted(ends[:, 0], np.arange(int(group.max()) + 2)).astype(np.int64)
    return pointer, np.ascontiguousarray(ends[:, 1:])


@compiled
def row_span(ax: float, ay: float, bx: float, by: float, row: int, columns: int) -> tuple[int, int]:
    """First and last column of a grid row that a line meets, in cell units; (0, -1) if none."""
    low, high = row - WIDENING, row + 1.0 + WIDENING
    t0, t1 = 0.0, 1.0
    rise = by - ay
    if rise != 0.0:
        ta = (low - ay) / rise
        tb = (high - ay) / rise
        t0 = max(t0, min(ta, tb))
        t1 = min(t1, max(ta, tb))
    if t0 > t1:
        return 0, -1
    xa = ax + t0 * (bx - ax)
    xb = ax + t1 * (bx - ax)
    first = floor_of(min(xa, xb) - WIDENING)
    last = floor_of(max(xa, xb) + WIDENING)
    return max(first, 0), min(last, columns - 1)


@compiled
def _edges_by_cell(
    lines: FloatArray, x0: float, y0: float, cell: float, columns: int, rows: int
) -> tuple[IntArray, IntArray]:
    """Compressed list of the edges of each cell, in the order of the edges."""
    pointer = np.zeros(rows * columns + 1, dtype=np.int64)
    item = np.zeros(0, dtype=np.int64)
    for fill in range(2):
        if fill == 1:
            for c in range(rows * columns):
                pointer[c + 1] += pointer[c]
            item = np.empty(pointer[-1], dtype=np.int64)
            place = pointer[:-1].copy()
        else:
            place = pointer[1:]
        for k in range(lines.shape[0]):
            ax = (lines[k, 0] - x0) / cell
            ay = (lines[k, 1] - y0) / cell
            bx = (lines[k, 2] - x0) / cell
            by = (lines[k, 3] - y0) / cell
            bottom = max(math.floor(min(ay, by) - WIDENING), 0)
            top = min(math.floor(max(ay, by) + WIDENING), rows - 1)
            for row in range(bottom, top + 1):
                first, last = row_span(ax, ay, bx, by, row, columns)
                for column in range(first, last + 1):
                    c = row * columns + column
                    if fill == 1:
                        item[place[c]] = k
                    place[c] += 1
    return pointer, item


@compiled
def _buildings_by_cell(
    lines: FloatArray,
    member_pointer: IntArray,
    member_item: IntArray,
    x0: float,
    y0: float,
    cell: float,
    columns: int,
    rows: int,
) -> tuple[IntArray, IntArray]:
    """Compressed list of the buildings whose bounding box meets each cell."""
    pointer = np.zeros(rows * columns + 1, dtype=np.int64)
    item = np.zeros(0, dtype=np.int64)
    for fill in range(2):
        if fill == 1:
            for c in range(rows * columns):
                pointer[c + 1] += pointer[c]
            item = np.empty(pointer[-1], dtype=np.int64)
            place = pointer[:-1].copy()
        else:
            place = pointer[1:]
        for b in range(member_pointer.shape[0] - 1):
            west, south, east, north = math.inf, math.inf, -math.inf, -math.inf
            for m in range(member_pointer[b], member_pointer[b + 1]):
                k = member_item[m]
                west = min(west, lines[k, 0], lines[k, 2])
                east = max(east, lines[k, 0], lines[k, 2])
                south = min(south, lines[k, 1], lines[k, 3])
                north = max(north, lines[k, 1], lines[k, 3])
            if west > east:
                continue
            first = max(int((west - x0) / cell - WIDENING), 0)
            last = min(int((east - x0) / cell + WIDENING), columns - 1)
            bottom = max(int((south - y0) / cell - WIDENING), 0)
            top = min(int((north - y0) / cell + WIDENING), rows - 1)
            for row in range(bottom, top + 1):
                for column in range(first, last + 1):
                    c = row * columns + column
                    if fill == 1:
                        item[place[c]] = b
                    place[c] += 1
    return pointer, item


def containing_buildings(
    index: ObstacleIndex, points: npt.NDArray[np.float64]
) -> tuple[IntArray, IntArray]:
    """Buildings whose footprint holds each point, as a compressed list.

    Parameters
    ----------
    index : ObstacleIndex
        The obstacles.
    points : ndarray
        x, y of the points. [m]

    Returns
    -------
    tuple of ndarray
        Pointer (n + 1,) and building numbers.
    """
    x = np.ascontiguousarray(points[:, 0], dtype=np.float64)
    y = np.ascontiguousarray(points[:, 1], dtype=np.float64)
    if index.empty:
        return np.zeros(len(x) + 1, dtype=np.int64), np.zeros(0, dtype=np.int64)
    return _containing(
        x,
        y,
        index.x0,
        index.y0,
        index.cell,
        index.columns,
        index.rows,
        index.building_pointer,
        index.building_item,
        index.member_pointer,
        index.member_item,
        index.edges,
    )


@compiled
def inside_ring(
    px: float, py: float, first: int, last: int, member_item: IntArray, lines: FloatArray
) -> bool:
    """Even-odd rule over the edges of one building, inner yards included."""
    inside = False
    for m in range(first, last):
        k = member_item[m]
        ay, by = lines[k, 1], lines[k, 3]
        if (ay > py) != (by > py):
            cross = lines[k, 0] + (py - ay) / (by - ay) * (lines[k, 2] - lines[k, 0])
            if px < cross:
                inside = not inside
    return inside


@compiled
def _containing(
    x: FloatArray,
    y: FloatArray,
    x0: float,
    y0: float,
    cell: float,
    columns: int,
    rows: int,
    building_pointer: IntArray,
    building_item: IntArray,
    member_pointer: IntArray,
    member_item: IntArray,
    lines: FloatArray,
) -> tuple[IntArray, IntArray]:
    n = x.shape[0]
    pointer = np.zeros(n + 1, dtype=np.int64)
    item = np.zeros(0, dtype=np.int64)
    for fill in range(2):
        if fill == 1:
            item = np.empty(pointer[n], dtype=np.int64)
        for i in range(n):
            place = pointer[i]
            column = math.floor((x[i] - x0) / cell)
            row = math.floor((y[i] - y0) / cell)
            if 0 <= column < columns and 0 <= row < rows:
                c = row * columns + column
                for m in range(building_pointer[c], building_pointer[c + 1]):
                    b = building_item[m]
                    held = inside_ring(
                        x[i], y[i], member_pointer[b], member_pointer[b + 1], member_item, lines
                    )
                    if held:
                        if fill == 1:
                            item[place] = b
                        place += 1
            if fill == 0:
                pointer[i + 1] = place
    return pointer, item
