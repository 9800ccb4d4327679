"""Every reader with a small good file for it; what must hold whatever the file becomes.

The outcome of a reader is a value or an error of ours. Anything else that is raised is a
finding, and so is a process that ends, hangs or outgrows its memory.
"""

from __future__ import annotations

import json
import shutil
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scene_files import CRS, box, write_geojson, write_terrain

from noisemap.errors import NoisemapError

Read = Callable[[Path], Any]
Seed = Callable[[Path], Path]


@dataclass(frozen=True)
class Target:
    """A reader, the file that it reads, and the one of its parts that is changed."""

    seed: Seed  # writes the good file into a folder
    read: Read
    part: str = ""  # suffix of the part that is changed; blank: the file itself
    text: bool = False  # made of words, which can be exchanged

    def good(self) -> tuple[str, dict[str, bytes]]:
        """Name of the good file, and the content of it and of its parts by name."""
        with tempfile.TemporaryDirectory() as folder:
            path = self.seed(Path(folder))
            return path.name, {one.name: one.read_bytes() for one in Path(folder).iterdir()}

    def changed_name(self, name: str) -> str:
        """Name of the part that is changed."""
        return Path(name).with_suffix(self.part).name if self.part else name


def outcome(target: Target, name: str, files: dict[str, bytes]) -> Any:
    """What the reader gives, or the error of ours; nothing else may be written or raised."""
    folder = Path(tempfile.mkdtemp())
    try:
        for one, content in files.items():
            (folder / one).write_bytes(content)
        found = _read(target, folder / name)
        left = {one.name for one in folder.iterdir()} - set(files)
        assert not left, left
        if isinstance(found, NoisemapError):
            assert found.exit_code != 70, found
            assert str(found).strip()
        return found
    finally:
        shutil.rmtree(folder)


def _read(target: Target, path: Path) -> Any:
    try:
        return target.read(path)
    except NoisemapError as error:
        return error


# --- seeds -----------------------------------------------------------------------------

OSM = """<?xml version="1.0" encoding="UTF-8"?>
<osm version="0.6">
  <node id="1" lat="46.000" lon="10.000" version="1"/>
  <node id="2" lat="46.000" lon="10.001" version="1"/>
  <node id="3" lat="46.001" lon="10.001" version="1"/>
  <node id="4" lat="46.001" lon="10.000" version="1">
    <tag k="place" v="town"/><tag k="name" v="Upper Larkspur"/></node>
  <way id="10" version="1"><nd ref="1"/><nd ref="2"/><nd ref="3"/>
    <tag k="highway" v="primary"/><tag k="name" v="Hill Stra&#223;e"/></way>
  <way id="11" version="1"><nd ref="3"/><nd ref="4"/><tag k="highway" v="primary"/></way>
  <way id="12" version="1"><nd ref="1"/><nd ref="2"/><nd ref="3"/><nd ref="4"/><nd ref="1"/></way>
  <relation id="20" version="1"><member type="way" ref="12" role="outer"/>
    <tag k="type" v="multipolygon"/><tag k="building" v="apartments"/></relation>
  <relation id="21" version="1"><member type="way" ref="10" role="from"/>
    <member type="node" ref="3" role="via"/><member type="way" ref="11" role="to"/>
    <tag k="type" v="restriction"/><tag k="restriction" v="no_left_turn"/></relation>
</osm>
"""


def osm(folder: Path) -> Path:
    path = folder / "town.osm"
    path.write_text(OSM, encoding="utf-8")
    return path


def pbf(folder: Path) -> Path:
    import osmium

    source = osm(folder)
    path = folder / "town.osm.pbf"
    with osmium.SimpleWriter(str(path)) as writer:
        for one in osmium.FileProcessor(str(source)):
            writer.add(one)
    source.unlink()
    return path


def geotiff(folder: Path) -> Path:
    return write_terrain(folder / "dem.tif", lambda x, y: 500.0 + 0.0 * x * y, size=16)


