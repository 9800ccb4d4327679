"""Finding routes on a scene, and the order in which they are told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.routes.arcs import arc_costs, drive_pieces, silent_pieces
from noisemap.routes.choices import HOUR_S, choice, clock_hours
from noisemap.routes.evaluate import Route, Setting, evaluate
from noisemap.routes.network import (
    Network,
    Vehicle,
    closed_reason,
    fastest_arcs,
    least_costs,
    network,
)
from noisemap.routes.pareto import (
    ArcCosts,
    Tolerance,
    pareto_routes,
    unbeaten,
    way_figures,
)
from noisemap.scene.model import Scene
from noisemap.states import Zone

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

QUIETER_SHARE = 0.95  # of the ordinary burden, below it a route counts as quieter
STEEPER = 0.0025  # of slope
HOTTER_K = 1.0
WEIGHTS = (0.1, 0.3, 1.0, 3.0, 10.0)  # of a share of the fastest way against its time
LEAST_MOVED = 0.01  # of the ordinary burden, what a place must gain to be named


@dataclass(frozen=True)
class Alternative:
    """A route with what speaks for and against it."""

    route: Route
    ordinary: bool  # the fastest lawful route
    over_limit: bool  # brakes over the planning limit
    worse: tuple[str, ...]  # why a merely quieter route is never first
    quieter_db: float  # people-weighted sound against the ordinary route

    @property
    def may_be_first(self) -> bool:
        """Whether the route may be told first."""
        return not self.over_limit and not self.worse


@dataclass(frozen=True)
class Answer:
    """What was found for a request."""

    alternatives: tuple[Alternative, ...]  # in the order in which they are told
    cut: str  # why there is no route; empty where there is one
    front: int  # routes on the whole front
    labels: int
    search_cut: bool  # the search ended before it was whole
    closed_links: int
    left_out_m: float  # roads outside the study's truck classes, not used
    unused_turns: int = 0  # turn restrictions that do not hang together

    @property
    def verdict(self) -> str:
        """The answer in words of one kind."""
        if not self.alternatives:
            return "no route"
        if not any(one.may_be_first for one in self.alternatives):
            return "no route within the planning limit"
        return "routes"


def usable_links(scene: Scene, vehicle: Vehicle) -> tuple[BoolArray, BoolArray, list[str]]:
    """Links on the study's truck roads, those of them open to the vehicle, and why not."""
    links = scene.links
    carries = np.array(
        [
            bool(scene.roads[road].emits[first]) and bool(scene.roads[road].trucks_allowed[first])
            for road, first in zip(links.road.tolist(), links.first.tolist(), strict=True)
        ],
        np.bool_,
    )
    reasons = closed_reason(links, vehicle)
    known = carries | np.array([bool(reason) for reason in reasons], np.bool_)
    return known, carries & np.array([not reason for reason in reasons], np.bool_), reasons


def nearest_point(scene: Scene, links: BoolArray, x: float, y: float) -> tuple[int, int, float]:
    """Road, point and distance [m] of the point nearest to a place on the links."""
    best = (-1, -1, float("inf"))
    for index in np.flatnonzero(links).tolist():
        road = scene.roads[int(scene.links.road[index])]
        first, last = int(scene.links.first[index]), int(scene.links.last[index])
        away = np.hypot(road.x[first : last + 1] - x, road.y[first : last + 1] - y)
        place = int(np.argmin(away))
        if away[place] < best[2]:
            best = (int(scene.links.road[index]), first + place, float(away[place]))
    return best


def find_routes(
    setting: Setting,
    vehicle: Vehicle,
    start: tuple[int, int],
    target: tuple[int, int],
    *,
    most: int = 3,
    longest: float | None = None,
) -> Answer:
    """Routes from one road point to another; the ordinary one is the fastest lawful one."""
    scene = setting.scene
    known, open_links, reasons = usable_links(scene, vehicle)
    left_out = _left_out(scene, known)
    closed = int(np.count_nonzero(known & ~open_links))
    net = network(scene, open_links, (start, target))
    ratio = choice("network", "longest") if longest is None else longest
    begin, end = net.node_of[start], net.node_of[target]
    costs = _costs(setting, net, ())
    fastest = fastest_arcs(net, costs.time_s, begin, end)
    if not fastest:
        cut = _cut(setting, reasons, start, target, known)
        return Answer((), cut, 0, 0, False, closed, left_out, net.unused_turns)
    limit = ratio * float(costs.time_s[fastest].sum())
    costs = _costs(setting, net, _binding(setting, limit))
    found = pareto_routes(
        net.tail,
        net.head,
        net.pointer,
        net.follow,
        costs,
        begin,
        end,
        entry_c=setting.one.entry_c,
        longest_s=limit,
        to_target_s=least_costs(net.tail, net.head, costs.time_s, net.junctions, end),
        to_target_burden=least_costs(net.tail, net.head, costs.burden, net.junctions, end),
        tolerance=Tolerance(
            choice("network", "like_burden") * float(costs.burden[fastest].sum()),
            choice("network", "like_zone_m"),
            choice("network", "like_k"),
        ),
        labels=int(choice("network", "labels")),
        plain=net.plain,
    )
    ways, figures = _front(setting, net, costs, (begin, end), found.ways, limit)
    chosen = spread_out(net, setting, ways, figures, most)
    routes = [evaluate(setting, net, way) for way in chosen]
    return Answer(
        ranked(routes, setting, most),
        "",
        len(ways),
        found.labels,
        found.cut,
        closed,
        left_out,
        net.unused_turns,
    )


