"""Drawings of measurement sites: the whole study, and the surroundings of one site."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt

from noisemap.inspection.site_choice import Site, Sites
from noisemap.inspection.sites import along_road
from noisemap.outputs.backdrop import relief_bounds, relief_picture
from noisemap.outputs.geometry import road_piece, thinned
from noisemap.outputs.wording import plain
from noisemap.scene.model import TUNNEL, Scene
from noisemap.scene.runs import runs
from noisemap.units import FOOT_M

FloatArray = npt.NDArray[np.float64]

WIDTH = 1000.0
STEEP = 0.04
GREEN, BLUE, RED, GREY, DARK = "#1a7a3c", "#1f4e9c", "#b4451f", "#8b8b86", "#1b1b1b"
DETAIL_M = 45.0
BESIDE_M = 25.0


class _Frame:
    """From metres to a drawing of a box of the plane."""

    def __init__(self, west: float, south: float, east: float, north: float) -> None:
        self.west, self.north = west, north
        self.unit = WIDTH / (east - west)
        self.height = (north - south) * self.unit
        self.root = ElementTree.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "viewBox": f"0 0 {WIDTH:.0f} {self.height:.0f}",
                "role": "img",
            },
        )

    def place(self, points: FloatArray) -> FloatArray:
        """Points of the drawing."""
        return np.column_stack(
            [(points[:, 0] - self.west) * self.unit, (self.north - points[:, 1]) * self.unit]
        )

    def line(self, points: FloatArray, colour: str, width: float, **style: str) -> None:
        """Draw a line."""
        shown = self.place(points)
        text = " ".join(f"{x:.1f},{y:.1f}" for x, y in shown.tolist())
        ElementTree.SubElement(
            self.root,
            "polyline",
            {"points": text, "fill": "none", "stroke": colour, "stroke-width": f"{width:g}",
             "stroke-linejoin": "round", **style},
        )  # fmt: skip

    def disc(
        self, x: float, y: float, radius: float, fill: str, style: Mapping[str, str] | None = None
    ) -> None:
        """Draw a disc; the radius is in the drawing."""
        spot = self.place(np.array([[x, y]]))[0]
        ElementTree.SubElement(
            self.root,
            "circle",
            {"cx": f"{spot[0]:.1f}", "cy": f"{spot[1]:.1f}", "r": f"{radius:.1f}", "fill": fill,
             **(style or {})},
        )  # fmt: skip

    def text(self, x: float, y: float, words: str, size: int, colour: str = DARK) -> None:
        """Write at a point of the plane."""
        spot = self.place(np.array([[x, y]]))[0]
        ElementTree.SubElement(
            self.root,
            "text",
            {"x": f"{spot[0]:.1f}", "y": f"{spot[1] + 0.35 * size:.1f}", "font-size": str(size),
             "font-family": "system-ui, sans-serif", "text-anchor": "middle", "fill": colour},
        ).text = words  # fmt: skip

    def done(self, label: str) -> str:
        """The drawing with its words for a reader."""
        self.root.set("aria-label", label)
        return ElementTree.tostring(self.root, encoding="unicode")


def sites_map(scene: Scene, sites: Sites) -> str:
    """SVG of the study with every site, what was refused, the steep roads and the homes."""
    frame = _whole(scene)
    west, south, east, north = relief_bounds(scene.terrain)
    corner = frame.place(np.array([[west, north], [east, south]]))
    picture = base64.b64encode(relief_picture(scene.terrain)).decode()
    ElementTree.SubElement(
        frame.root,
        "image",
        {
            "href": f"data:image/png;base64,{picture}",
            "x": f"{corner[0, 0]:.1f}",
            "y": f"{corner[0, 1]:.1f}",
            "width": f"{corner[1, 0] - corner[0, 0]:.1f}",
            "height": f"{corner[1, 1] - corner[0, 1]:.1f}",
            "preserveAspectRatio": "none",
        },
    )
    for road in scene.roads:
        points = np.column_stack([road.x, road.y])
        frame.line(thinned(points, 0.5 / frame.unit), GREY, 1.5)
        if road.emits.any():
            for first, last in runs(np.abs(road.grade) >= STEEP):
                frame.line(points[first : last + 1], RED, 4.0)
            for first, last in runs(road.structure == TUNNEL):
                frame.line(points[first : last + 1], DARK, 5.0, **{"stroke-dasharray": "4 4"})
    for x, y in sites.refused.tolist():
        frame.disc(x, y, 0.9, GREY)
    for x, y in zip(scene.homes.x.tolist(), scene.homes.y.tolist(), strict=True):
        frame.disc(x, y, 1.8, DARK, {"fill-opacity": "0.6"})
    for site in sites.sites:
        frame.line(_beside(scene, site), GREEN, 6.0)
    for number, site in reversed(list(enumerate(sites.sites, start=1))):
        frame.disc(*site.microphone, 13.0, "#fff", {"stroke": GREEN, "stroke-width": "3"})
        frame.text(*site.microphone, str(number), 15)
    for site in sites.named:
        frame.disc(*site.microphone, 9.0, BLUE if not site.failed else "#fff",
                   {"stroke": BLUE, "stroke-width": "3"})  # fmt: skip
        frame.text(site.microphone[0], site.microphone[1] + 22.0 / frame.unit, plain(site.name), 15)
    return frame.done("Map of the measurement sites, the places refused, roads and homes")


def _whole(scene: Scene) -> _Frame:
    emitting = [road for road in scene.roads if road.emits.any()]
    x = np.concatenate([road.x for road in emitting])
    y = np.concatenate([road.y for road in emitting])
    margin = 0.06 * max(float(np.ptp(x)), float(np.ptp(y)), 500.0)
    tall = max(float(np.ptp(y)), 0.35 * float(np.ptp(x)))
    middle = 0.5 * float(y.min() + y.max())
    return _Frame(
        float(x.min()) - margin,
        middle - tall / 2.0 - margin,
        float(x.max()) + margin,
        middle + tall / 2.0 + margin,
    )


def _beside(scene: Scene, site: Site) -> FloatArray:
    """The run of places that fit, drawn beside its road."""
    road = scene.roads[site.road]
    piece = road_piece(road, site.from_m, max(site.to_m, site.from_m + 5.0))
    _, ahead = along_road(road, np.array([site.at_m]))
    side = np.array(site.microphone) - np.array(site.target)
    left = np.array([-ahead[0, 1], ahead[0, 0]])
    sign = 1.0 if float(side @ left) >= 0.0 else -1.0
    return np.asarray(piece + sign * BESIDE_M * left)


def site_drawing(scene: Scene, site: Site) -> str:
    """SVG of the surroundings of one site: lane, microphone, open circles, what stands there."""
    middle = 0.5 * (np.array(site.target) + np.array(site.microphone))
    half = max(DETAIL_M, 1.6 * site.distance_ft * FOOT_M)
    frame = _Frame(middle[0] - half, middle[1] - half, middle[0] + half, middle[1] + half)
    ElementTree.SubElement(
        frame.root, "rect", {"width": "100%", "height": "100%", "fill": "#fbfbf8"}
    )
    for road in scene.roads:
        points = np.column_stack([road.x, road.y])
        near = np.hypot(*(points - middle).T) < 3.0 * half
        for first, last in runs(near[:-1] & near[1:]):
            frame.line(points[first : last + 1], "#d8d8d2", 10.0 * frame.unit)
            frame.line(points[first : last + 1], GREY, 2.0, **{"stroke-dasharray": "14 10"})
    for edge in scene.obstacles.edges:
        ends = edge.reshape(2, 2)
        if np.hypot(*(ends - middle).T).min() < 3.0 * half:
            frame.line(ends, RED, 7.0)
    circle = site.distance_ft * FOOT_M * frame.unit
    for point in (site.target, site.microphone):
        frame.disc(*point, circle, "none", {"stroke": GREEN, "stroke-dasharray": "12 8"})
    frame.line(np.array([site.target, site.microphone]), GREEN, 4.0)
    frame.disc(*site.target, 12.0, DARK)
    frame.disc(*site.microphone, 14.0, GREEN)
    frame.text(*_away(site.microphone, site.target, 42.0 / frame.unit), "microphone", 34)
    frame.text(*_away(site.target, site.microphone, 42.0 / frame.unit), "target", 34)
    frame.line(
        np.array([frame.west + 0.06 * half, frame.north - 1.93 * half])
        + np.array([[0.0, 0.0], [20.0, 0.0]]),
        DARK,
        5.0,
    )
    frame.text(frame.west + 0.06 * half + 10.0, frame.north - 1.87 * half, "20 m", 34)
    return frame.done(
        f"Lane, microphone at {site.distance_ft:.0f} ft, open circles, buildings and walls in red"
    )


def _away(point: tuple[float, float], other: tuple[float, float], by: float) -> tuple[float, float]:
    """A point moved away from another."""
    step = np.array(point) - np.array(other)
    moved = np.array(point) + by * step / max(float(np.hypot(*step)), 1e-9)
    return float(moved[0]), float(moved[1])
