"""OpenStreetMap extracts: turn restrictions and named places."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import osmium

from noisemap.readers.osm import extract_file, guarded

PLACE_KINDS = ("city", "town", "village", "suburb", "hamlet", "neighbourhood")
TRUCK_KEYS = ("restriction:hgv", "restriction")
EXCEPTED = ("hgv", "goods")


@dataclass(frozen=True)
class OsmTurn:
    """One restriction at a node: a turn that is forbidden, or the only one allowed."""

    from_way: int
    node: int
    to_way: int
    only: bool


@dataclass(frozen=True)
class OsmPlace:
    """One named place."""

    name: str
    kind: str
    lon: float  # [deg]
    lat: float


def read_turns(path: Path) -> tuple[tuple[OsmTurn, ...], int]:
    """Turn restrictions that bind trucks, and how many could not be used.

    Restrictions that lead over a way instead of one node, or lack a member, are counted
    and left out.

    Raises
    ------
    BadDataError
        When the file is cut, damaged or not OpenStreetMap data.
    """
    path = extract_file(path)
    turns: list[OsmTurn] = []
    unused = 0
    for found in guarded(path, _rules(path)):
        if found is None:
            unused += 1
        else:
            turns += found
    return tuple(turns), unused


def _rules(path: Path) -> Iterator[list[OsmTurn] | None]:
    reader = osmium.FileProcessor(str(path), osmium.osm.RELATION).with_filter(
        osmium.filter.KeyFilter(*TRUCK_KEYS)
    )
    for relation in reader:
        yield _turns(relation)


def _turns(relation: Any) -> list[OsmTurn] | None:
    """Turns of one relation; empty where it does not bind trucks, None where it is no use."""
    tags = {tag.k: tag.v for tag in relation.tags}
    if any(word in tags.get("except", "").split(";") for word in EXCEPTED):
        return []
    rule = next(tags[key] for key in TRUCK_KEYS if key in tags).split("@")[0].strip()
    members: dict[str, list[tuple[str, int]]] = {"from": [], "via": [], "to": []}
    for member in relation.members:
        if member.role in members:
            members[member.role].append((member.type, int(member.ref)))
    via = members["via"]
    whole = len(via) == 1 and via[0][0] == "n" and members["from"] and members["to"]
    if not whole or not rule.startswith(("no_", "only_")):
        return None
    only = rule.startswith("only_")
    return [
        OsmTurn(source, via[0][1], target, only)
        for kind_from, source in members["from"]
        for kind_to, target in members["to"]
        if kind_from == kind_to == "w"
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