def _front(
    setting: Setting,
    net: Network,
    costs: ArcCosts,
    ends: tuple[int, int],
    found: Sequence[tuple[int, ...]],
    longest_s: float,
) -> tuple[list[tuple[int, ...]], FloatArray]:
    """Ways found and ways by weighted sums that no other beats, in the order of time."""
    ways = list(dict.fromkeys([*weighted_ways(net, costs, *ends, setting.one.entry_c), *found]))
    figures = np.array([way_figures(costs, way, setting.one.entry_c) for way in ways])
    within = np.flatnonzero(figures[:, 0] <= longest_s)
    kept = within[unbeaten(figures[within])]
    return [ways[index] for index in kept.tolist()], figures[kept]


def weighted_ways(
    net: Network, costs: ArcCosts, start: int, target: int, entry_c: float
) -> list[tuple[int, ...]]:
    """Ways that are best for weighted sums of time with noise, zones and heating.

    They cost little whatever the size of the front, so a search that had to be cut still
    has alternatives to tell.  The fastest way is the first.
    """
    last = costs.node[1:] - 1
    heat = np.maximum((costs.factor[last] - 1.0) * entry_c + costs.offset[last], 0.0)
    ways = [tuple(fastest_arcs(net, costs.time_s, start, target))]
    time = float(costs.time_s[list(ways[0])].sum())
    for other in (costs.burden, costs.zone_m, heat):
        whole = float(other[list(ways[0])].sum())
        if whole <= 0.0:
            continue
        for weight in WEIGHTS:
            cost = costs.time_s / time + weight * other / whole
            ways.append(tuple(fastest_arcs(net, cost, start, target)))
    return list(dict.fromkeys(ways))


def _costs(setting: Setting, net: Network, zones: Sequence[Zone]) -> ArcCosts:
    """Costs of every arc with the retarder silent in some zones."""
    silent = silent_pieces(setting.scene, setting.pieces, zones)
    with_points, against = (
        drive_pieces(
            setting.pieces, silent, setting.one, setting.source, setting.weights, forward=way
        )
        for way in (True, False)
    )
    return arc_costs(net, setting.pieces, silent, with_points, against)


def _binding(setting: Setting, longest_s: float) -> tuple[Zone, ...]:
    """Zones that bind the truck and may be in force at any moment of the trip."""
    bound = tuple(
        zone for zone in setting.zones if zone.binds_truck(setting.one.kind, setting.source.exhaust)
    )
    if setting.depart_s is None:
        return bound
    hours = clock_hours(setting.depart_s, 0.0, min(longest_s, 24.0 * HOUR_S))
    return tuple(zone for zone in bound if zone.hours & hours)


def spread_out(
    net: Network,
    setting: Setting,
    ways: Sequence[tuple[int, ...]],
    figures: FloatArray,
    most: int,
) -> list[tuple[int, ...]]:
    """Fastest, quietest, coolest and freest of zones first, then what is most unlike them.

    Ways come in the order of time, their figures are time, burden, zones and hottest
    brakes.  A way that shares nearly all its length with one already taken is passed over.
    """
    wanted = [0, *(int(np.argmin(figures[:, column])) for column in (1, 3, 2))]
    order = [*dict.fromkeys(wanted), *(i for i in range(len(ways)) if i not in wanted)]
    taken: list[int] = []
    for index in order:
        if len(taken) >= most + 1:
            break
        shares = [_shared(net, setting, ways[index], ways[other]) for other in taken]
        if not shares or max(shares) <= choice("network", "shared"):
            taken.append(index)
    return [ways[index] for index in taken]


def _shared(net: Network, setting: Setting, a: Sequence[int], b: Sequence[int]) -> float:
    """Share of a's length that b drives too."""
    offset = setting.pieces.offset[net.road]
    lengths = np.array(
        [
            setting.pieces.length[
                int(offset[arc] + net.first[arc]) : int(offset[arc] + net.last[arc])
            ].sum()
            for arc in a
        ]
    )
    both = set(net.pieces_of(b))
    common = np.array([arc in both for arc in net.pieces_of(a)])
    return float(lengths[common].sum() / lengths.sum())


