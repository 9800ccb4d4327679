"""Names from files stay names: one scene named plainly, and by strangers, in every output.

An output is taken apart by a reader of its format. Whatever the names are, it must have the
parts that it has with plain names: no element, formula, link, row or file more.
"""

from __future__ import annotations

import csv
import io
import json
import tomllib
import unicodedata
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import openpyxl
import pyogrio
import pypdf
import pytest
from outputs_fixture import CREATED, make_findings, make_provenance, make_scene

from noisemap.cli.main import run
from noisemap.exposure.results import Findings
from noisemap.outputs.route_tracks import Track, geojson, gpx, kml
from noisemap.outputs.wording import HIDDEN
from noisemap.outputs.write import write_outputs
from noisemap.scene.model import Repair, Scene
from noisemap.study.load import load_study
from noisemap.study.resolved import resolved_toml

PLAIN = "Larkspur"
NAMES = {
    "element": "<img src=x onerror=alert(1)>",
    "script": "</script></style><script>alert(1)</script>",
    "attribute": "\"'><svg/onload=alert(2)>",
    "comment": "<!--<![CDATA[ ]]>-->",
    "entity": "&lt;b&gt;&#0;&amp;",
    "template": "{{7*7}}{% for %}${7*7}#{7*7}<%= 7 %>",
    "address": "javascript:alert(1) http://example.invalid/x",
    "formula": "=cmd|' /C calc'!A0",
    "sum": " +1+1",
    "minus": "-2+3",
    "at": "@SUM(A1)",
    "tab": "\t=1+1",
    "return": '\r\n=1+1,2;3"4',
    "wide formula": "＝1+1",
    "way out": "../../../etc/passwd",
    "other way out": "..\\..\\C:\\AUX:stream",
    "nothing": "a\0b",
    "terminal": "\x1b]0;hit\x07\x1b[2J\x9b31m",
    "backwards": "\u202egnp.exe\u202c\u2067x\u2069\u200f",
    "unseen": "\u200b\u2060\ufeff\u00ad",
    "line ends": "a\u2028b\u2029c\x85d\x0be",
    "long": "x" * 100_000,
    "many marks": "a" + "\u0301" * 300,
    "letters": "Straße 漢字 😀",
}


def named(name: str) -> tuple[Scene, Findings]:
    """A scene and its findings with a name wherever a file may give one."""
    scene = make_scene(8)
    homes = replace(
        scene.homes,
        home_id=tuple(f"{number}{name}" for number in range(8)),
        label=(name,) * 8,
    )
    found = make_findings(scene)
    zones = tuple(
        replace(
            one,
            zone=replace(one.zone, name=f"{name}{number}"),
            brakes=tuple(replace(row, truck=name) for row in one.brakes),
        )
        for number, one in enumerate(found.zones)
    )
    roads = (scene.roads[0], replace(scene.roads[1], name=name, road_id=name))
    strange = replace(
        scene,
        homes=homes,
        roads=roads,
        repairs=(Repair("roads", name, "left out"),),
        attribution=(name,),
        warnings=(name,),
    )
    drive = {f"{number} {name}": rows for number, rows in enumerate(found.drive.values())}
    return strange, replace(found, study_name=name, zones=zones, drive=drive)


