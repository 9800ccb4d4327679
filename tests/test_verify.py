"""Whether results still stand on their inputs: what each change is told as, and hostile records."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import small_study
from click.testing import CliRunner

from noisemap.cli.verify import verify_command
from noisemap.errors import BadDataError, MissingInputError
from noisemap.study.progress import Silent
from noisemap.study.run import CHECKSUMS, run_study
from noisemap.study.verify import FALLEN, STANDS, Verification, verify


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study that was run, in a folder of its own."""
    folder = tmp_path_factory.mktemp("made") / "study"
    text = small_study.TEXT.replace('formats = ["csv", "map"]', 'formats = ["csv"]')
    run_study(small_study.write(folder, text), None, Silent())
    return folder


@pytest.fixture
def study(made: Path, tmp_path: Path) -> Path:
    """A copy of it that may be spoiled; gives its folder of results."""
    shutil.copytree(made, tmp_path / "study")
    return tmp_path / "study" / "results"


def checked(results: Path, **options: Any) -> Verification:
    return verify(results, Silent(), **options)


def test_results_that_nobody_touched_stand(study: Path) -> None:
    found = checked(study)
    assert found.verdict == STANDS
    assert "tables/homes.csv" in found.outputs.same
    assert set(found.inputs.same) == {"study.toml", "terrain.tif", "roads.geojson", "homes.geojson"}
    assert found.tiles > 0
    assert found.damaged_tiles == 0
    assert "not computed again; --rerun does so" in found.summary


def test_an_edited_table_is_named(study: Path) -> None:
    table = study / "tables" / "homes.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("1", "2", 1), encoding="utf-8")
    found = checked(study)
    assert found.verdict == FALLEN
    assert found.outputs.changed == ("tables/homes.csv",)
    assert found.inputs.whole


def test_an_edited_input_and_a_gone_one_are_named(study: Path) -> None:
    (study.parent / "roads.geojson").unlink()
    with (study.parent / "study.toml").open("a", encoding="utf-8") as stream:
        stream.write("# a word more\n")
    found = checked(study)
    assert found.verdict == FALLEN
    assert found.inputs.changed == ("study.toml",)
    assert found.inputs.gone == ("roads.geojson",)
    assert "changed: study.toml; gone: roads.geojson" in found.summary


def test_a_gone_output_and_a_link_in_its_place(study: Path, tmp_path: Path) -> None:
    (study / "summary.txt").unlink()
    table = study / "tables" / "homes.csv"
    table.rename(tmp_path / "same.csv")
    table.symlink_to(tmp_path / "same.csv")
    assert checked(study).outputs.gone == ("summary.txt", "tables/homes.csv")


def test_damaged_tiles_are_counted_and_do_not_spoil_the_report(study: Path) -> None:
    tile = next(study.rglob("tile-*-count.npy"))
    tile.write_bytes(tile.read_bytes()[:-1])
    found = checked(study)
    assert found.damaged_tiles == 1
    assert found.verdict == STANDS
    assert "1 damaged (the next run computes those again)" in found.summary


@pytest.mark.parametrize("text", ["[" * 100_000, "", "[]", '{"tiles": -1}', '{"tiles": "x"}'])
def test_a_manifest_that_is_none(study: Path, text: str) -> None:
    next(study.rglob("manifest.json")).write_text(text)
    assert checked(study).damaged_tiles == 1


def test_a_manifest_that_promises_a_billion_tiles(study: Path) -> None:
    whole = checked(study).tiles
    next(study.rglob("manifest.json")).write_text(json.dumps({"tiles": 10**9}))
    assert checked(study).damaged_tiles >= 10**9 - whole


def test_a_note_cannot_speak_for_other_files(study: Path) -> None:
    note = next(study.rglob("tile-00000.json"))
    names = json.loads(note.read_text())
    first = next(iter(names))
    names["../" + first] = names.pop(first)
    note.write_text(json.dumps(names))
    assert checked(study).damaged_tiles == 1


def test_a_study_that_moved_is_named_on_the_command_line(study: Path, tmp_path: Path) -> None:
    moved = tmp_path / "elsewhere"
    moved.mkdir()
    for name in ("study.toml", "terrain.tif", "roads.geojson", "homes.geojson"):
        (study.parent / name).rename(moved / name)
    assert checked(study).inputs.same == ()
    assert checked(study, study=moved / "study.toml").verdict == STANDS


