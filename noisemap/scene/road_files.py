"""Road files in: lines as they stand, with the words of the user's file made ours."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from noisemap.errors import BadDataError, StudyError
from noisemap.readers.faults import more_of
from noisemap.readers.osm import is_osm, read_ways
from noisemap.readers.vectors import read_layer
from noisemap.scene.crs import WGS84, project
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.layers import layer_repairs
from noisemap.scene.model import Repair
from noisemap.scene.tags import class_rows

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

ROAD_COLUMNS = (
    "id", "name", "ref", "highway", "maxspeed", "maxspeed:hgv", "maxspeed_hgv", "oneway", "bridge",
    "tunnel", "junction", "hgv", "access", "motor_vehicle", "maxweight", "area", "grade_pct",
    "maxheight", "hazmat", "aadt", "truck_pct", "layer", "surface", "lanes",
)  # fmt: skip
SPEED_COLUMNS = ("maxspeed", "maxspeed:hgv", "maxspeed_hgv")
_PLAIN_NUMBER = re.compile(r"^\d+(\.\d+)?$")
ROAD_NUMBERS = ("grade_pct", "maxweight", "maxheight", "aadt", "truck_pct", "lanes")


@dataclass(frozen=True)
class RawWay:
    """One line as it stands in the file, in its own coordinates."""

    way_id: str
    nodes: IntArray | None  # ids of its nodes, where the file has them
    x: FloatArray
    y: FloatArray
    tags: Mapping[str, str]


@dataclass(frozen=True)
class RawRoads:
    """The lines of a road file before they are placed in the study's system."""

    name: str
    crs: str
    ways: tuple[RawWay, ...]
    repairs: tuple[Repair, ...]
    assumptions: tuple[str, ...]

    def centre(self) -> tuple[float, float]:
        """Middle of the lines, longitude and latitude [deg]."""
        x = np.concatenate([way.x for way in self.ways])
        y = np.concatenate([way.y for way in self.ways])
        place = project(self.crs, WGS84, np.array([np.median(x)]), np.array([np.median(y)]))
        return float(place[0, 0]), float(place[0, 1])


def read_roads(inputs: SceneInputs) -> RawRoads:
    """Lines of the road file that belong to the classes read.

    Raises
    ------
    BadDataError
        When the file cannot be read or holds no road of these classes.
    """
    known = class_rows()
    strange = sorted(set(inputs.road_classes or ()) - set(known))
    if strange:
        raise StudyError(
            f"roads.classes: {', '.join(strange)} is not allowed (allowed: {', '.join(known)})"
        )
    wrong = sorted(set(inputs.road_class_words.values()) - set(known))
    if wrong:
        raise StudyError(
            f"roads.class_words: {', '.join(wrong)} is not allowed (allowed: {', '.join(known)})"
        )
    classes = frozenset(inputs.road_classes or known)
    raw = _from_osm(inputs) if is_osm(inputs.roads_file) else _from_layer(inputs)
    kept = tuple(
        way
        for way in raw.ways
        if road_class_of(way.tags) in classes
        and way.tags.get("area", "") != "yes"
        and len(way.x) > 1
    )
    others = Counter(
        road_class_of(way.tags) for way in raw.ways if road_class_of(way.tags) not in classes
    )
    if others:
        listed = ", ".join(f"{name!r}: {count:,}" for name, count in others.most_common(5))
        sentence = f"Lines of classes that are not read, left out: {others.total():,} ({listed})."
        raw = replace(raw, assumptions=(*raw.assumptions, sentence))
    if not kept:
        raise BadDataError(
            f"{raw.name}: holds no road of the classes read ({', '.join(sorted(classes))}); its "
            f"words are {', '.join(repr(word) for word, _ in others.most_common(8))}: say what "
            'they mean, class_words = { "..." = "primary" } in [roads]'
        )
    return replace(raw, ways=kept)


def road_class_of(tags: Mapping[str, str]) -> str:
    """Class of a line; "unknown" where its file gives none."""
    return tags.get("highway", "").strip().lower() or "unknown"


