"""What reading a layer changed, as rows of the list of repairs."""

from __future__ import annotations

from collections.abc import Sequence

from noisemap.readers.osm import OsmArea
from noisemap.readers.vectors import Layer
from noisemap.scene.crs import move_shapes
from noisemap.scene.model import Repair


def whole_areas(table: str, areas: Sequence[OsmArea]) -> tuple[tuple[OsmArea, ...], list[Repair]]:
    """Areas that have a shape, and a repair for each that has none."""
    what = "its rings do not make an area: left out"
    broken = [Repair(table, area.area_id, what) for area in areas if area.shape.is_empty]
    return tuple(area for area in areas if not area.shape.is_empty), broken


def layer_repairs(table: str, layer: Layer, crs: str) -> list[Repair]:
    """Repairs of one layer: features left out, shapes mended, the driver's complaints."""
    found: list[Repair] = []
    if layer.dropped:
        what = f"features without geometry left out: {layer.dropped}"
        found.append(Repair(table, layer.name, what))
    if layer.mended:
        shapes = layer.frame.geometry.representative_point().to_numpy()
        places = move_shapes(layer.frame.crs, crs, shapes)
        by_id = dict(zip(layer.frame["id"], places, strict=True))
        for item in layer.mended:
            point = by_id.get(item)
            if point is None:
                found.append(Repair(table, item, "has no length or area: left out"))
                continue
            change = ", which changed its area by over 1 %" if item in layer.reshaped else ""
            what = f"crossed itself: made valid{change}"
            found.append(Repair(table, item, what, float(point.x), float(point.y)))
    found.extend(Repair(table, layer.name, text) for text in layer.said)
    found.extend(Repair(table, layer.name, f"the driver says: {note}") for note in layer.notes)
    return found
