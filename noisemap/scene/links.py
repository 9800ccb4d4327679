"""The roads as links between junctions, with what trucks must know of each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from noisemap.readers.osm import is_osm
from noisemap.readers.osm_relations import read_places, read_turns
from noisemap.scene.crs import WGS84, project
from noisemap.scene.grades import Chain
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.model import Links, NamedPlace, Road, TurnRule
from noisemap.scene.network import Edge
from noisemap.scene.notes import Notes


def road_links(edges: Sequence[Edge], chains: Sequence[Chain], roads: Sequence[Road]) -> Links:
    """Links of all roads in the order of the roads' points; an edge is one link.

    A road may have been turned round since its chain was made.
    """
    rows: list[tuple[int, int, int, int, int, int]] = []
    for index, (chain, road) in enumerate(zip(chains, roads, strict=True)):
        cuts = np.flatnonzero(np.diff(chain.edge)) + 1
        begins, ends = [0, *cuts.tolist()], [*cuts.tolist(), len(chain.edge)]
        turned = not (np.array_equal(road.x, chain.x) and np.array_equal(road.y, chain.y))
        for begin, stop in zip(begins, ends, strict=True):
            own = int(chain.edge[begin])
            nodes = (edges[own].start, edges[own].end)
            first, last = begin, stop
            if not chain.forward[begin]:
                nodes = nodes[::-1]
            if turned:
                first, last = len(chain.edge) - stop, len(chain.edge) - begin
                nodes = nodes[::-1]
            rows.append((index, first, last, *nodes, own))
    rows.sort(key=lambda row: row[:2])
    table = np.array(rows, np.int64).reshape(-1, 6)
    own_edges = table[:, 5].tolist()
    limits = [edges[index].way.tags.limits for index in own_edges]
    return Links(
        road=table[:, 0],
        first=table[:, 1],
        last=table[:, 2],
        start=table[:, 3],
        end=table[:, 4],
        way=tuple(edges[index].way.way_id for index in own_edges),
        height_m=np.array([limit.height_m for limit in limits]),
        mass_t=np.array([limit.mass_t for limit in limits]),
        access=tuple(limit.access for limit in limits),
        hazmat=tuple(limit.hazmat for limit in limits),
    )


def read_turn_rules(inputs: SceneInputs, notes: Notes) -> tuple[TurnRule, ...]:
    """Turn restrictions of the road file, where its kind can hold them."""
    if not is_osm(inputs.roads_file):
        return ()
    found = read_turns(inputs.roads_file)
    if found.unusable:
        notes.assumptions.append(
            "Turn restrictions that lack a member or are of an unknown kind, not used in routes: "
            f"{found.unusable:,}."
        )
    if found.timed:
        notes.assumptions.append(
            "Turn restrictions with hours or other conditions, taken in routes as always binding: "
            f"{found.timed:,}."
        )
    return tuple(
        TurnRule(
            str(turn.from_way),
            turn.node,
            str(turn.to_way),
            turn.only,
            tuple(str(way) for way in turn.over),
        )
        for turn in found.turns
    )


def read_named_places(inputs: SceneInputs, crs: str) -> tuple[NamedPlace, ...]:
    """Towns and villages of the homes' file, where its kind can hold them."""
    if not is_osm(inputs.homes_file):
        return ()
    found = read_places(inputs.homes_file)
    if not found:
        return ()
    lon, lat = np.array([one.lon for one in found]), np.array([one.lat for one in found])
    xy = project(WGS84, crs, lon, lat)
    return tuple(
        NamedPlace(one.name, one.kind, float(x), float(y))
        for one, (x, y) in zip(found, xy.tolist(), strict=True)
    )