def ranked(routes: Sequence[Route], setting: Setting, most: int) -> tuple[Alternative, ...]:
    """Routes that no other beats when driven whole, in the order in which they are told.

    The ordinary route is the fastest.  First come those within the planning limit and
    in nothing but time behind the ordinary one, by burden; then merely quieter routes
    that are steeper or hotter than it; last those over the planning limit.
    """
    figures = np.array([[r.drive.duration_s, r.burden, r.zone_m, r.drive.peak_c] for r in routes])
    kept = unbeaten(figures).tolist()
    usual = min(kept, key=lambda index: figures[index, 0])
    base = routes[usual]
    told = []
    for index in kept:
        route = routes[index]
        worse = []
        if index != usual and route.burden < QUIETER_SHARE * base.burden:
            if route.steepest > base.steepest + STEEPER:
                worse.append("steeper than the ordinary route")
            if route.drive.peak_c > base.drive.peak_c + HOTTER_K:
                worse.append("brakes hotter than on the ordinary route")
        told.append(
            Alternative(
                route=route,
                ordinary=index == usual,
                over_limit=route.drive.peak_c > setting.planning_limit_c,
                worse=tuple(worse),
                quieter_db=_quieter(base.burden, route.burden),
            )
        )
    told.sort(key=lambda one: (one.over_limit, bool(one.worse), one.route.burden))
    return tuple(told[:most])


def _quieter(base: float, burden: float) -> float:
    if base <= 0.0 or burden <= 0.0:
        return 0.0
    return float(10.0 * np.log10(base / burden))


def _left_out(scene: Scene, known: BoolArray) -> float:
    """Length of roads that are read but carry no modelled trucks [m]."""
    links = scene.links
    return float(
        sum(
            scene.roads[road].chainage[last] - scene.roads[road].chainage[first]
            for road, first, last, used in zip(
                links.road.tolist(),
                links.first.tolist(),
                links.last.tolist(),
                known.tolist(),
                strict=True,
            )
            if not used
        )
    )


def _cut(
    setting: Setting,
    reasons: Sequence[str],
    start: tuple[int, int],
    target: tuple[int, int],
    known: BoolArray,
) -> str:
    """What stands between start and target."""
    scene = setting.scene
    for turns, words in ((None, ""), ((), "turn restrictions")):
        net = network(scene, known, (start, target), turns)
        lengths = _arc_lengths(net, setting)
        way = fastest_arcs(net, lengths, net.node_of[start], net.node_of[target])
        for arc in way:
            link = int(net.link[arc])
            if reasons[link]:
                road = scene.roads[int(net.road[arc])]
                where = float(road.chainage[int(net.first[arc])])
                return (
                    f"{road.name or road.road_id} at {where:.0f} m of its length: "
                    f"{reasons[link]} (line {scene.links.way[link]})"
                )
        if way and words:
            return f"{words} on the way by {_road_words(scene, net, way)}"
    return "the truck roads of this study do not connect the two places, or only one-way roads do"


def _arc_lengths(net: Network, setting: Setting) -> FloatArray:
    total = np.concatenate([[0.0], np.cumsum(setting.pieces.length)])
    base = setting.pieces.offset[net.road]
    return np.asarray(total[base + net.last] - total[base + net.first])


def _road_words(scene: Scene, net: Network, way: Sequence[int]) -> str:
    names = [scene.roads[int(net.road[arc])] for arc in way]
    return ", ".join(dict.fromkeys(road.name or road.road_id for road in names))


def places_of_homes(scene: Scene) -> tuple[str, ...]:
    """Name of the place of each home: the nearest town or village, else its nearest road."""
    from scipy.spatial import cKDTree

    homes = np.column_stack([scene.homes.x, scene.homes.y])
    if scene.places:
        tree = cKDTree([(one.x, one.y) for one in scene.places])
        return tuple(scene.places[index].name for index in tree.query(homes)[1].tolist())
    named = [road for road in scene.roads if road.name] or list(scene.roads)
    points = np.concatenate([np.column_stack([road.x, road.y]) for road in named])
    owner = np.repeat(np.arange(len(named)), [len(road.x) for road in named])
    nearest = owner[cKDTree(points).query(homes)[1]]
    return tuple(
        f"homes by {named[index].name or named[index].road_id}" for index in nearest.tolist()
    )


def moved_to(
    setting: Setting, places: Sequence[str], base: Route, route: Route
) -> tuple[tuple[str, float, float], ...]:
    """Places by name with people and the change of their people-weighted sound [dB].

    Only places that become noticeably louder than with the ordinary route, the largest
    gain of burden first.
    """
    own = np.array(places, dtype=object)[setting.scene.receivers.home]
    found = []
    for name in dict.fromkeys(places):
        at = own == name
        before = float(setting.people[at] @ base.exposure[at])
        after = float(setting.people[at] @ route.exposure[at])
        if after - before <= LEAST_MOVED * base.burden or after <= 0.0:
            continue
        change = _quieter(after, before) if before > 0.0 else float("inf")
        if change >= choice("descent", "noticed_db"):
            found.append((after - before, name, float(setting.people[at].sum()), change))
    found.sort(key=lambda row: -row[0])
    return tuple((name, people, change) for _, name, people, change in found)
