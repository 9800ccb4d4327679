"""The command on a small study of real files: folder, record, second call, no zone at all."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import scene_files
from click.testing import CliRunner

from noisemap.cli.weigh import weigh_command

STUDY = """
schema = 1
units = "metric"
[study]
name = "Small hill (invented)"
crs = "EPSG:32606"
invented = true
[terrain]
files = ["terrain.tif"]
[roads]
file = "roads.geojson"
[homes]
file = "homes.geojson"
[traffic.assumed]
vehicles_per_day = 4000
heavy_share = 0.2
heavy_night_share = 0.3
[[truck]]
name = "loaded"
mass_kg = 30000.0
share = 0.8
gearbox = "automated"
[[truck]]
name = "loaded, no retarder"
mass_kg = 30000.0
share = 0.2
retarder = "none"
[run]
max_distance_m = 1000.0
grid_points = 0
[output]
folder = "out"
"""


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("study")
    scene_files.write_terrain(
        folder / "terrain.tif", lambda x, y: 600.0 - 0.06 * (x - scene_files.X0) + 0.0 * y
    )
    road = {"name": "Hill Road", "highway": "primary", "maxspeed": "60"}
    scene_files.write_geojson(
        folder / "roads.geojson", [(road, scene_files.line((200.0, 1500.0), (2700.0, 1500.0)))]
    )
    homes = [
        ({"id": f"H{i}", "people": 6.0}, scene_files.box(1200.0 + 60.0 * i, 1540.0, 12.0, 10.0))
        for i in range(6)
    ]
    scene_files.write_geojson(folder / "homes.geojson", homes)
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    return folder / "study.toml"


def weigh(study: Path, *options: str):
    return CliRunner().invoke(weigh_command, [str(study), "--quiet", *options])


def test_a_study_without_zones_is_searched(study: Path) -> None:
    outcome = weigh(study, "--json")
    assert outcome.exit_code == 0, outcome.output
    said = json.loads(outcome.output)
    folder = study.parent / "out"
    assert said["folder"] == str(folder)
    assert set(said["files"]) >= {"weigh.html", "weigh.pdf", "weigh.json", "weigh.gpkg"}
    assert all((folder / name).is_file() for name in said["files"])
    assert said["verdict"] == "zone recommended"
    zone = said["recommended"]
    assert 0.0 <= zone["from_m"] < zone["to_m"] <= 2500.0
    assert said["study_zones"] == []
    wall = [row for row in said["tables"]["weigh_alternatives"] if row["group"] == "build"]
    assert wall[0]["measure"].startswith("a wall of 4 m")
    written = json.loads((folder / "weigh.json").read_text(encoding="utf-8"))
    assert written["recommended"] == zone
    assert "store" in {path.name for path in folder.iterdir()}


def test_the_same_answer_again_in_words(study: Path) -> None:
    """The store is reused and the figures repeat."""
    folder = study.parent / "out"
    before = json.loads((folder / "weigh.json").read_text(encoding="utf-8"))
    made = {path: path.stat().st_mtime_ns for path in (folder / "store").rglob("*.npy")}
    outcome = weigh(study)
    assert outcome.exit_code == 0, outcome.output
    assert "The zone to take further" in outcome.output
    assert "Nothing here describes a real town" in " ".join(outcome.output.split())
    after = json.loads((folder / "weigh.json").read_text(encoding="utf-8"))
    assert {k: v for k, v in after.items() if k != "provenance"} == {
        k: v for k, v in before.items() if k != "provenance"
    }
    assert made == {path: path.stat().st_mtime_ns for path in (folder / "store").rglob("*.npy")}


def test_no_zone_is_an_answer(study: Path, tmp_path: Path) -> None:
    strict = study.with_name("strict.toml")
    strict.write_text(STUDY + "[criteria]\nworth_people_passes = 1000000.0\n", encoding="utf-8")
    outcome = weigh(strict, "--json", "--output", str(study.parent / "out"))
    assert outcome.exit_code == 0, outcome.output
    said = json.loads(outcome.output)
    assert said["verdict"] == "no defensible zone"
    assert said["recommended"] is None
    assert any("the study asks for 1,000,000" in text for text in said["answer"])
