"""The main job on open data of two real places, read as their files are."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from noisemap.study.progress import Silent
from noisemap.study.run import RunResult, run_study

HERE = Path(__file__).parent
REAL = HERE.parents[1] / "shared" / "real"

pytestmark = [
    pytest.mark.real,
    pytest.mark.skipif(
        not REAL.is_dir(), reason="the open data of real places do not lie beside the project"
    ),
]


@pytest.fixture(scope="module", params=["andorra", "bad_wildbad"])
def result(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    study = HERE / "studies" / request.param / "study.toml"
    folder = tmp_path_factory.mktemp(request.param)
    return run_study(study, folder, Silent(), allow_outside=True)


@pytest.fixture
def andorra(result: RunResult) -> RunResult:
    if "Andorra" not in result.findings.study_name:
        pytest.skip("the other place")
    return result


@pytest.fixture
def wildbad(result: RunResult) -> RunResult:
    if "Wildbad" not in result.findings.study_name:
        pytest.skip("the other place")
    return result


def test_the_attribution_stands_on_every_page(result: RunResult) -> None:
    for name in ("map.html", "report.html"):
        text = (result.folder / name).read_text(encoding="utf-8")
        assert "OpenStreetMap contributors, ODbL 1.0" in text
    record = json.loads((result.folder / "provenance.json").read_text())
    assert any("OpenStreetMap" in line for line in record["attribution"])


def test_the_map_calls_nothing(result: RunResult) -> None:
    text = (result.folder / "map.html").read_text(encoding="utf-8")
    assert "default-src 'none'" in text
    assert not re.search(r"<(?:script|link|img|iframe)[^>]+(?:src|href)=[\"']?https?:", text)


def test_levels_are_sane(result: RunResult) -> None:
    before = result.findings.before
    assert float(before.l_a_max.max()) < 115.0
    assert (before.l_night <= before.l_night_traffic + 1e-6).all()
    assert float(result.findings.before.passes_night[70].max()) > 0.0


def test_no_grade_beyond_a_truck_road_without_a_warning(result: RunResult) -> None:
    steepest = max(abs(result.scene.stretches.grade))
    if steepest > 0.15:
        assert any("steeper than 15 %" in line for line in result.scene.warnings)


def test_andorra_is_the_descent_below_envalira(andorra: RunResult) -> None:
    """CG-2 east side: 5.1 km, 348 m, 6.8 % (COMPUTED by an independent prototype)."""
    from noisemap.scene.descents import descents

    scene = andorra.scene
    found = [
        one
        for index, road in enumerate(scene.roads)
        if road.name == "CG-2"
        for one in descents(road, index, native_cell=scene.terrain.native_cell)
    ]
    longest = max(found, key=lambda one: one.drop)
    assert longest.length == pytest.approx(5116.0, rel=0.05)
    assert longest.drop == pytest.approx(348.0, abs=8.0)
    assert longest.max_grade is None
    assert scene.crs == "EPSG:32631"
    assert scene.facts["proxies"] > 100
    assert any("estimated" in line for line in scene.assumptions)
    assert any("mean grade" in line for line in andorra.findings.warnings)


def test_andorra_recommends_no_zone_on_coarse_terrain(andorra: RunResult) -> None:
    assert andorra.findings.zones
    assert all(zone.verdict != "worth signing" for zone in andorra.findings.zones)


def test_bad_wildbad_says_that_it_has_no_descent(wildbad: RunResult) -> None:
    assert "No truck descent" in wildbad.findings.answer
    assert wildbad.scene.facts["buildings"] == 1173
    assert wildbad.scene.stretches.covered.any()
    assert wildbad.scene.terrain.native_cell == pytest.approx(12.6, abs=0.1)
