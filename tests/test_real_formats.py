"""Real places in every other format, written by the format's own library: the same scene."""

from __future__ import annotations

import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from openpyxl import Workbook
from PIL import Image
from rasterio.shutil import copy as copy_raster

from noisemap.readers.osm import OsmArea, OsmWay, read_areas, read_ways
from noisemap.readers.rasters import lattice_of, read_heights
from noisemap.scene.homes import Buildings, read_buildings
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.network import Way, split_edges, strokes
from noisemap.scene.obstacles import building_obstacles
from noisemap.scene.road_files import read_roads
from noisemap.scene.roads import name_strokes, place_roads
from noisemap.scene.tags import class_rows

REAL = Path(__file__).parents[1].parent / "shared" / "real"
TOWN = REAL / "badwildbad.osm.pbf"
CRS = "EPSG:32632"
GROUND = shapely.box(455_000, 5_390_000, 480_000, 5_410_000)
TAGS = ("highway", "name", "ref", "maxspeed", "oneway", "bridge", "tunnel", "layer", "junction")
KINDS = {"apartments": "home", "house": "home", "hotel": "hotel", "school": "school"}

pytestmark = [
    pytest.mark.real,
    pytest.mark.skipif(not REAL.is_dir(), reason=f"no open data of real places at {REAL}"),
]


@pytest.fixture(scope="module")
def ways() -> list[OsmWay]:
    known = class_rows()
    return [
        way
        for way in read_ways(TOWN, "highway")
        if way.tags["highway"] in known and way.tags.get("area") != "yes" and len(way.lon) > 1
    ]


@pytest.fixture(scope="module")
def roads(ways: list[OsmWay]) -> gpd.GeoDataFrame:
    columns = {key: [way.tags.get(key) for way in ways] for key in TAGS}
    lines = [shapely.LineString(np.column_stack([way.lon, way.lat])) for way in ways]
    ids = [str(way.way_id) for way in ways]
    return gpd.GeoDataFrame({"id": ids, **columns}, geometry=lines, crs=4326)


@pytest.fixture(scope="module")
def areas() -> tuple[OsmArea, ...]:
    return read_areas(TOWN, ("building",))


@pytest.fixture(scope="module")
def houses(areas: tuple[OsmArea, ...]) -> gpd.GeoDataFrame:
    known = [area for area in areas if not area.shape.is_empty]
    return gpd.GeoDataFrame(
        {
            "id": [area.area_id for area in known],
            "kind": [KINDS.get(area.tags["building"], "none") for area in known],
            "levels": [pd.to_numeric(area.tags.get("building:levels"), "coerce") for area in known],
        },
        geometry=[area.shape for area in known],
        crs=4326,
    )


def write(frame: gpd.GeoDataFrame, path: Path) -> Path:
    if path.suffix == ".parquet":
        pytest.importorskip("pyarrow")
        frame.to_parquet(path)
    elif path.suffix == ".csv":
        table = pd.DataFrame(frame.drop(columns="geometry"))
        table["wkt"] = shapely.to_wkt(frame.geometry.to_numpy(), rounding_precision=-1)
        table.to_csv(path, index=False)
    elif path.suffix == ".xlsx":
        book = Workbook()
        table = pd.DataFrame(frame.drop(columns="geometry"))
        table["wkt"] = shapely.to_wkt(frame.geometry.to_numpy(), rounding_precision=7)
        book.active.append(list(table.columns))
        for row in table.astype(object).where(table.notna(), None).itertuples(index=False):
            book.active.append(list(row))
        book.save(path)
    elif path.suffix == ".zip":
        inner = path.with_suffix("")
        inner.mkdir()
        frame.to_file(inner / "layer.shp", engine="pyogrio", encoding="UTF-8")
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
            for part in sorted(inner.iterdir()):
                packed.write(part, part.name)
    else:
        driver = {".gdb": "OpenFileGDB"}.get(path.suffix)
        frame.to_file(path, engine="pyogrio", driver=driver, encoding="UTF-8", layer="layer")
    return path


def network(file: Path) -> tuple[tuple[Way, ...], dict[str, float]]:
    """Ways of a road file, and the length of every road that is made of them [m]."""
    crs = "EPSG:4326" if file.suffix in (".csv", ".xlsx") else None
    raw = read_roads(SceneInputs((), file, file, roads_crs=crs))
    placed, _ = place_roads(raw, CRS, GROUND)
    edges = split_edges(placed)
    found = strokes(edges)
    names = name_strokes(edges, found)
    lengths = {
        name.road_id: sum(edges[member.edge].length for member in road)
        for road, name in zip(found, names, strict=True)
    }
    return placed, lengths


