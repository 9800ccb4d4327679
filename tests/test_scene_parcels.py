"""Homes from parcels and people from areas: who gets how many, and where they stand."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scene_files import X0, box, write_geojson, write_terrain
from test_scene_build import study as study
from test_study_file import GOOD

from noisemap.errors import BadDataError, StudyError
from noisemap.scene.build import build_scene
from noisemap.scene.inputs import SceneInputs
from noisemap.study.model import Study

PARCELS = [
    ({"id": "p1", "USE": "SFR", "UNITS": 2, "label": "1 Oak"}, box(300, 1520, 60, 60)),
    ({"id": "p2", "USE": "SFR", "UNITS": 3}, box(400, 1520, 60, 60)),
    ({"id": "p3", "USE": "SFR", "UNITS": 0}, box(500, 1520, 60, 60)),
    ({"id": "p4", "USE": "EDU", "UNITS": None}, box(600, 1520, 60, 60)),
    ({"id": "p5", "USE": "VAC", "UNITS": None}, box(700, 1520, 60, 60)),
]
OUTLINES = [
    ({"id": "a", "levels": 1}, box(305, 1525, 10, 10)),
    ({"id": "b", "levels": 3}, box(320, 1525, 10, 10)),
    ({"id": "shed", "levels": 1}, box(340, 1525, 3, 3)),
    ({"id": "school", "levels": 1}, box(605, 1525, 20, 20)),
    ({"id": "hut", "levels": 1}, box(705, 1525, 10, 10)),
    ({"id": "stray", "levels": 1}, box(900, 1525, 10, 10)),
]
COLUMNS = {"kind": "USE", "dwellings": "UNITS"}
KINDS = {"sfr": "home", "EDU": "school", "VAC": "none"}


@pytest.fixture
def parcels(study: SceneInputs, tmp_path: Path) -> SceneInputs:
    return replace(
        study,
        homes_source="parcels",
        homes_file=write_geojson(tmp_path / "parcels.geojson", PARCELS),
        homes_columns=COLUMNS,
        homes_kinds=KINDS,
        people_per_dwelling=2.0,
    )


def test_homes_stand_in_the_outlines_of_their_parcel(parcels: SceneInputs, tmp_path: Path) -> None:
    outlines = write_geojson(tmp_path / "outlines.geojson", OUTLINES)
    scene = build_scene(replace(parcels, outlines_file=outlines))
    people = dict(zip(scene.homes.home_id, scene.homes.people.tolist(), strict=True))
    # p1: two dwellings by floor 1 : 3; p2: no outline, so its middle; p4: a school
    assert people == {
        "p1 / a": pytest.approx(1.0),
        "p1 / b": pytest.approx(3.0),
        "p4 / school": 0.0,
        "p2": pytest.approx(6.0),
    }
    assert scene.homes.estimated.tolist() == [False, False, False, True]
    assert scene.homes.kind == ("home", "home", "school", "home")
    assert scene.homes.label[0] == "1 Oak"
    assert int((scene.receivers.home == 3).sum()) == 1
    assert int((scene.receivers.home == 0).sum()) > 1
    assert len(set(scene.obstacles.block.tolist())) == 6  # sheds and halls stand in the way too
    text = " ".join(scene.assumptions)
    assert "of 2 parcels are shared out by floor area over 3 buildings" in text
    assert "placed at their middle and marked as estimated: 1." in text
    assert "Parcels without people and without a building, left out: 1." in text


def test_parcels_alone_stand_at_their_middle(parcels: SceneInputs) -> None:
    scene = build_scene(parcels)
    assert scene.homes.home_id == ("p1", "p2", "p3", "p4")
    assert scene.homes.people.tolist() == [4.0, 6.0, 0.0, 0.0]
    assert scene.homes.estimated.all()
    assert len(scene.receivers.home) == 4
    assert any("middle of their parcel, marked as estimated: 4" in a for a in scene.assumptions)


def test_words_of_land_use_are_asked_for(parcels: SceneInputs) -> None:
    with pytest.raises(
        BadDataError,
        match=r"kind 'edu' is not allowed, and 2 more words \(sfr, vac\).*kinds = \{ \"edu\"",
    ):
        build_scene(replace(parcels, homes_kinds={}))
    with pytest.raises(StudyError, match=r"homes\.kinds: castle is not allowed"):
        build_scene(replace(parcels, homes_kinds={"EDU": "castle"}))


def grid(tmp_path: Path, *cells: tuple[float, Any]) -> Path:
    features = [({"POP": people}, box(x, 1400, 480, 300)) for x, people in cells]
    return write_geojson(tmp_path / "grid.geojson", features)


def test_people_of_a_grid_by_floor_area(study: SceneInputs, tmp_path: Path) -> None:
    homes = [
        ({"id": "a", "levels": 1}, box(310, 1530, 10, 10)),
        ({"id": "b", "levels": 4}, box(400, 1530, 10, 10)),
        ({"id": "c", "levels": 1, "people": 30}, box(450, 1530, 10, 10)),
        ({"id": "d", "levels": 1}, box(2500, 1530, 11, 10)),
        ({"id": "hall", "kind": "other"}, box(500, 1530, 90, 90)),
    ]
    write_geojson(study.homes_file, homes)
    inputs = replace(
        study,
        population_file=grid(tmp_path, (300, 130), (800, 7)),
        population_columns={"people": "POP"},
    )
    scene = build_scene(inputs)
    people = dict(zip(scene.homes.home_id, scene.homes.people.tolist(), strict=True))
    # 130 less the 30 that are given, by floor 1 : 4; d lies in no cell and keeps the rule
    assert people == {
        "a": pytest.approx(20.0),
        "b": pytest.approx(80.0),
        "c": 30.0,
        "d": pytest.approx(110 * 0.8 / 110 * 2.5),
        "hall": 0.0,
    }
    assert any("1 areas of grid.geojson with 7 people hold no home" in w for w in scene.warnings)
    assert any("Homes in no area of grid.geojson" in w for w in scene.warnings)


@pytest.mark.parametrize("people", [-5, None, "many"])
def test_faults_of_a_grid(study: SceneInputs, tmp_path: Path, people: object) -> None:
    inputs = replace(
        study,
        population_file=grid(tmp_path, (300, people)),
        population_columns={"people": "POP"},
    )
    with pytest.raises(BadDataError, match=r"feature 1: people: .* is not allowed"):
        build_scene(inputs)
    with pytest.raises(BadDataError, match=r"no column people; name it.*\[homes\.population\]"):
        build_scene(replace(inputs, population_columns={}))


def test_floor_shares_sum_to_the_area() -> None:
    from noisemap.scene.parcels import share_out

    rng = np.random.default_rng(5)
    owner = rng.integers(-1, 9, 400)
    floor = rng.uniform(30.0, 900.0, 400)
    amount = rng.uniform(1.0, 500.0, 9)
    shared = share_out(amount, owner, floor)
    assert np.isnan(shared[owner < 0]).all()
    for area in range(9):
        assert shared[owner == area].sum() == pytest.approx(amount[area])


def test_study_keys_of_parcels_and_people() -> None:
    homes = """[homes]
