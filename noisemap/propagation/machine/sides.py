"""Compiled paths around the sides of walls and buildings (convention C18).

A band is stretched in plan from source to receiver around the corners, on one
side of the straight line, of everything that rises above the path.  What the
band then meets is gone round as well, until it meets nothing.  A side is closed
where it takes more than `MOST_GROUPS` obstacles or `MOST_CORNERS` corners, and
where an obstacle has no corner beside the line.

A band that would be the same for the lowest and the highest source is found once.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from noisemap.propagation.machine.compiled import compiled, compiled_part
from noisemap.propagation.machine.cores import floor_of
from noisemap.propagation.machine.crossings import Meeting, crossing, holds
from noisemap.propagation.machine.job import FloatArray, IntArray, Line, Obstacles, Terrain
from noisemap.propagation.machine.obstacle_index import WIDENING, row_span
from noisemap.propagation.machine.sampling import terrain_height

MOST_GROUPS = 24
MOST_CORNERS = 64
SAME_CORNER_M = 1e-6
STRAIGHT = 1e-12
"""Directions with a smaller sine between them count as equal [1]."""

PAST = 1e-6
"""Share of a cell by which a cell must lie past the nearest obstacle to be left out [1]."""

BAND = 3
KEPT = 2 * BAND
"""Numbers kept of both bands: edges, or -1 where unknown, length, and first to last edge."""


class Sides(NamedTuple):
    """Scratch of one receiver."""

    group: IntArray  # obstacles to go round
    x: FloatArray  # band along the line, source and receiver included [m]
    y: FloatArray  # and beside it, to the side looked at [m]
    old_x: FloatArray  # the band before the last obstacle was met [m]
    old_y: FloatArray
    kept: FloatArray  # (KEPT,) bands that serve all source heights


class Heights(NamedTuple):
    """Absolute heights of a pair's ends [m]."""

    source: float
    lowest: float  # of all sources
    highest: float
    receiver: float


class Around(NamedTuple):
    """The band around one side; edges 0 means that the side is closed."""

    edges: int
    plan: float  # length in plan [m]
    e: float  # of it between first and last edge [m]


@compiled
def new_sides() -> Sides:
    """Empty scratch."""
    corners = MOST_CORNERS + 2
    return Sides(
        np.empty(MOST_GROUPS, dtype=np.int64),
        np.empty(corners),
        np.empty(corners),
        np.empty(corners),
        np.empty(corners),
        np.empty(KEPT),
    )


@compiled_part
def forget(sides: Sides) -> None:
    """Begin another pair."""
    sides.kept[0] = -1.0
    sides.kept[BAND] = -1.0


@compiled_part
def _listed(group: IntArray, count: int, wanted: int) -> bool:
    i = 0
    while i < count and group[i] != wanted:
        i += 1
    return i < count


@compiled_part
def _above(top: float, share: float, heights: Heights) -> tuple[bool, bool]:
    """Whether a top is above the line, and whether that holds or fails for all source heights."""
    over, low, high = heights.source, heights.lowest, heights.highest
    over += share * (heights.receiver - over)
    low += share * (heights.receiver - low)
    high += share * (heights.receiver - high)
    return top > over, (top > low) == (top > high)


@compiled_part
def _tall_groups(
    meeting: Meeting, tops: int, line: Line, zs: float, zr: float, group: IntArray
) -> int:
    """Obstacles on the straight line with a top above it; more than fit means too many."""
    count = 0
    for i in range(tops):
        above = meeting.top_z[i] > zs + meeting.top_x[i] / line.dp * (zr - zs)
        if above and not _listed(group, count, meeting.top_group[i]):
            if count == MOST_GROUPS:
                return MOST_GROUPS + 1
            group[count] = meeting.top_group[i]
            count += 1
    return count


