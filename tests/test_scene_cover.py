"""Industrial sites and housing from land use and buildings, and the study keys for them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from scene_files import X0, Y0, box, write_geojson
from test_scene_build import study as study
from test_study_file import GOOD, faults, write

from noisemap.scene.build import build_scene
from noisemap.scene.cover import covered_share
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.model import Terrain
from noisemap.study.load import load_study
from noisemap.study.method import other_paths
from noisemap.transfer.build import Air, surface_of


def test_share_of_a_cell_under_shapes() -> None:
    terrain = Terrain(0.0, 0.0, 10.0, np.zeros((3, 3)), np.zeros((3, 3), bool), 10.0)
    half = np.array([shapely.box(-5.0, -5.0, 0.0, 25.0)])
    np.testing.assert_allclose(covered_share(terrain, half)[:, 0], 0.5)
    assert (covered_share(terrain, half)[:, 1:] == 0.0).all()
    assert (covered_share(terrain, np.array([], dtype=object)) == 0.0).all()


def test_sites_and_housing_only_when_asked_for(study: SceneInputs, tmp_path: Path) -> None:
    ground = write_geojson(
        tmp_path / "ground.geojson", [({"landuse": "industrial"}, box(1000, 1250, 200, 100))]
    )
    plain = build_scene(replace(study, ground_file=ground))
    assert plain.ground.site is None
    assert plain.ground.housing is None
    assert len(plain.obstacles.edges) == 64
    scene = build_scene(
        replace(
            study, ground_file=ground, industrial_sites=True, obstacle_buildings="housing",
            wall_reflection=0.3, building_reflection=0.5,
        )
    )  # fmt: skip
    assert scene.ground.site is not None
    assert scene.ground.housing is not None
    assert scene.ground.site.sum() == 200
    row = round((Y0 + 1305 - scene.ground.y0) / 10.0)
    column = round((X0 + 1105 - scene.ground.x0) / 10.0)
    assert scene.ground.site[row, column]
    assert not len(scene.obstacles.edges)  # houses count once, by density
    built = float(scene.ground.housing.sum()) * scene.ground.cell**2
    assert built == pytest.approx(16 * 12.5 * 10.0, rel=1e-6)  # 12 m x 9 m in squares of 2.5 m
    assert scene.ground.housing.max() <= 2 * 12.0 * 9.0 / 100.0**2 * 1.3
    assert scene.ground.housing_height == pytest.approx(6.0)
    said = " ".join(scene.assumptions)
    assert "installations 10 m high (annex A.2 of the standard): 1 polygons" in said
    assert "Housing counts by its density in place of single buildings" in said
    surface = surface_of(scene)
    assert surface.site is scene.ground.site
    assert surface.housing is scene.ground.housing
    assert (surface.site_height, surface.housing_height) == (10.0, pytest.approx(6.0))
    houses = surface_of(replace(plain, obstacles=replace(plain.obstacles, building_reflection=0.5)))
    assert set(houses.reflection) == {0.5}
    assert set(surface_of(plain).reflection) == {0.8}


KEYS = """
[ground]
industrial_sites = true
industrial_height_m = 8.0
all_forest_dense = true

[obstacles]
buildings = "housing"
side_paths = false
reflection_order = 0
wall_reflection = 0.4
"""


def test_study_keys(tmp_path: Path) -> None:
    study = load_study(write(tmp_path, GOOD + KEYS))
    assert (study.ground.industrial_sites, study.ground.industrial_height_m) == (True, 8.0)
    assert study.ground.all_forest_dense
    table = study.obstacles
    assert (table.buildings, table.side_paths, table.reflection_order) == ("housing", False, 0)
    assert (table.wall_reflection, table.building_reflection) == (0.4, None)
    plain = load_study(write(tmp_path, GOOD)).obstacles
    assert (plain.side_paths, plain.reflection_order) == (True, 1)
    (fault,) = faults(tmp_path, GOOD + KEYS.replace("reflection_order = 0", "reflection_order = 2"))
    assert "obstacles.reflection_order: 2 is not allowed (allowed: 0 or 1)" in fault
    (fault,) = faults(tmp_path, GOOD + KEYS.replace("= 0.4", "= 1.4"))
    assert "obstacles.wall_reflection: 1.4 is not allowed" in fault


def test_the_report_says_what_is_on(study: SceneInputs) -> None:
    obstacles = build_scene(study).obstacles
    air = Air(10.0, 70.0, 101.325)
    on = other_paths(air, replace(obstacles, wall_reflection=0.4))
    assert "the 4 strongest a path, from surfaces within 50 m of source or receiver" in on
    assert "walls throw back 0.4 and facades 0.8 of the energy" in on
    assert "Paths round the sides" in on
    off = other_paths(replace(air, sides=False, reflection_order=0), obstacles)
    assert off == (
        "Paths round the sides of walls and buildings are switched off. "
        "Reflections are switched off."
    )
