import json
import subprocess
import sys

import pytest
from outputs_fixture import CREATED, make_findings, make_provenance, make_scene

from noisemap.errors import CannotWriteError, StudyError
from noisemap.outputs import map as map_module
from noisemap.outputs.tables import all_tables
from noisemap.outputs.write import FORMATS, write_outputs

SCENE = make_scene(12)
FINDINGS = make_findings(SCENE)


def write(folder, formats=FORMATS):
    return write_outputs(folder, SCENE, FINDINGS, make_provenance(), "[study]\n", formats, CREATED)


def test_all_formats_are_written_and_equal_twice(tmp_path):
    first = write(tmp_path / "one")
    second = write(tmp_path / "two")
    names = [path.relative_to(tmp_path / "one").as_posix() for path in first]
    assert names[:3] == ["summary.txt", "provenance.json", "study.resolved.toml"]
    assert {"tables.xlsx", "layers.gpkg", "map.html", "report.html", "report.pdf"} < set(names)
    assert {"tables/homes.csv", "tables/zones.csv", "tables/brakes.csv"} < set(names)
    for one, two in zip(first, second, strict=True):
        assert one.read_bytes() == two.read_bytes(), one.name
    left = [p for p in (tmp_path / "one").rglob("*") if p.is_file() and p not in first]
    assert left == []


def test_only_the_formats_asked_for_are_written(tmp_path):
    names = [path.name for path in write(tmp_path, ("csv",))]
    assert "map.html" not in names
    assert "homes.csv" in names
    assert [path.name for path in write(tmp_path / "none", ())] == [
        "summary.txt",
        "provenance.json",
        "study.resolved.toml",
    ]


def test_provenance_is_json(tmp_path):
    write(tmp_path, ())
    record = json.loads((tmp_path / "provenance.json").read_text(encoding="utf-8"))
    assert record["inputs"]["<b>homes</b>.csv"] == "cd" * 32
    assert (tmp_path / "study.resolved.toml").read_text() == "[study]\n"


def test_unknown_format_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(StudyError, match="docx"):
        write(tmp_path / "out", ("csv", "docx"))
    assert not (tmp_path / "out").exists()


def test_links_are_never_followed(tmp_path):
    victim = tmp_path / "victim.txt"
    victim.write_text("mine")
    other = tmp_path / "other"
    other.mkdir()
    out = tmp_path / "out"
    out.mkdir()
    (out / "summary.txt").symlink_to(victim)
    (out / "tables").symlink_to(other)
    with pytest.raises(CannotWriteError, match="follow no link") as caught:
        write(out, ("csv",))
    tables = len(all_tables(SCENE, FINDINGS))
    assert str(caught.value).count("follow no link") == 1 + tables
    assert victim.read_text() == "mine"
    assert list(other.iterdir()) == []
    assert (out / "provenance.json").exists()


def test_one_file_in_the_way_does_not_stop_the_others(tmp_path):
    (tmp_path / "map.html").mkdir()
    with pytest.raises(CannotWriteError, match=r"map\.html") as caught:
        write(tmp_path, ("map", "report"))
    assert caught.value.exit_code == 73
    assert (tmp_path / "report.html").exists()
    assert not list(tmp_path.glob(".*"))


def test_a_fault_leaves_the_old_file(tmp_path, monkeypatch):
    write(tmp_path, ("map",))
    old = (tmp_path / "map.html").read_bytes()

    def broken(scene, findings, what_if):
        raise ValueError("no")

    monkeypatch.setattr(map_module, "map_html", broken)
    with pytest.raises(ValueError, match="no"):
        write(tmp_path, ("map",))
    assert (tmp_path / "map.html").read_bytes() == old


def test_importing_the_writer_loads_nothing_heavy():
    code = (
        "import sys, noisemap.outputs.write; "
        "print([m for m in ('folium', 'matplotlib', 'geopandas', 'fpdf', 'jinja2', 'xlsxwriter')"
        " if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("variables", [{"LC_ALL": "C", "TZ": "UTC"}, {"TZ": "Asia/Tokyo"}])
def test_bytes_do_not_depend_on_place_or_language(tmp_path, variables):
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import hashlib; from pathlib import Path; "
        "from outputs_fixture import *; from noisemap.outputs.write import *; "
        "s = make_scene(12); "
        "paths = write_outputs(Path(sys.argv[2]), s, make_findings(s), make_provenance(), '', "
        "('csv', 'xlsx', 'gpkg', 'map', 'report', 'pdf'), CREATED); "
        "print([hashlib.sha256(p.read_bytes()).hexdigest() for p in paths])"
    )
    import hashlib
    import os
    from pathlib import Path

    here = write_outputs(
        tmp_path / "here", SCENE, FINDINGS, make_provenance(), "", FORMATS, CREATED
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(Path(__file__).parent), str(tmp_path / "there")],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, **variables},
    )
    assert done.stdout.strip() == str(
        [hashlib.sha256(path.read_bytes()).hexdigest() for path in here]
    )
