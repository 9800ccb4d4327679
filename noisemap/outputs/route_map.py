"""The map of the routes: one drawing that needs nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt

from noisemap.exposure.traffic import matching_roads
from noisemap.outputs.geometry import road_piece, thinned
from noisemap.outputs.wording import plain
from noisemap.routes.evaluate import Route
from noisemap.scene.model import Scene
from noisemap.scene.runs import runs
from noisemap.states import Zone
from noisemap.units import FOOT_M, MILE_M

FloatArray = npt.NDArray[np.float64]

COLOURS = ("#0b5fa5", "#b0552b", "#3a7d44", "#7a4fa0", "#8a6d00")
DASHES = ("", "14 6", "4 5", "18 5 4 5", "9 9")
STEEP = 0.04
KINDS = {"city": 0, "town": 1, "village": 2, "suburb": 3, "hamlet": 4}
WIDTH = 1000.0
MARGIN = 0.06


def route_map(
    scene: Scene, routes: Sequence[tuple[str, Route]], zones: Sequence[Zone], units: str
) -> str:
    """SVG of the routes by number, the zones, the homes and the steep parts."""
    frame = _Frame(routes)
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {WIDTH:.0f} {frame.height:.0f}",
            "role": "img",
            "aria-label": "Map of the routes, zones, homes and steep parts",
        },
    )
    ElementTree.SubElement(root, "rect", {"width": "100%", "height": "100%", "fill": "#fbfbf8"})
    for road in scene.roads:
        frame.line(root, np.column_stack([road.x, road.y]), "#c9c9c4", 1.5)
    for zone in zones:
        for index in matching_roads(zone.road, scene.roads):
            piece = road_piece(scene.roads[index], zone.from_m, zone.to_m)
            _title(frame.line(root, piece, "#d8a800", 13.0, opacity=0.45), plain(zone.name))
    _homes(root, frame, scene)
    for number, (title, route) in reversed(list(enumerate(routes))):
        colour, dash = COLOURS[number % len(COLOURS)], DASHES[number % len(DASHES)]
        points = np.column_stack([route.x, route.y])
        for first, last in runs(-route.grade >= STEEP):
            frame.line(root, points[first : last + 1], "#1b1b1b", 7.5, opacity=0.55)
        _title(frame.line(root, points, colour, 4.0, dash=dash), title)
    shown = [route for _, route in routes]
    ends = np.array([[shown[0].x[at], shown[0].y[at]] for at in (0, -1)])
    _places(root, frame, scene, [(x, y - 12.0) for x, y in frame.place(ends).tolist()])
    for number, (route, at) in enumerate(zip(shown, apart(shown), strict=True)):
        _label(root, frame, float(route.x[at]), float(route.y[at]), number)
    _ends(root, frame, shown[0])
    _scale(root, frame, units)
    return ElementTree.tostring(root, encoding="unicode")


class _Frame:
    """From metres to the drawing."""

    def __init__(self, routes: Sequence[tuple[str, Route]]) -> None:
        x = np.concatenate([route.x for _, route in routes])
        y = np.concatenate([route.y for _, route in routes])
        wide = max(float(np.ptp(x)), float(np.ptp(y)) / 1.2, 200.0)
        tall = max(float(np.ptp(y)), 0.35 * wide)
        self.west = float(x.min() + x.max() - wide) / 2.0 - MARGIN * wide
        self.south = float(y.min() + y.max() - tall) / 2.0 - MARGIN * wide
        self.metres = wide * (1.0 + 2.0 * MARGIN)
        self.unit = WIDTH / self.metres
        self.height = (tall + 2.0 * MARGIN * wide) * self.unit

    def place(self, points: FloatArray) -> FloatArray:
        """Points of the drawing."""
        x = (points[:, 0] - self.west) * self.unit
        y = self.height - (points[:, 1] - self.south) * self.unit
        return np.column_stack([x, y])

    def line(
        self,
        root: ElementTree.Element,
        points: FloatArray,
        colour: str,
        width: float,
        *,
        dash: str = "",
        opacity: float = 1.0,
    ) -> ElementTree.Element:
        """Draw a line."""
        shown = self.place(thinned(points, 0.5 / self.unit))
        text = " ".join(f"{x:.1f},{y:.1f}" for x, y in shown.tolist())
        style = {
            "points": text,
            "fill": "none",
            "stroke": colour,
            "stroke-width": f"{width:g}",
            "stroke-opacity": f"{opacity:g}",
            "stroke-linejoin": "round",
        }
        if dash:
            style["stroke-dasharray"] = dash
        return ElementTree.SubElement(root, "polyline", style)


def _title(element: ElementTree.Element, text: str) -> None:
    ElementTree.SubElement(element, "title").text = text


def _homes(root: ElementTree.Element, frame: _Frame, scene: Scene) -> None:
    homes = scene.homes
    shown = frame.place(np.column_stack([homes.x, homes.y]))
    inside = (shown >= 0.0).all(axis=1) & (shown[:, 0] <= WIDTH) & (shown[:, 1] <= frame.height)
    group = ElementTree.SubElement(root, "g", {"fill": "#6b6b66", "fill-opacity": "0.7"})
    size = np.clip(np.sqrt(homes.people) * 0.8, 1.2, 6.0)
    for (x, y), radius in zip(shown[inside].tolist(), size[inside].tolist(), strict=True):
        ElementTree.SubElement(
            group, "circle", {"cx": f"{x:.1f}", "cy": f"{y:.1f}", "r": f"{radius:.1f}"}
        )


def apart(routes: Sequence[Route]) -> list[int]:
    """Point of each route that lies furthest from all the others; its middle if alone."""
    from scipy.spatial import cKDTree

    points = [np.column_stack([route.x, route.y]) for route in routes]
    spots = []
    for number, own in enumerate(points):
        others = [one for place, one in enumerate(points) if place != number]
        if others:
            away = cKDTree(np.concatenate(others)).query(own)[0]
        else:
            away = -np.abs(np.arange(len(own)) - len(own) // 2)
        spots.append(int(np.argmax(away)))
    return spots


def _label(root: ElementTree.Element, frame: _Frame, x: float, y: float, number: int) -> None:
    """The route's number at a point."""
    spot = frame.place(np.array([[x, y]]))[0]
    ElementTree.SubElement(
        root,
        "circle",
        {
            "cx": f"{spot[0]:.1f}",
            "cy": f"{spot[1]:.1f}",
            "r": "13",
            "fill": "#fff",
            "stroke": COLOURS[number % len(COLOURS)],
            "stroke-width": "3",
        },
    )
    _text(root, float(spot[0]), float(spot[1]) + 5.5, str(number + 1), 16, "middle")


