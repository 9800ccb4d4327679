"""Roads cut into stretches short enough to stand for point sources."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from noisemap.scene.model import BRIDGE, TUNNEL, Receivers, Road, Stretches
from noisemap.scene.rules import rule
from noisemap.scene.tags import LONGEST_SURFACE

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SHORTEST_M, LONGEST_M = rule("stretches", "shortest_m"), rule("stretches", "longest_m")
DISTANCE_SHARE = rule("stretches", "distance_share")  # of the distance to the nearest receiver
GRADE_STEP = rule("stretches", "grade_step")
PORTAL_M = rule("stretches", "portal_m")
PROBE_M = 5.0
CUT_M = 0.01  # a cut nearer than this to an end is that end


def cut_stretches(roads: Sequence[Road], receivers: Receivers) -> Stretches:
    """Stretches of all emitting roads, cut by geometry alone.

    A stretch is at most half as long as the nearest receiver is far, within
    2.5..200 m, and never spans a change of structure or speed limit, or a grade
    change of more than 1 %.  A piece without modelled traffic
    between two that have it is kept as a passive stretch: trucks drive over it,
    nothing sounds.

    Parameters
    ----------
    roads : sequence of Road
        The roads; only steps that emit are cut.
    receivers : Receivers
        Where levels are computed.
    """
    tree = cKDTree(np.column_stack([receivers.x, receivers.y])) if len(receivers.x) else None
    owner: list[int] = []
    pieces: list[tuple[float, float]] = []
    for index, road in enumerate(roads):
        if not road.emits.any():
            continue
        for first, last in _forced(road):
            divided = _divide(road, tree, first, last)
            pieces.extend(divided)
            owner.extend([index] * len(divided))
    return _describe(roads, np.array(owner, np.int64), np.array(pieces).reshape(-1, 2))


def split_stretches(
    whole: Stretches, roads: Sequence[Road], cuts: Mapping[int, Sequence[float]]
) -> tuple[Stretches, npt.NDArray[np.int64]]:
    """Stretches divided at further chainages, and for each the one it is a part of.

    Parameters
    ----------
    whole : Stretches
        Stretches cut by geometry.
    roads : sequence of Road
        Their roads.
    cuts : mapping
        Chainages [m] by index of the road, such as the ends of zones; those outside
        every stretch change nothing.
    """
    owner: list[int] = []
    parent: list[int] = []
    pieces: list[tuple[float, float]] = []
    ends = zip(whole.road.tolist(), whole.from_m.tolist(), whole.to_m.tolist(), strict=True)
    for number, (road, first, last) in enumerate(ends):
        inner = sorted({at for at in cuts.get(road, ()) if first + CUT_M < at < last - CUT_M})
        edges = [first, *inner, last]
        pieces.extend(pairwise(edges))
        owner.extend([road] * (len(edges) - 1))
        parent.extend([number] * (len(edges) - 1))
    parts = _describe(roads, np.array(owner, np.int64), np.array(pieces).reshape(-1, 2))
    return parts, np.array(parent, np.int64)


def place_on_roads(
    roads: Sequence[Road], owner: npt.NDArray[np.int64], chainage: FloatArray
) -> FloatArray:
    """Place and road surface at chainages of each owner's road (owners, places, 3) [m]."""
    out = np.zeros((*chainage.shape, 3))
    for index in np.unique(owner).tolist():
        road, own = roads[index], owner == index
        for column, values in enumerate((road.x, road.y, road.surface)):
            out[own, :, column] = _along(road, values, chainage[own])
    return out


def nearest_distance(
    points: FloatArray, ends: FloatArray, middle: FloatArray, distance: FloatArray
) -> FloatArray:
    """Distance from a point to the nearest place of a stretch [m], no more than to its middle.

    Parameters
    ----------
    points : ndarray
        x, y of who listens, a row for each stretch [m].
    ends : ndarray
        x, y of the start and x, y of the end [m].
    middle : ndarray
        x, y of the middle [m].
    distance : ndarray
        Distance in space to the middle as the propagation took it [m].
    """
    start, along = ends[:, :2], ends[:, 2:] - ends[:, :2]
    square = np.maximum((along**2).sum(axis=1), 1e-9)
    share = np.clip(((points - start) * along).sum(axis=1) / square, 0.0, 1.0)
    plan = np.hypot(*(points - start - share[:, None] * along).T)
    rise_squared = np.maximum(distance**2 - np.hypot(*(points - middle).T) ** 2, 0.0)
    return np.asarray(np.minimum(np.sqrt(plan**2 + rise_squared), distance))


def _forced(road: Road) -> list[tuple[float, float]]:
    """Pieces between the cuts that must be made, from the first that emits to the last [m]."""
    change = np.diff(road.structure) != 0
    change |= np.diff(road.speed_limit_kmh) != 0.0
    change |= np.diff(road.emits.astype(np.int8)) != 0
    change |= _grade_changes(road.grade)
    inner = road.chainage[1:-1][change]
    ends = np.unique(np.concatenate([[road.chainage[0], road.chainage[-1]], inner]))
    middle = (ends[:-1] + ends[1:]) / 2.0
    emits = road.emits[_step_at(road, middle)]
    kept = np.flatnonzero(emits)
    return [(float(ends[i]), float(ends[i + 1])) for i in range(kept[0], kept[-1] + 1)]


