"""What each stretch carries of its road: surface, lanes, direction, structure, limit, trucks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scene_files import X0, box, line, write_geojson, write_terrain

from noisemap.scene.build import build_scene
from noisemap.scene.inputs import SceneInputs

KMH = 1.609344


@pytest.fixture
def study(tmp_path: Path) -> SceneInputs:
    """A road of four pieces, drawn uphill; only the first names no surface."""
    road = {"ref": "SR 1", "highway": "primary"}
    pieces = [
        {"id": "1", **road, "maxspeed": "30 mph", "lanes": "2"},
        {"id": "2", **road, "maxspeed": "45 mph", "surface": "asphalt", "lanes": "3"},
        {"id": "3", **road, "bridge": "yes", "surface": "concrete", "lanes": "two"},
        {"id": "4", **road, "oneway": "yes", "surface": "asphalt", "lanes": "1"},
    ]
    ends = (100, 800, 1500, 1600, 2900)
    roads = [(piece, line((ends[n], 1500), (ends[n + 1], 1500))) for n, piece in enumerate(pieces)]
    homes = [({"id": "h"}, box(1500, 1560, 12, 9))]
    return SceneInputs(
        (write_terrain(tmp_path / "t.tif", lambda x, y: 100.0 + 0.06 * (x - X0) + 0.0 * y),),
        write_geojson(tmp_path / "roads.geojson", roads),
        write_geojson(tmp_path / "homes.geojson", homes),
    )


def test_stretch_facts(study: SceneInputs) -> None:
    scene = build_scene(study)
    part = scene.stretches
    place = np.digitize(part.x - X0, [800.0, 1500.0, 1600.0])
    for piece, surface, lanes, limit, direction, bridge in (
        (0, "", 2.0, 30 * KMH, 0, False),
        (1, "asphalt", 3.0, 45 * KMH, 0, False),
        (2, "concrete", np.nan, None, 0, True),
        (3, "asphalt", 1.0, None, -1, False),  # the road is counted from its upper end
    ):
        own = place == piece
        assert own.any()
        assert set(part.paving[own].tolist()) == {surface}
        assert np.array_equal(np.unique(part.lanes[own]), [lanes], equal_nan=True)
        assert set(part.direction[own].tolist()) == {direction}
        assert set(part.bridge[own].tolist()) == {bridge}
        if limit is not None:
            assert part.speed_limit_kmh[own] == pytest.approx(np.full(int(own.sum()), limit))
    assert part.grade == pytest.approx(np.full(len(part.x), -0.06), abs=1e-4)
    assert part.trucks_allowed.all()
    assert [r.item for r in scene.repairs if "lanes='two'" in r.what] == ["way 3 (SR 1)"]


def test_cut_stretches_keep_what_they_carry(study: SceneInputs) -> None:
    scene = build_scene(study, {"SR 1": [1111.0]})
    assert len(scene.stretches.x) == len(scene.whole.x) + 1
    parents = scene.part_of
    assert (scene.stretches.paving == scene.whole.paving[parents]).all()
    assert np.array_equal(scene.stretches.lanes, scene.whole.lanes[parents], equal_nan=True)
