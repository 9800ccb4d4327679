"""Facade receivers, people, kinds, proxies and obstacles."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from scene_files import X0, Y0, Feature, box, line, point, polygon, write_geojson

from noisemap.errors import BadDataError
from noisemap.readers.osm import OsmArea
from noisemap.scene.facades import facade_points, split_by_walk, split_by_wall
from noisemap.scene.homes import Buildings, make_homes, osm_buildings, read_buildings
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.model import Homes, Road
from noisemap.scene.obstacles import building_obstacles, read_walls
from noisemap.scene.proxies import proxy_homes, unmapped_land
from noisemap.scene.receivers import centre_receivers, facade_receivers

CRS = "EPSG:32606"
NOWHERE = SceneInputs((), Path("roads.geojson"), Path("homes.geojson"))


def buildings(*shapes: shapely.Geometry, **columns: list[float]) -> Buildings:
    count = len(shapes)
    array = np.empty(count, dtype=object)
    array[:] = shapes
    blank = [math.nan] * count
    return Buildings(
        tuple(f"b{i}" for i in range(count)),
        ("",) * count,
        tuple(columns.get("kinds", ["home"] * count)),  # type: ignore[arg-type]
        array,
        np.array(columns.get("dwellings", blank), float),
        np.array(columns.get("levels", blank), float),
        np.array(columns.get("people", blank), float),
        np.array(columns.get("height", blank), float),
    )


# ------------------------------------------------- facades, Directive 2.8 (FOUND, exact)


def ring(*corners: tuple[float, float]) -> np.ndarray:
    return np.array([*corners, corners[0]], float)


def test_wall_of_twelve_metres_gets_three_equal_parts() -> None:
    points = split_by_wall(ring((0, 0), (12, 0), (12, 2), (0, 2)))
    south = points[points[:, 1] < 0]
    assert south[:, 0].tolist() == pytest.approx([2.0, 6.0, 10.0])
    assert south[:, 1].tolist() == pytest.approx([-0.1] * 3)
    # the two 2 m ends are single short walls of 2 m: no point
    assert len(points) == 6


@pytest.mark.parametrize(
    ("size", "parts"), [(2.5, 0), (2.51, 1), (5.0, 1), (5.01, 2), (10.0, 2), (10.01, 3)]
)
def test_number_of_parts_of_a_wall(size: float, parts: int) -> None:
    points = split_by_wall(ring((0, 0), (size, 0), (size, 50), (0, 50)))
    assert int((points[:, 1] < 0).sum()) == parts


def test_neighbouring_short_walls_join_when_over_five_metres() -> None:
    # a bay of three 2 m walls between two long ones: 6 m together, two parts of 3 m
    bay = ring((0, 0), (20, 0), (20, 20), (12, 20), (12, 22), (10, 22), (10, 20), (0, 20))
    points = split_by_wall(bay)
    near = points[(points[:, 0] > 9.8) & (points[:, 0] < 12.2) & (points[:, 1] > 20.2)]
    assert (
        sorted(map(tuple, near.round(6).tolist())) == [(10.5, 22.1), (11.5, 22.1)] or len(near) == 2
    )
    middle = split_by_wall(np.array(ring((0, 0), (2, 0), (4, 0), (4, 40), (0, 40))))
    # 2 m + 2 m = 4 m, not over 5 m: nothing in the south
    assert int((middle[:, 1] < 0).sum()) == 0


def test_short_walls_join_over_the_start_of_the_ring() -> None:
    started = ring((2, 0), (4, 0), (6, 0), (6, 40), (0, 40), (0, 0))
    points = split_by_wall(started)
    south = points[points[:, 1] < 0]
    assert sorted(south[:, 0].tolist()) == pytest.approx([1.5, 4.5])


def test_case_two_walks_every_five_metres_with_a_middle_for_the_rest() -> None:
    points = split_by_walk(ring((0, 0), (12, 0), (12, 6), (0, 6)))
    # 36 m round: seven whole parts and 1 m left
    assert len(points) == 8
    assert points[0].tolist() == pytest.approx([2.5, -0.1])
    assert points[1].tolist() == pytest.approx([7.5, -0.1])
    assert points[2].tolist() == pytest.approx([12.1, 0.5])
    assert points[7].tolist() == pytest.approx([-0.1, 0.5])


@pytest.mark.parametrize("case", [1, 2])
@pytest.mark.parametrize("turned", [False, True])
def test_points_stand_a_tenth_of_a_metre_outside(case: int, turned: bool) -> None:
    shape = shapely.Polygon([(0, 0), (17, 3), (20, 20), (8, 12), (-3, 15)])
    if turned:
        shape = shape.reverse()
    points = shapely.points(facade_points(shape, case))
    assert not shapely.contains(shape, points).any()
    assert shapely.distance(shape, points) == pytest.approx(np.full(len(points), 0.1), abs=1e-6)


def test_courtyard_walls_count() -> None:
    court = shapely.box(0, 0, 40, 40).difference(shapely.box(10, 10, 30, 30))
    points = shapely.points(facade_points(court, 1))
    inside = shapely.contains(shapely.box(10, 10, 30, 30), points)
    assert int(inside.sum()) == 16
    assert not shapely.contains(court, points).any()


def test_hut_below_the_rule_still_gets_one_point() -> None:
    assert facade_points(shapely.box(0, 0, 1.2, 1.0), 1).tolist() == [pytest.approx([0.6, 1.1])]


def test_point_inside_a_neighbour_is_dropped_and_shares_stay_whole() -> None:
    pair = [shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10)]
    own = buildings(*pair)
    homes, _, _ = make_homes(NOWHERE, own)
    receivers, fallback = facade_receivers(homes, pair, pair, 4.0, 1)
    assert fallback == 0
    assert np.bincount(receivers.home).tolist() == [6, 6]
    assert np.bincount(receivers.home, receivers.share) == pytest.approx([1.0, 1.0])
    assert set(receivers.height.tolist()) == {4.0}
    between = (np.abs(receivers.x - 10.0) < 0.5) & (np.abs(receivers.y - 5.0) < 4.0)
    assert not between.any()


def test_walled_in_home_falls_back_to_its_own_place() -> None:
    middle = shapely.box(0, 0, 10, 10)
    round_it = shapely.box(-10, -10, 20, 20).difference(middle)
    homes, _, _ = make_homes(NOWHERE, buildings(middle))
    receivers, fallback = facade_receivers(homes, [middle], [middle, round_it], 4.0, 1)
    assert fallback == 1
    assert (receivers.x.tolist(), receivers.y.tolist()) == ([5.0], [5.0])


def test_centre_placement() -> None:
    homes, _, _ = make_homes(NOWHERE, buildings(shapely.box(0, 0, 10, 10), shapely.Point(50, 60)))
    receivers = centre_receivers(homes, 1.5)
    assert list(zip(receivers.x, receivers.y, receivers.height, strict=True)) == [
        (5, 5, 1.5),
        (50, 60, 1.5),
    ]
    assert receivers.share.tolist() == [1.0, 1.0]


# ------------------------------------------------------------------------- people


def test_people_column_then_dwellings_then_floor() -> None:
    shapes = [shapely.box(0, 0, 11, 10)] * 3
    own = buildings(*shapes, people=[7.0, math.nan, math.nan], dwellings=[1.0, 4.0, math.nan])
    homes, sentences, factor = make_homes(replace(NOWHERE, people_per_dwelling=2.0), own)
    # 110 m2 x 2 levels x 0.8 / 110 m2 = 1.6 dwellings
    assert homes.people.tolist() == pytest.approx([7.0, 8.0, 3.2])
    assert factor == 1.0
    assert any("not calibrated" in text for text in sentences)
    assert homes.single_dwelling.tolist() == [True, False, True]


def test_stated_total_scales_only_what_came_by_rule() -> None:
    shapes = [shapely.box(0, 0, 11, 10)] * 3
    own = buildings(*shapes, people=[10.0, math.nan, math.nan])
    homes, sentences, factor = make_homes(replace(NOWHERE, people_total=50.0), own)
    assert homes.people.sum() == pytest.approx(50.0)
    assert homes.people[0] == 10.0
    assert factor == pytest.approx(40.0 / 8.0)
    assert any("scaled by 5.000 to the stated total of 50 people" in text for text in sentences)


@pytest.mark.parametrize("total", [5.0, 10.0])
def test_total_that_cannot_be_met(total: float) -> None:
    own = buildings(shapely.box(0, 0, 11, 10), shapely.box(0, 0, 9, 9), people=[10.0, math.nan])
    with pytest.raises(BadDataError, match=r"homes\.people_total: .* cannot be met"):
        make_homes(replace(NOWHERE, people_total=total), own)


def test_only_homes_get_people_by_rule() -> None:
    own = buildings(
        shapely.box(0, 0, 30, 30), shapely.box(0, 0, 9, 9), kinds=["school", "other"],
        people=[210.0, math.nan],
    )  # fmt: skip
    assert make_homes(NOWHERE, own)[0].people.tolist() == [210.0, 0.0]


def test_storeys_by_footprint() -> None:
    own = buildings(
        shapely.box(0, 0, 10, 17.9), shapely.box(0, 0, 20, 15), shapely.box(0, 0, 50, 11),
        shapely.box(0, 0, 50, 11), levels=[math.nan, math.nan, math.nan, 6.0],
    )  # fmt: skip
    homes, _, _ = make_homes(replace(NOWHERE, people_per_dwelling=1.0), own)
    expected = [
        179 * 2 * 0.8 / 110,
        300 * 2.5 * 0.8 / 110,
        550 * 3 * 0.8 / 110,
        550 * 6 * 0.8 / 110,
    ]
    assert homes.people.tolist() == pytest.approx(expected)


def read_homes(tmp_path: Path, *features: Feature, source: str = "buildings") -> Buildings:
    path = write_geojson(tmp_path / "homes.geojson", features)
    inputs = replace(NOWHERE, homes_file=path, homes_source=source)  # type: ignore[arg-type]
    return read_buildings(inputs, CRS)[0]


def test_home_file(tmp_path: Path) -> None:
    own = read_homes(
        tmp_path,
        (
            {"id": "1", "label": "<b>", "kind": "apartments", "levels": 3, "height_m": 9.5},
            box(0, 0, 9, 9),
        ),
        ({"id": "2", "label": None, "kind": None, "dwellings": "4"}, box(20, 0, 9, 9)),
        ({"id": "3", "kind": "garage"}, box(40, 0, 9, 9)),
    )
    assert own.kinds == ("home", "home", "none")
    assert own.labels == ("<b>", "", "")
    assert own.dwellings[1] == 4.0
    assert own.height[0] == 9.5
    assert own.is_home.tolist() == [True, True, False]


@pytest.mark.parametrize(
    ("properties", "sentence"),
    [
        ({"kind": "castle"}, r"feature 2: kind 'castle' is not allowed \(allowed: home, school"),
        ({"levels": "2,5"}, "feature 2: levels: '2,5' is not a number, has a decimal comma"),
        ({"people": -1}, r"feature 2: people: -1(\.0)? is not allowed \(allowed: 0\.\."),
        ({"dwellings": "many"}, "feature 2: dwellings: 'many' is not a number"),
        ({"levels": 0}, r"feature 2: levels: 0(\.0)? is not allowed"),
    ],
)
def test_home_file_faults(tmp_path: Path, properties: dict[str, object], sentence: str) -> None:
    with pytest.raises(BadDataError, match=sentence):
        read_homes(
            tmp_path, ({"id": "1"}, box(0, 0, 9, 9)), ({"id": "2", **properties}, box(20, 0, 9, 9))
        )


def test_points_and_polygons_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(BadDataError, match=r"is a Point; .*reads polygons"):
        read_homes(tmp_path, ({"id": "1"}, point(0, 0)))
    with pytest.raises(BadDataError, match=r"is a Polygon; .*reads points"):
        read_homes(tmp_path, ({"id": "1"}, box(0, 0, 9, 9)), source="points")
    own = read_homes(tmp_path, ({"id": "1"}, point(5, 6)), source="points")
    homes, sentences, _ = make_homes(NOWHERE, own)
    assert (homes.x[0], homes.y[0], homes.people[0]) == (X0 + 5, Y0 + 6, 2.5)
    assert any("taken as one dwelling each: 1" in text for text in sentences)


def area(number: int, size: float = 10.0, at: float = 0.0, **tags: str) -> OsmArea:
    degree = size / 111_320.0
    start = at / 111_320.0
    shape = shapely.MultiPolygon([shapely.box(10 + start, 0, 10 + start + degree, degree)])
    return OsmArea(f"way {number}", {key.replace("__", ":"): v for key, v in tags.items()}, shape)


def test_osm_home_candidates() -> None:
    areas = (
        area(1, building="house", building__levels="2"),
        area(2, building="garage", at=100),
        area(3, building="yes", shop="bakery", at=200),
        area(4, building="yes", size=6.2, at=300),  # 38 m2
        area(5, building="yes", at=400),  # on industrial land
        area(6, landuse="industrial", size=30.0, at=390),
        area(7, building="yes", amenity="school", at=500),
        area(8, building="yes", tourism="hotel", at=600),
        area(9, building="no", at=700),
    )
    own = osm_buildings(areas, "EPSG:32632")
    assert dict(zip(own.ids, own.kinds, strict=True)) == {
        "way 1": "home",
        "way 2": "none",
        "way 3": "none",
        "way 4": "none",
        "way 5": "none",
        "way 7": "school",
        "way 8": "hotel",
    }
    assert own.levels[0] == 2.0


# ------------------------------------------------------------------------ proxies


def street(length: float) -> Road:
    x = np.arange(0.0, length + 1.0, 10.0)
    n = len(x) - 1
    zero = np.zeros(n + 1)
    return Road(
        "s", "s", "residential", x, zero, x, zero, np.zeros(n), np.zeros(n, np.uint8),
        np.full(n, 30.0), np.zeros(n, bool), np.ones(n, bool), 0,
    )  # fmt: skip


def test_proxies_stand_every_25_m_on_both_sides() -> None:
    land = np.array([shapely.box(-50, -50, 150, 50)])
    homes = proxy_homes(land, np.array([], object), [street(100.0)], 2.5)
    places = sorted(zip(homes.x.tolist(), homes.y.tolist(), strict=True))
    assert places == [(x, y) for x in (12.5, 37.5, 62.5, 87.5) for y in (-12.0, 12.0)]
    assert homes.estimated.all()
    assert homes.people.tolist() == [2.5] * 8


def test_no_proxies_where_buildings_are_mapped_or_land_is_not_residential() -> None:
    land = np.array([shapely.box(-50, -50, 150, 50)])  # 20,000 m2
    mapped = np.array([shapely.box(200, 0, 240, 25), shapely.box(0, 20, 50, 45)])  # 1,250 m2 inside
    assert len(unmapped_land(land, mapped)) == 0
    assert len(unmapped_land(land, mapped[:1])) == 1
    assert len(proxy_homes(land, mapped, [street(100.0)], 2.5).x) == 0
    aside = np.array([shapely.box(500, 500, 600, 600)])
    assert len(proxy_homes(aside, np.array([], object), [street(100.0)], 2.5).x) == 0


def test_proxy_inside_a_mapped_building_is_left_out() -> None:
    land = np.array([shapely.box(-50, -50, 150, 50)])
    one = np.array([shapely.box(10, 10, 15, 15)])
    assert isinstance(proxy_homes(land, one, [street(100.0)], 2.5), Homes)
    assert len(proxy_homes(land, one, [street(100.0)], 2.5).x) == 7


# ---------------------------------------------------------------------- obstacles


def test_touching_buildings_are_one_block_without_inner_walls() -> None:
    own = buildings(
        shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10), shapely.box(50, 0, 60, 10),
        levels=[2.0, 4.0, math.nan],
    )  # fmt: skip
    blocks = building_obstacles(own)
    inner = (np.abs(blocks.edges[:, 0] - 10) < 0.2) & (np.abs(blocks.edges[:, 2] - 10) < 0.2)
    assert not inner.any()
    assert len(set(blocks.block.tolist())) == 2
    alone = blocks.edges[:, 0] > 40
    assert blocks.height[alone].tolist() == [6.0] * 4
    assert blocks.assumed_height[alone].all()
    assert not blocks.assumed_height[~alone].any()
    east = (blocks.edges[:, 0] > 19.5) & (blocks.edges[:, 2] > 19.5) & ~alone
    assert blocks.height[east].tolist() == [12.0]


def test_given_height_wins_over_storeys() -> None:
    own = buildings(shapely.box(0, 0, 10, 10), levels=[2.0], height=[9.0])
    assert set(building_obstacles(own).height.tolist()) == {9.0}


def walls(tmp_path: Path, *features: Feature, **options: object):
    path = write_geojson(tmp_path / "walls.geojson", features)
    return read_walls(replace(NOWHERE, walls_file=path, **options), CRS)  # type: ignore[arg-type]


def test_walls_with_and_without_height(tmp_path: Path) -> None:
    features = (
        ({"id": "1", "height_m": 3.0}, line((0, 0), (50, 0), (50, 20))),
        ({"id": "2", "height_m": None}, line((0, 90), (50, 90))),
    )
    known, _, sentences = walls(tmp_path, *features)
    assert known.height.tolist() == [3.0, 3.0]
    assert known.block.tolist() == [-1, -1]
    assert known.edges[1].tolist() == [X0 + 50, Y0, X0 + 50, Y0 + 20]
    assert any("Walls without height, left out: 1" in text for text in sentences)
    both, _, sentences = walls(tmp_path, *features, assumed_wall_height_m=2.0)
    assert both.height.tolist() == [3.0, 3.0, 2.0]
    assert both.assumed_height.tolist() == [False, False, True]
    assert any("taken as 2 m high: 1" in text for text in sentences)


@pytest.mark.parametrize("height", ["3,5", "tall", -1, 0, 1000])
def test_wall_height_faults(tmp_path: Path, height: object) -> None:
    with pytest.raises(BadDataError, match=r"wall '1': height .* is not allowed"):
        walls(tmp_path, ({"id": "1", "height": height}, line((0, 0), (50, 0))))


def test_wall_drawn_as_polygon_counts_its_outline(tmp_path: Path) -> None:
    outline, _, _ = walls(
        tmp_path, ({"id": "1", "height": 2.0}, polygon((0, 0), (9, 0), (9, 1), (0, 1)))
    )
    assert len(outline.edges) == 4
    with pytest.raises(BadDataError, match="walls are lines or polygons"):
        walls(tmp_path, ({"id": "1", "height": 2.0}, point(0, 0)))