@compiled_part
def _leads(bx: float, by: float, cx: float, cy: float) -> bool:
    """Whether the band goes to c rather than to b, both seen from its last corner."""
    size = cx * cx + cy * cy
    if size <= SAME_CORNER_M * SAME_CORNER_M:
        return False
    best = bx * bx + by * by
    turn = bx * cy - by * cx
    if turn * turn > STRAIGHT * STRAIGHT * size * best:
        return turn > 0.0
    return bx * cx + by * cy > 0.0 and size < best


@compiled_part
def _band(
    obstacles: Obstacles, line: Line, sides: Sides, first: int, count: int, edges: int, side: float
) -> int:
    """Corners of the band on one side, +1 left or -1 right; 0 if there is none.

    Stretches the band of `edges` corners around groups `first` to `count`.  From each
    corner on, the next one is that with nothing to the left of it; what was no corner
    of the old band is none of the new one.
    """
    corner, pointer = obstacles.corner, obstacles.corner_pointer
    ux, uy = line.dx / line.dp, line.dy / line.dp
    x, y, old_x, old_y = sides.x, sides.y, sides.old_x, sides.old_y
    for i in range(1, edges + 1):
        old_x[i], old_y[i] = x[i], y[i]
    x[0], y[0] = 0.0, 0.0
    n = 0
    while n <= MOST_CORNERS:
        bx, by = line.dp - x[n], -y[n]
        at_end = True
        for i in range(1, edges + 1):
            cx, cy = old_x[i] - x[n], old_y[i] - y[n]
            if _leads(bx, by, cx, cy):
                bx, by = cx, cy
                at_end = False
        for i in range(first, count):
            for m in range(pointer[sides.group[i]], pointer[sides.group[i] + 1]):
                px, py = corner[m, 0] - line.sx, corner[m, 1] - line.sy
                beside = side * (ux * py - uy * px)
                if beside <= 0.0:
                    continue
                cx, cy = ux * px + uy * py - x[n], beside - y[n]
                if _leads(bx, by, cx, cy):
                    bx, by = cx, cy
                    at_end = False
        n += 1
        if at_end:
            x[n], y[n] = line.dp, 0.0
            return n - 1
        if n > MOST_CORNERS:
            return 0
        x[n] = x[n - 1] + bx
        y[n] = y[n - 1] + by
    return 0


@compiled_part
def _in_the_way(
    obstacles: Obstacles,
    terrain: Terrain,
    leg: Line,
    gone: float,
    part: float,
    heights: Heights,
    sides: Sides,
    count: int,
    source: int,
    receiver: int,
) -> tuple[int, bool]:
    """Nearest obstacle, not yet gone round, that rises above a leg of the band; -1 if none.

    The leg is the given part of the whole band, after the part that is gone.  Its cells
    are looked through from its beginning to the nearest obstacle found.  Also whether
    all source heights agree.
    """
    found, nearest, differs = -1, math.inf, math.inf
    ax = (leg.sx - obstacles.x0) / obstacles.cell
    ay = (leg.sy - obstacles.y0) / obstacles.cell
    bx = (leg.sx + leg.dx - obstacles.x0) / obstacles.cell
    by = (leg.sy + leg.dy - obstacles.y0) / obstacles.cell
    east, north = bx >= ax, by >= ay
    end_x, end_y = bx, by
    bottom = max(floor_of(min(ay, by) - WIDENING), 0)
    top = min(floor_of(max(ay, by) + WIDENING), obstacles.rows - 1)
    for r in range(top - bottom + 1):
        row = bottom + r if north else top - r
        if (row > end_y + PAST) if north else (row + 1 < end_y - PAST):
            break
        first, last = row_span(ax, ay, bx, by, row, obstacles.columns)
        for s in range(last - first + 1):
            column = first + s if east else last - s
            if (column > end_x + PAST) if east else (column + 1 < end_x - PAST):
                break
            c = row * obstacles.columns + column
            for m in range(obstacles.pointer[c], obstacles.pointer[c + 1]):
                along = crossing(obstacles.item_edge, m, leg)
                if along < 0.0 or along > nearest:
                    continue
                k = obstacles.item[m]
                group = obstacles.group[k]
                if (along == nearest and group >= found) or _listed(sides.group, count, group):
                    continue
                block = obstacles.block[k]
                if block >= 0 and (
                    holds(obstacles, source, block) or holds(obstacles, receiver, block)
                ):
                    continue
                share = along / leg.dp
                foot = terrain_height(terrain, leg.sx + share * leg.dx, leg.sy + share * leg.dy)
                above, same = _above(foot + obstacles.height[k], gone + share * part, heights)
                if not same:
                    differs = min(differs, along)
                if above:
                    found, nearest = group, along
                    end_x, end_y = ax + share * (bx - ax), ay + share * (by - ay)
    return found, differs > nearest or differs == math.inf


