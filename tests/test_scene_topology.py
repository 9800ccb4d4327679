"""Drawn roads that should meet: ends on lines, ends short of lines, crossings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scene_files import line, write_geojson
from test_scene_build import study as study
from test_scene_roads import fit, way

from noisemap.scene.build import build_scene
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.network import split_edges
from noisemap.scene.topology import crossings, join_ends

MAIN = way("1", [1, 2], [(0, 0), (200, 0)], highway="primary")


def test_end_on_a_line_is_joined_to_it() -> None:
    side = way("2", [3, 4], [(100, 0.3), (100, 80)], highway="primary")
    ways, repairs = join_ends([MAIN, side], join=True)
    assert [repair.what for repair in repairs] == ["ended on way 1 without a shared point: joined"]
    edges = split_edges(ways)
    assert sorted(round(edge.length) for edge in edges) == [80, 100, 100]
    assert len({node for edge in edges for node in (edge.start, edge.end)}) == 4
    assert ways[1].y[0] == 0.0


def test_end_beside_a_corner_takes_the_corner() -> None:
    bent = way("1", [1, 5, 2], [(0, 0), (100, 0), (200, 10)], highway="primary")
    side = way("2", [3, 4], [(100.2, 0.2), (100, 80)], highway="primary")
    ways, _ = join_ends([bent, side], join=True)
    assert ways[1].nodes[0] == 5
    assert len(ways[0].nodes) == 3


def test_end_short_of_a_line_is_reported_only() -> None:
    side = way("2", [3, 4], [(100, 2.5), (100, 80)], highway="primary")
    ways, repairs = join_ends([MAIN, side], join=True)
    assert len(split_edges(ways)) == 2
    assert [repair.what for repair in repairs] == ["ends 2.5 m short of way 1: not joined"]
    far = way("2", [3, 4], [(100, 6.0), (100, 80)], highway="primary")
    assert join_ends([MAIN, far], join=True)[1] == []


def test_file_with_node_ids_is_not_changed() -> None:
    side = way("2", [3, 4], [(100, 0.0), (100, 80)], highway="primary")
    ways, repairs = join_ends([MAIN, side], join=False)
    assert ways == (MAIN, side)
    assert "without a shared node: not joined" in repairs[0].what


def test_end_below_a_bridge_does_not_meet_it() -> None:
    bridge = way("1", [1, 2], [(0, 0), (200, 0)], highway="primary", bridge="yes")
    side = way("2", [3, 4], [(100, 0.0), (100, 80)], highway="primary")
    assert join_ends([bridge, side], join=True)[1] == []


def test_crossings_and_what_explains_them() -> None:
    over = [(100, -50), (100, 50)]
    plain = way("2", [3, 4], over, highway="primary")
    total, repairs = crossings([MAIN, plain])
    assert (total, len(repairs)) == (1, 1)
    assert (repairs[0].x, repairs[0].y) == (100.0, 0.0)
    for tags in ({"bridge": "yes"}, {"tunnel": "yes"}, {"layer": "1"}):
        other = way("2", [3, 4], over, highway="primary", **tags)
        assert crossings([MAIN, other]) == (1, [])
    meeting = [
        way("1", [1, 9, 2], [(0, 0), (100, 0), (200, 0)], highway="primary"),
        way("2", [3, 9, 4], [(100, -50), (100, 0), (100, 50)], highway="primary"),
    ]
    assert crossings(meeting) == (0, [])


def test_scene_joins_and_says(study: SceneInputs) -> None:
    write_geojson(
        study.roads_file,
        [
            ({"id": "1", "ref": "SR 1", "highway": "primary"}, line((100, 1500), (2900, 1500))),
            ({"id": "2", "name": "Oak", "highway": "primary"}, line((1500, 1500.2), (1500, 2900))),
            ({"id": "3", "name": "Elm", "highway": "primary"}, line((800, 1300), (800, 1700))),
        ],
    )
    scene = build_scene(study)
    assert scene.facts["edges"] == 4
    assert (scene.facts["loose_ends"], scene.facts["crossings_unexplained"]) == (1, 1)
    assert {repair.item for repair in scene.repairs} == {"way 2", "way 1"}
    assert any("cross without meeting at 1 places" in line for line in scene.warnings)


# ------------------------------------------------------------------------- traps


def test_parallel_roads_between_two_junctions_stay_two() -> None:
    """Two arcs between the same nodes: a sparse matrix that sums them would bend both."""
    ends = [(0.0, 0.0), (1000.0, 0.0)]
    low = way("1", [1, 10, 2], [ends[0], (500.0, 0.0), ends[1]], highway="primary")
    high = way("2", [1, 20, 2], [ends[0], (500.0, 400.0), ends[1]], highway="primary")

    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 100.0 + 0.05 * x + 0.1 * y

    both = fit([low, high], ground)
    assert len(both) == 2
    for road in both:
        away = (road.x > 150.0) & (road.x < 850.0) & (np.abs(road.x - 500.0) > 150.0)
        assert road.height[away] == pytest.approx(ground(road.x, road.y)[away], abs=0.3)
    alone = fit([low], ground)[0]
    assert len(alone.x) == 101


def test_smoothing_a_straight_climb_has_no_edge_effect() -> None:
    """Filters that repeat the edge value flatten both ends of a climb; the fit does not."""
    climb = way("1", [1, 2], [(0.0, 0.0), (2000.0, 0.0)], highway="primary")
    (road,) = fit([climb], lambda x, y: 100.0 + 0.08 * x + 0.0 * y, cell=90.0)
    assert np.abs(road.grade) == pytest.approx(np.full(200, 0.08), abs=1e-6)
    height = np.arange(201) * 0.8
    repeated = np.convolve(np.pad(height, 15, mode="edge"), np.ones(31) / 31, mode="valid")
    assert abs(np.diff(repeated)[0] / 10.0) < 0.05  # what the trap would give


def test_forests_drawn_over_each_other_count_once(study: SceneInputs, tmp_path) -> None:
    from scene_files import box

    woods = [({"natural": "wood", "dense": "yes"}, box(300, 1600, 400, 400))] * 2
    forest = [({"landuse": "forest", "dense": "yes"}, box(500, 1600, 400, 400))]
    ground = write_geojson(tmp_path / "ground.geojson", [*woods, *forest])
    cover = build_scene(replace(study, ground_file=ground)).ground
    once = write_geojson(
        tmp_path / "once.geojson", [({"natural": "wood", "dense": "yes"}, box(300, 1600, 600, 400))]
    )
    same = build_scene(replace(study, ground_file=once)).ground
    assert cover.foliage.any()
    assert np.array_equal(cover.foliage, same.foliage)
    assert np.array_equal(cover.factor, same.factor)
