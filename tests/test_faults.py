"""Faults that no other test holds: of files, of disks, of signals, and of strangers' folders."""

from __future__ import annotations

import errno
import hashlib
import io
import json
import os
import re
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import small_study
from affine import Affine
from PIL import Image
from scene_files import CRS, box, write_geojson

from noisemap.cli.main import run
from noisemap.errors import BadDataError, CannotWriteError, MissingInputError, StudyError
from noisemap.readers.osm import read_ways
from noisemap.readers.rasters import lattice_of, read_heights
from noisemap.readers.recordings import open_recording
from noisemap.readers.tables import read_table
from noisemap.readers.toml_files import DEEPEST, read_toml
from noisemap.readers.vectors import read_layer
from noisemap.storage import FolderLock, claim_folder, write_json
from noisemap.study import run as run_module
from noisemap.study.load import load_study
from noisemap.study.prepare import prepare, results_folder
from noisemap.study.progress import Silent
from noisemap.study.run import read_scene, run_study
from noisemap.transfer.store import ARRAYS, MANIFEST, SHAPES, read_store, tile_is_whole, write_tile

WHOLE_EARTH = (-1e7, -1e7, 1e7, 1e7)


def raster(path: Path, values: Any, **profile: Any) -> Path:
    given = {"driver": "GTiff", "count": 1, "height": values.shape[0], "width": values.shape[1],
             "dtype": values.dtype, "crs": CRS,
             "transform": Affine(10.0, 0.0, 500_000.0, 0.0, -10.0, 4_300_000.0)}  # fmt: skip
    with rasterio.open(path, "w", **(given | profile)) as file:
        file.write(values, 1)
    return path


# --- elevation -------------------------------------------------------------------------


def test_a_turned_byte_of_heights_is_refused_or_changes_one_height(tmp_path: Path) -> None:
    good = raster(tmp_path / "good.tif", np.full((8, 8), 500.0, np.float32)).read_bytes()
    start = good.rindex(struct.pack("<f", 500.0) * 8)
    refused = 0
    for bit in range(32):
        spoiled = bytearray(good)
        spoiled[start + bit // 8] ^= 1 << bit % 8
        path = tmp_path / f"{bit}.tif"
        path.write_bytes(spoiled)
        value = struct.unpack("<f", spoiled[start : start + 4])[0]
        if -500.0 <= value <= 9000.0:
            (heights,) = read_heights([lattice_of(path)], [WHOLE_EARTH])
            assert (heights.height != 500.0).sum() == 1
        else:
            with pytest.raises(BadDataError, match=r"heights lie outside -500..9000 m"):
                read_heights([lattice_of(path)], [WHOLE_EARTH])
            refused += 1
    assert refused >= 3


@pytest.mark.parametrize(
    ("profile", "words"),
    [
        ({"transform": Affine(1e300, 0.0, 0.0, 0.0, -1e300, 0.0)}, "none on the earth"),
        ({"transform": Affine(10.0, 0.0, 1e300, 0.0, -10.0, 0.0)}, "none on the earth"),
        ({"transform": Affine(float("nan"), 0.0, 5.0, 0.0, -10.0, 0.0)}, "none on the earth"),
        ({"dtype": "complex64"}, "no plain numbers"),
        ({"crs": 'LOCAL_CS["hill",UNIT["metre",1]]'}, "coordinate system"),
    ],
)
def test_grids_that_lie_nowhere(tmp_path: Path, profile: dict[str, Any], words: str) -> None:
    path = raster(tmp_path / "dem.tif", np.full((8, 8), 500.0, np.float32), **profile)
    with pytest.raises(BadDataError, match=words):
        lattice_of(path)


def test_a_system_that_is_none(tmp_path: Path) -> None:
    path = raster(tmp_path / "dem.tif", np.full((8, 8), 500.0, np.float32), crs=None)
    with pytest.raises(BadDataError, match="'nowhere' is not a coordinate system"):
        lattice_of(path, "nowhere")


def test_one_block_of_gigabytes_is_not_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "huge.tif"
    size = 20_000
    with rasterio.open(path, "w", driver="GTiff", height=size, width=size, count=1, dtype="float32",
                       crs=CRS, blockysize=size, compress="deflate", sparse_ok=True,
                       transform=Affine(1.0, 0.0, 5e5, 0.0, -1.0, 4.3e6)):  # fmt: skip
        pass
    assert path.stat().st_size < 100_000
    with pytest.raises(BadDataError, match="too large to unpack; export it as a tiled GeoTIFF"):
        lattice_of(path)


@pytest.mark.parametrize("name", ["12_1_1.png", "12_1_1.webp"])
def test_a_picture_of_another_format_is_not_opened(tmp_path: Path, name: str) -> None:
    Image.new("RGB", (16, 16)).save(tmp_path / name, format="GIF")
    with pytest.raises(BadDataError, match="cannot be read as elevation"):
        lattice_of(tmp_path / name)
    (tmp_path / name).write_bytes(b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 16 16\n")
    with pytest.raises(BadDataError, match="cannot be read as elevation"):
        lattice_of(tmp_path / name)


# --- features and tables ---------------------------------------------------------------


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e300, -1e9])
def test_one_corner_off_the_earth(tmp_path: Path, value: float) -> None:
    shape = box(0.0, 0.0, 9.0, 9.0)
    shape["coordinates"][0][2][1] = value
    path = write_geojson(
        tmp_path / "h.geojson", [({"id": "a"}, box(0, 0, 9, 9)), ({"id": "b"}, shape)]
    )
    with pytest.raises(BadDataError, match="feature 2 has coordinates"):
        read_layer(path, table="homes", known=("id",))


