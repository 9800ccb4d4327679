"""Turn restrictions over ways against a plain reading of every route on small graphs."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from test_routes_graph import A_MIDDLE, C, crossing, random_graph, way_of

from noisemap.routes.chains import Lane, chains, forbidden, with_memory
from noisemap.routes.network import allowed_turns, least_costs, network
from noisemap.routes.pareto import ArcCosts, pareto_routes, unbeaten, way_figures
from noisemap.scene.model import TurnRule

SEEDS = 120


@dataclass(frozen=True)
class Rule:
    """A restriction over ways as the plain reading knows it."""

    source: str
    over: tuple[str, ...]
    target: str
    only: bool


def rules_over_ways(seed: int, tail: np.ndarray, head: np.ndarray, way: list[str]) -> list[Rule]:
    """Restrictions along random walks, so that they hang together."""
    draw = np.random.default_rng(5000 + seed)
    rules = []
    for _ in range(12):
        walk = [int(draw.integers(len(tail)))]
        for _ in range(int(draw.integers(2, 5))):
            further = np.flatnonzero(tail == head[walk[-1]])
            further = further[[way[arc] != way[walk[-1]] for arc in further]]
            if len(further):
                walk.append(int(draw.choice(further)))
        if len(walk) > 2:
            names = [way[arc] for arc in walk]
            rules.append(Rule(names[0], tuple(names[1:-1]), names[-1], bool(draw.random() < 0.4)))
    return rules[:6]


def legs(rule: Rule, walk: Sequence[int], head: np.ndarray, way: list[str]) -> bool:
    """Whether a walk drives a restriction from its first to its last way, nothing more."""
    middle = [way[arc] for arc in walk[1:-1]]
    met = [int(head[arc]) for arc in walk[:-1]]
    return (
        way[walk[0]] == rule.source
        and way[walk[-1]] == rule.target
        and set(middle) == set(rule.over)
        and len(set(met)) == len(met)
    )


def walks(
    walk: tuple[int, ...], rule: Rule, tail: np.ndarray, head: np.ndarray, way: list[str]
) -> Iterator[tuple[int, ...]]:
    """Every walk from an arc on over the ways of a restriction that meets no junction twice."""
    if len(walk) > 2 and legs(rule, walk, head, way):
        yield walk
    met = {int(head[arc]) for arc in walk}
    for arc in np.flatnonzero(tail == head[walk[-1]]).tolist():
        if way[arc] == rule.target and legs(rule, (*walk, arc), head, way):
            yield (*walk, arc)
        if way[arc] in rule.over and int(head[arc]) not in met:
            yield from walks((*walk, arc), rule, tail, head, way)


def obeys(
    rule: Rule,
    route: Sequence[int],
    full: dict[int, list[tuple[int, ...]]],
    head: np.ndarray,
    way: list[str],
) -> bool:
    """Whether a route keeps to a restriction, read straight from its words."""
    for place in range(len(route)):
        if rule.only:
            wanted = full.get(route[place], [])
            rest = tuple(route[place:])
            if wanted and not any(rest[: len(one)] == one[: len(rest)] for one in wanted):
                return False
        else:
            for stop in range(place + 3, len(route) + 1):
                if legs(rule, route[place:stop], head, way):
                    return False
    return True


def every_route(
    tail: np.ndarray, head: np.ndarray, pointer: np.ndarray, follow: np.ndarray
) -> list[tuple[int, ...]]:
    """All routes from junction 0 to junction 1 that meet no junction twice."""
    found: list[tuple[int, ...]] = []

    def go(route: tuple[int, ...], met: frozenset[int]) -> None:
        at = int(head[route[-1]])
        if at == 1:
            found.append(route)
        elif at not in met:
            for arc in follow[pointer[route[-1]] : pointer[route[-1] + 1]].tolist():
                go((*route, arc), met | {at})

    for arc in np.flatnonzero(tail == 0).tolist():
        go((arc,), frozenset({0}))
    return found


def test_routes_under_restrictions_over_ways_equal_the_plain_reading() -> None:
    """All routes, and the whole front of them, with ways of one or two links."""
    bound = fronts = 0
    for seed in range(SEEDS):
        tail, head, line, costs = random_graph(seed)
        way = [str(number // 2 if seed % 2 else number) for number in line.tolist()]
        rules = rules_over_ways(seed, tail, head, way)
        pointer, follow = allowed_turns(tail, head, line, way, [])
        lanes = [
            Lane((arc, 0, 1, True), way[arc], int(tail[arc]), int(head[arc]))
            for arc in range(len(tail))
        ]
        arc_of = {lane.key: arc for arc, lane in enumerate(lanes)}
        banned, wanted = set(), []
        for rule in rules:
            found = chains(lanes, rule.source, rule.over, rule.target)
            banned |= forbidden(found, rule.only, arc_of, pointer, follow)
            begins = [arc for arc in range(len(tail)) if way[arc] == rule.source]
            wanted.append({arc: list(walks((arc,), rule, tail, head, way)) for arc in begins})
        routes = every_route(tail, head, pointer, follow)
        kept = [
            route
            for route in routes
            if all(obeys(r, route, w, head, way) for r, w in zip(rules, wanted, strict=True))
        ]
        pointer, follow, copied = with_memory(pointer, follow, banned)
        at = np.concatenate([np.arange(len(tail)), copied])
        own = every_route(tail, head[at], pointer, follow)
        assert sorted(tuple(at[list(route)].tolist()) for route in own) == sorted(kept), seed
        front = pareto_routes(
            tail[at],
            head[at],
            pointer,
            follow,
            copied_costs(costs, at),
            0,
            1,
            entry_c=65.0,
            longest_s=math.inf,
            to_target_s=least_costs(tail, head, costs.time_s, 8, 1),
            to_target_burden=least_costs(tail, head, costs.burden, 8, 1),
            plain=len(tail),
        )
        figures = np.array([way_figures(costs, route, 65.0) for route in kept]).reshape(-1, 4)
        best = figures[unbeaten(figures)]
        got = np.column_stack([front.time_s, front.burden, front.zone_m, front.peak_c])
        assert got == pytest.approx(best, rel=1e-12), seed
        bound += len(kept) < len(routes)
        fronts += len(best) > 1
    assert bound > 40
    assert fronts > 20


def copied_costs(costs: ArcCosts, at: np.ndarray) -> ArcCosts:
    """Costs of the arcs with those of their copies behind them."""
    parts = [np.arange(costs.node[arc], costs.node[arc + 1]) for arc in at.tolist()]
    nodes = np.concatenate(parts)
    return ArcCosts(
        costs.time_s[at],
        costs.burden[at],
        costs.zone_m[at],
        np.concatenate([[0], np.cumsum([len(part) for part in parts])]),
        costs.factor[nodes],
        costs.offset[nodes],
        costs.stop[nodes],
    )


def test_start_and_target_cut_the_ways_of_a_restriction() -> None:
    """From a over d into e is forbidden: not for who starts on d, nor for who ends on it."""
    ban = crossing(turns=(TurnRule("a", None, "e", only=False, over=("d",)),))
    open_links = np.array([True, False, True, True])
    end_of_e, middle_of_d = (3, 10), (2, 5)
    net = network(ban, open_links, [A_MIDDLE, end_of_e, middle_of_d])
    assert len(net.copied) == 2
    assert net.plain == net.arcs - 2
    assert way_of(net, A_MIDDLE, end_of_e) == []
    assert way_of(net, middle_of_d, end_of_e) == ["d", "e"]
    assert way_of(net, A_MIDDLE, middle_of_d) == ["a", "d"]
    assert way_of(network(ban, np.ones(4, bool), [A_MIDDLE, C]), A_MIDDLE, C) == ["a", "b"]


def test_the_only_way_allowed_stays_so_where_it_is_closed() -> None:
    must = crossing(turns=(TurnRule("a", None, "e", only=True, over=("d",)),))
    ends = [A_MIDDLE, C]
    assert way_of(network(must, np.ones(4, bool), ends), *ends) == ["a", "d", "e"]
    for closed in (2, 3):
        open_links = np.ones(4, bool)
        open_links[closed] = False
        assert way_of(network(must, open_links, ends), *ends) == []


def test_restrictions_over_several_ways_and_those_that_hang_in_the_air() -> None:
    around = TurnRule("a", None, "b", only=False, over=("e", "d"))
    net = network(crossing(turns=(around,)), np.ones(4, bool))
    assert net.unused_turns == 0
    # the file may list the ways in any order: the chain leads from a over d and e into b
    assert [int(net.road[arc]) for arc in net.copied] == [2, 3]
    loose = replace(around, over=("b",), to_way="d")
    assert network(crossing(turns=(loose,)), np.ones(4, bool)).unused_turns == 1
    outside = replace(around, over=("far away",))
    assert network(crossing(turns=(outside,)), np.ones(4, bool)).unused_turns == 0