class Parts(HTMLParser):
    """Elements with the names of their attributes, and where links lead."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, ...]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        links = [value or "" for name, value in attrs if name in ("href", "src", "action")]
        assert all(value.startswith(("#", "data:")) for value in links), links
        assert not [name for name, _ in attrs if name.startswith("on")]
        self.found.append((tag, *(name for name, _ in attrs)))

    def handle_comment(self, data: str) -> None:
        self.found.append(("comment",))


def parts_of(file: Path) -> Any:
    """What an output is made of, its texts left out."""
    if file.suffix == ".html":
        page = Parts()
        page.feed(file.read_text(encoding="utf-8"))
        return page.found
    if file.suffix == ".csv":
        text = file.read_text(encoding="utf-8")
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
        assert shown(text), file.name
        assert not [cell for row in rows for cell in row if starts_formula(cell)]
        return [len(row) for row in rows], text.count("\n")
    if file.suffix == ".xlsx":
        book = openpyxl.load_workbook(file)
        cells = [cell for sheet in book for row in sheet for cell in row]
        assert {cell.data_type for cell in cells} <= {"s", "n", "d"}
        assert not [cell for cell in cells if cell.hyperlink]
        return [(sheet.title, sheet.dimensions) for sheet in book]
    if file.suffix == ".gpkg":
        layers = pyogrio.list_layers(file).tolist()
        return [(*one, pyogrio.read_info(file, layer=one[0])["features"]) for one in layers]
    if file.suffix == ".pdf":
        names = {key for page in pypdf.PdfReader(file).pages for key in page.get("/Annots", ())}
        assert b"/JavaScript" not in file.read_bytes()
        assert b"/URI" not in file.read_bytes()
        return len(names)
    if file.suffix == ".json":
        return sorted(json.loads(file.read_text(encoding="utf-8")))
    if file.suffix == ".toml":
        return None
    assert shown(file.read_text(encoding="utf-8")), file.name
    return None


def shown(text: str) -> bool:
    """Whether a text has no sign that steers a terminal or turns or hides what stands beside it."""
    return not [
        sign
        for sign in text
        if (unicodedata.category(sign) in ("Cc", "Cf", "Cs") or sign in HIDDEN) and sign != "\n"
    ]


def starts_formula(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return cell.lstrip().startswith(("=", "+", "-", "@", "|", "%", "＝", "＋", "－", "＠"))
    return False


def written(folder: Path, name: str, formats: tuple[str, ...]) -> dict[str, Any]:
    scene, found = named(name)
    files = write_outputs(folder, scene, found, make_provenance(), "", formats, CREATED)
    there = {path for path in folder.rglob("*") if path.is_file()}
    assert there == set(files)
    return {file.relative_to(folder).as_posix(): parts_of(file) for file in files}


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    formats = ("csv", "xlsx", "gpkg", "map", "report", "pdf")
    return written(tmp_path_factory.mktemp("plain"), PLAIN, formats)


@pytest.mark.parametrize("kind", NAMES)
def test_tables_pages_and_words(tmp_path: Path, plain: dict[str, Any], kind: str) -> None:
    found = written(tmp_path, NAMES[kind], ("csv", "map", "report"))
    assert found == {name: plain[name] for name in found}


@pytest.mark.parametrize("kind", ["script", "tab", "return", "nothing", "terminal", "long"])
def test_workbook_layers_and_print(tmp_path: Path, plain: dict[str, Any], kind: str) -> None:
    found = written(tmp_path, NAMES[kind], ("xlsx", "gpkg", "pdf"))
    assert found == {name: plain[name] for name in found}


def tags(content: bytes) -> list[str]:
    return [one.tag for one in ElementTree.fromstring(content).iter()]


@pytest.mark.parametrize("kind", NAMES)
def test_tracks(kind: str) -> None:
    def lines(name: str) -> list[Track]:
        return [Track(name, name, np.array([7.0, 7.1]), np.array([46.0, 46.1]), {"a": 1.0})]

    for write in (gpx, kml):
        content = write(lines(NAMES[kind]), NAMES[kind])
        assert tags(content) == tags(write(lines(PLAIN), PLAIN))
        assert shown("".join(ElementTree.fromstring(content).itertext()))
    features = json.loads(geojson(lines(NAMES[kind]), NAMES[kind]))["features"]
    assert len(features) == 1
    assert shown(features[0]["properties"]["title"])


@pytest.mark.parametrize("kind", [kind for kind in NAMES if kind not in ("long", "nothing")])
def test_a_resolved_study_gives_the_name_back(tmp_path: Path, kind: str) -> None:
    from noisemap.study.resolved import _value

    assert tomllib.loads(f"name = {_value(NAMES[kind])}") == {"name": NAMES[kind]}
    assert resolved_toml.__module__ == "noisemap.study.resolved"


@pytest.mark.parametrize("kind", NAMES)
def test_faults_on_a_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    path = tmp_path / "study.toml"
    path.write_text(f"{json.dumps(NAMES[kind], ensure_ascii=True)} = 1\n", encoding="utf-8")
    code = run(["check", str(path), "--quiet"])
    assert code == 78
    told = capsys.readouterr()
    assert shown(told.out + told.err)


def test_a_faulty_study_with_every_name_is_told(tmp_path: Path) -> None:
    from noisemap.errors import StudyError

    for number, name in enumerate(NAMES.values()):
        path = tmp_path / f"{number}.toml"
        path.write_text(f"[study]\n{json.dumps(name)} = 1\n", encoding="utf-8")
        with pytest.raises(StudyError):
            load_study(path)