@compiled_part
def _lengths(sides: Sides, edges: int) -> tuple[float, float]:
    """Length of the band in plan, and between its first and last edge [m]."""
    x, y = sides.x, sides.y
    plan, e = 0.0, 0.0
    for i in range(edges + 1):
        along, beside = x[i + 1] - x[i], y[i + 1] - y[i]
        leg = math.sqrt(along * along + beside * beside)
        plan += leg
        if 0 < i < edges:
            e += leg
    return plan, e


@compiled_part
def _find(
    obstacles: Obstacles,
    terrain: Terrain,
    line: Line,
    meeting: Meeting,
    tops: int,
    sides: Sides,
    heights: Heights,
    side: float,
    source: int,
    receiver: int,
) -> tuple[Around, bool]:
    """Band around one side, and whether it serves all source heights."""
    closed = Around(0, 0.0, 0.0)
    zr, group = heights.receiver, sides.group
    fewest = _tall_groups(meeting, tops, line, heights.highest, zr, group)
    alike = fewest == _tall_groups(meeting, tops, line, heights.lowest, zr, group)
    count = _tall_groups(meeting, tops, line, heights.source, zr, group)
    ux, uy = line.dx / line.dp, line.dy / line.dp
    x, y = sides.x, sides.y
    first, edges = 0, 0
    while 0 < count <= MOST_GROUPS:
        edges = _band(obstacles, line, sides, first, count, edges, side)
        if edges == 0:
            return closed, alike
        plan, e = _lengths(sides, edges)
        met, gone = -1, 0.0
        for i in range(edges + 1):
            along, beside = x[i + 1] - x[i], y[i + 1] - y[i]
            leg = math.sqrt(along * along + beside * beside)
            dx, dy = along * ux - side * beside * uy, along * uy + side * beside * ux
            sx, sy = x[i] * ux - side * y[i] * uy, x[i] * uy + side * y[i] * ux
            met, same = _in_the_way(
                obstacles,
                terrain,
                Line(line.sx + sx, line.sy + sy, dx, dy, leg, 1, 1),
                gone / plan,
                leg / plan,
                heights,
                sides,
                count,
                source,
                receiver,
            )
            alike = alike and same
            if met >= 0:
                break
            gone += leg
        if met < 0:
            return Around(edges, plan, e), alike
        if count == MOST_GROUPS:
            return closed, alike
        first = count
        group[count] = met
        count += 1
    return closed, alike


@compiled_part
def around(
    obstacles: Obstacles,
    terrain: Terrain,
    line: Line,
    meeting: Meeting,
    tops: int,
    sides: Sides,
    heights: Heights,
    side: float,
    source: int,
    receiver: int,
) -> Around:
    """Band around the left (+1) or right (-1) side of what stands on the straight line.

    `source` and `receiver` are places in the list of points inside buildings;
    buildings that hold either are no obstacle.
    """
    kept = sides.kept
    at = 0 if side > 0.0 else BAND
    if kept[at] >= 0.0:
        return Around(int(kept[at]), kept[at + 1], kept[at + 2])
    way, alike = _find(
        obstacles, terrain, line, meeting, tops, sides, heights, side, source, receiver
    )
    if alike:
        kept[at], kept[at + 1], kept[at + 2] = way.edges, way.plan, way.e
    return way
