"""Formats that counties, dispatchers and analysts hold, made by the formats' own libraries."""

from __future__ import annotations

import bz2
import gzip
import sys
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from openpyxl import Workbook
from rasterio.shutil import copy as copy_raster
from scene_files import CRS, X0, Y0, write_hgt, write_terrain

from noisemap.errors import BadDataError, MissingInputError, MissingProgramError
from noisemap.readers.osm import read_ways
from noisemap.readers.osm_relations import read_places, read_turns
from noisemap.readers.rasters import lattice_of, read_heights
from noisemap.readers.vectors import Layer, read_layer
from noisemap.scene.crs import project

KNOWN = ("id", "name", "levels")
NAMES = ["Grünweg", "Højbro"]


@pytest.fixture
def frame() -> gpd.GeoDataFrame:
    shapes = [shapely.box(X0, Y0, X0 + 9, Y0 + 9), shapely.box(X0 + 20, Y0, X0 + 29, Y0 + 9)]
    return gpd.GeoDataFrame({"id": ["a", "b"], "name": NAMES}, geometry=shapes, crs=CRS)


def read(path: Path, **options: object) -> Layer:
    return read_layer(path, table="homes", known=KNOWN, **options)  # type: ignore[arg-type]


def check(layer: Layer) -> None:
    assert layer.frame["name"].tolist() == NAMES
    assert layer.frame.to_crs(CRS).area.tolist() == pytest.approx([81.0, 81.0], rel=1e-3)


def zip_up(folder: Path, archive: Path, pattern: str) -> Path:
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        for part in sorted(folder.rglob(pattern)):
            packed.write(part, part.relative_to(folder))
    return archive


# ----------------------------------------------------------------------- layers


def test_file_geodatabase(tmp_path: Path, frame: gpd.GeoDataFrame) -> None:
    path = tmp_path / "county.gdb"
    frame.to_file(path, driver="OpenFileGDB", layer="homes", engine="pyogrio")
    check(read(path))
    check(read(zip_up(tmp_path, tmp_path / "county.gdb.zip", "county.gdb/*")))
    frame.to_file(path, driver="OpenFileGDB", layer="sheds", engine="pyogrio")
    with pytest.raises(BadDataError, match=r'holds 2 layers .*add layer = "..." to .homes.'):
        read(path)
    check(read(path, layer="homes"))


def test_folder_that_is_no_geodatabase(tmp_path: Path) -> None:
    (tmp_path / "county.gdb").mkdir()
    with pytest.raises(BadDataError, match=r"not a file geodatabase.*copy the whole folder"):
        read(tmp_path / "county.gdb")
    with pytest.raises(MissingInputError):
        read(tmp_path / "other.gdb")


def test_kml(tmp_path: Path, frame: gpd.GeoDataFrame) -> None:
    path = tmp_path / "homes.kml"
    frame.drop(columns="id").to_crs(4326).to_file(path, engine="pyogrio", driver="KML")
    check(read(path))
    for word in ("<!DOCTYPE x []>", "<NetworkLink/>"):
        path.write_text(f"<kml>{word}</kml>")
        with pytest.raises(BadDataError, match="only a document that stands alone"):
            read(path)
    path.write_text("<svg/>")
    with pytest.raises(BadDataError, match=r"does not begin like a .kml"):
        read(path)


def test_shapefile_in_an_archive(tmp_path: Path, frame: gpd.GeoDataFrame) -> None:
    folder = tmp_path / "all" / "deep"
    folder.mkdir(parents=True)
    frame.to_file(folder / "homes.shp", engine="pyogrio")
    archive = zip_up(tmp_path / "all", tmp_path / "homes.zip", "*.*")
    check(read(archive))
    frame.to_file(folder / "sheds.shp", engine="pyogrio")
    both = zip_up(tmp_path / "all", tmp_path / "both.zip", "*.*")
    with pytest.raises(BadDataError, match=r"holds 2 files \(homes, sheds\); add layer"):
        read(both)
    check(read(both, layer="homes"))
    lone = zip_up(tmp_path / "all", tmp_path / "lone.zip", "homes.shp")
    with pytest.raises(BadDataError, match=r"without homes\.shx, homes\.dbf; copy all files"):
        read(lone)
    none = zip_up(tmp_path / "all", tmp_path / "none.zip", "*.dbf")
    with pytest.raises(BadDataError, match="holds no shapefile or geodatabase"):
        read(none)