def test_computing_again_gives_the_same_and_tells_what_differs(study: Path) -> None:
    found = checked(study, rerun=True)
    assert found.rerun_error == ""
    assert found.rerun is not None
    assert found.rerun.whole
    assert "tables/homes.csv" in found.rerun.same
    assert found.verdict == STANDS
    path = study.parent / "study.toml"
    path.write_text(path.read_text().replace("heavy_share = 0.2", "heavy_share = 0.3"))
    changed = checked(study, rerun=True)
    assert changed.verdict == FALLEN
    assert changed.rerun is not None
    assert "tables/homes.csv" in changed.rerun.changed


def test_what_cannot_be_computed_again_is_said(study: Path) -> None:
    (study.parent / "roads.geojson").unlink()
    found = checked(study, rerun=True)
    assert found.rerun is None
    assert "roads.geojson" in found.rerun_error
    assert "computed again: not possible" in found.summary
    assert found.verdict == FALLEN


def edit(results: Path, change: Callable[[dict[str, Any]], object]) -> None:
    record = json.loads((results / CHECKSUMS).read_text(encoding="utf-8"))
    change(record)
    (results / CHECKSUMS).write_text(json.dumps(record), encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda r: r["files"].update({"../study.toml": "00"}), "lies outside the folder"),
        (lambda r: r["files"].update({"/etc/hostname": "00"}), "lies outside the folder"),
        (lambda r: r["inputs_sha256"].update({"../x.csv": "00"}), "allow it with --allow-outside"),
        (lambda r: r["inputs_sha256"].update({"/etc/hostname": "00"}), "--allow-outside"),
        (lambda r: r["files"].update({"map.html": 7}), "files does not hold text"),
        (lambda r: r.update(files=[]), "lacks parts"),
        (lambda r: r.pop("created"), "lacks parts"),
    ],
)
def test_records_that_lead_elsewhere_are_refused(
    study: Path, change: Callable[[dict[str, Any]], object], words: str
) -> None:
    edit(study, change)
    with pytest.raises(BadDataError, match=words):
        checked(study)


@pytest.mark.parametrize("name", ["x" * 5000, "a\0b", "", "tables"])
def test_names_that_no_file_has_are_gone(study: Path, name: str) -> None:
    edit(study, lambda record: record["files"].update({name: "00"}))
    assert checked(study).outputs.gone == (name,)


def test_a_link_among_the_inputs_leads_nowhere(study: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("mine")
    (study.parent / "extra.csv").symlink_to(tmp_path / "secret")
    edit(study, lambda record: record["inputs_sha256"].update({"extra.csv": "00"}))
    with pytest.raises(BadDataError, match="lies outside the study's folder"):
        checked(study)
    assert checked(study, allow_outside=True).inputs.changed == ("extra.csv",)


@pytest.mark.parametrize("content", [b"", b"[" * 100_000, b"\xff\xfe", b"null", b"1" * 6000])
def test_records_that_are_none(study: Path, content: bytes) -> None:
    (study / CHECKSUMS).write_bytes(content)
    with pytest.raises(BadDataError, match="checksums"):
        checked(study)


def test_a_moment_that_is_none(study: Path) -> None:
    edit(study, lambda record: record.update(created="yesterday"))
    assert "created is no moment" in checked(study, rerun=True).rerun_error


def test_other_versions_are_told(study: Path) -> None:
    edit(study, lambda record: record["libraries"].update({"numpy": "0.1", "../x": "1"}))
    found = checked(study)
    assert found.verdict == STANDS
    assert any(text.startswith("numpy 0.1 then, ") for text in found.program)
    assert "../x 1 then, none now" in found.program


def test_a_folder_without_a_record(tmp_path: Path) -> None:
    with pytest.raises(MissingInputError, match="noisemap run"):
        checked(tmp_path)


def test_the_command_in_words_and_as_json(study: Path) -> None:
    run = CliRunner()
    words = run.invoke(verify_command, [str(study), "--quiet"])
    assert words.exit_code == 0
    assert words.output.startswith(f"{study}: the report stands.")
    plain = json.loads(run.invoke(verify_command, [str(study), "--quiet", "--json"]).stdout)
    assert plain["verdict"] == STANDS
    assert plain["rerun"] is None
    assert plain["outputs"]["changed"] == []