def _grade_changes(grade: FloatArray) -> BoolArray:
    """True between two steps where the grade has left the last cut's grade by over 1 %."""
    change = np.zeros(len(grade) - 1, np.bool_)
    anchor = float(grade[0])
    for index, value in enumerate(grade[1:].tolist()):
        if abs(value - anchor) > GRADE_STEP:
            change[index] = True
            anchor = value
    return change


def _divide(
    road: Road, tree: cKDTree | None, first: float, last: float
) -> list[tuple[float, float]]:
    """Halve a piece until each part is short enough for its nearest receiver."""
    length = last - first
    if length <= SHORTEST_M:
        return [(first, last)]
    probes = np.linspace(first, last, max(5, int(length / PROBE_M) + 1))
    nearest = np.inf
    if tree is not None:
        places = np.column_stack([_along(road, road.x, probes), _along(road, road.y, probes)])
        nearest = float(tree.query(places)[0].min())
    if length <= float(np.clip(DISTANCE_SHARE * nearest, SHORTEST_M, LONGEST_M)):
        return [(first, last)]
    middle = (first + last) / 2.0
    return _divide(road, tree, first, middle) + _divide(road, tree, middle, last)


def _along(road: Road, values: FloatArray, chainage: FloatArray) -> FloatArray:
    return np.interp(chainage, road.chainage, values)


def _step_at(road: Road, chainage: FloatArray) -> npt.NDArray[np.int64]:
    """Index of the step that holds each chainage."""
    place = np.searchsorted(road.chainage, chainage, side="right") - 1
    return np.clip(place, 0, len(road.structure) - 1)


def _describe(roads: Sequence[Road], owner: npt.NDArray[np.int64], pieces: FloatArray) -> Stretches:
    count = len(owner)
    start, end = pieces[:, 0], pieces[:, 1]
    middle = (start + end) / 2.0
    x, y, z = np.zeros(count), np.zeros(count), np.zeros(count)
    ends = np.zeros((count, 4))
    grade, sigma, speed = np.zeros(count), np.zeros(count), np.zeros(count)
    structure, passive = np.zeros(count, np.uint8), np.zeros(count, np.bool_)
    direction, allowed = np.zeros(count, np.int8), np.ones(count, np.bool_)
    paving, lanes = np.zeros(count, f"U{LONGEST_SURFACE}"), np.full(count, np.nan)
    for index in np.unique(owner):
        road, own = roads[index], owner == index
        x[own], y[own] = _along(road, road.x, middle[own]), _along(road, road.y, middle[own])
        z[own] = _along(road, road.surface, middle[own])
        for column, (values, at) in enumerate(
            ((road.x, start), (road.y, start), (road.x, end), (road.y, end))
        ):
            ends[own, column] = _along(road, values, at[own])
        rise = _along(road, road.height, end[own]) - _along(road, road.height, start[own])
        grade[own] = rise / (end[own] - start[own])
        step = _step_at(road, middle[own])
        sigma[own], speed[own] = road.grade_sigma[step], road.speed_limit_kmh[step]
        structure[own], passive[own] = road.structure[step], ~road.emits[step]
        direction[own] = road.direction[step] if len(road.direction) else road.one_way
        allowed[own] = road.trucks_allowed[step]
        if len(road.paving):
            paving[own], lanes[own] = road.paving[step], road.lanes[step]
    return Stretches(
        road=owner,
        from_m=start,
        to_m=end,
        x=x,
        y=y,
        z=z,
        ends=ends,
        grade=grade,
        grade_sigma=sigma,
        speed_limit_kmh=speed,
        covered=structure == TUNNEL,
        bridge=structure == BRIDGE,
        near_portal=_near_portal(roads, x, y, (end - start) / 2.0) & (structure != TUNNEL),
        passive=passive,
        direction=direction,
        trucks_allowed=allowed,
        paving=paving,
        lanes=lanes,
    )


def _near_portal(
    roads: Sequence[Road], x: FloatArray, y: FloatArray, half: FloatArray
) -> BoolArray:
    """Whether some of a stretch lies within 100 m of a tunnel's mouth."""
    mouths = portals(roads)
    if not len(mouths) or not len(x):
        return np.zeros(len(x), np.bool_)
    distance, _ = cKDTree(mouths).query(np.column_stack([x, y]))
    return np.asarray(distance - half <= PORTAL_M)


def portals(roads: Sequence[Road]) -> FloatArray:
    """Places where an emitting road goes into or comes out of a tunnel, shape (n, 2) [m]."""
    found: list[FloatArray] = []
    for road in roads:
        inside = road.structure == TUNNEL
        if not (inside & road.emits).any():
            continue
        at = np.nonzero(np.diff(inside.astype(np.int8)) != 0)[0] + 1
        found.append(np.column_stack([road.x[at], road.y[at]]))
    return np.concatenate(found) if found else np.zeros((0, 2))
