"""The same roads come out whatever the order and the numbers of the lines in the file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from noisemap.scene.inputs import SceneInputs
from noisemap.scene.network import Way, split_edges, strokes
from noisemap.scene.road_files import read_roads
from noisemap.scene.roads import name_strokes, place_roads
from noisemap.scene.tags import road_tags

REAL = Path(__file__).parents[1].parent / "shared" / "real"

Found = dict[str, list[tuple[float, float]]]


def found(ways: Sequence[Way]) -> Found:
    """Points of every road by its name."""
    edges = split_edges(ways)
    roads = strokes(edges)
    result: Found = {}
    for road, name in zip(roads, name_strokes(edges, roads), strict=True):
        points: list[tuple[float, float]] = []
        for member in road:
            edge = edges[member.edge]
            step = 1 if member.forward else -1
            points += zip(edge.x[::step].tolist(), edge.y[::step].tolist(), strict=True)
        result[name.road_id] = points
    assert len(result) == len(roads)  # names are unique
    return result


def shuffled(ways: Sequence[Way], seed: int) -> list[Way]:
    """The ways in another order, with other numbers for them and their nodes."""
    rng = np.random.default_rng(seed)
    keys = np.unique(np.concatenate([way.nodes for way in ways]))
    other = rng.permutation(len(keys)) + 7
    numbered = [replace(way, nodes=other[np.searchsorted(keys, way.nodes)]) for way in ways]
    return [numbered[index] for index in rng.permutation(len(ways)).tolist()]


@pytest.fixture
def lattice() -> list[Way]:
    """A grid of streets of one name: every crossing has two pairs of equal cost."""
    tags = road_tags({"highway": "residential", "name": "Grid Street"})
    ways = []
    for i in range(5):
        for j in range(4):
            here = i * 10 + j
            for key, dx, dy in ((here + 10, 100.0, 0.0), (here + 1, 0.0, 100.0)):
                x, y = np.array([100.0 * i, 100.0 * i + dx]), np.array([100.0 * j, 100.0 * j + dy])
                ways.append(Way(f"{here}/{key}", np.array([here, key]), x, y, tags))
    return ways


def test_equal_costs_are_decided_by_directions(lattice: list[Way]) -> None:
    first = found(lattice)
    for seed in range(5):
        assert found(shuffled(lattice, seed)) == first


def test_star_of_five_equal_roads() -> None:
    """Five roads at 72 degrees: pairs cost the same, one stays alone, always the same one."""
    tags = road_tags({"highway": "primary", "ref": "R"})
    angle = np.radians(np.arange(5) * 72.0 + 11.0)
    ways = [
        Way(str(n), np.array([0, n + 1]), np.array([0.0, x]), np.array([0.0, y]), tags)
        for n, (x, y) in enumerate(np.column_stack([np.cos(angle), np.sin(angle)]) * 200.0)
    ]
    first = found(ways)
    assert sorted(len(points) for points in first.values()) == [2, 4, 4]
    for seed in range(10):
        assert found(shuffled(ways, seed)) == first


@pytest.mark.real
@pytest.mark.skipif(not REAL.is_dir(), reason="the open data do not lie beside the project")
def test_andorra_in_another_order() -> None:
    path = REAL / "andorra.osm.pbf"
    raw = read_roads(SceneInputs((), path, path, homes_source="osm"))
    ways, _ = place_roads(raw, "EPSG:32631", shapely.box(350_000, 4_690_000, 410_000, 4_730_000))
    first = found(ways)
    assert len(first) > 600
    again = found(shuffled(ways, 3))
    assert {key: sorted(points) for key, points in again.items()} == {
        key: sorted(points) for key, points in first.items()
    }
