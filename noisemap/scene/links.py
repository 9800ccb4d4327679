"""The roads as links between junctions, with what trucks must know of each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from noisemap.readers.osm import is_osm
from noisemap.readers.osm_relations import read_places, read_turns
from noisemap.scene.crs import WGS84, project
from noisemap.scene.grades import Chain
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.model import Links, NamedPlace, TurnRule
from noisemap.scene.network import Edge
from noisemap.scene.notes import Notes


def road_links(edges: Sequence[Edge], chains: Sequence[Chain]) -> Links:
    """Links of all roads in the order of the roads' points; an edge is one link."""
    road: list[int] = []
    first: list[int] = []
    last: list[int] = []
    start: list[int] = []
    end: list[int] = []
    own: list[int] = []
    for index, chain in enumerate(chains):
        cuts = np.flatnonzero(np.diff(chain.edge)) + 1
        begins = [0, *cuts.tolist()]
        ends = [*cuts.tolist(), len(chain.edge)]
        for begin, stop in zip(begins, ends, strict=True):
            edge = edges[int(chain.edge[begin])]
            nodes = (edge.start, edge.end) if chain.forward[begin] else (edge.end, edge.start)
            road.append(index)
            first.append(begin)
            last.append(stop)
            start.append(nodes[0])
            end.append(nodes[1])
            own.append(int(chain.edge[begin]))
    limits = [edges[index].way.tags.limits for index in own]
    return Links(
        road=np.array(road, np.int64),
        first=np.array(first, np.int64),
        last=np.array(last, np.int64),
        start=np.array(start, np.int64),
        end=np.array(end, np.int64),
        way=tuple(edges[index].way.way_id for index in own),
        height_m=np.array([limit.height_m for limit in limits]),
        mass_t=np.array([limit.mass_t for limit in limits]),
        access=tuple(limit.access for limit in limits),
        hazmat=tuple(limit.hazmat for limit in limits),
    )


def read_turn_rules(inputs: SceneInputs, notes: Notes) -> tuple[TurnRule, ...]:
    """Turn restrictions of the road file, where its kind can hold them."""
    if not is_osm(inputs.roads_file):
        return ()
    found, unused = read_turns(inputs.roads_file)
    if unused:
        notes.assumptions.append(
            "Turn restrictions that lead over a way, or lack a member, not used in routes: "
            f"{unused:,}."
        )
    return tuple(
        TurnRule(str(turn.from_way), turn.node, str(turn.to_way), turn.only) for turn in found
    )


def read_named_places(inputs: SceneInputs, crs: str) -> tuple[NamedPlace, ...]:
    """Towns and villages of the homes' file, where its kind can hold them."""
    if not is_osm(inputs.homes_file):
        return ()
    found = read_places(inputs.homes_file)
    lon, lat = np.array([one.lon for one in found]), np.array([one.lat for one in found])
    xy = project(WGS84, crs, lon, lat)
    return tuple(
        NamedPlace(one.name, one.kind, float(x), float(y))
        for one, (x, y) in zip(found, xy.tolist(), strict=True)
    )
