"""The truck network: directed links between junctions, and the turns between them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse import csgraph

from noisemap.routes.chains import Chain, Lane, chains, forbidden, with_memory
from noisemap.scene.model import Links, Scene, TurnRule

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Vehicle:
    """What a truck must be let through with."""

    mass_kg: float
    height_m: float
    hazmat: bool = False


def _none() -> IntArray:
    return np.zeros(0, np.int64)


@dataclass(frozen=True)
class Network:
    """Directed links, called arcs, between junctions numbered from 0.

    The last arcs are copies of others, driven by whoever has begun a chain of arcs that a
    turn restriction forbids.
    """

    road: IntArray  # (a,) index into the scene's roads
    first: IntArray  # (a,) index of the road's lower point
    last: IntArray  # (a,) index of the road's upper point
    forward: BoolArray  # (a,) with the road's points
    tail: IntArray  # (a,) junction where the arc begins
    head: IntArray  # (a,) junction where it ends
    link: IntArray  # (a,) index into the scene's links
    junctions: int
    pointer: IntArray  # (a + 1,) the arcs that may follow arc i are
    follow: IntArray  # follow[pointer[i]:pointer[i + 1]]
    node_of: dict[tuple[int, int], int]  # (road, point) of a cut -> its junction
    copied: IntArray = field(default_factory=_none)  # the arc that each copy is a copy of
    unused_turns: int = 0  # restrictions over known ways that do not hang together

    @property
    def arcs(self) -> int:
        """Number of arcs, copies included."""
        return len(self.tail)

    @property
    def plain(self) -> int:
        """Number of arcs that are no copies; a way begins with one of them."""
        return self.arcs - len(self.copied)

    def pieces_of(self, way: Sequence[int]) -> list[int]:
        """Arcs of a way with every copy named by what it is a copy of."""
        return [arc if arc < self.plain else int(self.copied[arc - self.plain]) for arc in way]


def closed_reason(links: Links, vehicle: Vehicle) -> list[str]:
    """Why each link is closed to the vehicle; empty where nothing known closes it."""
    reasons = []
    for index in range(len(links.road)):
        if links.access[index] == "no":
            reasons.append("trucks are not allowed")
        elif links.height_m[index] < vehicle.height_m:
            reasons.append(f"height limit {links.height_m[index]:g} m")
        elif links.mass_t[index] * 1000.0 < vehicle.mass_kg:
            reasons.append(f"weight limit {links.mass_t[index]:g} t")
        elif vehicle.hazmat and links.hazmat[index] == "no":
            reasons.append("hazardous loads are not allowed")
        else:
            reasons.append("")
    return reasons


def network(
    scene: Scene,
    open_links: BoolArray,
    cuts: Collection[tuple[int, int]] = (),
    turns: Sequence[TurnRule] | None = None,
) -> Network:
    """Arcs over the open links, split at the cuts (road, point), with the turns allowed.

    Turning back on the same link is not allowed.
    """
    rules = scene.turns if turns is None else turns
    lanes, node_of = _lanes(scene, np.flatnonzero(open_links), cuts)
    keys, numbered = np.unique(lanes.ends, return_inverse=True)
    tail, head = numbered.reshape(-1, 2).T.astype(np.int64)
    number = {int(key): place for place, key in enumerate(keys.tolist())}
    pointer, follow = allowed_turns(
        tail,
        head,
        lanes.line,
        lanes.ways(scene.links),
        [
            (rule.from_way, number[rule.node], rule.to_way, rule.only)
            for rule in rules
            if rule.node is not None and rule.node in number
        ],
    )
    over = [rule for rule in rules if rule.over]
    banned, unused = _banned(scene, lanes, over, cuts, pointer, follow) if over else (set(), 0)
    pointer, follow, copied = with_memory(pointer, follow, banned)
    at = np.concatenate([np.arange(len(tail)), copied])
    return Network(
        road=lanes.road[at],
        first=lanes.first[at],
        last=lanes.last[at],
        forward=lanes.forward[at],
        tail=tail[at],
        head=head[at],
        link=lanes.link[at],
        junctions=len(keys),
        pointer=pointer,
        follow=follow,
        node_of={cut: number[key] for cut, key in node_of.items() if key in number},
        copied=copied,
        unused_turns=unused,
    )


@dataclass(frozen=True)
class _Lanes:
    """Both directions of pieces of links, as far as they may be driven."""

    road: IntArray
    first: IntArray
    last: IntArray
    forward: BoolArray
    ends: IntArray  # (n, 2) keys of the junctions where each begins and ends
    link: IntArray
    line: IntArray  # equal for the two directions of one piece

    def ways(self, links: Links) -> list[str]:
        """Line of the file that each belongs to."""
        return [links.way[index] for index in self.link.tolist()]

    def keys(self) -> list[tuple[int, int, int, bool]]:
        """Name of each, the same whatever else is in the network."""
        columns = (self.road, self.first, self.last, self.forward)
        return list(zip(*(column.tolist() for column in columns), strict=True))


def _lanes(
    scene: Scene, chosen: IntArray, cuts: Collection[tuple[int, int]]
) -> tuple[_Lanes, dict[tuple[int, int], int]]:
    """Directions in which the chosen links may be driven; junction of each cut."""
    pieces, node_of = _split(scene.links, chosen, cuts)
    direction = np.zeros(len(pieces), np.int64)
    for row, (road, first) in enumerate(pieces[:, :2].tolist()):
        one = scene.roads[road]
        direction[row] = one.direction[first] if len(one.direction) else one.one_way
    with_points, against = np.flatnonzero(direction >= 0), np.flatnonzero(direction <= 0)
    both = np.concatenate([with_points, against])
    forward = np.arange(len(both)) < len(with_points)
    ends = pieces[both, 3:5]
    ends[~forward] = ends[~forward, ::-1]
    found = _Lanes(
        pieces[both, 0], pieces[both, 1], pieces[both, 2], forward, ends, pieces[both, 5], both
    )
    return found, node_of


def _banned(
    scene: Scene,
    lanes: _Lanes,
    rules: Sequence[TurnRule],
    cuts: Collection[tuple[int, int]],
    pointer: IntArray,
    follow: IntArray,
) -> tuple[set[Chain], int]:
    """Chains of arcs that restrictions over ways forbid; rules that lead nowhere.

    Closed links count where a chain is looked for: a way that is the only one allowed
    stays so where it is closed.
    """
    named = {way for rule in rules for way in (rule.from_way, *rule.over, rule.to_way)}
    own = [index for index, way in enumerate(scene.links.way) if way in named]
    around, _ = _lanes(scene, np.array(own, np.int64), cuts)
    ways = around.ways(scene.links)
    known = [
        Lane(key, way, begin, end)
        for key, way, (begin, end) in zip(around.keys(), ways, around.ends.tolist(), strict=True)
    ]
    by_way: dict[str, list[Lane]] = {}
    for lane in known:
        by_way.setdefault(lane.way, []).append(lane)
    arc_of = {key: arc for arc, key in enumerate(lanes.keys())}
    banned: set[Chain] = set()
    unused = 0
    for rule in rules:
        members = {rule.from_way, *rule.over, rule.to_way}
        if not members <= by_way.keys():
            continue  # it lies outside the study's roads
        near = [lane for way in members for lane in by_way[way]]
        found = chains(near, rule.from_way, rule.over, rule.to_way)
        unused += not found
        banned |= forbidden(found, rule.only, arc_of, pointer, follow)
    return banned, unused


def _split(
    links: Links, chosen: IntArray, cuts: Collection[tuple[int, int]]
) -> tuple[IntArray, dict[tuple[int, int], int]]:
    """Rows (road, first, last, start, end, link) of the chosen links, cut at road points."""
    by_road: dict[int, list[tuple[int, int]]] = {}
    lowest = int(min(links.start.min(initial=0), links.end.min(initial=0)))
    for number, (road, point) in enumerate(sorted(set(cuts)), start=1):
        by_road.setdefault(road, []).append((point, lowest - number))
    node_of: dict[tuple[int, int], int] = {}
    rows: list[tuple[int, ...]] = []
    for index in chosen.tolist():
        road, first, last = int(links.road[index]), int(links.first[index]), int(links.last[index])
        start, end = int(links.start[index]), int(links.end[index])
        for point, fresh in by_road.get(road, ()):
            if point == first:
                node_of[road, point] = start
            elif point == last:
                node_of[road, point] = end
            elif first < point < last:
                rows.append((road, first, point, start, fresh, index))
                node_of[road, point] = fresh
                first, start = point, fresh
        rows.append((road, first, last, start, end, index))
    return np.array(rows, np.int64).reshape(-1, 6), node_of


def allowed_turns(
    tail: IntArray,
    head: IntArray,
    line: IntArray,
    way: Sequence[str],
    rules: Sequence[tuple[str, int, str, bool]],
) -> tuple[IntArray, IntArray]:
    """Pointers and arcs that may follow each arc: the graph whose nodes are the arcs.

    `line` is equal for the two directions of one link, between which no turn leads.
    Rules are (from way, junction, to way, whether it is the only turn allowed).
    """
    order = np.argsort(tail, kind="stable")
    begins = np.searchsorted(tail[order], head, side="left")
    ends = np.searchsorted(tail[order], head, side="right")
    count = ends - begins
    before = np.repeat(np.arange(len(tail)), count)
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    after = order[np.repeat(begins, count) + within]
    kept = line[before] != line[after]
    if rules:
        kept &= _ruled(head[before], before, after, way, rules)
    before, after = before[kept], after[kept]
    pointer = np.concatenate([[0], np.cumsum(np.bincount(before, minlength=len(tail)))])
    return pointer.astype(np.int64), after.astype(np.int64)


def _ruled(
    junction: IntArray,
    before: IntArray,
    after: IntArray,
    way: Sequence[str],
    rules: Sequence[tuple[str, int, str, bool]],
) -> BoolArray:
    """Whether each turn obeys the turn restrictions."""
    ways = np.array(way, dtype=object)
    kept = np.ones(len(junction), np.bool_)
    order = np.argsort(junction, kind="stable")
    met = junction[order]
    for from_way, node, to_way, only in rules:
        low, high = np.searchsorted(met, [node, node + 1])
        at = order[low:high]
        leaving = at[ways[before[at]] == from_way]
        target = ways[after[leaving]] == to_way
        kept[leaving[~target if only else target]] = False
    return kept


def least_costs(
    tail: IntArray, head: IntArray, cost: FloatArray, junctions: int, target: int
) -> FloatArray:
    """Least cost from every junction to a target, turns left aside; infinite where cut off.

    A sparse matrix adds parallel arcs up, so the least of them is taken first.
    """
    low = np.maximum(cost, 1e-12)  # a stored zero would be no arc at all
    matrix = least_of_parallel(head, tail, low, junctions)
    return np.asarray(csgraph.dijkstra(matrix, indices=target))


def least_of_parallel(
    row: IntArray, column: IntArray, cost: FloatArray, size: int
) -> sparse.csr_array:
    """Matrix with the least cost of all arcs between the same two junctions."""
    order = np.lexsort((cost, column, row))
    row, column, cost = row[order], column[order], cost[order]
    first = np.ones(len(row), np.bool_)
    first[1:] = (row[1:] != row[:-1]) | (column[1:] != column[:-1])
    return sparse.csr_array((cost[first], (row[first], column[first])), shape=(size, size))


def fastest_arcs(net: Network, cost: FloatArray, start: int, target: int) -> list[int]:
    """Arcs of the cheapest way over the graph of turns; empty where there is none."""
    arcs = net.arcs
    low = np.maximum(cost, 1e-12)
    begins = np.flatnonzero(net.tail[: net.plain] == start)
    rows = np.concatenate(
        [np.repeat(np.arange(arcs), np.diff(net.pointer)), np.full(len(begins), arcs)]
    )
    columns = np.concatenate([net.follow, begins])
    matrix = sparse.csr_array((low[columns], (rows, columns)), shape=(arcs + 1, arcs + 1))
    reached, parents = csgraph.dijkstra(matrix, indices=arcs, return_predecessors=True)
    ends = np.flatnonzero(net.head == target)
    if not len(ends) or not np.isfinite(reached[ends]).any():
        return []
    arc = int(ends[np.argmin(reached[ends])])
    way = [arc]
    while (arc := int(parents[arc])) != arcs:
        way.append(arc)
    return way[::-1]


def main_part(scene: Scene, open_links: BoolArray) -> BoolArray:
    """Links of the largest part in which every place is reached from every other."""
    net = network(scene, open_links)
    matrix = least_of_parallel(net.tail, net.head, np.ones(net.arcs), net.junctions)
    label = csgraph.connected_components(matrix, connection="strong")[1]
    within = label == np.argmax(np.bincount(label))
    part = np.zeros(len(open_links), np.bool_)
    part[net.link[within[net.tail] & within[net.head]]] = True
    return part
