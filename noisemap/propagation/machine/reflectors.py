"""Which surfaces may throw sound to or from a point, found once for a job."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from noisemap.propagation.machine.compiled import compiled
from noisemap.propagation.machine.obstacle_index import ObstacleIndex, inside_ring

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

PROBE_M = 0.01
"""How far beside a facade it is looked where the building is [m]."""


def outer_sides(index: ObstacleIndex) -> FloatArray:
    """Open side of each edge.

    Parameters
    ----------
    index : ObstacleIndex
        The obstacles.

    Returns
    -------
    ndarray
        (k,) +1 where it lies to the left of the edge, -1 to the right, 0 where it is
        both: of a wall; 2 for an edge with the building on both sides. [1]
    """
    return _outer_sides(index.edges, index.block, index.member_pointer, index.member_item)


def reflectors_near(
    index: ObstacleIndex,
    usable: npt.NDArray[np.bool_],
    points: FloatArray,
    reach: float,
    own: FloatArray,
) -> tuple[IntArray, IntArray]:
    """Surfaces near each point, as a compressed list in the order of the edges.

    Parameters
    ----------
    index : ObstacleIndex
        The obstacles.
    usable : ndarray
        (k,) which edges reflect.
    points : ndarray
        x, y of the points. [m]
    reach : float
        Longest distance of a surface in plan. [m]
    own : ndarray
        (n,) surfaces nearer than this are the point's own and left out. [m]

    Returns
    -------
    tuple of ndarray
        Pointer (n + 1,) and edge numbers.
    """
    if index.empty or not usable.any():
        return np.zeros(len(points) + 1, dtype=np.int64), np.zeros(0, dtype=np.int64)
    return _near(
        np.ascontiguousarray(points[:, :2], dtype=np.float64),
        np.asarray(usable, dtype=np.bool_),
        index.edges,
        index.x0,
        index.y0,
        index.cell,
        index.columns,
        index.rows,
        index.edge_pointer,
        index.edge_item,
        reach,
        np.ascontiguousarray(own, dtype=np.float64),
    )


@compiled
def edge_distance(edges: FloatArray, k: int, x: float, y: float) -> float:
    """Plan distance of a point from an edge [m]."""
    ex, ey = edges[k, 2] - edges[k, 0], edges[k, 3] - edges[k, 1]
    px, py = x - edges[k, 0], y - edges[k, 1]
    share = (px * ex + py * ey) / (ex * ex + ey * ey)
    share = min(max(share, 0.0), 1.0)
    px -= share * ex
    py -= share * ey
    return math.sqrt(px * px + py * py)


@compiled
def _outer_sides(
    edges: FloatArray, block: IntArray, member_pointer: IntArray, member_item: IntArray
) -> FloatArray:
    outer = np.zeros(edges.shape[0])
    for k in range(edges.shape[0]):
        if block[k] < 0:
            continue
        ex, ey = edges[k, 2] - edges[k, 0], edges[k, 3] - edges[k, 1]
        long = math.sqrt(ex * ex + ey * ey)
        away = min(PROBE_M, 0.1 * long) / long
        mx, my = 0.5 * (edges[k, 0] + edges[k, 2]), 0.5 * (edges[k, 1] + edges[k, 3])
        first, last = member_pointer[block[k]], member_pointer[block[k] + 1]
        left = inside_ring(mx - away * ey, my + away * ex, first, last, member_item, edges)
        right = inside_ring(mx + away * ey, my - away * ex, first, last, member_item, edges)
        if left and right:
            outer[k] = 2.0
        elif left:
            outer[k] = -1.0
        elif right:
            outer[k] = 1.0
    return outer


@compiled
def _near(
    points: FloatArray,
    usable: BoolArray,
    edges: FloatArray,
    x0: float,
    y0: float,
    cell: float,
    columns: int,
    rows: int,
    edge_pointer: IntArray,
    edge_item: IntArray,
    reach: float,
    own: FloatArray,
) -> tuple[IntArray, IntArray]:
    n = points.shape[0]
    pointer = np.zeros(n + 1, dtype=np.int64)
    item = np.zeros(0, dtype=np.int64)
    seen = np.full(edges.shape[0], -1, dtype=np.int64)
    for fill in range(2):
        if fill == 1:
            item = np.empty(pointer[n], dtype=np.int64)
            seen[:] = -1
        for i in range(n):
            place = pointer[i]
            x, y = points[i, 0], points[i, 1]
            west = max(math.floor((x - reach - x0) / cell), 0)
            east = min(math.floor((x + reach - x0) / cell), columns - 1)
            south = max(math.floor((y - reach - y0) / cell), 0)
            north = min(math.floor((y + reach - y0) / cell), rows - 1)
            for row in range(south, north + 1):
                for c in range(row * columns + west, row * columns + east + 1):
                    for m in range(edge_pointer[c], edge_pointer[c + 1]):
                        k = edge_item[m]
                        if seen[k] == i or not usable[k]:
                            continue
                        seen[k] = i
                        away = edge_distance(edges, k, x, y)
                        if own[i] <= away <= reach:
                            if fill == 1:
                                item[place] = k
                            place += 1
            if fill == 0:
                pointer[i + 1] = place
            else:
                item[pointer[i] : place].sort()
    return pointer, item