def packed_geotiff(folder: Path) -> Path:
    import rasterio

    source = geotiff(folder)
    path = folder / "packed.tif"
    with rasterio.open(source) as one:
        profile = one.profile | {"compress": "deflate", "tiled": True, "blockxsize": 16,
                                 "blockysize": 16, "dtype": "int16", "predictor": 2}  # fmt: skip
        with rasterio.open(path, "w", **profile) as other:
            other.write(one.read(1).astype(np.int16), 1)
    source.unlink()
    return path


def hgt(folder: Path) -> Path:
    path = folder / "N42E001.hgt"
    path.write_bytes(np.full(1201 * 1201, 300, ">i2").tobytes())
    return path


def ascii_grid(folder: Path) -> Path:
    path = folder / "dem.asc"
    head = (
        "ncols 5\nnrows 4\nxllcorner 500000\nyllcorner 4300000\ncellsize 10\nNODATA_value -9999\n"
    )
    path.write_text(head + "410 411 412 413 414\n" * 3 + "409 -9999 411 412 413\n")
    from pyproj import CRS as System

    path.with_suffix(".prj").write_text(System.from_user_input(CRS).to_wkt("WKT1_ESRI"))
    return path


def tile(suffix: str) -> Seed:
    def write(folder: Path) -> Path:
        from PIL import Image

        path = folder / f"12_2145_1410.{suffix}"
        pixels = np.full((16, 16, 3), (129, 200, 7), np.uint8)
        Image.fromarray(pixels).save(path, lossless=True) if suffix == "webp" else Image.fromarray(
            pixels
        ).save(path)
        return path

    return write


def homes(folder: Path) -> Path:
    rows = [({"id": f"00{n}", "name": f"{n} Strässle", "people": 2.5}, box(40.0 * n, 0, 9, 9))
            for n in range(1, 4)]  # fmt: skip
    return write_geojson(folder / "homes.geojson", rows)


def vector(suffix: str) -> Seed:
    def write(folder: Path) -> Path:
        import geopandas as gpd

        source = homes(folder)
        frame = gpd.read_file(source)
        source.unlink()
        path = folder / f"homes.{suffix}"
        frame.to_file(path)
        return path

    return write


def packed_shapefile(folder: Path) -> Path:
    path = vector("shp")(folder)
    parts = list(folder.iterdir())
    packed = folder / "homes.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for part in parts:
            archive.write(part, part.name)
    for part in parts:
        part.unlink()
    assert path.suffix == ".shp"
    return packed


def packed_tile(folder: Path) -> Path:
    source = hgt(folder)
    path = folder / "N42E001.hgt.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(source, source.name)
    source.unlink()
    return path


def written(name: str, text: str) -> Seed:
    def write(folder: Path) -> Path:
        path = folder / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


KML = """<?xml version="1.0" encoding="UTF-8"?>
<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder><name>homes</name>
<Placemark><name>1 Str&#228;ssle</name><Polygon><outerBoundaryIs><LinearRing><coordinates>
7.90,46.60,0 7.91,46.60,0 7.91,46.61,0 7.90,46.60,0
</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>
</Folder></Document></kml>
"""
PLACES = "id,name,x,y,people\n001,Larkspur,500010.5,4300020.0,2.5\n002,NA,500050,4300060,3\n"
COUNTS = (
    "road,direction,hour,vehicle_class,exhaust_state,vehicles_per_hour\n"
    "Hill Road,both,0,heavy,muffled,12.5\nHill Road,both,1,light,,100\n"
)
TRIPS = "trip,from,to,depart,truck,exhaust,count\ncoal,A,B,22:30,13L,muffled,4\nore,A,B,06:15,,,1\n"
TRUCKS = "name,mass_kg,share,model,retarder\nfull,36000,0.6,13L,compression_release\nvan,9000,0.4,,none\n"  # noqa: E501
TRUCK = """base = "13L"
displacement_l = 12.8
gear_ratios = [11.0, 7.0, 4.0, 2.5, 1.6, 1.0]
[brakes]
heat_capacity_kj_k = 300.0
[retarder]
published_power_kw = 350.0
"""
FLEET = """[traffic.exhaust_shares]
after_treatment = 0.3
muffled = 0.5
worn = 0.1
straight = 0.1
"""
CASE = """{"x": [0, 50, 100], "ground": [0, 1, 0], "hs": 0.5, "hr": 4, "G": [[0, 100, 0.5]],
 "objects": [{"kind": "screen", "x": 10, "h": 3}, {"kind": "block", "x1": 20, "x2": 30, "h": 4}],
 "lateral_corners": [[10, 20]], "foliage_m": 5, "T": 15, "RH": 60,
 "LW": [93, 93, 93, 93, 93, 93, 93, 93], "screening_reading": "literal"}
"""
RECORD = {
    "study": "../study.toml", "created": "2026-01-01T00:00:00+00:00", "noisemap": "0.1.0",
    "python": "3.11.7", "libraries": {"numpy": "2.0.0"},
    "files": {"map.html": "00" * 32, "tables/homes.csv": "00" * 32},
    "inputs_sha256": {"study.toml": "00" * 32, "terrain.tif": "00" * 32},
}  # fmt: skip


