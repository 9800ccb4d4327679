"""Compiled search of the walls and buildings on a path, and of their tops."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from noisemap.propagation.machine.compiled import compiled, compiled_part
from noisemap.propagation.machine.cores import SAME_PLACE_M, floor_of
from noisemap.propagation.machine.job import (
    BoolArray,
    FloatArray,
    IntArray,
    Line,
    Obstacles,
    Terrain,
)
from noisemap.propagation.machine.obstacle_index import WIDENING, row_span
from noisemap.propagation.machine.sampling import terrain_height


class Meeting(NamedTuple):
    """Scratch of one receiver: obstacles met, and the profile merged with their tops."""

    along: FloatArray  # distance from the source of each edge met [m]
    edge: IntArray
    used: BoolArray
    top_x: FloatArray  # distance from the source of each top [m]
    top_z: FloatArray  # [m]
    top_group: IntArray  # wall or building
    bare_x: FloatArray  # terrain above the sight line, with both ends [m]
    bare_z: FloatArray
    high_x: FloatArray  # tops above the sight line or touching it [m]
    high_z: FloatArray
    x: FloatArray  # merged profile [m]
    z: FloatArray
    is_object: BoolArray
    stack: IntArray


@compiled
def new_meeting(room: int, steps: int) -> Meeting:
    """Empty scratch for `room` edges on a profile of `steps` steps."""
    return Meeting(
        np.empty(room),
        np.empty(room, dtype=np.int64),
        np.empty(room, dtype=np.bool_),
        np.empty(room),
        np.empty(room),
        np.empty(room, dtype=np.int64),
        np.empty(steps + 1),
        np.empty(steps + 1),
        np.empty(room),
        np.empty(room),
        np.empty(room + steps + 1),
        np.empty(room + steps + 1),
        np.empty(room + steps + 1, dtype=np.bool_),
        np.empty(room + steps + 1, dtype=np.int64),
    )


@compiled_part
def crossing(edges: FloatArray, k: int, line: Line) -> float:
    """Distance from the source at which a path crosses an edge; negative if it does not [m].

    An end of an edge that lies on the line belongs to its left side, so that a
    path through a corner crosses a building an even number of times.
    """
    left_a = line.dx * (edges[k, 1] - line.sy) - line.dy * (edges[k, 0] - line.sx)
    left_b = line.dx * (edges[k, 3] - line.sy) - line.dy * (edges[k, 2] - line.sx)
    if (left_a >= 0.0) == (left_b >= 0.0):
        return -1.0
    share = left_a / (left_a - left_b)
    x = edges[k, 0] + share * (edges[k, 2] - edges[k, 0]) - line.sx
    y = edges[k, 1] + share * (edges[k, 3] - edges[k, 1]) - line.sy
    along = (x * line.dx + y * line.dy) / line.dp
    if along <= SAME_PLACE_M or along >= line.dp - SAME_PLACE_M:
        return -1.0
    return float(along)


@compiled_part
def find_crossings(obstacles: Obstacles, line: Line, meeting: Meeting) -> int:
    """Edges that a path crosses between its ends, sorted by distance from the source.

    Fills `along` and `edge`.  The answer counts what was found; where it is
    larger than the scratch, the caller must come back with larger scratch.
    """
    ax = (line.sx - obstacles.x0) / obstacles.cell
    ay = (line.sy - obstacles.y0) / obstacles.cell
    bx = (line.sx + line.dx - obstacles.x0) / obstacles.cell
    by = (line.sy + line.dy - obstacles.y0) / obstacles.cell
    bottom = max(floor_of(min(ay, by) - WIDENING), 0)
    top = min(floor_of(max(ay, by) + WIDENING), obstacles.rows - 1)
    along, edge = meeting.along, meeting.edge
    room = along.shape[0]
    found = 0
    for r in range(top - bottom + 1):
        row = bottom + r if by >= ay else top - r
        first, last = row_span(ax, ay, bx, by, row, obstacles.columns)
        for c in range(row * obstacles.columns + first, row * obstacles.columns + last + 1):
            for m in range(obstacles.pointer[c], obstacles.pointer[c + 1]):
                here = crossing(obstacles.item_edge, m, line)
                if here < 0.0:
                    continue
                k = obstacles.item[m]
                place = min(found, room)
                while place > 0 and (
                    along[place - 1] > here or (along[place - 1] == here and edge[place - 1] > k)
                ):
                    place -= 1
                if place > 0 and along[place - 1] == here and edge[place - 1] == k:
                    continue  # the same edge met in a second cell
                if found < room:
                    for j in range(found, place, -1):
                        along[j] = along[j - 1]
                        edge[j] = edge[j - 1]
                    along[place] = here
                    edge[place] = k
                found += 1
    return found


@compiled_part
def holds(obstacles: Obstacles, point: int, block: int) -> bool:
    """Whether a building holds a source or receiver."""
    for m in range(obstacles.inside_pointer[point], obstacles.inside_pointer[point + 1]):
        if obstacles.inside_item[m] == block:
            return True
    return False


@compiled_part
def _insert_top(meeting: Meeting, count: int, x: float, z: float, group: int) -> None:
    """Put an object top into the list sorted along the path."""
    place = count
    while place > 0 and meeting.top_x[place - 1] > x:
        meeting.top_x[place] = meeting.top_x[place - 1]
        meeting.top_z[place] = meeting.top_z[place - 1]
        meeting.top_group[place] = meeting.top_group[place - 1]
        place -= 1
    meeting.top_x[place] = x
    meeting.top_z[place] = z
    meeting.top_group[place] = group


@compiled_part
def object_tops(
    obstacles: Obstacles,
    terrain: Terrain,
    line: Line,
    meeting: Meeting,
    found: int,
    source: int,
    receiver: int,
) -> int:
    """Tops of the walls (one point) and buildings (entry and exit) on a path.

    `source` and `receiver` are places in the list of points inside buildings;
    buildings that hold either are left out.  A crossing without a partner, left
    where an end point stands on the rim of a building, counts as a wall.
    """
    for i in range(found):
        meeting.used[i] = False
    n = 0
    for i in range(found):
        if meeting.used[i]:
            continue
        here = meeting.along[i]
        high = obstacles.height[meeting.edge[i]]
        block = obstacles.block[meeting.edge[i]]
        partner = -1
        if block >= 0:
            if holds(obstacles, source, block) or holds(obstacles, receiver, block):
                continue
            for j in range(i + 1, found):
                if not meeting.used[j] and obstacles.block[meeting.edge[j]] == block:
                    partner = j
                    break
        middle = here
        if partner >= 0:
            meeting.used[partner] = True
            middle = 0.5 * (here + meeting.along[partner])
            high = max(high, obstacles.height[meeting.edge[partner]])
        share = middle / line.dp
        foot = terrain_height(terrain, line.sx + share * line.dx, line.sy + share * line.dy)
        group = obstacles.group[meeting.edge[i]]
        _insert_top(meeting, n, here, foot + high, group)
        n += 1
        if partner >= 0:
            _insert_top(meeting, n, meeting.along[partner], foot + high, group)
            n += 1
    return n