file = "parcels.gpkg"
source = "parcels"
kinds = { "R 1" = "home" }
[homes.outlines]
file = "outlines.gpkg"
[homes.population]
file = "grid.gpkg"
columns = { people = "POP" }
"""
    content = tomllib.loads(GOOD)
    content["homes"] = tomllib.loads(homes)["homes"]
    parsed = Study.model_validate(content)
    assert parsed.homes.kinds == {"R 1": "home"}
    assert parsed.homes.population is not None
    assert parsed.homes.population.columns == {"people": "POP"}
    content["homes"]["people_total"] = 100.0
    with pytest.raises(ValueError, match="one of the two"):
        Study.model_validate(content)
    content["homes"] |= {"source": "buildings"}
    with pytest.raises(ValueError, match=r"\[homes\.outlines\] needs source"):
        Study.model_validate(content)


def test_people_of_a_raster(study: SceneInputs, tmp_path: Path) -> None:
    write_geojson(
        study.homes_file,
        [
            ({"id": "a", "levels": 1}, box(310, 1530, 10, 10)),
            ({"id": "b", "levels": 3}, box(400, 1530, 10, 10)),
            ({"id": "c", "levels": 1}, box(1100, 1530, 10, 10)),
            ({"id": "empty", "levels": 1}, box(1600, 1530, 10, 10)),
        ],
    )

    def people(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        low = np.where(x < X0 + 1000.0, 9.0, np.where(x < X0 + 1500.0, 7.0, 0.0))
        return np.where(x < X0 + 500.0, 40.0, low) + 0.0 * y

    tif = write_terrain(tmp_path / "people.tif", people, size=6, cell=500.0)
    scene = build_scene(replace(study, population_file=tif))
    assert scene.homes.people.tolist() == pytest.approx([10.0, 30.0, 7.0, 0.0])
    assert any("1 areas of people.tif with 9 people hold no home" in w for w in scene.warnings)
    bad = write_terrain(tmp_path / "bad.tif", lambda x, y: -9999.0 + 0 * x * y, size=6, cell=500.0)
    with pytest.raises(BadDataError, match="a cell holds -9999 people at x"):
        build_scene(replace(study, population_file=bad))