@pytest.mark.parametrize(
    "kind", ["gpkg", "shp", "shp.zip", "geojson", "fgb", "gdb", "csv", "parquet"]
)
def test_roads_of_the_town(roads: gpd.GeoDataFrame, tmp_path: Path, kind: str) -> None:
    from_extract, lengths = network(TOWN)
    assert sum(lengths.values()) == pytest.approx(36_700.0, abs=50.0)
    placed, found = network(write(roads, tmp_path / f"roads.{kind}"))
    assert len(placed) == len(from_extract) == 320
    assert sorted(way.tags.speed_kmh for way in placed) == sorted(
        way.tags.speed_kmh for way in from_extract
    )
    for key in ("structure", "direction", "road_class", "layer", "name", "ref"):
        own = {way.way_id: getattr(way.tags, key) for way in placed}
        assert own == {way.way_id: getattr(way.tags, key) for way in from_extract}, key
    # the layer gives no node ids: places are compared instead, to the same roads
    assert found == pytest.approx(lengths, abs=0.05)


@pytest.mark.parametrize("kind", ["gpkg", "shp", "geojson", "fgb", "gdb", "csv", "xlsx", "parquet"])
def test_houses_of_the_town(houses: gpd.GeoDataFrame, tmp_path: Path, kind: str) -> None:
    def build(file: Path) -> Buildings:
        crs = "EPSG:4326" if file.suffix in (".csv", ".xlsx") else None
        return read_buildings(SceneInputs((), file, file, homes_crs=crs), CRS)[0]

    assert len(houses) == 1173
    wanted = build(write(houses, tmp_path / "wanted.gpkg"))
    found = build(write(houses, tmp_path / f"houses.{kind}"))
    if kind == "fgb":  # this format keeps its features in the order of its own index
        order = {home: place for place, home in enumerate(found.ids)}
        found = found.take(np.array([order[home] for home in wanted.ids]))
    assert found.ids == wanted.ids
    assert found.kinds == wanted.kinds
    assert np.array_equal(found.levels, wanted.levels, equal_nan=True)
    assert shapely.area(found.shapes) == pytest.approx(shapely.area(wanted.shapes), abs=0.05)
    # a geodatabase rounds to its own grid: a corner of a block may come or go
    edges = len(building_obstacles(wanted).edges)
    assert len(building_obstacles(found).edges) == pytest.approx(edges, abs=5)


def tile_plane() -> tuple[np.ndarray, Affine]:
    """Heights of one real terrain tile, and where its pixels lie in web-mercator metres."""
    lattice = lattice_of(REAL / "terrain_rgb" / "12_2145_1410.webp")
    (heights,) = read_heights([lattice], [lattice.bounds])
    corner = Affine(
        lattice.dx, 0.0, lattice.x0 - lattice.dx / 2, 0.0, lattice.dy, lattice.y0 - lattice.dy / 2
    )
    return heights.height, corner


@pytest.mark.parametrize("kind", ["tif", "cog.tif", "asc", "png", "ft.tif"])
def test_heights_of_the_town(tmp_path: Path, kind: str) -> None:
    value, corner = tile_plane()
    plain = tmp_path / "plain.tif"
    feet = kind == "ft.tif"
    with rasterio.open(
        plain, "w", driver="GTiff", width=512, height=512, count=1, dtype="float64",
        crs="EPSG:3857", transform=corner,
    ) as file:  # fmt: skip
        file.write(value / 0.3048 if feet else value, 1)
    path = {"png": tmp_path / "12_2145_1410.png"}.get(kind, tmp_path / f"other.{kind}")
    if kind == "png":
        with Image.open(REAL / "terrain_rgb" / "12_2145_1410.webp") as image:
            image.convert("RGB").save(path)
    elif kind == "cog.tif":
        copy_raster(plain, path, driver="COG", compress="deflate", blocksize=128)
    elif kind == "asc":
        copy_raster(plain, path, driver="AAIGrid", decimal_precision=9)
    else:
        copy_raster(plain, path, driver="GTiff")
    lattice = lattice_of(path, "EPSG:3857" if kind == "asc" else None)
    (heights,) = read_heights([lattice], [lattice.bounds], vertical_unit="ft" if feet else "m")
    tolerance = 1e-6 if kind != "asc" else 1e-4
    assert heights.height == pytest.approx(value, abs=tolerance)
    x = np.linspace(corner.c + 50.0, corner.c + 9_700.0, 200)
    y = np.linspace(corner.f - 50.0, corner.f - 9_700.0, 200)
    tile = lattice_of(REAL / "terrain_rgb" / "12_2145_1410.webp")
    (own,) = read_heights([tile], [tile.bounds])
    assert heights.sample(x, y) == pytest.approx(own.sample(x, y), abs=1e-3)


def test_tile_of_degrees_zipped_and_as_geotiff(tmp_path: Path) -> None:
    tile = REAL / "N42E001.hgt"
    packed = tmp_path / "N42E001.hgt.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(tile, "N42E001.hgt")
    copy_raster(tile, tmp_path / "tile.tif", driver="GTiff")
    x, y = np.linspace(1.41, 1.79, 300), np.linspace(42.43, 42.66, 300)
    samples = []
    for path in (tile, packed, tmp_path / "tile.tif"):
        lattice = lattice_of(path)
        (heights,) = read_heights([lattice], [lattice.bounds])
        assert int(np.isnan(heights.height).sum()) == 7652
        samples.append(heights.sample(x, y))
    for other in samples[1:]:
        assert np.array_equal(samples[0], other, equal_nan=True)
