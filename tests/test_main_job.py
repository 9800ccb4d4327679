"""The main job as its user runs it: demo, new, check, run, and every way to get it wrong."""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from browser_support import opened

from noisemap.cli.main import run
from noisemap.errors import BusyError
from noisemap.storage import claim_folder
from noisemap.study.check import check_study
from noisemap.study.demo import copy_demo
from noisemap.study.load import load_study
from noisemap.study.prepare import prepare
from noisemap.study.progress import Silent
from noisemap.study.run import refuse_changed_inputs


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "out"
    command = [sys.executable, "-m", "noisemap", "demo", "--output", str(folder), "--json"]
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stderr
    (folder / "answer.json").write_text(result.stdout)
    (folder / "progress.txt").write_text(result.stderr)
    return folder


def answer(folder: Path) -> dict:
    return json.loads((folder / "answer.json").read_text())


def test_the_demo_leaves_everything(demo: Path) -> None:
    for name in (
        "map.html",
        "report.html",
        "report.pdf",
        "layers.gpkg",
        "summary.txt",
        "provenance.json",
        "study.resolved.toml",
        "tables/homes.csv",
        "tables/zones.csv",
        "tables/brakes.csv",
    ):
        assert (demo / name).stat().st_size > 0, name


def test_progress_is_plain_lines_without_a_terminal(demo: Path) -> None:
    lines = (demo / "progress.txt").read_text().splitlines()
    assert len(lines) >= 5
    assert all(re.match(r"\[ *[\d.]+ s\] |  +\d+ %", line) for line in lines)


def test_the_demo_has_each_verdict_and_tells_refusals_first(demo: Path) -> None:
    verdicts = {zone["name"]: zone["verdict"] for zone in answer(demo)["zones"]}
    assert verdicts == {
        "Whole grade, every retarder": "refused for brakes",
        "Town foot, unmuffled": "worth signing",
        "Lower grade, nights": "needs an engineering study",
        "Valley floor": "not worth signing",
    }
    study = load_study(demo / "study" / "study.toml")
    assert list(verdicts) == [zone.name for zone in study.zone]  # numbered as the study has them
    summary = (demo / "summary.txt").read_text()
    assert summary.index("Do not sign “Whole grade") < summary.index("“Town foot, unmuffled” is")


def test_the_wording_of_every_page(demo: Path) -> None:
    for name in ("summary.txt", "report.html", "map.html"):
        text = (demo / name).read_text(encoding="utf-8").lower()
        assert "invented" in text, name
        assert "23 cfr 772" in text or name == "summary.txt"
        shown = re.sub(r"<script.*?</script>|<style.*?</style>|<meta[^>]*>", "", text, flags=re.S)
        words = re.findall(r"\b(safe|unsafe|safely)\b", shown)
        assert not words, (name, words)


