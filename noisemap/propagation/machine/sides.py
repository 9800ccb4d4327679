"""Compiled paths around the sides of walls and buildings (convention C18).

A band is stretched in plan from source to receiver around the corners, on one
side of the straight line, of everything that rises above the path.  What the
band then meets is gone round as well, until it meets nothing.  A side is closed
where it takes more than `MOST_GROUPS` obstacles or `MOST_CORNERS` corners, and
where an obstacle has no corner beside the line.
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


class Sides(NamedTuple):
    """Scratch of one receiver."""

    group: IntArray  # obstacles to go round
    x: FloatArray  # band along the line, source and receiver included [m]
    y: FloatArray  # and beside it, to the side looked at [m]


class Around(NamedTuple):
    """The path around one side; edges 0 means that the side is closed."""

    edges: int
    z: float  # path difference [m]
    e: float  # path between first and last edge [m]


@compiled
def new_sides() -> Sides:
    """Empty scratch."""
    return Sides(
        np.empty(MOST_GROUPS, dtype=np.int64),
        np.empty(MOST_CORNERS + 2),
        np.empty(MOST_CORNERS + 2),
    )


@compiled_part
def _listed(group: IntArray, count: int, wanted: int) -> bool:
    listed = False
    for i in range(count):
        listed |= group[i] == wanted
    return listed


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
def _band(obstacles: Obstacles, line: Line, sides: Sides, count: int, side: float) -> int:
    """Corners of the band around the groups on one side, +1 left or -1 right; 0 if there is none.

    From each corner on, the next one is that with nothing to the left of it.
    """
    corner, pointer = obstacles.corner, obstacles.corner_pointer
    ux, uy = line.dx / line.dp, line.dy / line.dp
    x, y = sides.x, sides.y
    x[0], y[0] = 0.0, 0.0
    n = 0
    while n <= MOST_CORNERS:
        bx, by = line.dp - x[n], -y[n]
        at_end = True
        for i in range(count):
            for m in range(pointer[sides.group[i]], pointer[sides.group[i] + 1]):
                px, py = corner[m, 0] - line.sx, corner[m, 1] - line.sy
                beside = side * (ux * py - uy * px)
                if beside <= 0.0:
                    continue
                cx, cy = ux * px + uy * py - x[n], beside - y[n]
                size = cx * cx + cy * cy
                if size <= SAME_CORNER_M * SAME_CORNER_M:
                    continue
                best = bx * bx + by * by
                turn = bx * cy - by * cx
                limit = STRAIGHT * math.sqrt(size * best)
                nearer = abs(turn) <= limit and bx * cx + by * cy > 0.0 and size < best
                if turn > limit or nearer:
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
    z0: float,
    z1: float,
    sides: Sides,
    count: int,
    source: int,
    receiver: int,
) -> int:
    """Nearest obstacle, not yet gone round, that rises above a leg of the band; -1 if none."""
    found, nearest = -1, math.inf
    ax = (leg.sx - obstacles.x0) / obstacles.cell
    ay = (leg.sy - obstacles.y0) / obstacles.cell
    bx = (leg.sx + leg.dx - obstacles.x0) / obstacles.cell
    by = (leg.sy + leg.dy - obstacles.y0) / obstacles.cell
    bottom = max(floor_of(min(ay, by) - WIDENING), 0)
    top = min(floor_of(max(ay, by) + WIDENING), obstacles.rows - 1)
    for row in range(bottom, top + 1):
        first, last = row_span(ax, ay, bx, by, row, obstacles.columns)
        for c in range(row * obstacles.columns + first, row * obstacles.columns + last + 1):
            for m in range(obstacles.pointer[c], obstacles.pointer[c + 1]):
                k = obstacles.item[m]
                group = obstacles.group[k]
                if _listed(sides.group, count, group):
                    continue
                along = crossing(obstacles.edges, k, leg)
                if along < 0.0:
                    continue
                block = obstacles.block[k]
                if block >= 0 and (
                    holds(obstacles, source, block) or holds(obstacles, receiver, block)
                ):
                    continue
                share = along / leg.dp
                foot = terrain_height(terrain, leg.sx + share * leg.dx, leg.sy + share * leg.dy)
                above = foot + obstacles.height[k] > z0 + share * (z1 - z0)
                if above and (along < nearest or (along == nearest and group < found)):
                    nearest = along
                    found = group
    return found


@compiled_part
def around(
    obstacles: Obstacles,
    terrain: Terrain,
    line: Line,
    meeting: Meeting,
    tops: int,
    sides: Sides,
    zs: float,
    zr: float,
    d: float,
    side: float,
    source: int,
    receiver: int,
) -> Around:
    """Path around the left (+1) or right (-1) side of what stands on the straight line.

    `source` and `receiver` are places in the list of points inside buildings;
    buildings that hold either are no obstacle.
    """
    closed = Around(0, 0.0, 0.0)
    count = _tall_groups(meeting, tops, line, zs, zr, sides.group)
    ux, uy = line.dx / line.dp, line.dy / line.dp
    x, y = sides.x, sides.y
    while 0 < count <= MOST_GROUPS:
        edges = _band(obstacles, line, sides, count, side)
        if edges == 0:
            return closed
        plan, e = 0.0, 0.0
        for i in range(edges + 1):
            leg = math.hypot(x[i + 1] - x[i], y[i + 1] - y[i])
            plan += leg
            if 0 < i < edges:
                e += leg
        met, gone = -1, 0.0
        for i in range(edges + 1):
            along, beside = x[i + 1] - x[i], y[i + 1] - y[i]
            leg = math.hypot(along, beside)
            dx, dy = along * ux - side * beside * uy, along * uy + side * beside * ux
            sx, sy = x[i] * ux - side * y[i] * uy, x[i] * uy + side * y[i] * ux
            met = _in_the_way(
                obstacles,
                terrain,
                Line(line.sx + sx, line.sy + sy, dx, dy, leg, 1, 1),
                zs + gone / plan * (zr - zs),
                zs + (gone + leg) / plan * (zr - zs),
                sides,
                count,
                source,
                receiver,
            )
            if met >= 0:
                break
            gone += leg
        if met < 0:
            return Around(edges, math.sqrt(plan * plan + (zr - zs) * (zr - zs)) - d, e)
        if count == MOST_GROUPS:
            return closed
        sides.group[count] = met
        count += 1
    return closed