def test_archives_that_would_fill_the_memory_or_hide(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("a.shp", bytes(40_000_000))
    with pytest.raises(BadDataError, match="would unpack to 40,000,000"):
        read(path)
    path.write_bytes(b"PK but no archive")
    with pytest.raises(BadDataError, match="not a readable zip archive"):
        read(path)
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("a.shp", b"<OGRVRTDataSource>")
    with pytest.raises(BadDataError, match=r"does not begin like a .shp"):
        read(path)


def test_shapefile_needs_its_parts(tmp_path: Path, frame: gpd.GeoDataFrame) -> None:
    frame.to_file(tmp_path / "h.shp", engine="pyogrio")
    (tmp_path / "h.dbf").unlink()
    with pytest.raises(BadDataError, match=r"cannot be read without h\.dbf; copy all files"):
        read(tmp_path / "h.shp")


def test_shapefile_texts_by_code_page_key_or_sentence(
    tmp_path: Path, frame: gpd.GeoDataFrame
) -> None:
    path = tmp_path / "h.shp"
    frame.to_file(path, engine="pyogrio", encoding="ISO-8859-1")
    layer = read(path)  # the .cpg file tells
    check(layer)
    assert not layer.said
    (tmp_path / "h.cpg").unlink()
    layer = read(path)
    check(layer)
    assert "does not name the encoding of its texts, read as Latin-1" in layer.said[0]
    with pytest.raises(BadDataError, match=r'not UTF-8; name their encoding.*"latin-1" in .homes.'):
        read(path, encoding="utf-8")
    frame.to_file(path, engine="pyogrio", encoding="UTF-8")
    (tmp_path / "h.cpg").unlink()
    layer = read(path)
    check(layer)
    assert "read as UTF-8, as their bytes show" in layer.said[0]
    with pytest.raises(BadDataError, match="'nonsense' is not allowed"):
        read(path, encoding="nonsense")


def test_geoparquet(tmp_path: Path, frame: gpd.GeoDataFrame) -> None:
    pytest.importorskip("pyarrow")
    path = tmp_path / "h.parquet"
    frame.rename_geometry("shape").to_parquet(path)
    check(read(path))
    path.write_bytes(b"PAR1 and nothing else")
    with pytest.raises(BadDataError, match="cannot be read"):
        read(path)


def test_geoparquet_without_its_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    path = tmp_path / "h.parquet"
    path.write_bytes(b"PAR1...")
    with pytest.raises(
        MissingProgramError, match=r"install noisemap\[parquet\], or export"
    ) as told:
        read(path)
    assert told.value.exit_code == 69


# ----------------------------------------------------------------------- tables


def test_table_with_longitude_and_latitude(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("ID;Name;Longitude;Latitude\n1;x;1,5;42,5\n2;y;;\n", encoding="utf-8")
    with pytest.raises(BadDataError, match=r'a\.csv:2: Longitude: 1,5 .*add decimal = ","'):
        read(path)
    layer = read(path, decimal=",")
    assert layer.frame.crs == "EPSG:4326"
    assert layer.frame["id"].tolist() == ["1"]
    assert layer.dropped == 1
    assert (layer.frame.geometry.iloc[0].x, layer.frame.geometry.iloc[0].y) == (1.5, 42.5)
    with pytest.raises(BadDataError, match="leave crs out"):
        read(path, decimal=",", crs=CRS)


def test_swapped_columns_of_degrees(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("name,lon,lat\nx,42.5,-106.2\n")
    with pytest.raises(BadDataError, match=r'swapped: columns = \{ lon = "lat", lat = "lon" \}'):
        read(path)
    layer = read(path, columns={"lon": "lat", "lat": "lon"})
    assert (layer.frame.geometry.iloc[0].x, layer.frame.geometry.iloc[0].y) == (-106.2, 42.5)
    path.write_text("name,lon,lat\nx,500000,4300000\n")
    with pytest.raises(BadDataError, match="no degrees; call the columns x and y"):
        read(path)


def test_table_with_x_and_y_needs_a_system(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(f"name,Easting,Northing\nx,{X0},{Y0}\n")
    with pytest.raises(BadDataError, match=r'names no coordinate system; add crs = "EPSG:\.\.\."'):
        read(path)
    assert read(path, crs=CRS).frame.geometry.iloc[0].x == X0
    path.write_text("name,x,y\nx,-106.2,39.5\n")
    with pytest.raises(BadDataError, match=r'add crs = "EPSG:4326".*look like degrees'):
        read(path)
    with pytest.raises(BadDataError, match="look like degrees, its system is not in degrees"):
        read(path, crs=CRS)


def test_table_of_shapes_as_text(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    shape = shapely.box(X0, Y0, X0 + 9, Y0 + 9).wkt
    path.write_text(f'name,wkt\nx,"{shape}"\n')
    assert read(path, crs=CRS).frame.geometry.iloc[0].area == pytest.approx(81.0)
    path.write_text("name,wkt\nx,POLYGON(1\n")
    with pytest.raises(BadDataError, match=r"a\.csv:2: wkt: 'POLYGON\(1' is no well-known text"):
        read(path, crs=CRS)


def test_workbook_with_places(tmp_path: Path) -> None:
    book = Workbook()
    sheet = book.active
    sheet.title = "homes"
    for row in (["id", "NAME", "X", "Y"], [7, "x", X0, Y0], [8, "y", X0 + 5, Y0]):
        sheet.append(row)
    book.save(tmp_path / "a.xlsx")
    layer = read(tmp_path / "a.xlsx", crs=CRS)
    assert layer.frame["id"].tolist() == ["7", "8"]
    assert layer.frame.geometry.iloc[1].x == X0 + 5
    book.create_sheet("other").append(["x"])
    book.save(tmp_path / "a.xlsx")
    with pytest.raises(BadDataError, match=r'add layer = "\.\.\." to \[homes\]'):
        read(tmp_path / "a.xlsx", crs=CRS)
    check_name = read(tmp_path / "a.xlsx", crs=CRS, layer="homes").frame["name"].tolist()
    assert check_name == ["x", "y"]


def test_table_without_places(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("name,street\nx,Oak\n")
    with pytest.raises(BadDataError, match=r"no columns of places .*the file has: name, street"):
        read(path)


def test_decimal_commas_in_text_columns(tmp_path: Path, frame: gpd.GeoDataFrame) -> None:
    frame["levels"] = ["2,5", "3"]
    frame.to_file(tmp_path / "h.gpkg", engine="pyogrio")
    layer = read(tmp_path / "h.gpkg", decimal=",", numbers=("levels",))
    assert layer.frame["levels"].tolist() == ["2.5", "3.0"]
    frame["levels"] = ["2.5", "x"]
    frame.to_file(tmp_path / "h.gpkg", engine="pyogrio")
    with pytest.raises(BadDataError, match=r"feature 1: levels: '2.5' is not a number with a dec"):
        read(tmp_path / "h.gpkg", decimal=",", numbers=("levels",))


# ---------------------------------------------------------- coordinate systems


@pytest.mark.parametrize("code", ["EPSG:2232", "EPSG:2231"])
def test_survey_feet_become_metres_by_the_unit_of_the_axis(tmp_path: Path, code: str) -> None:
    """US survey foot 1200/3937 m (exact); the international foot would be off by 2 ppm."""
    metre = gpd.GeoSeries([shapely.LineString([(-105.5, 39.5), (-105.6, 39.6)])], crs=4326)
    metre.to_crs(code).to_frame("geometry").to_file(tmp_path / "h.shp", engine="pyogrio")
    frame = read(tmp_path / "h.shp").frame
    feet = shapely.get_coordinates(frame.geometry.to_numpy())
    place = project(frame.crs, "EPSG:32613", feet[:, 0], feet[:, 1])
    truth = shapely.get_coordinates(metre.to_crs("EPSG:32613").to_numpy())
    assert place == pytest.approx(truth, abs=1e-3)
    unit = frame.crs.axis_info[0].unit_conversion_factor
    assert unit == pytest.approx(1200 / 3937, rel=1e-12)


def test_degrees_that_are_none(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame({"id": ["a"]}, geometry=[shapely.Point(X0, Y0)], crs=4326)
    frame.to_file(tmp_path / "h.gpkg", engine="pyogrio")
    with pytest.raises(BadDataError, match="claims degrees, its coordinates are none"):
        read(tmp_path / "h.gpkg")
    frame = gpd.GeoDataFrame({"id": ["a"]}, geometry=[shapely.Point(39.5, -106.0)], crs=4326)
    frame.to_file(tmp_path / "s.gpkg", engine="pyogrio")
    with pytest.raises(BadDataError, match="axes are swapped"):
        read(tmp_path / "s.gpkg")


# ----------------------------------------------------------------- OSM, terrain

OSM = """<osm version="0.6">
<node id="1" lon="1.5" lat="42.5" version="1"/><node id="2" lon="1.6" lat="42.5" version="1"/>
<way id="9" version="1"><nd ref="1"/><nd ref="2"/><tag k="highway" v="primary"/></way></osm>"""


def test_extracts_as_text_and_packed(tmp_path: Path) -> None:
    (tmp_path / "a.osm").write_text(OSM)
    (tmp_path / "b.osm.gz").write_bytes(gzip.compress(OSM.encode()))
    for name in ("a.osm", "b.osm.gz"):
        (way,) = read_ways(tmp_path / name, "highway")
        assert (way.way_id, way.nodes.tolist(), way.lon.tolist()) == (9, [1, 2], [1.5, 1.6])
    (tmp_path / "c.osm.gz").write_bytes((tmp_path / "b.osm.gz").read_bytes()[:60])
    with pytest.raises(BadDataError, match=r"c\.osm\.gz: cannot be unpacked .*download it again"):
        read_ways(tmp_path / "c.osm.gz", "highway")


@pytest.mark.parametrize(
    ("name", "pack"), [("a.osm.gz", gzip.compress), ("a.osm.bz2", bz2.compress)]
)
def test_packed_extract_that_would_fill_the_memory(tmp_path: Path, name: str, pack) -> None:
    path = tmp_path / name
    path.write_bytes(pack(OSM.encode() + bytes(30_000_000)))
    with pytest.raises(BadDataError, match="would unpack to more than 20,000,000; not opened"):
        read_ways(path, "highway")
    for read in (read_turns, read_places):
        with pytest.raises(BadDataError, match="not opened"):
            read(path)
    path.write_bytes(pack(OSM.encode()))  # the file changed: it is looked at again
    assert len(read_ways(path, "highway")) == 1


def plane(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 100.0 + 0.05 * (x - X0) + 0.02 * (y - Y0)


def height_there(path: Path, crs: str | None = None) -> float:
    lattice = lattice_of(path, crs)
    (heights,) = read_heights([lattice], [lattice.bounds])
    return float(heights.sample(np.array([X0 + 103.0]), np.array([Y0 + 207.0]))[0])


def test_cloud_optimised_geotiff(tmp_path: Path) -> None:
    tif = write_terrain(tmp_path / "t.tif", plane, size=600)
    copy_raster(tif, tmp_path / "cog.tif", driver="COG", compress="deflate", blocksize=128)
    with rasterio.open(tmp_path / "cog.tif") as file:
        assert file.overviews(1)
    assert height_there(tmp_path / "cog.tif") == pytest.approx(100 + 5.15 + 4.14, abs=1e-6)


def test_ascii_grid(tmp_path: Path) -> None:
    tif = write_terrain(tmp_path / "t.tif", plane, size=60)
    copy_raster(tif, tmp_path / "g.asc", driver="AAIGrid", decimal_precision=4)
    expected = pytest.approx(100 + 5.15 + 4.14, abs=1e-3)
    assert height_there(tmp_path / "g.asc") == expected
    (tmp_path / "g.prj").unlink()
    with pytest.raises(BadDataError, match=r"names no coordinate system; add crs .* to \[terrain"):
        lattice_of(tmp_path / "g.asc")
    assert height_there(tmp_path / "g.asc", CRS) == expected
    text = (tmp_path / "g.asc").read_text()
    (tmp_path / "g.asc").write_text(text.replace(".", ","))
    with pytest.raises(BadDataError, match="decimal commas; export it with points"):
        lattice_of(tmp_path / "g.asc", CRS)
    (tmp_path / "g.asc").write_text("x y z\n1 2 3\n")
    with pytest.raises(BadDataError, match="does not begin like an ASCII grid"):
        lattice_of(tmp_path / "g.asc", CRS)


def test_zipped_tile(tmp_path: Path) -> None:
    def tilted(lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
        return 500.0 + 4000.0 * (lon - 10.0) + 3000.0 * (lat - 46.0)

    tile = write_hgt(tmp_path / "N46E010.hgt", tilted)
    plain = lattice_of(tile)
    with zipfile.ZipFile(tmp_path / "N46E010.SRTMGL3.hgt.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.write(tile, "folder/N46E010.hgt")
    zipped = lattice_of(tmp_path / "N46E010.SRTMGL3.hgt.zip")
    assert (zipped.x0, zipped.y0, zipped.dx) == (plain.x0, plain.y0, plain.dx)
    window = [(10.4, 46.4, 10.41, 46.41)]
    (a,), (b,) = read_heights([plain], window), read_heights([zipped], window)
    assert np.array_equal(a.height, b.height)
    with zipfile.ZipFile(tmp_path / "two.zip", "w") as packed:
        packed.writestr("N46E010.hgt", b"x")
        packed.writestr("N46E011.hgt", b"x")
    with pytest.raises(BadDataError, match="holds 2 HGT tiles"):
        lattice_of(tmp_path / "two.zip")
    with zipfile.ZipFile(tmp_path / "odd.zip", "w") as packed:
        packed.writestr("tile.hgt", b"x")
    with pytest.raises(BadDataError, match="says where it lies"):
        lattice_of(tmp_path / "odd.zip")
