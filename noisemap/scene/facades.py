"""Receiver points in front of facades, by the Directive's two splitting rules."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from noisemap.scene.rules import rule

FloatArray = npt.NDArray[np.float64]

LONGEST_PART_M = rule("facades", "longest_part_m")
SHORTEST_PART_M = rule("facades", "shortest_part_m")
IN_FRONT_M = rule("facades", "in_front_m")


def facade_points(polygon: shapely.Polygon, case: int) -> FloatArray:
    """Points 0.1 m in front of the walls of a building, shape (n, 2) [m].

    Parameters
    ----------
    polygon : Polygon
        Plan of the building; courtyards count as walls too.
    case : int
        1 treats each wall on its own, 2 walks round every 5 m.

    Returns
    -------
    points : ndarray
        At least one: a building too small for the rule gets the middle of its
        longest wall.

    References
    ----------
    directive-2015-996 : annex, 2.8
    """
    rings = [polygon.exterior, *polygon.interiors]
    found: list[FloatArray] = []
    for number, ring in enumerate(rings):
        corners = _corners(ring, counter_clockwise=number == 0)
        found.append(split_by_wall(corners) if case == 1 else split_by_walk(corners))
    points = np.concatenate(found)
    if len(points):
        return points
    corners = _corners(polygon.exterior, counter_clockwise=True)
    longest = int(np.argmax(np.hypot(*np.diff(corners, axis=0).T)))
    return _middles(corners[longest : longest + 2], 1)


def _corners(ring: shapely.LinearRing, *, counter_clockwise: bool) -> FloatArray:
    """Corners of a ring, closed, with the building on the left."""
    corners = shapely.get_coordinates(shapely.remove_repeated_points(ring, 0.01))
    if bool(shapely.is_ccw(shapely.LinearRing(corners))) != counter_clockwise:
        corners = corners[::-1]
    return np.asarray(corners, np.float64)


def split_by_wall(corners: FloatArray) -> FloatArray:
    """Receiver points of case 1 on a closed ring, shape (n, 2) [m].

    Walls over 5 m: equal parts as long as possible but at most 5 m, a point in the
    middle of each; walls over 2.5 m: one point; neighbouring shorter walls that
    together exceed 5 m are treated as one line.

    References
    ----------
    directive-2015-996 : annex, 2.8, case 1
    """
    length = np.hypot(*np.diff(corners, axis=0).T)
    points: list[FloatArray] = []
    short: list[list[int]] = []
    for wall, size in enumerate(length.tolist()):
        if size > SHORTEST_PART_M:
            parts = math.ceil(size / LONGEST_PART_M - 1e-9) if size > LONGEST_PART_M else 1
            points.append(_middles(corners[wall : wall + 2], parts))
        elif short and short[-1][-1] == wall - 1:
            short[-1].append(wall)
        else:
            short.append([wall])
    last = len(length) - 1
    if len(short) > 1 and short[0][0] == 0 and short[-1][-1] == last:
        short[0] = short.pop() + short[0]  # the run goes on over the ring's start
    for run in short:
        total = float(length[run].sum())
        if total > LONGEST_PART_M:
            line = np.vstack([corners[run], corners[run[-1] + 1]])
            points.append(_middles(line, math.ceil(total / LONGEST_PART_M - 1e-9)))
    return np.concatenate(points) if points else np.zeros((0, 2))


def split_by_walk(corners: FloatArray) -> FloatArray:
    """Receiver points of case 2 on a closed ring, shape (n, 2) [m].

    From the ring's start a part every 5 m, a point half way along it; the rest gets
    its own middle point.

    References
    ----------
    directive-2015-996 : annex, 2.8, case 2
    """
    total = float(np.hypot(*np.diff(corners, axis=0).T).sum())
    whole = int(total / LONGEST_PART_M + 1e-9)
    at = LONGEST_PART_M * (np.arange(whole) + 0.5)
    rest = total - whole * LONGEST_PART_M
    if rest > 1e-6:
        at = np.append(at, total - rest / 2.0)
    return _at(corners, at)


def _middles(line: FloatArray, parts: int) -> FloatArray:
    """Points in the middle of equal parts of a line, moved to its right."""
    total = float(np.hypot(*np.diff(line, axis=0).T).sum())
    return _at(line, total * (np.arange(parts) + 0.5) / parts)


def _at(line: FloatArray, at: npt.NDArray[Any]) -> FloatArray:
    """Points along a line, 0.1 m to its right."""
    step = np.diff(line, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    along = np.concatenate([[0.0], np.cumsum(length)])
    wall = np.clip(np.searchsorted(along, at, side="right") - 1, 0, len(step) - 1)
    unit = step[wall] / length[wall, None]
    place = line[wall] + unit * (at - along[wall])[:, None]
    return np.asarray(place + IN_FRONT_M * np.column_stack([unit[:, 1], -unit[:, 0]]))
