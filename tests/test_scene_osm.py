"""A whole scene from a small made-up OpenStreetMap extract."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import Transformer
from scene_files import CRS, X0, Y0, write_terrain

from noisemap.readers.osm import OsmArea
from noisemap.scene.build import build_scene
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.layers import whole_areas
from noisemap.scene.model import TUNNEL

Place = tuple[float, float]
TO_DEGREES = Transformer.from_crs(CRS, 4326, always_xy=True)


class Extract:
    """Writes nodes, ways and relations of an extract; equal places are one node."""

    def __init__(self) -> None:
        self.nodes: dict[Place, int] = {}
        self.items: list[str] = []

    def node(self, place: Place) -> int:
        return self.nodes.setdefault(place, len(self.nodes) + 1)

    def way(self, number: int, places: list[Place], missing: int = 0, **tags: str) -> None:
        refs = [self.node(place) for place in places] + [9999] * missing
        inner = "".join(f'<nd ref="{ref}"/>' for ref in refs) + self._tags(tags)
        self.items.append(f'<way id="{number}" version="1">{inner}</way>')

    def box(self, number: int, x: float, y: float, width: float, depth: float, **tags: str) -> None:
        corners = [(x, y), (x + width, y), (x + width, y + depth), (x, y + depth), (x, y)]
        self.way(number, corners, **tags)

    def relation(self, number: int, outer: int, inner: int, **tags: str) -> None:
        members = (
            f'<member type="way" ref="{outer}" role="outer"/>'
            f'<member type="way" ref="{inner}" role="inner"/>'
        )
        tags = {"type": "multipolygon", **tags}
        self.items.append(
            f'<relation id="{number}" version="1">{members}{self._tags(tags)}</relation>'
        )

    @staticmethod
    def _tags(tags: dict[str, str]) -> str:
        return "".join(f'<tag k="{k.replace("__", ":")}" v="{v}"/>' for k, v in tags.items())

    def write(self, path: Path) -> Path:
        nodes = []
        for (x, y), number in self.nodes.items():
            lon, lat = TO_DEGREES.transform(X0 + x, Y0 + y)
            nodes.append(f'<node id="{number}" lat="{lat:.9f}" lon="{lon:.9f}" version="1"/>')
        text = "".join(nodes + self.items)
        path.write_text(f'<?xml version="1.0"?><osm version="0.6">{text}</osm>', encoding="utf-8")
        return path


@pytest.fixture
def study(tmp_path: Path) -> SceneInputs:
    def hill(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        # a hill over the tunnel; it begins 20 m behind the mouths, clear of their cells
        inside = (x > X0 + 1420) & (x < X0 + 1680)
        bump = np.where(inside, 80 * np.sin(np.pi * (x - X0 - 1420) / 260), 0.0)
        return 500.0 - 0.05 * (x - X0) + bump + 0.0 * y

    town = Extract()
    town.way(
        1,
        [(100, 1500), (500, 1500), (700, 1500), (1400, 1500)],
        highway="primary",
        ref="X 1",
        maxspeed="80",
    )
    town.way(2, [(1400, 1500), (1700, 1500)], highway="primary", ref="X 1", tunnel="yes")
    east = [(1700, 1500), (2000, 1500), (2900, 1500)]
    town.way(3, east, highway="primary", ref="X 1", maxspeed="90;30;90;30")
    town.way(4, [(2000, 1500), (2000, 2500)], highway="residential", name="Elm")
    town.way(5, [(500, 1500), (500, 1900)], missing=2, highway="service")
    town.way(6, [(700, 1500), (700, 1700)], highway="service", tunnel="building_passage")
    town.way(7, [(900, 1500), (900, 1700)], highway="footway")
    # crosses exactly above way 1 on a node of its own place: ids decide, not places
    town.way(8, [(1000, 1200), (1000, 1800)], highway="tertiary", bridge="yes")
    town.box(20, 300, 1540, 12, 10, building="house", building__levels="2")
    town.box(21, 320, 1540, 12, 10, building="garage")
    town.box(22, 340, 1540, 30, 30)
    town.box(23, 350, 1550, 8, 8)
    town.relation(20, 22, 23, building="apartments")
    town.box(30, 1900, 1700, 400, 500, landuse="residential")
    town.box(31, 200, 1520, 400, 200, landuse="residential")
    town.way(40, [(250, 1520), (450, 1520)], barrier="wall", height="3")
    town.way(41, [(250, 1525), (450, 1525)], barrier="retaining_wall")
    path = town.write(tmp_path / "town.osm")
    terrain = write_terrain(tmp_path / "terrain.tif", hill)
    return SceneInputs(
        (terrain,), path, path, homes_source="osm", ground_file=path, walls_file=path
    )


def test_scene_from_an_extract(study: SceneInputs) -> None:
    scene = build_scene(study)
    roads = {road.road_id: road for road in scene.roads}
    main = roads["X 1"]
    assert main.chainage[-1] == pytest.approx(2800.0, rel=1e-3)
    assert main.grade == pytest.approx(np.full(len(main.grade), -0.05), abs=0.002)
    assert int((main.structure == TUNNEL).sum()) == 30
    passage = next(road for road in scene.roads if road.name == "way 6")
    assert not passage.structure.any()
    assert scene.stretches.covered.any()
    portals = scene.stretches.from_m[scene.stretches.near_portal]
    assert portals.min() > 1100.0
    assert portals.max() < 1900.0


def test_bridge_over_a_road_does_not_join_it(study: SceneInputs) -> None:
    scene = build_scene(study)
    bridge = next(road for road in scene.roads if road.name == "way 8")
    assert bridge.chainage[-1] == pytest.approx(600.0, rel=1e-3)
    # way 1 is split by ways 5 and 6 only
    assert scene.facts["edges"] == 3 + 1 + 2 + 4


def test_homes_are_buildings_and_proxies(study: SceneInputs) -> None:
    scene = build_scene(study)
    mapped = dict(zip(scene.homes.home_id, scene.homes.kind, strict=True))
    assert mapped["way 20"] == "home"
    assert mapped["relation 20"] == "home"
    assert "way 21" not in mapped
    assert scene.facts["homes"] == 2
    # 500 m of street in residential land without buildings: every 25 m, both sides
    assert scene.facts["proxies"] == 40
    assert scene.homes.people[scene.homes.estimated] == pytest.approx(np.full(40, 2.5))


def test_court_of_a_multipolygon_counts_as_facade(study: SceneInputs) -> None:
    scene = build_scene(study)
    home = scene.homes.home_id.index("relation 20")
    own = scene.receivers.home == home
    inside = own & (scene.receivers.x > X0 + 350) & (scene.receivers.x < X0 + 358)
    inside &= (scene.receivers.y > Y0 + 1550) & (scene.receivers.y < Y0 + 1558)
    assert int(inside.sum()) == 8


def test_what_is_said_about_the_extract(study: SceneInputs) -> None:
    scene = build_scene(study)
    whats = {(repair.item, repair.what) for repair in scene.repairs}
    assert any("2 nodes are not in the extract" in what for _, what in whats)
    assert any("'90;30;90;30' is not one speed" in what for _, what in whats)
    missing = next(r for r in scene.repairs if "not in the extract" in r.what)
    assert (missing.x, missing.y) == pytest.approx((X0 + 500, Y0 + 1500), abs=0.1)
    assert any("left out: 1 ('footway': 1)" in text for text in scene.assumptions)
    assert any("Walls without height, left out: 1;" in text for text in scene.assumptions)
    assert scene.facts["wall_edges"] == 1
    assert scene.attribution == ("(c) OpenStreetMap contributors, ODbL 1.0",)


def test_area_without_a_shape_is_reported() -> None:
    whole = OsmArea("way 1", {"building": "yes"}, shapely.MultiPolygon([shapely.box(0, 0, 1, 1)]))
    broken = OsmArea("relation 2", {"building": "yes"}, shapely.MultiPolygon())
    kept, repairs = whole_areas("homes", (whole, broken))
    assert kept == (whole,)
    assert [(repair.item, repair.what) for repair in repairs] == [
        ("relation 2", "its rings do not make an area: left out")
    ]