def workbook(folder: Path) -> Path:
    import openpyxl

    book = openpyxl.Workbook()
    for row in PLACES.splitlines():
        book.active.append(row.split(","))
    path = folder / "homes.xlsx"
    book.save(path)
    return path


def recording(folder: Path) -> Path:
    import soundfile

    path = folder / "pass.wav"
    soundfile.write(path, 0.1 * np.sin(np.arange(4000) / 7.0), 16_000, subtype="PCM_16")
    return path


def readings(folder: Path) -> Path:
    path = folder / "readings.csv"
    source = Path(__file__).parents[2] / "data" / "readings.csv"
    path.write_text("".join(source.read_text(encoding="utf-8").splitlines(True)[:5]))
    return path


def study(folder: Path) -> Path:
    source = Path(__file__).parents[2] / "noisemap" / "study" / "template.toml"
    path = folder / "study.toml"
    shutil.copyfile(source, path)
    return path


# --- readers ---------------------------------------------------------------------------


def read_osm(path: Path) -> Any:
    from noisemap.readers.osm import read_areas, read_ways
    from noisemap.readers.osm_relations import read_places, read_turns

    found = []
    for read in (lambda one: read_ways(one, "highway"), lambda one: read_areas(one, ["building"]),
                 read_turns, read_places):  # fmt: skip
        try:
            found.append(read(path))
        except NoisemapError as error:
            found.append(error)
    for way in found[0] if isinstance(found[0], tuple) else ():
        assert np.isfinite(way.lon).all()
        assert (np.abs(way.lon) <= 180.0).all()
        assert (np.abs(way.lat) <= 90.0).all()
    return found


def read_terrain(path: Path) -> Any:
    from noisemap.readers.rasters import HIGHEST_M, LOWEST_M, lattice_of, read_heights

    grid = lattice_of(path)
    xs = (grid.x0, grid.x0 + grid.dx * (grid.columns - 1))
    ys = sorted((grid.y0, grid.y0 + grid.dy * (grid.rows - 1)))
    found = read_heights([grid], [(xs[0], ys[0], xs[1], ys[1])], vertical_unit=None)
    for one in found:
        heights = one.height[np.isfinite(one.height)]
        assert ((heights >= LOWEST_M) & (heights <= HIGHEST_M)).all()
    return found


def read_homes(path: Path) -> Any:
    import shapely

    from noisemap.readers.vectors import LARGEST_COORDINATE, read_layer

    known = ("id", "name", "people")
    crs = CRS if path.suffix in (".csv", ".xlsx") else None
    layer = read_layer(path, table="homes", known=known, numbers=("people",), crs=crs)
    bounds = layer.frame.geometry.bounds.to_numpy()
    assert len(layer.frame)
    assert (np.abs(bounds) < LARGEST_COORDINATE).all()
    assert shapely.is_valid(layer.frame.geometry.to_numpy()).all()
    assert layer.frame["id"].is_unique
    return layer


