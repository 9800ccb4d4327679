"""Routes as tracks for other programs: GPX, KML and GeoJSON."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt

from noisemap.outputs.geometry import thinned
from noisemap.outputs.wording import plain
from noisemap.routes.evaluate import Route
from noisemap.scene.crs import WGS84, project

FloatArray = npt.NDArray[np.float64]

GPX = "http://www.topografix.com/GPX/1/1"
KML = "http://www.opengis.net/kml/2.2"
TOLERANCE_M = 1.0
LONGEST_TEXT = 5_000


@dataclass(frozen=True)
class Track:
    """A route with its title, a sentence and plain figures; places in degrees."""

    title: str
    sentence: str
    lon: FloatArray
    lat: FloatArray
    figures: Mapping[str, Any]


def track(route: Route, crs: str, title: str, sentence: str, figures: Mapping[str, Any]) -> Track:
    """A route in degrees, points on straight parts left out."""
    points = thinned(np.column_stack([route.x, route.y]), TOLERANCE_M)
    places = project(crs, WGS84, points[:, 0], points[:, 1])
    return Track(title, sentence, places[:, 0], places[:, 1], figures)


def gpx(tracks: Sequence[Track], note: str) -> bytes:
    """GPX 1.1 with one track a route."""
    ElementTree.register_namespace("", GPX)
    root = ElementTree.Element(f"{{{GPX}}}gpx", {"version": "1.1", "creator": "noisemap"})
    metadata = ElementTree.SubElement(root, f"{{{GPX}}}metadata")
    ElementTree.SubElement(metadata, f"{{{GPX}}}desc").text = plain(note, LONGEST_TEXT)
    for one in tracks:
        line = ElementTree.SubElement(root, f"{{{GPX}}}trk")
        ElementTree.SubElement(line, f"{{{GPX}}}name").text = plain(one.title)
        ElementTree.SubElement(line, f"{{{GPX}}}desc").text = plain(one.sentence, LONGEST_TEXT)
        part = ElementTree.SubElement(line, f"{{{GPX}}}trkseg")
        for lon, lat in zip(one.lon.tolist(), one.lat.tolist(), strict=True):
            ElementTree.SubElement(
                part, f"{{{GPX}}}trkpt", {"lat": f"{lat:.6f}", "lon": f"{lon:.6f}"}
            )
    return _xml(root)


def kml(tracks: Sequence[Track], note: str) -> bytes:
    """KML 2.2 with one line a route."""
    ElementTree.register_namespace("", KML)
    root = ElementTree.Element(f"{{{KML}}}kml")
    document = ElementTree.SubElement(root, f"{{{KML}}}Document")
    ElementTree.SubElement(document, f"{{{KML}}}name").text = "Routes"
    ElementTree.SubElement(document, f"{{{KML}}}description").text = plain(note, LONGEST_TEXT)
    for one in tracks:
        mark = ElementTree.SubElement(document, f"{{{KML}}}Placemark")
        ElementTree.SubElement(mark, f"{{{KML}}}name").text = plain(one.title)
        ElementTree.SubElement(mark, f"{{{KML}}}description").text = plain(
            one.sentence, LONGEST_TEXT
        )
        line = ElementTree.SubElement(mark, f"{{{KML}}}LineString")
        ElementTree.SubElement(line, f"{{{KML}}}tessellate").text = "1"
        ElementTree.SubElement(line, f"{{{KML}}}coordinates").text = " ".join(
            f"{lon:.6f},{lat:.6f}"
            for lon, lat in zip(one.lon.tolist(), one.lat.tolist(), strict=True)
        )
    return _xml(root)


def geojson(tracks: Sequence[Track], note: str) -> bytes:
    """GeoJSON with one line a route and its figures."""
    features = [
        {
            "type": "Feature",
            "properties": {
                "title": plain(one.title),
                "sentence": plain(one.sentence, LONGEST_TEXT),
                **one.figures,
            },
            "geometry": {
                "type": "LineString",
                "coordinates": [
                    [round(lon, 6), round(lat, 6)]
                    for lon, lat in zip(one.lon.tolist(), one.lat.tolist(), strict=True)
                ],
            },
        }
        for one in tracks
    ]
    content = {"type": "FeatureCollection", "note": plain(note, LONGEST_TEXT), "features": features}
    return (json.dumps(content, indent=1, allow_nan=False, ensure_ascii=False) + "\n").encode()


def _xml(root: ElementTree.Element) -> bytes:
    ElementTree.indent(root)
    return bytes(ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"
