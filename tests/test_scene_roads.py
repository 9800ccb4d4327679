"""Tags, edges, strokes, the height fit and descents on made-up roads."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from noisemap.errors import BadDataError, StudyError
from noisemap.scene.crs import study_system, utm_code
from noisemap.scene.descents import descents, with_mean_grades
from noisemap.scene.grades import (
    check_steepness,
    fit_heights,
    grade_sigma,
    sample_network,
    smoothing_weight,
)
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.model import ON_GROUND, Road
from noisemap.scene.network import Way, split_edges, strokes
from noisemap.scene.road_files import RawRoads, RawWay
from noisemap.scene.roads import (
    build_roads,
    emitting_edges,
    find_road,
    name_strokes,
    place_roads,
)
from noisemap.scene.tags import parse_direction, parse_speed, road_tags, structure_of

NOWHERE = SceneInputs((), Path("roads.geojson"), Path("homes.geojson"))


def way(way_id: str, nodes: list[int], xy: list[tuple[float, float]], **tags: str) -> Way:
    tags = {"highway": "primary", **tags}
    x, y = np.array(xy, float).T
    return Way(way_id, np.array(nodes), x, y, road_tags(tags))


# ---------------------------------------------------------------- tags


@pytest.mark.parametrize(
    ("text", "kmh"),
    [
        ("50", 50.0),
        ("50 km/h", 50.0),
        ("55 mph", 55 * 1.609344),
        ("25mph", 25 * 1.609344),
        ("none", 130.0),
        ("walk", 7.0),
        ("90;30;90;30;90;30", None),
        ("US:urban", None),
        ("50 @ (22:00-06:00)", None),
        ("0", None),
        ("-5", None),
        ("signals", None),
    ],
)
def test_speed_values(text: str, kmh: float | None) -> None:
    assert parse_speed(text) == (None if kmh is None else pytest.approx(kmh))


def test_odd_speed_takes_the_class_default_and_says_so() -> None:
    tags = road_tags({"highway": "secondary", "maxspeed": "90;30"})
    assert (tags.speed_kmh, tags.speed_assumed) == (70.0, True)
    assert "maxspeed='90;30' is not one speed" in tags.odd[0]


def test_truck_limit_comes_first() -> None:
    tags = road_tags({"highway": "primary", "maxspeed": "90", "maxspeed:hgv": "60"})
    assert (tags.speed_kmh, tags.speed_assumed) == (60.0, False)


@pytest.mark.parametrize("text", ["yes", "true", "1"])
def test_oneway_words(text: str) -> None:
    assert parse_direction(text, False) == 1


def test_roundabout_is_one_way_unless_said() -> None:
    assert parse_direction("", True) == 1
    assert parse_direction("no", True) == 0


def test_one_way_words_of_county_files() -> None:
    words = {"Y": 1, "N": 0, "FT": 1, "TF": -1, "B": 0, "Both": 0}
    assert {word: parse_direction(word, False) for word in words} == words


def test_unclear_oneway_is_reported() -> None:
    tags = road_tags({"highway": "primary", "oneway": "perhaps"})
    assert tags.direction == 0
    assert "oneway='perhaps'" in tags.odd[0]


def test_building_passage_is_on_the_ground() -> None:
    assert structure_of("", "building_passage") == ON_GROUND
    assert structure_of("no", "no") == ON_GROUND


@pytest.mark.parametrize(
    ("tags", "allowed"),
    [
        ({"hgv": "no"}, False),
        ({"hgv": "destination", "access": "no"}, True),
        ({"access": "no"}, False),
        ({"maxweight": "3.5"}, False),
        ({"maxweight": "40"}, True),
        ({"motor_vehicle": "no"}, False),
    ],
)
def test_trucks(tags: dict[str, str], allowed: bool) -> None:
    assert road_tags({"highway": "primary", **tags}).trucks is allowed


def test_grade_column() -> None:
    assert road_tags({"grade_pct": "-6.5 %"}).grade_pct == -6.5
    odd = road_tags({"grade_pct": "6,5"})
    assert odd.grade_pct is None
    assert "grade_pct='6,5'" in odd.odd[0]


# ---------------------------------------------------------------- coordinate systems


def test_auto_takes_the_utm_zone() -> None:
    assert study_system("auto", 8.55, 48.75) == "EPSG:32632"
    assert study_system("", 8.55, 48.75) == "EPSG:32632"
    assert study_system("EPSG:25832", 8.55, 48.75) == "EPSG:25832"


@pytest.mark.parametrize(
    ("crs", "sentence"),
    [
        ("EPSG:4326", "is in degrees, distances need metres"),
        ("EPSG:2264", "is in US survey foot, distances need metres"),
        ("EPSG:3857", "stretches lengths by 5"),
        ("EPSG:999999", "is not a coordinate system"),
        ("EPSG:4978", "is not a flat map system"),
    ],
)
def test_unfit_study_systems_get_a_proposal(crs: str, sentence: str) -> None:
    with pytest.raises(StudyError, match=f'{sentence}.*write crs = "EPSG:32632" in'):
        study_system(crs, 8.55, 48.75)


def test_poles_have_no_zone() -> None:
    with pytest.raises(BadDataError, match="outside the UTM zones"):
        utm_code(10.0, 86.0)


# ---------------------------------------------------------------- edges and strokes


def test_edges_split_where_ways_meet() -> None:
    edges = split_edges(
        [
            way("a", [1, 2, 3, 4], [(0, 0), (100, 0), (200, 0), (300, 0)]),
            way("b", [3, 5], [(200, 0), (200, 100)]),
        ]
    )
    assert [(edge.start, edge.end, edge.length) for edge in edges] == [
        (1, 3, 200.0),
        (3, 4, 100.0),
        (3, 5, 100.0),
    ]


def test_stroke_goes_straight_over_a_crossing() -> None:
    edges = split_edges(
        [
            way("a", [1, 9], [(0, 0), (100, 0)], ref="A"),
            way("b", [9, 2], [(100, 0), (200, 5)], ref="A"),
            way("c", [3, 9], [(100, -100), (100, 0)], ref="C"),
            way("d", [9, 4], [(100, 0), (100, 100)], ref="C"),
        ]
    )
    found = {frozenset(edges[m.edge].way.way_id for m in road) for road in strokes(edges)}
    assert found == {frozenset("ab"), frozenset("cd")}


def test_same_ref_wins_over_a_straighter_way() -> None:
    edges = split_edges(
        [
            way("a", [1, 9], [(0, 0), (100, 0)], ref="A"),
            way("straight", [9, 2], [(100, 0), (200, 0)]),
            way("bend", [9, 3], [(100, 0), (180, 60)], ref="A"),
        ]
    )
    roads = strokes(edges)
    joined = next(road for road in roads if len(road) == 2)
    assert {edges[m.edge].way.way_id for m in joined} == {"a", "bend"}


def test_hairpin_at_a_two_edge_node_still_continues_within_its_limit() -> None:
    def joined(degrees: float) -> int:
        turn = math.radians(degrees)
        end = (100 + 100 * math.cos(turn), 100 * math.sin(turn))
        edges = split_edges(
            [way("a", [1, 9], [(0, 0), (100, 0)]), way("b", [9, 2], [(100, 0), end])]
        )
        return len(strokes(edges))

    assert joined(99.0) == 1
    assert joined(101.0) == 2


def test_opposing_one_ways_never_pair() -> None:
    edges = split_edges(
        [
            way("in", [1, 9], [(0, 0), (100, 0)], oneway="yes"),
            way("also in", [2, 9], [(200, 0), (100, 0)], oneway="yes"),
        ]
    )
    assert len(strokes(edges)) == 2


def test_stroke_follows_its_one_way_traffic_or_its_drawing() -> None:
    for tags in ({"oneway": "yes"}, {}):
        edges = split_edges(
            [
                way("b", [9, 2], [(100, 0), (300, 0)], **tags),
                way("a", [1, 9], [(0, 0), (100, 0)], **tags),
            ]
        )
        (road,) = strokes(edges)
        assert [edges[m.edge].way.way_id for m in road] == ["a", "b"]
        assert all(m.forward for m in road)


def test_closed_road_is_one_stroke() -> None:
    edges = split_edges(
        [
            way("n", [1, 2, 3], [(0, 0), (50, 50), (100, 0)]),
            way("s", [3, 4, 1], [(100, 0), (50, -50), (0, 0)]),
        ]
    )
    (road,) = strokes(edges)
    assert len(road) == 2


# ---------------------------------------------------------------- placing


def raw(*ways: RawWay) -> RawRoads:
    return RawRoads("roads", "EPSG:32632", ways, (), ())


def raw_way(way_id: str, xy: list[tuple[float, float]], **tags: str) -> RawWay:
    x, y = np.array(xy, float).T + np.array([[500_000.0], [5_000_000.0]])
    return RawWay(way_id, None, x, y, {"highway": "primary", **tags})


def place(*ways: RawWay, size: float = 10_000.0):
    import shapely

    ground = shapely.box(499_000, 4_999_000, 500_000 + size, 5_000_000 + size)
    return place_roads(raw(*ways), "EPSG:32632", ground)


def test_reversed_one_way_is_turned_round_and_reported() -> None:
    ways, repairs = place(raw_way("a", [(0, 0), (100, 0)], oneway="-1", grade_pct="5"))
    assert ways[0].x.tolist() == [500_100.0, 500_000.0]
    assert ways[0].tags.direction == 1
    assert ways[0].tags.grade_pct == -5.0
    assert [repair.what for repair in repairs] == ["one-way against its points: turned round"]
    assert (repairs[0].x, repairs[0].y) == (500_000.0, 5_000_000.0)


def test_way_drawn_twice_is_kept_once() -> None:
    ways, repairs = place(
        raw_way("a", [(0, 0), (50, 0), (100, 0)]), raw_way("b", [(100, 0), (50, 0), (0, 0)])
    )
    assert [w.way_id for w in ways] == ["a"]
    assert "drawn twice, the same as a" in repairs[0].what


def test_way_is_cut_at_the_edge_of_the_ground() -> None:
    ways, repairs = place(raw_way("a", [(0, 0), (50, 0), (100, 0), (150, 0), (200, 0)]), size=120.0)
    assert ways[0].x.tolist() == [500_000.0, 500_050.0, 500_100.0]
    assert "1 ways reach beyond" in repairs[0].what


def test_bridge_exactly_above_a_road_does_not_meet_it() -> None:
    below = raw_way("below", [(100, -100), (100, 0), (100, 100)])
    over = raw_way("over", [(0, 0), (100, 0), (200, 0)], bridge="yes")
    level = raw_way("level", [(0, 0), (100, 0), (200, 0)])
    assert len(split_edges(place(below, over)[0])) == 2
    assert len(split_edges(place(below, level)[0])) == 4


def test_names_and_emission() -> None:
    edges = split_edges(
        [
            way("1", [1, 2], [(0, 0), (900, 0)], ref="SR 1", name="Main"),
            way("2", [8, 9], [(0, 500), (300, 500)], ref="SR 1"),
            way("3", [5, 6], [(0, 900), (300, 900)], name="Oak", highway="residential"),
            way("4", [11, 12], [(0, 1900), (300, 1900)], hgv="no"),
        ]
    )
    roads = strokes(edges)
    names = name_strokes(edges, roads)
    assert [n.road_id for n in names] == ["SR 1", "SR 1 (2)", "Oak", "way 4"]
    assert names[0].also == ("Main",)
    assert emitting_edges(NOWHERE, edges, roads, names).tolist() == [True, True, False, False]
    only = replace(NOWHERE, road_names=("SR 1 (2)",))
    assert emitting_edges(only, edges, roads, names).tolist() == [False, True, False, False]
    wrong = replace(NOWHERE, road_names=("SR1",))
    with pytest.raises(StudyError, match=r"no road is called 'SR1'.*near it: SR 1"):
        emitting_edges(wrong, edges, roads, names)
    with pytest.raises(StudyError, match=r"roads\.truck_classes: autobahn is not allowed"):
        emitting_edges(replace(NOWHERE, truck_classes=("autobahn",)), edges, roads, names)
    with pytest.raises(BadDataError, match="no road carries trucks; its classes are"):
        emitting_edges(replace(NOWHERE, truck_classes=("motorway",)), edges, roads, names)


# ---------------------------------------------------------------- the fit


def fit(ways: list[Way], ground, cell: float = 10.0):
    edges = split_edges(ways)
    roads = strokes(edges)
    points, chains = sample_network(edges, roads)
    sampled = ground(points.x, points.y)
    height = fit_heights(points, chains, edges, sampled, np.ones(len(sampled), bool), cell)
    emits = np.ones(len(edges), bool)
    return build_roads(edges, chains, name_strokes(edges, roads), height, emits, cell)


def test_even_grade_is_found_exactly() -> None:
    (road,) = fit([way("a", [1, 2], [(0, 0), (1000, 0)])], lambda x, y: 200 + 0.06 * x + 0 * y)
    # counted from the upper end, the road falls
    assert (road.x[0], road.x[-1]) == (1000.0, 0.0)
    assert road.grade == pytest.approx(np.full(100, -0.06), abs=1e-6)
    assert (road.chainage[0], road.chainage[-1]) == pytest.approx((0.0, 1000.0))
    assert (np.diff(road.chainage) > 0.0).all()


def test_tunnel_is_straight_between_its_portals() -> None:
    def hill(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        inside = (x > 1000) & (x < 1500)
        return 100 + 0.02 * x + np.where(inside, 120 * np.sin(np.pi * (x - 1000) / 500), 0) + 0 * y

    ways = [
        way("w", [1, 2], [(0, 0), (1000, 0)]),
        way("t", [2, 3], [(1000, 0), (1500, 0)], tunnel="yes"),
        way("e", [3, 4], [(1500, 0), (2500, 0)]),
    ]
    (road,) = fit(ways, hill)
    assert road.height == pytest.approx(100 + 0.02 * road.x, abs=0.05)
    ignored = [way(w.way_id, w.nodes.tolist(), list(zip(w.x, w.y, strict=True))) for w in ways]
    (wrong,) = fit(ignored, hill)
    assert np.abs(wrong.grade).max() > 0.3


def test_bridge_ignores_the_gorge_below() -> None:
    def gorge(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 300 - 0.05 * x - np.where((x > 500) & (x < 600), 60.0, 0.0) + 0 * y

    (road,) = fit(
        [
            way("w", [1, 2], [(0, 0), (500, 0)]),
            way("b", [2, 3], [(500, 0), (600, 0)], bridge="yes"),
            way("e", [3, 4], [(600, 0), (1100, 0)]),
        ],
        gorge,
    )
    assert road.height == pytest.approx(300 - 0.05 * road.x, abs=0.1)


def test_dead_end_in_a_tunnel_is_flat() -> None:
    (road,) = fit(
        [
            way("w", [1, 2], [(0, 0), (800, 0)]),
            way("t", [2, 3], [(800, 0), (1400, 0)], tunnel="yes"),
        ],
        lambda x, y: 100 + 0.08 * x + 0 * y,
    )
    assert abs(float(road.grade[0])) < 0.01
    assert float(road.height[0]) < 100 + 0.08 * 1000


def test_junction_of_tunnels_carries_no_terrain_weight() -> None:
    def hill(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.where(np.hypot(x - 500, y) < 150, 400.0, 100.0)

    roads = fit(
        [
            way("w", [1, 2], [(0, 0), (300, 0)]),
            way("t1", [2, 9], [(300, 0), (500, 0)], tunnel="yes"),
            way("t2", [9, 3], [(500, 0), (700, 0)], tunnel="yes"),
            way("t3", [9, 5], [(500, 0), (500, 200)], tunnel="yes"),
            way("e", [3, 4], [(700, 0), (1000, 0)]),
            way("n", [5, 6], [(500, 200), (500, 500)]),
        ],
        hill,
    )
    assert max(float(road.height.max()) for road in roads) < 110.0


def test_ends_are_not_bent_by_the_smoothing() -> None:
    # an odd-reflected or replicated end would tilt the outermost hundred metres
    (road,) = fit(
        [way("a", [1, 2], [(0, 0), (3000, 0)])], lambda x, y: 900 - 0.1 * x + 0 * y, cell=90.0
    )
    assert road.grade[:10] == pytest.approx(np.full(10, -0.1), abs=1e-5)


def test_surveyed_grade_wins_over_the_terrain() -> None:
    (road,) = fit(
        [way("a", [1, 2], [(0, 0), (1000, 0)], grade_pct="-6")], lambda x, y: 100 + 0.02 * x + 0 * y
    )
    assert road.grade == pytest.approx(np.full(100, -0.06), abs=2e-4)
    assert float(road.height.mean()) == pytest.approx(110.0, abs=0.5)
    assert road.grade_sigma == pytest.approx(np.full(100, 0.002))


def test_untrusted_points_carry_no_weight() -> None:
    edges = split_edges([way("a", [1, 2], [(0, 0), (1000, 0)])])
    points, chains = sample_network(edges, strokes(edges))
    wrong = (points.x > 400) & (points.x < 500)
    sampled = np.where(wrong, 500.0, 100.0)
    height = fit_heights(points, chains, edges, sampled, ~wrong, 10.0)
    assert np.abs(height - 100.0).max() < 0.1


def test_half_power_wavelength() -> None:
    # a sine of the rule's wavelength comes out at half its height
    length = 450.0
    x = np.arange(0.0, 20 * length, 10.0)
    edges = split_edges([way("a", [1, 2], [(0, 0), (float(x[-1]), 0)])])
    points, chains = sample_network(edges, strokes(edges))
    sampled = np.sin(2 * np.pi * points.x / length)
    height = fit_heights(points, chains, edges, sampled, np.ones(len(sampled), bool), 30.0)
    middle = slice(len(x) // 4, 3 * len(x) // 4)
    order = np.argsort(points.x)
    ratio = height[order][middle].std() / sampled[order][middle].std()
    assert ratio == pytest.approx(0.5, abs=0.01)
    assert smoothing_weight(length) == pytest.approx((2 * math.sin(math.pi / 45)) ** -4)


def test_steep_roads_ask_for_better_terrain() -> None:
    length = np.full(100, 10.0)
    grade = np.zeros(100)
    grade[:2] = 0.25
    assert check_steepness(length, grade, 90.0) == pytest.approx(0.02)
    grade[2] = -0.25
    with pytest.raises(BadDataError, match=r"terrain too coarse: 3\.0 % of the truck roads"):
        check_steepness(length, grade, 90.0)


def test_grade_sigma_table() -> None:
    # COMPUTED by an independent prototype on two surveyed climbs: a cross-check; ours also
    # covers made roads, so it is a little wider and nowhere narrower
    for cell, base, sigma in (
        (12, 100, 0.5), (12, 500, 0.15), (12, 1000, 0.1), (30, 100, 1.1), (30, 500, 0.4),
        (30, 1000, 0.2), (90, 100, 2.0), (90, 500, 1.2), (90, 1000, 0.7),
    ):  # fmt: skip
        assert sigma / 100 - 1e-9 <= float(grade_sigma(cell, base)) <= 1.31 * sigma / 100
    assert 0.006 < float(grade_sigma(20.0, 100.0)) < 0.0125
    assert float(grade_sigma(5.0, 100.0)) == pytest.approx(0.006)


# ---------------------------------------------------------------- descents


def profile(*pieces: tuple[float, float], one_way: int = 0) -> Road:
    """A straight road of pieces (length [m], grade) in steps of 10 m."""
    grade = np.concatenate([np.full(round(length / 10), g) for length, g in pieces])
    chainage = np.arange(len(grade) + 1) * 10.0
    height = 1000.0 + np.concatenate([[0.0], np.cumsum(grade * 10.0)])
    steps = len(grade)
    return Road(
        "R", "R", "primary", chainage, np.zeros(steps + 1), chainage, height,
        np.full(steps, 0.02), np.zeros(steps, np.uint8), np.full(steps, 80.0),
        np.zeros(steps, bool), np.ones(steps, bool), one_way, (), height,
        np.full(steps, one_way, np.int8), np.ones(steps, bool),
    )  # fmt: skip


def found(road: Road, **options: float) -> list[tuple[float, float, int]]:
    return [(d.from_m, d.to_m, d.direction) for d in descents(road, 0, native_cell=10.0, **options)]


def test_descent_and_its_numbers() -> None:
    (descent,) = descents(profile((500, 0.0), (2000, -0.06), (500, 0.0)), 3, native_cell=10.0)
    assert (descent.road, descent.from_m, descent.to_m, descent.direction) == (3, 500, 2500, 1)
    assert descent.length == 2000.0
    assert descent.drop == pytest.approx(120.0)
    assert descent.mean_grade == pytest.approx(0.06)
    assert descent.max_grade == pytest.approx(0.06)


def test_descent_is_driven_downhill_only_where_allowed() -> None:
    up = ((500, 0.0), (2000, 0.06), (500, 0.0))
    assert found(profile(*up)) == [(500, 2500, -1)]
    assert found(profile(*up, one_way=1)) == []
    assert found(profile(*up, one_way=-1)) == [(500, 2500, -1)]


def test_descent_below_a_kilometre_or_four_per_cent_is_none() -> None:
    assert found(profile((990, -0.06))) == []
    assert found(profile((1000, -0.06))) == [(0, 1000, 1)]
    assert found(profile((3000, -0.039))) == []
    assert found(profile((3000, -0.039)), threshold=0.035) == [(0, 3000, 1)]


def test_short_gaps_join_and_long_or_climbing_ones_part() -> None:
    assert found(profile((1200, -0.06), (300, 0.005), (1200, -0.06))) == [(0, 2700, 1)]
    assert len(found(profile((1200, -0.06), (310, 0.005), (1200, -0.06)))) == 2
    assert len(found(profile((1200, -0.06), (200, 0.02), (1200, -0.06)))) == 2


def test_gap_must_leave_the_mean_above_the_threshold() -> None:
    assert len(found(profile((1200, -0.041), (300, 0.0), (1200, -0.041)))) == 2


def test_coarse_terrain_states_no_steepest_grade() -> None:
    road = profile((1000, -0.05), (1000, -0.09))
    (fine,) = descents(road, 0, native_cell=30.0)
    assert fine.max_grade == pytest.approx(0.09)
    (coarse,) = descents(road, 0, native_cell=92.0)
    assert coarse.max_grade is None


def test_coarse_terrain_gives_one_grade_on_a_descent() -> None:
    road = profile((500, 0.0), (1000, -0.05), (1000, -0.09), (500, 0.01))
    even = with_mean_grades(road, 0, 90.0)
    assert even.grade[50:250] == pytest.approx(np.full(200, -0.07))
    assert even.height[[0, 50, 250, 300]] == pytest.approx(road.height[[0, 50, 250, 300]])
    assert even.surface is road.surface
    assert even.grade_sigma[100] == pytest.approx(0.005)
    assert even.grade_sigma[0] == 0.02


def test_find_road() -> None:
    roads = [
        replace(profile((900, 0.0)), road_id="SR 1 (2)", name="SR 1"),
        replace(profile((3000, 0.0)), road_id="SR 1", name="SR 1", also=("Main",)),
        replace(profile((2000, 0.0)), road_id="Oak", name="Oak", also=("Main",)),
    ]
    assert find_road(roads, "SR 1") == 1
    assert find_road(roads, "SR 1 (2)") == 0
    assert find_road(roads, "Main") == 1
    assert find_road(roads, "") is None
    assert find_road(roads, "Elm") is None
