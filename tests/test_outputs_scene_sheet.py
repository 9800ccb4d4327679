"""The scene sheet: figures that agree with the scene, safe text, a layer of repairs."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyogrio
import pytest
from click.testing import CliRunner
from scene_files import box, line, write_geojson
from test_scene_build import study as study

from noisemap.cli.study import check_command
from noisemap.outputs.scene_sheet import (
    About,
    grade_shares,
    ground_shares,
    home_shares,
    road_rows,
    scene_facts,
    scene_sheet_html,
    write_scene_sheet,
)
from noisemap.scene.build import build_scene
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.model import Scene
from noisemap.states import Zone

MOMENT = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
NASTY = "<img src=x onerror=alert(1)>"


@pytest.fixture
def scene(study: SceneInputs) -> Scene:
    write_geojson(
        study.roads_file,
        [
            ({"id": "1", "ref": NASTY, "highway": "primary"}, line((100, 1500), (1500, 1500))),
            ({"id": "2", "name": "Elm", "highway": "primary"}, line((800, 1300), (800, 1700))),
        ],
    )
    write_geojson(
        study.homes_file,
        [
            ({"id": "a", "people": 3}, box(300, 1530, 12, 9)),
            ({"id": "b", "kind": "school"}, box(600, 1530, 30, 9)),
        ],
    )
    return build_scene(study)


def test_lengths_by_grade_sum_to_the_road(scene: Scene) -> None:
    rows = grade_shares(scene, "metric")
    assert [row.words for row in rows][0::5] == ["under 2 %", "12 % and more"]
    shares = [float(row.share.removesuffix(" %")) for row in rows]
    assert sum(shares) == pytest.approx(100.0, abs=0.3)
    # the slope's 6 % lies on the border of two classes
    assert shares[2] + shares[3] == pytest.approx(100.0 * 1400 / 1800, abs=3.0)


def test_ground_and_homes_are_counted(scene: Scene) -> None:
    shares = [float(row.share.removesuffix(" %")) for row in ground_shares(scene, "metric")]
    assert sum(shares[:3]) == pytest.approx(100.0, abs=0.2)
    assert [(row.words, row.amount, row.share) for row in home_shares(scene, {})] == [
        ("home", "1", "3 people"),
        ("school", "1", "0 people"),
    ]
    estimated = replace(scene.homes, estimated=np.array([True, False]))
    last = home_shares(replace(scene, homes=estimated), {})[-1]
    assert (last.words, last.amount) == ("of all: estimated, drawn hollow", "1")
    school = home_shares(scene, {"school": frozenset(range(8, 16))})[1]
    assert school.words == "school, 08:00 to 16:00"


def test_units_of_the_reader(scene: Scene) -> None:
    us, metric = (dict(scene_facts(scene, units)) for units in ("us", "metric"))
    assert us["Heights"].endswith(" ft")
    assert metric["Heights"].endswith(" m")
    assert us["Road with modelled traffic"] == "1.1 mi"
    assert metric["Road with modelled traffic"] == "1.8 km"
    assert ground_shares(scene, "us")[0].amount.endswith(" sq mi")
    assert road_rows(scene, "us")[0][4] == "951 to 676 ft"


def test_roads_with_their_heights(scene: Scene) -> None:
    rows = road_rows(scene, "metric")
    assert len(rows) == 2
    assert rows[0][4] == "290 to 206 m"
    assert rows[0][5] == "80 km/h, 100 % assumed"
    assert rows[0][6:8] == ("", "")  # the file says nothing of lanes and surface
    elm = replace(
        scene.roads[0],
        lanes=np.where(np.arange(len(scene.roads[0].emits)) < 9, 3.0, 2.0),
        paving=np.full(len(scene.roads[0].emits), NASTY),
    )
    row = road_rows(replace(scene, roads=(elm,)), "metric")[0]
    assert row[6] == "2 to 3"
    assert row[7] == NASTY  # text; the page escapes it


def test_zones_are_named_and_drawn(scene: Scene) -> None:
    name = scene.roads[0].road_id
    zone = Zone("Foot <b>", name, 300.0, 900.0, frozenset({1}), "compression_release")
    astray = replace(zone, road="nowhere")
    page = scene_sheet_html(scene, About("x", "metric", (zone, astray)), [], [])
    assert "Zones of the study" in page
    assert "Foot &lt;b&gt;" in page
    assert "300 m to 900 m from its upper end" in page
    bare = scene_sheet_html(scene, About("x", "metric"), [], [])
    assert "Zones of the study" not in bare
    pictures = [re.search(r"base64,([^\"]+)", text)[1] for text in (page, bare)]
    assert pictures[0] != pictures[1]


def test_page_shows_names_as_text_and_needs_nothing(scene: Scene) -> None:
    page = scene_sheet_html(scene, About(NASTY, "us"), [f"said {NASTY}"], [f"wrong {NASTY}"])
    assert NASTY not in page
    assert page.count("&lt;img src=x onerror=alert(1)&gt;") >= 4
    assert "default-src 'none'" in page
    assert not re.search(r"<script|(?:src|href)=[\"'](?!data:)", page)
    assert "Problems (1)" in page
    assert "without a shared point, bridge or tunnel: not joined" in page


def test_repairs_layer_has_every_repair(scene: Scene, tmp_path: Path) -> None:
    files = write_scene_sheet(tmp_path / "deep" / "sheet", scene, About("x", "us"), [], [], MOMENT)
    assert [file.name for file in files] == ["scene-sheet.html", "repairs.gpkg"]
    frame = pyogrio.read_dataframe(files[1])
    assert len(frame) == len(scene.repairs) == 1
    assert frame.crs == scene.crs
    assert frame.geometry.iloc[0].x == pytest.approx(scene.repairs[0].x)
    again = write_scene_sheet(tmp_path / "again", scene, About("x", "us"), [], [], MOMENT)
    for one, other in zip(files, again, strict=True):
        assert one.read_bytes() == other.read_bytes()


def test_sheet_without_any_repair(scene: Scene, tmp_path: Path) -> None:
    clean = replace(scene, repairs=())
    files = write_scene_sheet(tmp_path, clean, About("x", "us"), [], [], MOMENT)
    assert "Nothing had to be repaired." in files[0].read_text(encoding="utf-8")
    assert len(pyogrio.read_dataframe(files[1])) == 0


def test_check_writes_the_sheet(tmp_path: Path) -> None:
    demo = Path(__file__).parents[1] / "data" / "study.toml"
    sheet = tmp_path / "sheet"
    result = CliRunner().invoke(check_command, [str(demo), "--sheet", str(sheet), "-q"])
    assert result.exit_code == 0, result.output
    assert f"Scene sheet: {sheet / 'scene-sheet.html'}" in result.output
    page = (sheet / "scene-sheet.html").read_text(encoding="utf-8")
    assert "Brindle Gap" in page
    assert len(pyogrio.read_dataframe(sheet / "repairs.gpkg")) == 4
