"""Vector files: columns, ids, coordinate systems, repairs and refusals."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest
import shapely
from scene_files import CRS, X0, Y0, box, line, point, write_geojson

from noisemap.errors import BadDataError, MissingInputError
from noisemap.readers import features
from noisemap.readers.vectors import Layer, read_layer
from noisemap.scene.layers import layer_repairs

KNOWN = ("id", "name", "levels")


def read(path: Path, **options: object) -> Layer:
    return read_layer(path, table="homes", known=KNOWN, **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("suffix", ["gpkg", "geojson", "shp", "fgb"])
def test_every_format_gives_the_same_table(tmp_path: Path, suffix: str) -> None:
    frame = gpd.GeoDataFrame(
        {"id": ["a", "b"], "name": ["one", "two"]},
        geometry=[shapely.box(X0, Y0, X0 + 9, Y0 + 9), shapely.box(X0 + 20, Y0, X0 + 29, Y0 + 9)],
        crs=CRS,
    )
    path = tmp_path / f"homes.{suffix}"
    frame.to_file(path, engine="pyogrio")
    layer = read(path)
    assert sorted(layer.frame["id"]) == ["a", "b"]
    assert layer.frame.to_crs(CRS).area.tolist() == pytest.approx([81.0, 81.0], rel=1e-4)


def test_columns_are_mapped_and_others_left(tmp_path: Path) -> None:
    path = write_geojson(tmp_path / "h.geojson", [({"OBJ": 7, "x": 1}, box(0, 0, 9, 9))])
    layer = read(path, columns={"id": "OBJ"})
    assert layer.frame["id"].tolist() == ["7"]
    assert "x" not in layer.frame.columns


def test_ids_stay_text(tmp_path: Path) -> None:
    features = [({"id": text}, box(20 * i, 0, 9, 9)) for i, text in enumerate(("00123", "NA", "1"))]
    assert read(write_geojson(tmp_path / "h.geojson", features)).frame["id"].tolist() == [
        "00123",
        "NA",
        "1",
    ]


def test_duplicate_and_blank_ids_are_errors(tmp_path: Path) -> None:
    twice = [({"id": text}, box(20 * i, 0, 9, 9)) for i, text in enumerate(("a", "b", "a"))]
    with pytest.raises(BadDataError, match=r"first 'a' \(features 1, 3\)"):
        read(write_geojson(tmp_path / "twice.geojson", twice))
    blank = [({"id": text}, box(20 * i, 0, 9, 9)) for i, text in enumerate(("a", None))]
    with pytest.raises(BadDataError, match="1 features have no id, the first is feature 2"):
        read(write_geojson(tmp_path / "blank.geojson", blank))


def test_features_without_geometry_are_counted(tmp_path: Path) -> None:
    features = [({"id": "a"}, box(0, 0, 9, 9)), ({"id": "b"}, None)]
    layer = read(write_geojson(tmp_path / "h.geojson", features))
    assert layer.dropped == 1
    assert layer.frame["id"].tolist() == ["a"]


def test_bow_tie_is_mended_and_named(tmp_path: Path) -> None:
    bow = {
        "type": "Polygon",
        "coordinates": [[[X0, Y0], [X0 + 20, Y0 + 10], [X0 + 20, Y0], [X0, Y0 + 10], [X0, Y0]]],
    }
    layer = read(write_geojson(tmp_path / "h.geojson", [({"id": "a"}, bow)]))
    assert layer.mended == ("a",)
    assert layer.reshaped == ("a",)
    assert layer.frame.geometry.is_valid.all()
    assert float(layer.frame.area.iloc[0]) == pytest.approx(100.0)


def test_a_layer_of_polygons_without_area_is_refused(tmp_path: Path) -> None:
    line = [[X0, Y0], [X0 + 20, Y0 + 10], [X0, Y0]]
    flat = {"type": "Polygon", "coordinates": [[*line[:2], line[1], line[0]]]}
    features = [({"id": "a"}, box(0, 0, 9, 9)), ({"id": "b"}, flat)]
    layer = read(write_geojson(tmp_path / "h.geojson", features))
    (listed,) = layer_repairs("homes", layer, CRS)
    assert (listed.item, listed.what) == ("b", "has no length or area: left out")
    with pytest.raises(BadDataError, match="no feature of the layer has a geometry"):
        read(write_geojson(tmp_path / "flat.geojson", features[1:]))


def test_layer_without_system_says_how(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame({"id": ["a"]}, geometry=[shapely.box(X0, Y0, X0 + 9, Y0 + 9)])
    path = tmp_path / "h.fgb"
    with pytest.warns(UserWarning, match="'crs' was not provided"):
        frame.to_file(path, engine="pyogrio")
    with pytest.raises(BadDataError, match=r'add crs = "EPSG:\.\.\." to \[homes\]'):
        read(path)
    assert read(path, crs=CRS).frame.crs.to_epsg() == 32606
    with pytest.raises(BadDataError, match="is not a coordinate system"):
        read(path, crs="EPSG:nonsense")


def test_empty_layer(tmp_path: Path) -> None:
    with pytest.raises(BadDataError, match="holds no feature"):
        read(write_geojson(tmp_path / "h.geojson", []))


def test_only_features_without_geometry(tmp_path: Path) -> None:
    with pytest.raises(BadDataError, match="no feature of the layer has a geometry"):
        read(write_geojson(tmp_path / "h.geojson", [({"id": "a"}, None)]))


def test_coordinates_off_the_earth(tmp_path: Path) -> None:
    far = {"type": "Point", "coordinates": [1e300, 0.0]}
    with pytest.raises(BadDataError, match="not on the earth"):
        read(
            write_geojson(tmp_path / "h.geojson", [({"id": "a"}, point(0, 0)), ({"id": "b"}, far)])
        )


def test_unknown_and_missing_columns(tmp_path: Path) -> None:
    path = write_geojson(tmp_path / "h.geojson", [({"id": "a"}, box(0, 0, 9, 9))])
    with pytest.raises(BadDataError, match=r"colour is not a name this reads \(allowed: id"):
        read(path, columns={"colour": "id"})
    with pytest.raises(BadDataError, match=r"no column LEV; the file has: id"):
        read(path, columns={"levels": "LEV"})


def test_several_layers_need_a_choice(tmp_path: Path) -> None:
    path = tmp_path / "two.gpkg"
    frame = gpd.GeoDataFrame({"name": ["x"]}, geometry=[shapely.Point(X0, Y0)], crs=CRS)
    frame.to_file(path, layer="one", engine="pyogrio")
    frame.to_file(path, layer="two", engine="pyogrio", mode="a")
    with pytest.raises(BadDataError, match=r"holds 2 layers \(one, two\)"):
        read(path)
    assert len(read(path, layer="two").frame) == 1
    with pytest.raises(BadDataError, match="cannot be read"):
        read(path, layer="three")


def test_line_without_length_is_left_out_and_listed(tmp_path: Path) -> None:
    features = [({"id": "a"}, line((0, 0), (9, 9))), ({"id": "b"}, line((5, 5), (5, 5)))]
    layer = read(write_geojson(tmp_path / "r.geojson", features))
    assert layer.frame["id"].tolist() == ["a"]
    (listed,) = layer_repairs("roads", layer, CRS)
    assert (listed.item, listed.what) == ("b", "has no length or area: left out")


def test_collection_without_features_says_so(tmp_path: Path) -> None:
    path = write_geojson(tmp_path / "r.geojson", [])
    with pytest.raises(BadDataError, match="holds no feature; export it again, or name another"):
        read(path, columns={"name": "STREET"})


def test_window_keeps_what_touches_it(tmp_path: Path) -> None:
    features = [({"id": str(i)}, box(5000 * i, 0, 9, 9)) for i in range(3)]
    path = write_geojson(tmp_path / "h.geojson", features)
    west, south, east, north = (
        gpd.GeoSeries([shapely.box(X0 - 50, Y0 - 50, X0 + 100, Y0 + 100)], crs=CRS)
        .to_crs(4326)
        .total_bounds
    )
    assert read(path, bbox=(west, south, east, north)).frame["id"].tolist() == ["0"]
    with pytest.raises(BadDataError, match="no feature lies in the study window"):
        read(path, bbox=(10.0, 10.0, 11.0, 11.0))


@pytest.mark.parametrize("suffix", ["gpkg", "shp", "fgb", "geojson"])
def test_large_layer_is_read_in_its_window_only(
    tmp_path: Path, suffix: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(features, "READ_WHOLE", 5)
    shapes = [shapely.box(X0 + 5000 * i, Y0, X0 + 5000 * i + 9, Y0 + 9) for i in range(6)]
    frame = gpd.GeoDataFrame({"id": [str(i) for i in range(6)]}, geometry=shapes, crs=CRS)
    path = tmp_path / f"h.{suffix}"
    frame.to_file(path, engine="pyogrio")
    window = frame.iloc[[2]].to_crs(4326).total_bounds
    asked: list[object] = []
    real = pyogrio.read_dataframe
    monkeypatch.setattr(
        features.pyogrio,
        "read_dataframe",
        lambda *args, **options: asked.append(options["bbox"]) or real(*args, **options),
    )
    layer = read(path, bbox=tuple(window))
    assert layer.frame["id"].tolist() == ["2"]
    assert "of 6 features only those in the study window were read" in layer.said
    assert asked[0] is not None
    with pytest.raises(BadDataError, match="no feature lies in the study window"):
        read(path, bbox=(10.0, 10.0, 11.0, 11.0))
    monkeypatch.setattr(features, "MOST_FEATURES", 5)
    with pytest.raises(BadDataError, match=r"6 features .allowed without a window: 5.; cut the"):
        read(path)


@pytest.mark.parametrize(
    "name", ["/vsicurl/http://example.org/h.geojson", "PG:dbname=x", "https://example.org/h.gpkg"]
)
def test_remote_sources_are_refused(name: str) -> None:
    with pytest.raises(BadDataError, match="only a plain local file"):
        read(Path(name))


def test_broken_files_are_sentences(tmp_path: Path) -> None:
    good = write_geojson(tmp_path / "h.geojson", [({"id": "a"}, line((0, 0), (9, 9)))])
    cut = tmp_path / "cut.geojson"
    cut.write_bytes(good.read_bytes()[:150])
    noise = tmp_path / "noise.gpkg"
    noise.write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 8)
    for path in (cut, noise):
        with pytest.raises(BadDataError, match="cannot be read"):
            read(path)
    other = tmp_path / "h.gml"
    other.write_text("<gml/>")
    with pytest.raises(BadDataError, match="not a vector file this reads"):
        read(other)
    with pytest.raises(MissingInputError, match="no such file"):
        read(tmp_path / "none.gpkg")
    (tmp_path / "folder.gpkg").mkdir()
    with pytest.raises(BadDataError, match="not a file"):
        read(tmp_path / "folder.gpkg")


def test_name_with_spaces_and_quotes(tmp_path: Path) -> None:
    path = write_geojson(tmp_path / "a 'b' \"c\" é.geojson", [({"id": "a"}, box(0, 0, 9, 9))])
    assert len(read(path).frame) == 1


def test_table_without_geometry(tmp_path: Path) -> None:
    path = tmp_path / "t.geojson"
    path.write_text(json.dumps({"type": "Point", "coordinates": [10.0, 46.0]}))
    assert read(path).frame.geometry.iloc[0].x == 10.0


def test_file_of_links_under_another_name_is_not_opened(tmp_path: Path) -> None:
    links = (
        "<OGRVRTDataSource><OGRVRTLayer name='a'>"
        "<SrcDataSource>/vsicurl/http://example.org/a.geojson</SrcDataSource>"
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    for suffix in (".geojson", ".gpkg", ".shp", ".fgb"):
        path = tmp_path / f"a{suffix}"
        path.write_text(links)
        with pytest.raises(BadDataError, match="does not begin like a"):
            read(path)
