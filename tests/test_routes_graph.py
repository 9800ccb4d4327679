"""The truck network and its search against plain enumeration on small graphs."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from noisemap.routes.choose import weighted_ways
from noisemap.routes.network import (
    Network,
    Vehicle,
    allowed_turns,
    closed_reason,
    fastest_arcs,
    least_costs,
    least_of_parallel,
    main_part,
    network,
)
from noisemap.routes.pareto import (
    ArcCosts,
    Found,
    Tolerance,
    pareto_routes,
    way_figures,
)
from noisemap.scene.model import Links, Road, Scene, TurnRule


def random_graph(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, ArcCosts]:
    """Tails, heads, link of each arc, and costs; some links are one-way, some parallel."""
    draw = np.random.default_rng(seed)
    nodes = int(draw.integers(5, 8))
    tail, head, link = [], [], []
    for number in range(int(draw.integers(9, 13))):
        a, b = draw.choice(nodes, 2, replace=False).tolist()
        for u, v in ((a, b), (b, a))[: 1 + int(draw.random() < 0.7)]:
            tail.append(u)
            head.append(v)
            link.append(number)
    arcs = len(tail)
    steps = draw.integers(1, 4, arcs)
    node = np.concatenate([[0], np.cumsum(steps + 1)])
    factor, offset, stop = np.ones(node[-1]), np.zeros(node[-1]), draw.uniform(0, 20, node[-1])
    for arc in range(arcs):
        a, c = 1.0, 0.0
        for place in range(int(node[arc]) + 1, int(node[arc + 1])):
            decay = draw.uniform(0.7, 1.0)
            level = draw.choice([30.0, 120.0, 260.0])
            a, c = decay * a, decay * c + (1.0 - decay) * level
            factor[place], offset[place] = a, c
    costs = ArcCosts(
        draw.uniform(1.0, 10.0, arcs).round(1),
        draw.uniform(0.0, 10.0, arcs).round(1),
        np.where(draw.random(arcs) < 0.3, draw.uniform(10.0, 90.0, arcs).round(), 0.0),
        node.astype(np.int64),
        factor,
        offset,
        stop,
    )
    return np.array(tail), np.array(head), np.array(link), costs


def enumerated(
    tail: np.ndarray,
    head: np.ndarray,
    pointer: np.ndarray,
    follow: np.ndarray,
    costs: ArcCosts,
    start: int,
    target: int,
    longest: float,
) -> set[tuple[float, ...]]:
    """Figures of all routes that meet no junction twice and that no other beats."""
    found: list[tuple[float, ...]] = []

    def go(arc: int, seen: frozenset[int], figures: tuple[float, ...]) -> None:
        t, b, z, k, p = figures
        after = k
        for place in range(int(costs.node[arc]), int(costs.node[arc + 1])):
            after = costs.factor[place] * k + costs.offset[place]
            p = max(p, after + costs.stop[place])
        t, b, z = t + costs.time_s[arc], b + costs.burden[arc], z + costs.zone_m[arc]
        to = int(head[arc])
        if t > longest or to in seen:
            return
        if to == target:
            found.append((t, b, z, p))
            return
        for new in follow[pointer[arc] : pointer[arc + 1]].tolist():
            go(new, seen | {to}, (t, b, z, after, p))

    for arc in np.flatnonzero(tail == start).tolist():
        go(arc, frozenset({start}), (0.0, 0.0, 0.0, 65.0, -math.inf))
    return {
        tuple(round(v, 6) for v in one)
        for one in found
        if not any(
            all(x <= y for x, y in zip(other, one, strict=True)) and other != one for other in found
        )
    }


def search(
    tail: np.ndarray,
    head: np.ndarray,
    pointer: np.ndarray,
    follow: np.ndarray,
    costs: ArcCosts,
    longest: float,
    **more: object,
) -> Found:
    nodes = int(max(tail.max(), head.max())) + 1
    return pareto_routes(
        tail,
        head,
        pointer,
        follow,
        costs,
        0,
        1,
        entry_c=65.0,
        longest_s=longest,
        to_target_s=least_costs(tail, head, costs.time_s, nodes, 1),
        to_target_burden=least_costs(tail, head, costs.burden, nodes, 1),
        **more,  # type: ignore[arg-type]
    )


def figures(found: Found) -> set[tuple[float, ...]]:
    rows = np.column_stack([found.time_s, found.burden, found.zone_m, found.peak_c])
    return {tuple(row) for row in rows.round(6).tolist()}


def rules_for(seed: int, tail: np.ndarray, head: np.ndarray, link: np.ndarray) -> list:
    draw = np.random.default_rng(1000 + seed)
    rules = []
    for _ in range(3):
        arc = int(draw.integers(len(tail)))
        after = np.flatnonzero((tail == head[arc]) & (link != link[arc]))
        if len(after):
            to = int(draw.choice(after))
            rules.append((str(link[arc]), int(head[arc]), str(link[to]), bool(draw.random() < 0.4)))
    return rules


@pytest.mark.parametrize("ruled", [False, True])
def test_pareto_routes_equal_enumeration(ruled: bool) -> None:
    reached = several = 0
    for seed in range(150):
        tail, head, link, costs = random_graph(seed)
        rules = rules_for(seed, tail, head, link) if ruled else []
        pointer, follow = allowed_turns(tail, head, link, [str(v) for v in link], rules)
        for longest in (18.0, 60.0):
            true = enumerated(tail, head, pointer, follow, costs, 0, 1, longest)
            found = search(tail, head, pointer, follow, costs, longest)
            assert figures(found) == true, (seed, longest)
            assert not found.cut
            reached += bool(true)
            several += len(true) > 1
    assert reached > 100
    assert several > 60


def test_every_route_holds_together() -> None:
    tail, head, link, costs = random_graph(3)
    pointer, follow = allowed_turns(tail, head, link, [str(v) for v in link], [])
    found = search(tail, head, pointer, follow, costs, 60.0)
    assert found.ways
    for way, taken in zip(found.ways, found.time_s.tolist(), strict=True):
        assert tail[way[0]] == 0
        assert head[way[-1]] == 1
        assert all(head[a] == tail[b] for a, b in pairwise(way))
        assert sum(costs.time_s[list(way)]) == pytest.approx(taken)


def test_tolerance_thins_the_front_and_keeps_its_ends() -> None:
    thinned = 0
    for seed in range(60):
        tail, head, link, costs = random_graph(seed)
        pointer, follow = allowed_turns(tail, head, link, [str(v) for v in link], [])
        whole = search(tail, head, pointer, follow, costs, 60.0)
        if not whole.ways:
            continue
        few = search(tail, head, pointer, follow, costs, 60.0, tolerance=Tolerance(2.0, 30.0, 20.0))
        assert 1 <= len(few.ways) <= len(whole.ways)
        assert few.time_s[0] == pytest.approx(whole.time_s[0])
        thinned += len(few.ways) < len(whole.ways)
    assert thinned > 5


def test_figures_of_a_way_are_those_of_the_search() -> None:
    checked = 0
    for seed in range(30):
        tail, head, link, costs = random_graph(seed)
        pointer, follow = allowed_turns(tail, head, link, [str(v) for v in link], [])
        found = search(tail, head, pointer, follow, costs, 60.0)
        for place, way in enumerate(found.ways):
            expected = (
                found.time_s[place],
                found.burden[place],
                found.zone_m[place],
                found.peak_c[place],
            )
            assert way_figures(costs, way, 65.0) == pytest.approx(expected, rel=1e-12)
            checked += 1
    assert checked > 30


def test_weighted_ways_start_with_the_fastest_and_are_never_beaten() -> None:
    """A way best for a weighted sum of time and burden is beaten by none in both."""
    several = 0
    for seed in range(60):
        tail, head, link, costs = random_graph(seed)
        pointer, follow = allowed_turns(tail, head, link, [str(v) for v in link], [])
        cool = replace(costs, factor=np.ones_like(costs.factor), offset=costs.offset * 0.0)
        cool = replace(cool, zone_m=cool.zone_m * 0.0)
        nodes = int(max(tail.max(), head.max())) + 1
        empty = np.zeros(len(tail), np.int64)
        net = Network(
            empty, empty, empty, empty.astype(bool), tail, head, link, nodes, pointer, follow, {}
        )
        true = enumerated(tail, head, pointer, follow, cool, 0, 1, math.inf)
        if not true:
            continue
        ways = weighted_ways(net, cool, 0, 1, 65.0)
        shown = [way_figures(cool, way, 65.0)[:2] for way in ways]
        assert shown[0][0] == pytest.approx(min(row[0] for row in true))
        for time_s, burden in shown:
            assert not any(t < time_s - 1e-6 and b < burden - 1e-6 for t, b, *_ in true)
        several += len(ways) > 1
    assert several > 10


def test_a_cut_search_says_so() -> None:
    tail, head, link, costs = random_graph(3)
    pointer, follow = allowed_turns(tail, head, link, [str(v) for v in link], [])
    assert search(tail, head, pointer, follow, costs, 60.0, labels=2).cut


def test_parallel_arcs_count_once_with_the_least_cost() -> None:
    row, column = np.array([0, 0, 1, 0]), np.array([1, 1, 2, 1])
    matrix = least_of_parallel(row, column, np.array([5.0, 3.0, 2.0, 4.0]), 3)
    assert matrix.nnz == 2
    assert matrix[0, 1] == 3.0
    assert least_costs(row, column, np.array([5.0, 3.0, 2.0, 4.0]), 3, 2).tolist() == [
        5.0,
        2.0,
        0.0,
    ]


def test_no_turn_leads_back_on_the_same_link() -> None:
    tail, head = np.array([0, 1, 1, 2]), np.array([1, 0, 2, 1])
    pointer, follow = allowed_turns(tail, head, np.array([0, 0, 1, 1]), ["a", "a", "b", "b"], [])
    after = [follow[pointer[arc] : pointer[arc + 1]].tolist() for arc in range(4)]
    assert after == [[2], [], [], [1]]


# --- a made-up town on a scene ---------------------------------------------------------


def crossing(**changes: object) -> Scene:
    """Four roads: A-B straight on to C, a side road B-D, and a detour D-C."""
    corners = {
        "a": [(0.0, 0.0), (100.0, 0.0)],
        "b": [(100.0, 0.0), (200.0, 0.0)],
        "d": [(100.0, 0.0), (100.0, 100.0)],
        "e": [(100.0, 100.0), (200.0, 0.0)],
    }
    nodes = {"a": (0, 1), "b": (1, 2), "d": (1, 3), "e": (3, 2)}
    roads = []
    for name, points in corners.items():
        xy = np.array([np.linspace(p, q, 11) for p, q in zip(*points, strict=True)])
        along = np.hypot(xy[0] - xy[0, 0], xy[1] - xy[1, 0])
        roads.append(
            Road(
                name, f"{name} road", "primary", xy[0], xy[1], along, np.zeros(11),
                np.zeros(10), np.zeros(10, np.uint8), np.full(10, 50.0), np.zeros(10, bool),
                np.ones(10, bool), 0, emits=np.ones(10, bool), direction=np.zeros(10, np.int8),
            )
        )  # fmt: skip
    links = Links(
        np.arange(4),
        np.zeros(4, np.int64),
        np.full(4, 10),
        np.array([nodes[name][0] for name in corners]),
        np.array([nodes[name][1] for name in corners]),
        tuple(corners),
        np.full(4, np.nan),
        np.full(4, np.nan),
        ("unknown",) * 4,
        ("unknown",) * 4,
    )
    import hill

    return replace(hill.scene(), roads=tuple(roads), links=links, **changes)


def way_of(net: Network, start: tuple[int, int], target: tuple[int, int]) -> list[str]:
    cost = (net.last - net.first).astype(float)
    arcs = fastest_arcs(net, cost, net.node_of[start], net.node_of[target])
    return ["abde"[net.road[arc]] for arc in arcs]


A_MIDDLE, C = (0, 4), (1, 10)


def test_network_cuts_links_at_the_ends_of_a_route() -> None:
    net = network(crossing(), np.ones(4, bool), [A_MIDDLE, C])
    assert net.arcs == 10
    assert way_of(net, A_MIDDLE, C) == ["a", "b"]
    begins = (net.road == 0) & (net.tail == net.node_of[A_MIDDLE]) & net.forward
    arc = int(np.flatnonzero(begins)[0])
    assert (net.first[arc], net.last[arc]) == (4, 10)


def test_turn_restrictions_and_closed_links_send_trucks_round() -> None:
    no = crossing(turns=(TurnRule("a", 1, "b", only=False),))
    assert way_of(network(no, np.ones(4, bool), [A_MIDDLE, C]), A_MIDDLE, C) == ["a", "d", "e"]
    only = crossing(turns=(TurnRule("a", 1, "d", only=True),))
    assert way_of(network(only, np.ones(4, bool), [A_MIDDLE, C]), A_MIDDLE, C) == ["a", "d", "e"]
    closed = np.array([True, False, True, True])
    assert way_of(network(crossing(), closed, [A_MIDDLE, (3, 10)]), A_MIDDLE, (3, 10)) == [
        "a",
        "d",
        "e",
    ]


def test_one_way_roads_are_kept() -> None:
    town = crossing()
    against = replace(town.roads[1], direction=np.full(10, -1, np.int8))
    town = replace(town, roads=(town.roads[0], against, *town.roads[2:]))
    assert way_of(network(town, np.ones(4, bool), [A_MIDDLE, C]), A_MIDDLE, C) == ["a", "d", "e"]
    assert way_of(network(town, np.ones(4, bool), [A_MIDDLE, C]), C, A_MIDDLE) == ["b", "a"]
    assert main_part(town, np.ones(4, bool)).all()
    dead_end = replace(town.roads[0], direction=np.ones(10, np.int8))
    trapped = replace(town, roads=(dead_end, *town.roads[1:]))
    assert main_part(trapped, np.ones(4, bool)).tolist() == [False, True, True, True]


def test_what_is_known_closes_and_what_is_not_stays_open() -> None:
    links = replace(
        crossing().links,
        height_m=np.array([np.nan, 4.0, np.inf, 4.2]),
        mass_t=np.array([np.nan, 40.0, 7.5, 40.0]),
        access=("unknown", "yes", "yes", "no"),
        hazmat=("unknown", "no", "no", "no"),
    )
    truck = Vehicle(36_000.0, 4.1)
    assert closed_reason(links, truck) == [
        "",
        "height limit 4 m",
        "weight limit 7.5 t",
        "trucks are not allowed",
    ]
    low = Vehicle(5_000.0, 3.0, hazmat=True)
    assert closed_reason(links, low)[:3] == ["", "hazardous loads are not allowed"] * 1 + [
        "hazardous loads are not allowed"
    ]


def test_a_hundred_thousand_links() -> None:
    """A grid of 225 x 225 junctions, 100,800 links both ways, with its turns."""
    side = 225
    grid = np.arange(side * side).reshape(side, side)
    a = np.concatenate([grid[:, :-1].ravel(), grid[:-1].ravel()])
    b = np.concatenate([grid[:, 1:].ravel(), grid[1:].ravel()])
    tail, head = np.concatenate([a, b]), np.concatenate([b, a])
    line = np.concatenate([np.arange(len(a))] * 2)
    cost = np.random.default_rng(1).uniform(5.0, 15.0, len(tail))
    pointer, follow = allowed_turns(tail, head, line, [""] * len(tail), [])
    empty = np.zeros(len(tail), np.int64)
    net = Network(
        empty, empty, empty, empty.astype(bool), tail, head, line, side * side, pointer, follow, {}
    )
    way = fastest_arcs(net, cost, 0, side * side - 1)
    bound = least_costs(tail, head, cost, side * side, side * side - 1)
    assert len(a) >= 100_000
    # turning back never helps, so the graph of turns gives the plain shortest way
    assert cost[way].sum() == pytest.approx(bound[0])
