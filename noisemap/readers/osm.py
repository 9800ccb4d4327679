"""OpenStreetMap extracts: roads with their node ids, and areas by tag."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import osmium
import shapely

from noisemap.errors import BadDataError
from noisemap.readers import archives
from noisemap.readers.paths import plain_file

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

Degrees = tuple[float, float, float, float]  # west, south, east, north
Item = TypeVar("Item")

ENDINGS = (".pbf", ".osm", ".osm.gz", ".osm.bz2")


@dataclass(frozen=True)
class OsmWay:
    """One line as mapped, with the ids of its nodes; missing nodes are left out."""

    way_id: int
    nodes: IntArray  # (n,)
    lon: FloatArray  # (n,) [deg]
    lat: FloatArray
    tags: Mapping[str, str]
    missing: int  # nodes that the extract does not hold


@dataclass(frozen=True)
class OsmArea:
    """One area: a closed way or a multipolygon."""

    area_id: str  # "way 12" or "relation 12": the two number apart
    tags: Mapping[str, str]
    shape: shapely.MultiPolygon  # lon, lat [deg]; empty where its rings do not make an area


def is_osm(path: Path) -> bool:
    """Whether the file's name says OpenStreetMap extract.

    >>> is_osm(Path("town.osm.pbf")), is_osm(Path("town.osm.gz")), is_osm(Path("town.gpkg"))
    (True, True, False)
    """
    return path.name.lower().endswith(ENDINGS)


def read_ways(path: Path, key: str, bbox: Degrees | None = None) -> tuple[OsmWay, ...]:
    """Ways that carry the key, in the order of the file; with a box, those that reach into it.

    A node that the extract does not hold is left out of its way and counted.

    Raises
    ------
    BadDataError
        When the file is cut, damaged or not OpenStreetMap data.
    """
    path = extract_file(path)
    found = guarded(path, _ways(path, key))
    return tuple(way for way in found if bbox is None or _touches(bbox, way.lon, way.lat))


def read_areas(path: Path, keys: Iterable[str], bbox: Degrees | None = None) -> tuple[OsmArea, ...]:
    """Areas that carry one of the keys, multipolygons with their holes.

    With a box, those that reach into it and those that have no shape.

    Raises
    ------
    BadDataError
        When the file is cut, damaged or not OpenStreetMap data.
    """
    path = extract_file(path)
    found = guarded(path, _areas(path, tuple(keys)))
    return tuple(area for area in found if bbox is None or _reaches(bbox, area.shape))


def _touches(bbox: Degrees, lon: FloatArray, lat: FloatArray) -> bool:
    """Whether the box around some points and another box have a place in common."""
    west, south, east, north = bbox
    if not len(lon):
        return False
    return bool(
        lon.max() >= west and lon.min() <= east and lat.max() >= south and lat.min() <= north
    )


def _reaches(bbox: Degrees, shape: shapely.MultiPolygon) -> bool:
    west, south, east, north = shape.bounds if not shape.is_empty else bbox
    return _touches(bbox, np.array([west, east]), np.array([south, north]))


def extract_file(path: Path) -> Path:
    """Path of an extract that is there and does not unpack to more than memory can bear."""
    path = plain_file(path)
    archives.require_small(path)
    return path


def _ways(path: Path, key: str) -> Iterator[OsmWay]:
    reader = (
        osmium.FileProcessor(str(path), osmium.osm.NODE | osmium.osm.WAY)
        .with_locations()
        .with_filter(osmium.filter.EntityFilter(osmium.osm.WAY))
        .with_filter(osmium.filter.KeyFilter(key))
    )
    for way in reader:
        there = [node for node in way.nodes if node.location.valid()]
        yield OsmWay(
            int(way.id),
            np.array([node.ref for node in there], np.int64),
            np.array([node.lon for node in there], np.float64),
            np.array([node.lat for node in there], np.float64),
            {tag.k: tag.v for tag in way.tags},
            len(way.nodes) - len(there),
        )


def _areas(path: Path, keys: tuple[str, ...]) -> Iterator[OsmArea]:
    wanted = osmium.filter.KeyFilter(*keys)
    factory = osmium.geom.WKBFactory()
    reader = (
        osmium.FileProcessor(str(path))
        .with_areas(wanted)
        .with_filter(osmium.filter.EntityFilter(osmium.osm.AREA))
        .with_filter(osmium.filter.KeyFilter(*keys))
    )
    for area in reader:
        try:
            shape = shapely.from_wkb(factory.create_multipolygon(area))
        except RuntimeError:  # rings that do not close
            shape = shapely.MultiPolygon()
        kind = "way" if area.from_way() else "relation"
        yield OsmArea(
            f"{kind} {area.orig_id()}",
            {tag.k: tag.v for tag in area.tags},
            shape,
        )


def guarded(path: Path, items: Iterator[Item]) -> Iterator[Item]:
    """The items of an extract; whatever its library complains about becomes our sentence."""
    try:
        yield from items
    except (RuntimeError, ValueError, osmium.InvalidLocationError, OSError) as error:
        reason = " ".join(str(error).split())[:160]
        raise BadDataError(
            f"{path.name}: cannot be read as OpenStreetMap data ({reason}, "
            f"{path.stat().st_size:,} bytes); download it again"
        ) from error
