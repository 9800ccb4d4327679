"""A scene asks for the way between two systems once, not once a row of its grid."""

from __future__ import annotations

from pathlib import Path

import pytest
from scene_files import CRS, X0, box, line, write_geojson, write_terrain

from noisemap.scene import crs as systems
from noisemap.scene.build import build_scene
from noisemap.scene.inputs import SceneInputs


def test_ways_between_systems_are_found_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[object, ...]] = []
    real = systems.Transformer.from_crs

    class Counting:
        @staticmethod
        def from_crs(*pair: object, **options: object) -> object:
            asked.append(pair)
            return real(*pair, **options)

    systems._mover.cache_clear()
    monkeypatch.setattr(systems, "Transformer", Counting)
    inputs = SceneInputs(
        (write_terrain(tmp_path / "t.tif", lambda x, y: 100.0 + 0.05 * (x - X0) + 0.0 * y),),
        write_geojson(
            tmp_path / "r.geojson", [({"highway": "primary"}, line((100, 900), (2900, 900)))]
        ),
        write_geojson(tmp_path / "h.geojson", [({"id": "1"}, box(1500, 940, 12, 9))]),
        crs="EPSG:32605",  # not that of the files: every height is looked up in another system
    )
    scene = build_scene(inputs)
    assert scene.crs == "EPSG:32605" != CRS
    assert scene.terrain.height.shape[0] > 50
    assert len(asked) == len(set(asked)) < 10
    systems._mover.cache_clear()
