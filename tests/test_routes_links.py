"""What the scene hands over for routes: links, limits of trucks, turn restrictions, places."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import osmium
import pytest

from noisemap.errors import BadDataError
from noisemap.readers.osm_relations import OsmTurn, OsmTurns, read_places, read_turns
from noisemap.scene.model import Scene
from noisemap.scene.truck_tags import parse_height, parse_leave, parse_mass, truck_limits
from noisemap.study.prepare import prepare
from noisemap.study.progress import Silent
from noisemap.study.run import read_scene

DEMO = Path(__file__).parents[1] / "data" / "study.toml"


@pytest.fixture(scope="module")
def demo() -> Scene:
    return read_scene(prepare(DEMO), Silent())


def test_links_meet_where_their_junctions_say(demo: Scene) -> None:
    """Every link that ends at a junction ends at the same place, whichever way its road runs."""
    links = demo.links
    at: dict[int, tuple[float, float]] = {}
    for index in range(len(links.road)):
        road = demo.roads[int(links.road[index])]
        for key, point in (
            (int(links.start[index]), int(links.first[index])),
            (int(links.end[index]), int(links.last[index])),
        ):
            place = (float(road.x[point]), float(road.y[point]))
            assert at.setdefault(key, place) == pytest.approx(place, abs=1e-6)
    assert len(links.road) == int(demo.facts["edges"])


def test_links_cover_every_road_once(demo: Scene) -> None:
    links = demo.links
    for index, road in enumerate(demo.roads):
        own = np.flatnonzero(links.road == index)
        assert links.first[own][0] == 0
        assert links.last[own][-1] == len(road.x) - 1
        assert (links.first[own][1:] == links.last[own][:-1]).all()


def test_town_streets_are_closed_to_trucks(demo: Scene) -> None:
    by_name = {
        demo.roads[int(road)].name: access
        for road, access in zip(demo.links.road, demo.links.access, strict=True)
    }
    assert by_name["Birch Street"] == "no"
    assert by_name["Old Grade Road"] == "yes"


def test_limits_read_common_notations() -> None:
    assert parse_height("4,2") == 4.2
    assert parse_height("13'6\"") == pytest.approx(4.1148)
    assert parse_height("below_default") != parse_height("below_default")
    assert parse_mass("7,5 t") == 7.5
    assert parse_mass("20 st") == pytest.approx(18.144, abs=0.001)
    assert math.isinf(parse_mass("none"))
    assert parse_leave("", "", "permissive") == "yes"
    tags = {"hgv": "delivery", "access": "yes", "maxheight": "3.8", "hazmat": "no"}
    found = truck_limits(tags)
    assert (found.height_m, found.access, found.hazmat) == (3.8, "local", "no")
    assert math.isnan(found.mass_t)


def write_osm(
    path: Path, relations: list[tuple[list[tuple[str, int, str]], dict[str, str]]]
) -> Path:
    with osmium.SimpleWriter(str(path)) as writer:
        places = ((1, {"place": "town", "name": "Hollow"}), (2, {"place": "sea", "name": "Deep"}))
        for number, tags in (*places, (3, {"place": "village"})):
            node = osmium.osm.mutable.Node(id=number, version=1, location=(7.5, 46.5), tags=tags)
            writer.add_node(node)
        for way in (10, 11):
            writer.add_way(
                osmium.osm.mutable.Way(id=way, version=1, nodes=[1, 2], tags={"highway": "primary"})
            )
        for number, (members, tags) in enumerate(relations, start=1):
            writer.add_relation(
                osmium.osm.mutable.Relation(id=number, version=1, members=members, tags=tags)
            )
    return path


def test_turn_restrictions_that_bind_trucks(tmp_path: Path) -> None:
    plain = [("w", 10, "from"), ("n", 1, "via"), ("w", 11, "to")]
    over = [("w", 10, "from"), ("w", 12, "via"), ("w", 13, "via"), ("w", 11, "to")]
    mixed = [("w", 10, "from"), ("w", 12, "via"), ("n", 1, "via"), ("w", 11, "to")]
    kind = {"type": "restriction"}
    path = write_osm(
        tmp_path / "town.osm",
        [
            (plain, kind | {"restriction": "no_left_turn"}),
            (plain, kind | {"restriction": "only_straight_on"}),
            (plain, kind | {"restriction": "no_u_turn", "except": "bus; hgv"}),
            (plain, kind | {"restriction": "no_u_turn", "except": "bus;goods"}),
            (plain, kind | {"restriction:hgv": "only_right_turn", "restriction": "no_left_turn"}),
            (plain, kind | {"restriction:bus": "no_right_turn"}),
            (over, kind | {"restriction": "no_left_turn"}),
            (over, kind | {"restriction:hgv": "only_straight_on"}),
            (over, kind | {"restriction:conditional": "no_left_turn @ (22:00-06:00)"}),
            (plain[:2], kind | {"restriction": "no_left_turn"}),
            (mixed, kind | {"restriction": "no_left_turn"}),
            (plain, kind | {"restriction": "give_way"}),
        ],
    )
    assert read_turns(path) == OsmTurns(
        (
            OsmTurn(10, 1, 11, False),
            OsmTurn(10, 1, 11, True),
            OsmTurn(10, 1, 11, False),
            OsmTurn(10, 1, 11, True),
            OsmTurn(10, None, 11, False, (12, 13)),
            OsmTurn(10, None, 11, True, (12, 13)),
            OsmTurn(10, None, 11, False, (12, 13)),
        ),
        unusable=3,
        timed=1,
    )
    assert [(one.name, one.kind) for one in read_places(path)] == [("Hollow", "town")]


def test_damaged_extracts_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "cut.osm.pbf"
    path.write_bytes(b"\x00\x00\x00\x0dnot a map")
    for read in (read_turns, read_places):
        with pytest.raises(BadDataError, match=r"cut\.osm\.pbf"):
            read(path)
