"""What terrain heights count for beside steep ground, and where coarse begins."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from noisemap.scene.grades import (
    is_coarse,
    sample_network,
    shortest_base,
    side_slope,
    slope_weight,
)
from noisemap.scene.network import Way, split_edges, strokes
from noisemap.scene.tags import road_tags


def test_ground_across_a_road_and_its_weight() -> None:
    """On a plane the slope across is that of the plane square to the road."""
    tags = road_tags({"highway": "primary"})
    east, north = np.array([0.0, 400.0]), np.array([0.0, 0.0])
    edges = split_edges(
        [
            Way("a", np.array([1, 2]), east, north, tags),
            Way("b", np.array([1, 3]), north, east, tags),
        ]
    )
    points, chains = sample_network(edges, strokes(edges))
    slope = side_slope(points, chains, lambda x, y: 100.0 + 0.1 * x + 0.3 * y, 30.0)
    along_x, along_y = points.x > 25.0, points.y > 25.0
    assert slope[along_x] == pytest.approx(np.full(int(along_x.sum()), 0.3))
    assert slope[along_y] == pytest.approx(np.full(int(along_y.sum()), 0.1))
    nowhere = side_slope(points, chains, lambda x, y: np.full(len(x), np.nan), 30.0)
    assert (nowhere == 0.0).all()
    assert slope_weight(np.array([0.2])) == pytest.approx([0.5])


def test_one_rule_says_what_is_coarse() -> None:
    """One arc second is up to 30.9 m and not coarse; every part of the program asks this rule."""
    assert not is_coarse(30.9)
    assert is_coarse(33.1)
    assert (shortest_base(30.9), shortest_base(33.1)) == (250.0, 1000.0)
    package = Path(__file__).parents[1] / "noisemap"
    asking = re.compile(r"native_cell\s*(<=|>=|<|>)\s*\d")
    own = [file.name for file in package.rglob("*.py") if asking.search(file.read_text("utf-8"))]
    assert own == []
