"""OpenStreetMap extracts: ways with node ids, areas with holes, damaged files."""

from __future__ import annotations

from pathlib import Path

import pytest

from noisemap.errors import BadDataError, MissingInputError
from noisemap.readers.osm import is_osm, read_areas, read_ways

EXTRACT = """<?xml version="1.0" encoding="UTF-8"?>
<osm version="0.6">
  <node id="1" lat="46.000" lon="10.000" version="1"/>
  <node id="2" lat="46.000" lon="10.001" version="1"/>
  <node id="3" lat="46.001" lon="10.001" version="1"/>
  <node id="4" lat="46.001" lon="10.000" version="1"/>
  <node id="5" lat="46.0003" lon="10.0003" version="1"/>
  <node id="6" lat="46.0003" lon="10.0006" version="1"/>
  <node id="7" lat="46.0006" lon="10.0006" version="1"/>
  <way id="10" version="1"><nd ref="1"/><nd ref="2"/><nd ref="99"/><nd ref="3"/>
    <tag k="highway" v="primary"/><tag k="name" v="&lt;b&gt;Main"/></way>
  <way id="11" version="1"><nd ref="1"/><nd ref="3"/><tag k="waterway" v="river"/></way>
  <way id="12" version="1"><nd ref="1"/><nd ref="2"/><nd ref="3"/><nd ref="4"/><nd ref="1"/></way>
  <way id="13" version="1"><nd ref="5"/><nd ref="6"/><nd ref="7"/><nd ref="5"/></way>
  <way id="20" version="1"><nd ref="5"/><nd ref="6"/><nd ref="7"/><nd ref="5"/>
    <tag k="building" v="house"/></way>
  <relation id="20" version="1">
    <member type="way" ref="12" role="outer"/><member type="way" ref="13" role="inner"/>
    <tag k="type" v="multipolygon"/><tag k="building" v="apartments"/></relation>
</osm>
"""


@pytest.fixture
def extract(tmp_path: Path) -> Path:
    path = tmp_path / "town.osm"
    path.write_text(EXTRACT, encoding="utf-8")
    return path


def test_only_ways_with_the_key_and_their_nodes(extract: Path) -> None:
    ways = read_ways(extract, "highway")
    assert [way.way_id for way in ways] == [10]
    assert ways[0].nodes.tolist() == [1, 2, 3]
    assert ways[0].lon.tolist() == pytest.approx([10.0, 10.001, 10.001])
    assert ways[0].lat.tolist() == pytest.approx([46.0, 46.0, 46.001])
    assert ways[0].tags["name"] == "<b>Main"


def test_missing_nodes_are_counted(extract: Path) -> None:
    assert read_ways(extract, "highway")[0].missing == 1


def test_areas_keep_way_and_relation_of_one_number_apart(extract: Path) -> None:
    areas = {area.area_id: area for area in read_areas(extract, ("building",))}
    assert sorted(areas) == ["relation 20", "way 20"]
    assert areas["relation 20"].tags["building"] == "apartments"
    hole = areas["way 20"].shape.area
    assert areas["relation 20"].shape.area == pytest.approx(1e-6 - hole)


def test_box_keeps_what_reaches_into_it(extract: Path) -> None:
    beside = (10.001, 46.001, 10.002, 46.002)  # touches the last node of way 10
    apart = (10.0011, 46.0011, 10.002, 46.002)
    assert [way.way_id for way in read_ways(extract, "highway", beside)] == [10]
    assert read_ways(extract, "highway", apart) == ()
    assert len(read_areas(extract, ("building",), beside)) == 1
    assert read_areas(extract, ("building",), apart) == ()


def test_names_of_extracts() -> None:
    assert is_osm(Path("a.osm.pbf"))
    assert is_osm(Path("a.OSM"))
    assert not is_osm(Path("a.geojson"))


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.osm.pbf", b"\0\0\0\x0dgarbage" * 50),
        ("a.osm", b"<osm><node id='x'"),
        ("b.osm.pbf", b"x"),
    ],
)
def test_damaged_extract_is_a_sentence(tmp_path: Path, name: str, content: bytes) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(BadDataError, match=r"cannot be read as OpenStreetMap data.*download it"):
        read_ways(path, "highway")
    with pytest.raises(BadDataError, match=r"cannot be read as OpenStreetMap data.*download it"):
        read_areas(path, ("building",))


def test_empty_and_missing(tmp_path: Path) -> None:
    (tmp_path / "a.osm.pbf").write_bytes(b"")
    with pytest.raises(BadDataError, match="the file is empty"):
        read_ways(tmp_path / "a.osm.pbf", "highway")
    with pytest.raises(MissingInputError):
        read_ways(tmp_path / "b.osm.pbf", "highway")