def _places(
    root: ElementTree.Element, frame: _Frame, scene: Scene, taken: list[tuple[float, float]]
) -> None:
    """Names of towns and villages, the larger kinds first, none over another or what is taken."""
    for one in sorted(scene.places, key=lambda place: KINDS.get(place.kind, len(KINDS))):
        x, y = frame.place(np.array([[one.x, one.y]]))[0].tolist()
        inside = 40.0 < x < WIDTH - 40.0 and 20.0 < y < frame.height - 30.0
        if inside and all(abs(x - a) > 110.0 or abs(y - b) > 22.0 for a, b in taken):
            taken.append((x, y))
            _text(root, x, y, plain(one.name, 30), 14, "middle", halo=True)


def _text(
    root: ElementTree.Element,
    x: float,
    y: float,
    text: str,
    size: int,
    anchor: str,
    *,
    halo: bool = False,
) -> None:
    style = {
        "x": f"{x:.1f}",
        "y": f"{y:.1f}",
        "font-size": str(size),
        "font-family": "system-ui, sans-serif",
        "text-anchor": anchor,
        "fill": "#1b1b1b",
    }
    if halo:
        style |= {"stroke": "#fbfbf8", "stroke-width": "3", "paint-order": "stroke"}
    ElementTree.SubElement(root, "text", style).text = text


def _ends(root: ElementTree.Element, frame: _Frame, route: Route) -> None:
    for at, words in ((0, "from"), (-1, "to")):
        x, y = frame.place(np.array([[route.x[at], route.y[at]]]))[0].tolist()
        ElementTree.SubElement(
            root,
            "rect",
            {"x": f"{x - 6:.1f}", "y": f"{y - 6:.1f}", "width": "12", "height": "12"},
        )
        _text(root, x, y - 12.0, words, 17, "middle")


def _scale(root: ElementTree.Element, frame: _Frame, units: str) -> None:
    """A bar of a round length."""
    one, words = (MILE_M, "mi") if units == "us" else (1000.0, "km")
    wished = 0.2 * frame.metres / one
    if units == "us" and wished < 0.2:
        one, words = FOOT_M, "ft"
        wished = 0.2 * frame.metres / one
    power = 10.0 ** np.floor(np.log10(wished))
    shown = next(step * power for step in (5.0, 2.0, 1.0) if step * power <= wished)
    length = shown * one * frame.unit
    bottom = frame.height - 16.0
    ElementTree.SubElement(
        root,
        "path",
        {
            "d": f"M16 {bottom - 6:.0f}V{bottom:.0f}H{16 + length:.1f}V{bottom - 6:.0f}",
            "fill": "none",
            "stroke": "#1b1b1b",
            "stroke-width": "2",
        },
    )
    _text(root, 22.0 + length, bottom, f"{shown:g} {words}", 15, "start")
