"""Where drawn roads should meet and do not: ends beside a line, crossings without a node."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from noisemap.scene.model import ON_GROUND, Repair
from noisemap.scene.network import Way
from noisemap.scene.rules import rule

FloatArray = npt.NDArray[np.float64]

JOIN_M = rule("topology", "join_m")
SHORT_M = rule("topology", "short_m")
SAME_POINT_M = rule("topology", "same_point_m")


def lines_of(ways: Sequence[Way]) -> npt.NDArray[Any]:
    """Ways as lines."""
    lines = np.empty(len(ways), dtype=object)
    lines[:] = [shapely.LineString(np.column_stack([way.x, way.y])) for way in ways]
    return lines


def join_ends(ways: Sequence[Way], *, join: bool) -> tuple[tuple[Way, ...], list[Repair]]:
    """Ways whose free ends are joined to the line they end on, and what was done.

    Parameters
    ----------
    ways : sequence of Way
        The ways.
    join : bool
        False where the file says itself which ways meet: then ends are only reported.

    An end within 0.5 m of another line on the ground is joined to it; one that stops up
    to 5 m short of it is reported and stays apart.
    """
    found = list(ways)
    lines = lines_of(ways)
    tree = shapely.STRtree(lines)
    uses = Counter(key for way in ways for key in set(way.nodes.tolist()))
    repairs: list[Repair] = []
    for index, way in enumerate(ways):
        for end in (0, -1):
            if uses[int(way.nodes[end])] > 1 or way.nodes[0] == way.nodes[-1]:
                continue
            x, y = float(way.x[end]), float(way.y[end])
            near = _nearest(tree, lines, ways, index, x, y)
            if near is None:
                continue
            target, distance = near
            other = ways[target].way_id
            if distance > JOIN_M:
                what = f"ends {distance:.1f} m short of way {other}: not joined"
            elif join:
                _join(found, index, end, target)
                what = f"ended on way {other} without a shared point: joined"
            else:
                what = f"ends on way {other} without a shared node: not joined"
            repairs.append(Repair("roads", f"way {way.way_id}", what, x, y))
    return tuple(found), repairs


def _nearest(
    tree: shapely.STRtree,
    lines: npt.NDArray[Any],
    ways: Sequence[Way],
    index: int,
    x: float,
    y: float,
) -> tuple[int, float] | None:
    """Nearest other way on the same level within reach, and its distance [m]."""
    point = shapely.Point(x, y)
    level = _level(ways[index])
    best: tuple[int, float] | None = None
    for target in tree.query(point, predicate="dwithin", distance=SHORT_M).tolist():
        other = ways[target]
        if target == index or other.way_id == ways[index].way_id or _level(other) != level:
            continue
        distance = float(shapely.distance(lines[target], point))
        if best is None or distance < best[1]:
            best = (target, distance)
    return best


def _level(way: Way) -> tuple[int, int]:
    return way.tags.structure, way.tags.layer


def _join(found: list[Way], index: int, end: int, target: int) -> None:
    """Give the end of one way a point that it shares with the other."""
    way, other = found[index], found[target]
    x, y = float(way.x[end]), float(way.y[end])
    corner = int(np.argmin(np.hypot(other.x - x, other.y - y)))
    nodes, px, py = way.nodes.copy(), way.x.copy(), way.y.copy()
    if float(np.hypot(other.x[corner] - x, other.y[corner] - y)) <= JOIN_M:
        nodes[end], px[end], py[end] = other.nodes[corner], other.x[corner], other.y[corner]
    else:
        line = shapely.LineString(np.column_stack([other.x, other.y]))
        along = float(shapely.line_locate_point(line, shapely.Point(x, y)))
        place = shapely.line_interpolate_point(line, along)
        px[end], py[end] = place.x, place.y
        reach = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(other.x), np.diff(other.y)))])
        after = int(np.searchsorted(reach, along))
        found[target] = replace(
            other,
            nodes=np.insert(other.nodes, after, nodes[end]),
            x=np.insert(other.x, after, place.x),
            y=np.insert(other.y, after, place.y),
        )
    found[index] = replace(way, nodes=nodes, x=px, y=py)


def crossings(ways: Sequence[Way]) -> tuple[int, list[Repair]]:
    """Number of crossings without a shared node, and those that nothing explains.

    A bridge, a tunnel or another layer explains that two roads cross without meeting.
    """
    lines = lines_of(ways)
    a, b = shapely.STRtree(lines).query(lines, predicate="intersects")
    total = 0
    repairs: list[Repair] = []
    for one, other in zip(a.tolist(), b.tolist(), strict=True):
        if one >= other:
            continue
        first, second = ways[one], ways[other]
        places = _points(shapely.intersection(lines[one], lines[other]))
        shared = np.isin(first.nodes, second.nodes)
        known = np.column_stack([first.x[shared], first.y[shared]])
        apart = [place for place in places if not _among(place, known)]
        total += len(apart)
        level = first.tags.structure, first.tags.layer
        if not apart or first.tags.structure != ON_GROUND or second.tags.structure != ON_GROUND:
            continue
        if level != (second.tags.structure, second.tags.layer):
            continue
        what = f"crosses way {second.way_id} without a shared point, bridge or tunnel: not joined"
        repairs.extend(Repair("roads", f"way {first.way_id}", what, *place) for place in apart)
    return total, repairs


def _points(shape: Any) -> list[tuple[float, float]]:
    """Places where two lines meet; a stretch they share counts by its middle."""
    places = []
    for part in shapely.get_parts(shapely.get_parts([shape])).tolist():
        point = part if part.geom_type == "Point" else part.interpolate(0.5, normalized=True)
        places.append((float(point.x), float(point.y)))
    return places


def _among(place: tuple[float, float], known: FloatArray) -> bool:
    if not len(known):
        return False
    distance = np.hypot(known[:, 0] - place[0], known[:, 1] - place[1])
    return bool(distance.min() <= SAME_POINT_M)
