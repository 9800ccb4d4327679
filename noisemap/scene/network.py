"""Ways to edges to strokes: which pieces of road continue each other."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from noisemap.scene.rules import rule
from noisemap.scene.tags import RoadTags

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

BEARING_M = rule("strokes", "bearing_m")
# greatest deflection at which two ends still continue each other [deg]
LIMIT_ONLY_PAIR = rule("strokes", "limit_only_pair_deg")
LIMIT_SAME_REF = rule("strokes", "limit_same_ref_deg")
LIMIT_OTHER = rule("strokes", "limit_other_deg")
# what stands against a pair, beside its deflection [deg]
COST_SAME_NAME = rule("strokes", "cost_same_name_deg")
COST_NO_NAME = rule("strokes", "cost_no_name_deg")
COST_CLASS = rule("strokes", "cost_class_deg")
COST_ROUNDABOUT = rule("strokes", "cost_roundabout_deg")
COST_DIRECTION = rule("strokes", "cost_direction_deg")


@dataclass(frozen=True)
class Way:
    """One line of the road file in study coordinates; equal node keys are one place."""

    way_id: str
    nodes: IntArray  # (n,)
    x: FloatArray  # (n,) [m]
    y: FloatArray
    tags: RoadTags


@dataclass(frozen=True)
class Edge:
    """A piece of a way between two places where roads meet or ways end."""

    way: Way
    start: int  # node key
    end: int
    x: FloatArray
    y: FloatArray
    length: float  # [m]


@dataclass(frozen=True)
class Member:
    """An edge in a stroke, with its points or against them."""

    edge: int
    forward: bool


COST_DIGITS = 6
SAME_LENGTH_M = 1e-6

Stroke = tuple[Member, ...]
_End = tuple[int, int]  # edge, 0 its start or 1 its end


def split_edges(ways: Sequence[Way]) -> tuple[Edge, ...]:
    """Edges of all ways, split where a node is used more than once."""
    uses: Counter[int] = Counter()
    for way in ways:
        uses.update(way.nodes.tolist())
    edges: list[Edge] = []
    for way in ways:
        keys = way.nodes.tolist()
        cuts = [0, *(i for i in range(1, len(keys) - 1) if uses[keys[i]] > 1), len(keys) - 1]
        for first, last in pairwise(cuts):
            x, y = way.x[first : last + 1], way.y[first : last + 1]
            length = float(np.hypot(np.diff(x), np.diff(y)).sum())
            if length > 0.0:
                edges.append(Edge(way, keys[first], keys[last], x, y, length))
    return tuple(edges)


def strokes(edges: Sequence[Edge]) -> tuple[Stroke, ...]:
    """Continuous roads: edge ends paired at every node by least deflection and like name.

    Which roads come out depends on the lines alone, not on their order in the file:
    where costs are equal, the directions of the ends decide.
    """
    at_node: dict[int, list[_End]] = defaultdict(list)
    for index, edge in enumerate(edges):
        at_node[edge.start].append((index, 0))
        at_node[edge.end].append((index, 1))
    bearing = {
        (index, end): _bearing(edge, end) for index, edge in enumerate(edges) for end in (0, 1)
    }
    partner: dict[_End, _End] = {}
    for ends in at_node.values():
        _pair(edges, ends, bearing, partner)
    return _chains(edges, partner)


def _bearing(edge: Edge, end: int) -> float:
    """Direction from the end into the edge, over its first 20 m [rad]."""
    x, y = (edge.x, edge.y) if end == 0 else (edge.x[::-1], edge.y[::-1])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    reach = min(BEARING_M, edge.length)
    px, py = float(np.interp(reach, along, x)), float(np.interp(reach, along, y))
    return math.atan2(py - y[0], px - x[0])


def _pair(
    edges: Sequence[Edge],
    ends: Sequence[_End],
    bearing: dict[_End, float],
    partner: dict[_End, _End],
) -> None:
    """Pair the ends at one node, cheapest first."""
    candidates: list[tuple[float, float, float, _End, _End]] = []
    for i, a in enumerate(ends):
        for b in ends[i + 1 :]:
            if a[0] == b[0]:
                continue
            cost = _cost(edges[a[0]], edges[b[0]], a[1], b[1], bearing[a] - bearing[b], len(ends))
            if cost is not None:
                low, high = sorted((bearing[a], bearing[b]))
                candidates.append((round(cost, COST_DIGITS), low, high, a, b))
    for *_, a, b in sorted(candidates):
        if a not in partner and b not in partner:
            partner[a], partner[b] = b, a


def _cost(a: Edge, b: Edge, end_a: int, end_b: int, angle: float, degree: int) -> float | None:
    """What stands against continuing one edge by the other; None where it is not allowed."""
    one, other = a.way.tags, b.way.tags
    inward_a = one.direction * (1 if end_a == 1 else -1)  # 1: traffic only arrives by a
    inward_b = other.direction * (1 if end_b == 1 else -1)
    if inward_a != 0 and inward_a == inward_b:
        return None
    turned = abs(math.remainder(angle, 2.0 * math.pi))
    deflection = 180.0 - math.degrees(turned)
    same_ref = bool(one.ref) and one.ref == other.ref
    limit = LIMIT_SAME_REF if same_ref else LIMIT_OTHER
    if degree == 2:
        limit = LIMIT_ONLY_PAIR
    if deflection > limit:
        return None
    cost = deflection
    if not same_ref:
        same_name = bool(one.name) and one.name == other.name
        cost += COST_SAME_NAME if same_name else COST_NO_NAME
    cost += COST_CLASS * (one.road_class != other.road_class)
    cost += COST_ROUNDABOUT * (one.roundabout + other.roundabout)
    cost += COST_DIRECTION * ((one.direction == 0) != (other.direction == 0))
    return cost


def _chains(edges: Sequence[Edge], partner: dict[_End, _End]) -> tuple[Stroke, ...]:
    """Follow the pairs from free ends, then round the closed ones."""
    seen: set[int] = set()
    result: list[Stroke] = []
    free = [
        end for end in ((i, e) for i in range(len(edges)) for e in (0, 1)) if end not in partner
    ]
    closed = sorted(
        ((index, 0) for index in range(len(edges))), key=lambda end: _places(edges[end[0]])
    )
    for start in (*free, *closed):
        if start[0] in seen:
            continue
        members: list[Member] = []
        end: _End | None = start
        while end is not None and end[0] not in seen:
            seen.add(end[0])
            members.append(Member(end[0], end[1] == 0))
            end = partner.get((end[0], 1 - end[1]))
        result.append(_oriented(edges, members))
    return tuple(result)


def _oriented(edges: Sequence[Edge], members: Sequence[Member]) -> Stroke:
    """The stroke along its one-way traffic, else as most of its length was drawn."""
    one_way = drawn = 0.0
    for member in members:
        edge = edges[member.edge]
        length = edge.length if member.forward else -edge.length
        drawn += length
        one_way += length * edge.way.tags.direction
    vote = one_way if abs(one_way) > SAME_LENGTH_M else drawn
    turned = tuple(Member(member.edge, not member.forward) for member in reversed(members))
    if abs(vote) <= SAME_LENGTH_M:  # drawn as much one way as the other
        return min(tuple(members), turned, key=lambda stroke: _first_point(edges, stroke))
    return tuple(members) if vote > 0.0 else turned


def _first_point(edges: Sequence[Edge], stroke: Stroke) -> tuple[float, ...]:
    place = _places(edges[stroke[0].edge])
    return place[:2] if stroke[0].forward else place[2:]


def _places(edge: Edge) -> tuple[float, ...]:
    """Places of both ends [m]."""
    return float(edge.x[0]), float(edge.y[0]), float(edge.x[-1]), float(edge.y[-1])