def test_tables_have_units_and_every_home(demo: Path) -> None:
    with (demo / "tables/homes.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == answer(demo)["homes"]
    assert any("[dB]" in name or "(dB)" in name or "_db" in name.lower() for name in rows[0])


def test_provenance_names_inputs_and_versions(demo: Path) -> None:
    record = json.loads((demo / "provenance.json").read_text())
    assert set(record["inputs_sha256"]) >= {"study.toml", "terrain.tif", "roads.geojson"}
    assert all(len(digest) == 64 for digest in record["inputs_sha256"].values())
    assert {"numpy", "acoustics"} <= set(record["libraries"])
    assert record["seed"] == 20260101


def test_the_resolved_study_is_a_study(demo: Path) -> None:
    resolved = demo / "study.resolved.toml"
    tomllib.loads(resolved.read_text(encoding="utf-8"))
    found, errors = check_study(resolved, Silent(), allow_outside=True)
    assert not errors
    assert found["crs"] == "EPSG:32606"
    written = load_study(resolved)
    assert written.study.crs == "EPSG:32606"
    assert written.weather.pressure_kpa is not None
    assert written.zone == load_study(demo / "study" / "study.toml").zone


def test_a_second_run_reuses_the_store_and_repeats_the_answer(
    demo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stores = {path: path.stat().st_mtime_ns for path in demo.glob("store/*/*.npy")}
    assert stores
    study = demo / "study" / "study.toml"
    assert run(["run", str(study), "--output", str(demo), "--json", "--quiet"]) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["zones"] == answer(demo)["zones"]
    assert {path: path.stat().st_mtime_ns for path in demo.glob("store/*/*.npy")} == stores


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return copy_demo(tmp_path / "study")


def say(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    code = run(arguments)
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return code, out, err


def test_check_says_what_it_understood(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = say(["check", str(study), "-q"], capsys)
    assert code == 0
    assert "EPSG:32606" in out
    assert "SR 77" in out
    assert "Nothing is wrong." in out
    assert not list(study.parent.glob("**/store"))
    code, out, _ = say(["check", str(study), "-q", "--json"], capsys)
    found = json.loads(out)
    assert code == 0
    assert found["problems"] == []
    assert found["homes"] == 445
    assert len(found["repairs"]) >= 4


def edit(study: Path, old: str, new: str) -> None:
    text = study.read_text(encoding="utf-8")
    assert old in text
    study.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_check_lists_faults_of_several_layers(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (study.parent / "traffic.csv").write_text("road,direction\nSR 77,downhill\n")
    (study.parent / "homes.geojson").write_text("{}")
    (study.parent / "terrain.tif").write_bytes(b"II*\0garbage")
    code, out, err = say(["check", str(study), "-q", "--json"], capsys)
    problems = "\n".join(json.loads(out)["problems"])
    assert code == 65
    assert "traffic.csv" in problems
    assert "homes.geojson" in problems
    assert "terrain.tif" in problems
    assert err.startswith("noisemap: ")


@pytest.mark.parametrize(
    ("old", "new", "code", "sentence"),
    [
        ('file = "roads.geojson"', 'file = "nowhere.geojson"', 66, "there is no file"),
        ('file = "roads.geojson"', 'file = "../roads.geojson"', 78, "--allow-outside"),
        ('road = "SR 77"', 'road = "SR 78"', 78, "SR 77"),
        ("to_m = 9800.0", "to_m = 99800.0", 78, "0..9920"),
        ('crs = "auto"', 'crs = "EPSG:4326"', 78, "EPSG:32606"),
        ('"health_road_night",', '"quietness",', 78, "housing_acceptable"),
        ("memory_gb = 2.0", "memory_gb = 0.001", 78, "run.memory_gb"),
        ('vertical_unit = "m"', 'vertical_unit = "cubit"', 78, "us-ft"),
    ],
)
def test_faults_of_the_study(
    study: Path,
    old: str,
    new: str,
    code: int,
    sentence: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    edit(study, old, new)
    found, _, err = say(["run", str(study), "-q"], capsys)
    assert found == code
    assert sentence in err


def test_truck_files_of_the_users_own(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (study.parent / "old.toml").write_text('base = "13L"\nbrakes = { heat_capacity_kj_k = -3.0 }\n')
    edit(study, 'name = "80,000 lb"', 'name = "80,000 lb"\nmodel = "old.toml"')
    code, _, err = say(["check", str(study), "-q"], capsys)
    assert code == 78
    assert "old.toml" in err
    assert "heat_capacity_kj_k" in err


def test_a_held_folder_is_busy(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    claim_folder(study.parent / "out")
    code = (
        "import sys; from pathlib import Path; from noisemap.storage import FolderLock\n"
        f"with FolderLock(Path({str(study.parent / 'out')!r})):\n"
        "    print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        found, _, err = say(
            ["run", str(study), "-q", "--output", str(study.parent / "out")], capsys
        )
        other.kill()
    assert found == 75
    assert f"process {other.pid}" in err


def test_somebody_elses_folder_is_left_alone(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    foreign = study.parent / "foreign"
    foreign.mkdir()
    (foreign / "report.html").write_text("mine")
    found, _, err = say(["run", str(study), "-q", "--output", str(foreign)], capsys)
    assert found == 73
    assert "--output" in err
    assert (foreign / "report.html").read_text() == "mine"


def test_an_output_folder_outside_needs_leave(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    edit(study, 'folder = "noisemap-output"', 'folder = "../elsewhere"')
    found, _, err = say(["run", str(study), "-q"], capsys)
    assert found == 78
    assert "--allow-outside" in err


def test_keys_and_files_at_fault_come_in_one_list(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    edit(study, 'vertical_unit = "m"', 'vertical_units = "m"')
    edit(study, 'file = "homes.geojson"', 'file = "nobody.geojson"')
    found, out, _ = say(["check", str(study), "-q", "--json"], capsys)
    problems = "\n".join(json.loads(out)["problems"])
    assert found == 78
    assert "vertical_units" in problems
    assert "nobody.geojson" in problems


def test_an_input_that_changes_under_the_run(study: Path) -> None:
    prepared = prepare(study)
    refuse_changed_inputs(prepared)
    with (study.parent / "traffic.csv").open("a") as stream:
        stream.write("\n")
    with pytest.raises(BusyError, match=r"traffic\.csv"):
        refuse_changed_inputs(prepared)


def test_the_demo_keeps_an_edited_study(study: Path) -> None:
    edit(study, "seed = 20260101", "seed = 7")
    assert load_study(copy_demo(study.parent)).run.seed == 7


def test_an_output_that_is_a_file(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (study.parent / "out").write_text("")
    found, _, err = say(["run", str(study), "-q", "--output", str(study.parent / "out")], capsys)
    assert found in (2, 73)
    assert "out" in err


def test_new_writes_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = say(["new", str(tmp_path / "mine")], capsys)
    assert code == 0
    assert "noisemap check" in out
    assert load_study(tmp_path / "mine" / "study.toml").schema_ == 1
    code, _, err = say(["new", str(tmp_path / "mine")], capsys)
    assert code == 73
    assert "is there already" in err
    code, out, _ = say(["new", str(tmp_path / "other"), "--json"], capsys)
    assert json.loads(out)["study"].endswith("study.toml")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["rnu"], "did you mean 'run'?"),
        (["run"], "STUDY"),
        (["run", "study.toml", "--outptu", "x"], "--output"),
        (["demo", "--jsn"], "--json"),
    ],
)
def test_usage(arguments: list[str], sentence: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = say(arguments, capsys)
    assert code == 2
    assert sentence in err


def test_a_missing_study(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("run", "check"):
        code, _, err = say([command, str(tmp_path / "none.toml"), "-q"], capsys)
        assert code == 66
        assert "noisemap new" in err


TRY_ALL = """async () => {
  const data = JSON.parse(document.getElementById("study-data").textContent), tried = [];
  for (const zone of data.whatIf.zones) {
    window.noisemapTrial.set(Object.assign({shares: null, flow: 1}, zone));
    await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
    const found = window.noisemapTrial.result();
    tried.push({levels: found.levels, verdict: found.found.verdict.word});
  }
  return {tried, after: data.homes.after, verdicts: data.zones.map((zone) => zone.verdict)};
}"""


@pytest.mark.browser
def test_the_map_finds_what_the_program_found_for_the_studys_own_zones(demo: Path) -> None:
    with opened(demo / "map.html") as watched:
        watched.page.click("#try")
        watched.page.wait_for_function("window.noisemapTrial !== undefined", timeout=120_000)
        found = watched.page.evaluate(TRY_ALL)
        assert len(found["tried"]) == 4
        assert [one["verdict"] for one in found["tried"]] == found["verdicts"][:4]
        for one, engine in zip(found["tried"], found["after"][:4], strict=True):
            for key in ("night", "peak"):
                mine, theirs = one["levels"][key], engine[key]
                assert [v is None for v in mine] == [v is None for v in theirs]
                pairs = [(a, b) for a, b in zip(mine, theirs, strict=True) if b is not None]
                assert np.abs(np.diff(pairs)).max() <= 0.5
        assert watched.faults == []
        assert watched.requests == [(demo / "map.html").as_uri()]
    assert (demo / "map.html").stat().st_size < 15_000_000 * 445 / 5000 + 1_000_000