def _from_osm(inputs: SceneInputs) -> RawRoads:
    ways: list[RawWay] = []
    repairs: list[Repair] = []
    # of a large extract only the study window is kept; all of it, where that would be none
    inside = read_ways(inputs.roads_file, "highway", inputs.window)
    for way in inside or read_ways(inputs.roads_file, "highway"):
        if way.missing and road_class_of(way.tags) in class_rows():
            what = f"{way.missing} nodes are not in the extract: the road ends or is cut short here"
            at = (float(way.lon[0]), float(way.lat[0])) if len(way.lon) else (np.nan, np.nan)
            repairs.append(Repair("roads", f"way {way.way_id}", what, *at))
        ways.append(RawWay(str(way.way_id), way.nodes, way.lon, way.lat, way.tags))
    return RawRoads(inputs.roads_file.name, "EPSG:4326", tuple(ways), tuple(repairs), ())


def _from_layer(inputs: SceneInputs) -> RawRoads:
    layer = read_layer(
        inputs.roads_file,
        table="roads",
        layer=inputs.roads_layer,
        crs=inputs.roads_crs,
        columns=inputs.roads_columns,
        known=ROAD_COLUMNS,
        bbox=inputs.window,
        numbers=ROAD_NUMBERS,
        encoding=inputs.roads_encoding,
        decimal=inputs.roads_decimal,
    )
    frame = layer.frame.explode(ignore_index=True)
    wrong = frame[frame.geometry.geom_type != "LineString"]
    if len(wrong):
        raise BadDataError(
            f"{layer.name}: feature {wrong['id'].iloc[0]!r} is a "
            f"{wrong.geometry.geom_type.iloc[0]}{more_of(wrong)}; roads are lines"
        )
    parts = Counter(frame["id"])
    number: Counter[str] = Counter()
    columns = [column for column in frame.columns if column not in ("geometry", "id")]
    texts = {column: [_text(value) for value in frame[column].tolist()] for column in columns}
    words = {word.strip().lower(): kind for word, kind in inputs.road_class_words.items()}
    unit = {"kmh": "km/h", "mph": "mph"}[inputs.road_speed_unit or "kmh"]
    bare = 0
    ways: list[RawWay] = []
    for row, (way_id, line) in enumerate(zip(frame["id"], frame.geometry, strict=True)):
        number[way_id] += 1
        name = f"{way_id}/{number[way_id]}" if parts[way_id] > 1 else way_id
        tags = {column: texts[column][row] for column in columns if texts[column][row]}
        word = tags.get("highway", "").lower()
        if word in words:
            tags["highway"] = words[word]
        for column in SPEED_COLUMNS:
            if _PLAIN_NUMBER.match(tags.get(column, "")):
                bare += 1
                tags[column] += f" {unit}"
        if "maxspeed_hgv" in tags:
            tags.setdefault("maxspeed:hgv", tags["maxspeed_hgv"])
        xy = shapely.get_coordinates(line)
        ways.append(RawWay(name, None, xy[:, 0], xy[:, 1], tags))
    repairs = layer_repairs("roads", layer, layer.frame.crs.to_wkt())
    assumptions: tuple[str, ...] = ()
    if "highway" not in frame.columns:
        assumptions = (
            f"{layer.name} has no column 'highway': every line counts as a truck road of unknown "
            "class.",
        )
    if bare and inputs.road_speed_unit is None:
        assumptions += (
            f"Speed limits of {layer.name} without a unit are read as km/h: {bare:,}; if they are "
            'in miles an hour, set speed_unit = "mph" in [roads].',
        )
    return RawRoads(layer.name, layer.frame.crs.to_wkt(), tuple(ways), tuple(repairs), assumptions)


def _text(value: object) -> str:
    """A cell as text; a whole number loses its `.0`, a missing one is blank.

    >>> _text(50.0), _text(None), _text(float("nan")), _text(True)
    ('50', '', '', 'yes')
    """
    if value is None or value != value:
        return ""
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()