def read_recording(path: Path) -> Any:
    from noisemap.readers.recordings import open_recording, samples

    found = open_recording(path)
    count = 0
    for block in samples(found):
        assert np.isfinite(block).all()
        count += len(block)
    assert count == found.frames
    return found


def read_counts(path: Path) -> Any:
    from noisemap.exposure.traffic import CountsFile, require_plain_counts
    from noisemap.exposure.traffic import read_counts as read

    table, _ = read(CountsFile(path))
    require_plain_counts(table)
    return table


def read_trips(path: Path) -> Any:
    from noisemap.study.fleet_trips import read_trips as read

    return read(path, "13L")


def read_trucks(path: Path) -> Any:
    from noisemap.study.truck_table import read_trucks as read

    return read(path, None, ".")


def read_truck(path: Path) -> Any:
    from noisemap.study.prepare import truck_of_file

    return truck_of_file(path)


def read_readings(path: Path) -> Any:
    from noisemap.inspection.rows import read_readings as read

    return read(path)


def read_fleet(path: Path) -> Any:
    from noisemap.study.fleet_file import read_fleet as read

    return read(path)


def read_study(path: Path) -> Any:
    from noisemap.study.load import load_study

    return load_study(path)


def read_case(path: Path) -> Any:
    from click.testing import CliRunner

    from noisemap.cli.path import path_command

    result = CliRunner().invoke(path_command, [str(path)], catch_exceptions=True)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.output


def read_record(path: Path) -> Any:
    from noisemap.study.progress import Silent
    from noisemap.study.verify import FALLEN, verify

    found = verify(path.parent, Silent())
    assert found.verdict == FALLEN or not found.outputs.same
    assert found.summary
    json.dumps(found.as_json(), allow_nan=False)
    return found


SHAPEFILE = vector("shp")
TARGETS: dict[str, Target] = {
    "pbf": Target(pbf, read_osm),
    "osm": Target(osm, read_osm, text=True),
    "geotiff": Target(geotiff, read_terrain),
    "geotiff-packed": Target(packed_geotiff, read_terrain),
    "asc": Target(ascii_grid, read_terrain, text=True),
    "terrain-png": Target(tile("png"), read_terrain),
    "terrain-webp": Target(tile("webp"), read_terrain),
    "hgt": Target(hgt, read_terrain),
    "hgt-zip": Target(packed_tile, read_terrain),
    "geojson": Target(homes, read_homes, text=True),
    "gpkg": Target(vector("gpkg"), read_homes),
    "shp": Target(SHAPEFILE, read_homes),
    "shx": Target(SHAPEFILE, read_homes, ".shx"),
    "dbf": Target(SHAPEFILE, read_homes, ".dbf"),
    "prj": Target(SHAPEFILE, read_homes, ".prj", text=True),
    "shp-zip": Target(packed_shapefile, read_homes),
    "fgb": Target(vector("fgb"), read_homes),
    "kml": Target(written("homes.kml", KML), read_homes, text=True),
    "csv": Target(written("homes.csv", PLACES), read_homes, text=True),
    "xlsx": Target(workbook, read_homes),
    "wav": Target(recording, read_recording),
    "counts": Target(written("counts.csv", COUNTS), read_counts, text=True),
    "trips": Target(written("trips.csv", TRIPS), read_trips, text=True),
    "trucks": Target(written("trucks.csv", TRUCKS), read_trucks, text=True),
    "truck": Target(written("mine.toml", TRUCK), read_truck, text=True),
    "readings": Target(readings, read_readings, text=True),
    "fleet": Target(written("fleet.toml", FLEET), read_fleet, text=True),
    "study": Target(study, read_study, text=True),
    "case": Target(written("case.json", CASE), read_case, text=True),
    "record": Target(written("checksums.json", json.dumps(RECORD)), read_record, text=True),
}