def test_a_column_of_ids_that_holds_none_is_no_column(tmp_path: Path) -> None:
    path = write_geojson(
        tmp_path / "h.geojson", [({"id": None}, box(20 * n, 0, 9, 9)) for n in (0, 1)]
    )
    assert read_layer(path, table="homes", known=("id",)).frame["id"].tolist() == ["1", "2"]
    with pytest.raises(BadDataError, match="2 features have no id"):
        read_layer(path, table="homes", known=("id",), columns={"id": "id"})


def test_entities_that_grow_are_refused(tmp_path: Path) -> None:
    levels = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 12))
    head = f'<?xml version="1.0"?><!DOCTYPE osm [<!ENTITY e0 "laugh">{levels}]>'
    path = tmp_path / "town.osm"
    path.write_text(f'{head}<osm version="0.6"><node id="1" lat="&e11;" lon="1"/></osm>')
    with pytest.raises(BadDataError, match="OpenStreetMap"):
        read_ways(path, "highway")


def test_rows_beyond_the_bound_and_endless_lines(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text("a,b\n" + "1,2\n" * 50)
    assert len(read_table(path).rows) == 50
    monkeypatch.setattr("noisemap.readers.tables.MOST_ROWS", 20)
    with pytest.raises(BadDataError, match="more than 20 rows; split it"):
        read_table(path)
    path.write_text("a,b\n" + "," * 1_000_001)
    with pytest.raises(BadDataError, match="a line has more than 1,000,000 characters"):
        read_table(path)


TEN_MILLION = """
import sys
from pathlib import Path
from noisemap.errors import BadDataError
from noisemap.readers.tables import read_table
try:
    read_table(Path(sys.argv[1]))
except BadDataError as error:
    print(error)
lines = Path("/proc/self/status").read_text().splitlines()
print(next(int(line.split()[1]) for line in lines if line.startswith("VmHWM:")))
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the system tells no memory")
def test_ten_million_rows_are_refused_in_less_than_a_gigabyte(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    with path.open("wb") as stream:
        stream.write(b"a,b\n")
        for _ in range(100):
            stream.write(b"1,2\n" * 100_000)
    words = [sys.executable, "-c", TEN_MILLION, str(path)]
    said = subprocess.run(words, capture_output=True, text=True, check=True, timeout=120).stdout
    sentence, kilobytes = said.splitlines()
    assert sentence == "t.csv: more than 2,000,000 rows; split it"
    assert int(kilobytes) < 1_000_000


DEEP = 100_000
POINT = '{"type": "Point", "coordinates": [500000, 4300000]}'


@pytest.mark.parametrize(
    ("properties", "geometry"),
    [
        ("{}", "[" * DEEP + "]" * DEEP),
        ('{"id": ' + '{"a": ' * DEEP + "1" + "}" * DEEP + "}", POINT),
        ("{}", '{"type": "MultiPolygon", "coordinates": ' + "[" * DEEP + "1" + "]" * DEEP + "}"),
        ("{}", '{"type": "GeometryCollection", "geometries": [' * DEEP + "]}" * DEEP),
    ],
    ids=["features", "properties", "coordinates", "collections"],
)
def test_json_a_hundred_thousand_deep(tmp_path: Path, properties: str, geometry: str) -> None:
    path = tmp_path / "h.geojson"
    feature = f'{{"type": "Feature", "properties": {properties}, "geometry": {geometry}}}'
    path.write_text(f'{{"type": "FeatureCollection", "features": [{feature}]}}')
    with pytest.raises(BadDataError, match="Too many nested objects"):
        read_layer(path, table="homes", known=("id",), crs=CRS)


@pytest.mark.parametrize("name", ["idna", "punycode", "undefined", "a\0b"])
def test_odd_encodings(tmp_path: Path, name: str) -> None:
    (tmp_path / "t.csv").write_bytes(b"a,b\n\xff.\xfe,xn--\xff\n")
    with pytest.raises(BadDataError, match=r"encoding|text"):
        read_table(tmp_path / "t.csv", encoding=name)


def test_a_damaged_part_of_an_archive_is_found_before_it_is_mapped(tmp_path: Path) -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("N42E001.hgt", np.arange(1201 * 1201, dtype=">i2").tobytes())
    content = bytearray(stream.getvalue())
    content[len(content) // 2] ^= 0x55
    path = tmp_path / "N42E001.hgt.zip"
    path.write_bytes(content)
    with pytest.raises(BadDataError, match="download it again"):
        lattice_of(path)


def test_a_recording_of_no_samples_a_second(tmp_path: Path) -> None:
    head = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 36 + 8000, b"WAVE", b"fmt ", 16, 1, 1, 0, 0,
                       2, 16, b"data", 8000)  # fmt: skip
    (tmp_path / "a.wav").write_bytes(head + bytes(8000))
    with pytest.raises(BadDataError):
        open_recording(tmp_path / "a.wav")


# --- study files -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("schema = " + "9" * 5000, "not valid TOML"),
        ("a." * 3000 + "a = 1", f"more than {DEEPEST} parts"),
        ("schema = " + "[" * 3000, "not valid TOML"),
        ("terrain.nodata" + ".a" * 29 + ".a = 1\n", "parts"),
        ("x = " + "[" * 40 + "]" * 40, f"more than {DEEPEST} deep"),
        ("schema = 1\nschema = 1", "every key stands once"),
        ("schema = 1e400", "schema"),
    ],
)
def test_texts_that_are_no_study(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "study.toml").write_text(text)
    with pytest.raises(StudyError, match=words):
        load_study(tmp_path / "study.toml")


def test_a_study_of_a_megabyte(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text("#" * 1_000_001)
    for read in (load_study, read_toml):
        with pytest.raises(BadDataError, match="larger than 1 MB"):
            read(tmp_path / "study.toml")


def test_names_that_no_file_can_have(tmp_path: Path) -> None:
    for name in ("x" * 5000, "y/" * 3000 + "z"):
        path = small_study.write(tmp_path, small_study.TEXT.replace("roads.geojson", name))
        with pytest.raises(MissingInputError, match=r"roads\.file"):
            prepare(path)
    with pytest.raises(MissingInputError):
        load_study(tmp_path / ("x" * 5000))


@pytest.mark.parametrize("name", ["two words", "it's 'here'", "😀 Straße", "$(x)&|*#?%", "[a]{b}"])
def test_odd_file_names_work(tmp_path: Path, name: str) -> None:
    text = small_study.TEXT.replace(
        '"roads.geojson"', json.dumps(f"{name}.geojson", ensure_ascii=False)
    )
    path = small_study.write(tmp_path / name, text)
    (tmp_path / name / "roads.geojson").rename(tmp_path / name / f"{name}.geojson")
    scene = read_scene(prepare(path), Silent())
    assert [road.name for road in scene.roads] == ["Hill Road"]


@pytest.mark.parametrize("sign", ["!", ";", "\n", "\t"])
def test_names_that_lead_the_library_to_another_file(tmp_path: Path, sign: str) -> None:
    rows = [({"id": "a"}, box(0, 0, 9, 9))]
    for path in (tmp_path / f"x{sign}y.geojson", tmp_path / f"x{sign}y" / "homes.geojson"):
        path.parent.mkdir(exist_ok=True)
        with pytest.raises(BadDataError, match="another file would be opened; rename it"):
            read_layer(write_geojson(path, rows), table="homes")


# --- disks and signals -----------------------------------------------------------------


def tile_arrays() -> dict[str, Any]:
    return {
        name: np.ones((3, *(2 if n is None else n for n in tail)), kind)
        for name, (kind, tail) in SHAPES.items()
    }


@pytest.mark.parametrize("step", ["fsync", "replace", "mkstemp", "chmod"])
def test_every_write_that_fails_leaves_old_or_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """The disk is full at the first write, then at the second, and so on to the last."""
    owner: Any = tempfile if step == "mkstemp" else os
    original = getattr(owner, step)
    failures = 0
    for last in range(1, 100):
        calls = 0

        def full(*args: Any, last: int = last, **options: Any) -> Any:
            nonlocal calls
            calls += 1
            if calls == last:
                raise OSError(errno.ENOSPC, "No space left on device")
            return original(*args, **options)

        folder = tmp_path / str(last)
        monkeypatch.setattr(owner, step, full)
        told = None
        try:
            write_tile(folder, 0, tile_arrays())
        except CannotWriteError as error:
            told = error
        monkeypatch.setattr(owner, step, original)
        assert tile_is_whole(folder, 0) == (told is None)
        left = [path.name for path in folder.iterdir()] if folder.exists() else []
        assert all(not name.startswith(".unfinished") for name in left)
        if told is None:
            break
        assert "No space left on device" in str(told)
        failures += 1
        write_tile(folder, 0, tile_arrays())
        assert tile_is_whole(folder, 0)
    assert failures == len(ARRAYS) + 1


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES, errno.ENAMETOOLONG])
def test_a_folder_that_cannot_be_written_is_told_before_computing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    path = small_study.write(tmp_path)

    def refused(*args: Any, **options: Any) -> Any:
        raise OSError(number, os.strerror(number))

    def computed(*args: Any) -> Any:
        raise AssertionError("computed before the folder was tried")

    monkeypatch.setattr(run_module, "read_scene", computed)
    monkeypatch.setattr(tempfile, "mkstemp", refused)
    with pytest.raises(CannotWriteError, match="cannot be written"):
        run_study(path, None, Silent())


def test_a_name_too_long_for_a_folder(tmp_path: Path) -> None:
    with pytest.raises(CannotWriteError, match="cannot be written"):
        claim_folder(tmp_path / ("x" * 300))


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_with_how_to_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], sign: int
) -> None:
    def interrupted(*args: Any) -> Any:
        os.kill(os.getpid(), sign)
        raise AssertionError("the signal came too late")

    path = small_study.write(tmp_path)
    monkeypatch.setattr(run_module, "read_scene", interrupted)
    before = signal.getsignal(signal.SIGTERM)
    try:
        assert run(["run", str(path), "--quiet"]) == 130
    finally:
        signal.signal(signal.SIGTERM, before)
    assert "run the same command again to go on" in capsys.readouterr().err


# --- strangers' folders ----------------------------------------------------------------


def test_a_run_opens_no_connection(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*args: Any, **options: Any) -> Any:
        raise AssertionError("a connection was asked for")

    monkeypatch.setattr(socket, "socket", refused)
    monkeypatch.setattr(socket, "create_connection", refused)
    monkeypatch.setattr(socket, "getaddrinfo", refused)
    monkeypatch.setenv("https_proxy", "http://example.invalid:1")
    result = run_study(small_study.write(tmp_path), None, Silent())
    assert (result.folder / "map.html").is_file()


@pytest.mark.parametrize(
    "name", ["terrain.tif", "roads.geojson", "terrain.tif.aux.xml", "roads.qix"]
)
def test_no_link_out_of_the_study_is_read(tmp_path: Path, name: str) -> None:
    path = small_study.write(tmp_path / "study")
    inside = path.parent / name
    outside = tmp_path / name
    if inside.exists():
        inside.rename(outside)
    else:
        outside.write_text("mine")
    inside.symlink_to(outside)
    with pytest.raises(StudyError, match="outside the study's folder; allow it"):
        prepare(path)
    assert prepare(path, allow_outside=True).path == path


def test_a_circle_of_links_is_no_file(tmp_path: Path) -> None:
    path = small_study.write(tmp_path)
    (tmp_path / "roads.geojson").unlink()
    (tmp_path / "roads.geojson").symlink_to("roads.geojson")
    with pytest.raises(MissingInputError, match=r"roads\.file"):
        prepare(path)


@pytest.mark.parametrize(
    "name", ["store", "tables", ".noisemap.lock", "store/0123/tile-00000.json"]
)
def test_a_link_inside_results_stops_a_run_before_it_writes(tmp_path: Path, name: str) -> None:
    path = small_study.write(tmp_path / "study")
    results = path.parent / "results"
    claim_folder(results)
    victim = tmp_path / "victim"
    victim.write_text("mine")
    (results / name).parent.mkdir(parents=True, exist_ok=True)
    (results / name).symlink_to(victim)
    with pytest.raises(CannotWriteError, match="follow no link, remove it"):
        results_folder(prepare(path), None, allow_outside=False)
    assert victim.read_text() == "mine"


def test_a_linked_folder_of_results_is_outside(tmp_path: Path) -> None:
    path = small_study.write(tmp_path / "study")
    (tmp_path / "other").mkdir()
    (path.parent / "results").symlink_to(tmp_path / "other")
    with pytest.raises(StudyError, match="outside the study's folder"):
        results_folder(prepare(path), None, allow_outside=False)
    assert list((tmp_path / "other").iterdir()) == []


def test_the_lock_itself_follows_no_link(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("mine")
    (tmp_path / ".noisemap.lock").symlink_to(victim)
    with pytest.raises(CannotWriteError), FolderLock(tmp_path):
        pass
    assert victim.read_text() == "mine"


class Trap:
    """Runs something when it is unpickled."""

    def __reduce__(self) -> Any:
        return (os.mkdir, ("sprung",))


def stored(folder: Path, arrays: dict[str, Any]) -> Path:
    """A store of one tile whose checksums hold, as a stranger could make it."""
    write_tile(folder, 0, tile_arrays())
    for name, value in arrays.items():
        path = folder / f"tile-00000-{name}.npy"
        np.save(path, value, allow_pickle=True)
        note = folder / "tile-00000.json"
        sums = json.loads(note.read_text())
        sums[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
        note.write_text(json.dumps(sums))
    write_json(folder / MANIFEST, {"tiles": 1, "heights_m": [0.5, 3.6]})
    assert tile_is_whole(folder, 0)
    return folder


def test_the_store_that_a_stranger_made_is_not_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert read_store(stored(tmp_path / "good", {})).paths == 3
    with pytest.raises(BadDataError, match="holds no plain numbers; remove the folder"):
        read_store(stored(tmp_path / "trap", {"flags": np.array([Trap()], dtype=object)}))
    assert not (tmp_path / "sprung").exists()


@pytest.mark.parametrize(
    "arrays",
    [
        {"count": np.array([7, 0, 0])},
        {"stretch": np.zeros(3, np.int64)},
        {"attenuation": np.zeros((3, 2, 7), np.int16)},
        {"cmet": np.zeros((3, 9), np.float32)},
    ],
)
def test_arrays_of_other_shapes(tmp_path: Path, arrays: dict[str, Any]) -> None:
    with pytest.raises(BadDataError, match="is not what a run writes"):
        read_store(stored(tmp_path, arrays))


def test_a_store_of_a_machine_with_the_other_byte_order_is_read_rightly(tmp_path: Path) -> None:
    here = read_store(stored(tmp_path / "here", {}))
    there = read_store(stored(tmp_path / "there", {"stretch": np.ones(3, ">i4")}))
    assert np.array_equal(here.stretch, there.stretch)


def test_the_table_of_faults_names_tests_that_are_there() -> None:
    here = Path(__file__).parent
    table = (here.parent / "docs" / "faults.md").read_text(encoding="utf-8")
    sources: dict[str, str] = {}
    named = 0
    for row in table.splitlines():
        file = ""
        cell = row.rstrip(" |").rpartition("|")[2] if row.startswith("| ") else ""
        for found in re.finditer(r"((?:fuzz/)?test_\w+)?::(test_\w+)", cell):
            file = found[1] or file
            if file not in sources:
                sources[file] = (here / f"{file}.py").read_text(encoding="utf-8")
            assert f"def {found[2]}(" in sources[file], found[0]
            named += 1
    assert named > 100
