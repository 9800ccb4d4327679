"""OpenStreetMap extracts: turn restrictions and named places."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import osmium

from noisemap.readers.osm import extract_file, guarded

PLACE_KINDS = ("city", "town", "village", "suburb", "hamlet", "neighbourhood")
TRUCK_KEYS = (
    "restriction:hgv",
    "restriction:hgv:conditional",
    "restriction",
    "restriction:conditional",
)
EXCEPTED = ("hgv", "motor_vehicle", "vehicle")


@dataclass(frozen=True)
class OsmTurn:
    """One restriction: a turn that is forbidden, or the only one allowed."""

    from_way: int
    node: int | None  # None where it leads over ways
    to_way: int
    only: bool
    over: tuple[int, ...] = ()  # the ways over which it leads


@dataclass(frozen=True)
class OsmTurns:
    """Restrictions that bind trucks, and how many need a word."""

    turns: tuple[OsmTurn, ...]
    unusable: int  # that lack a member or are of an unknown kind
    timed: int  # with hours or another condition, taken as always binding


@dataclass(frozen=True)
class OsmPlace:
    """One named place."""

    name: str
    kind: str
    lon: float  # [deg]
    lat: float


def read_turns(path: Path) -> OsmTurns:
    """Turn restrictions that bind trucks, at one node or over one or more ways.

    A restriction for trucks goes before the general one of the same relation.

    Raises
    ------
    BadDataError
        When the file is cut, damaged or not OpenStreetMap data.
    """
    path = extract_file(path)
    turns: list[OsmTurn] = []
    unusable = timed = 0
    for found, conditional in guarded(path, _rules(path)):
        if found is None:
            unusable += 1
        else:
            turns += found
            timed += conditional and bool(found)
    return OsmTurns(tuple(turns), unusable, timed)


def _rules(path: Path) -> Iterator[tuple[list[OsmTurn] | None, bool]]:
    reader = osmium.FileProcessor(str(path), osmium.osm.RELATION).with_filter(
        osmium.filter.KeyFilter(*TRUCK_KEYS)
    )
    for relation in reader:
        tags = {tag.k: tag.v for tag in relation.tags}
        key = next(key for key in TRUCK_KEYS if key in tags)
        rule, condition, _ = tags[key].partition("@")
        yield _turns(relation, tags, rule.strip()), bool(condition)


def _turns(relation: Any, tags: Mapping[str, str], rule: str) -> list[OsmTurn] | None:
    """Turns of one relation; empty where it does not bind trucks, None where it is no use."""
    excepted = [word.strip() for word in tags.get("except", "").split(";")]
    if any(word in EXCEPTED for word in excepted):
        return []
    members: dict[str, list[tuple[str, int]]] = {"from": [], "via": [], "to": []}
    for member in relation.members:
        if member.role in members:
            members[member.role].append((member.type, int(member.ref)))
    via = members["via"]
    at_node = len(via) == 1 and via[0][0] == "n"
    over_ways = bool(via) and all(kind == "w" for kind, _ in via)
    sources = [ref for kind, ref in members["from"] if kind == "w"]
    targets = [ref for kind, ref in members["to"] if kind == "w"]
    whole = (at_node or over_ways) and sources and targets
    if not whole or not rule.startswith(("no_", "only_")):
        return None
    return [
        OsmTurn(
            source,
            via[0][1] if at_node else None,
            target,
            rule.startswith("only_"),
            () if at_node else tuple(ref for _, ref in via),
        )
        for source in sources
        for target in targets
    ]


def read_places(path: Path) -> tuple[OsmPlace, ...]:
    """Named cities, towns, villages, suburbs and hamlets.

    Raises
    ------
    BadDataError
        When the file is cut, damaged or not OpenStreetMap data.
    """
    path = extract_file(path)
    return tuple(guarded(path, _places(path)))


def _places(path: Path) -> Iterator[OsmPlace]:
    reader = osmium.FileProcessor(str(path), osmium.osm.NODE).with_filter(
        osmium.filter.KeyFilter("place")
    )
    for node in reader:
        tags = {tag.k: tag.v for tag in node.tags}
        name = tags.get("name", "").strip()
        if tags["place"] in PLACE_KINDS and name:
            yield OsmPlace(name, tags["place"], node.location.lon, node.location.lat)
