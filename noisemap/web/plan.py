"""A study's scene as the page draws it: roads by grade, homes, hills."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.exposure.driving import road_rows
from noisemap.outputs.backdrop import relief_bounds, relief_picture
from noisemap.outputs.bands import GRADE_BANDS, band_of
from noisemap.outputs.wording import plain
from noisemap.scene.model import Scene


def plan(scene: Scene) -> dict[str, Any]:
    """The scene in metres from its south-west corner."""
    west, south, east, north = relief_bounds(scene.terrain)
    homes = scene.homes
    picture = base64.b64encode(relief_picture(scene.terrain)).decode()
    return {
        "size": [round(east - west, 1), round(north - south, 1)],
        "relief": f"data:image/png;base64,{picture}",
        "homes": {
            "id": list(homes.home_id),
            "label": [plain(text, 90) for text in homes.label],
            "kind": [plain(text, 30) for text in homes.kind],
            "x": _metres(homes.x - west),
            "y": _metres(homes.y - south),
        },
        "roads": [
            _road(scene, int(index), west, south) for index in np.unique(scene.stretches.road)
        ],
        "grades": [{"label": band.label, "colour": band.colour} for band in GRADE_BANDS],
        "attribution": [plain(text, 300) for text in scene.attribution],
    }


def _road(scene: Scene, index: int, west: float, south: float) -> dict[str, Any]:
    """One road that carries trucks: its middle line, and the grade class of every piece."""
    road, part = scene.roads[index], scene.stretches
    rows = road_rows(part, index)
    classes = [GRADE_BANDS.index(band_of(GRADE_BANDS, 100.0 * abs(g))) for g in part.grade[rows]]
    return {
        "id": road.road_id,
        "name": plain(road.name, 80),
        "length_m": round(float(road.chainage[-1]), 1),
        "limit_kmh": _metres(part.speed_limit_kmh[rows]),
        "from_m": _metres(part.from_m[rows]),
        "to_m": _metres(part.to_m[rows]),
        "x": _metres(part.x[rows] - west),
        "y": _metres(part.y[rows] - south),
        "ends": np.round(part.ends[rows] - np.tile([west, south], 2), 1).tolist(),
        "grade": [round(100.0 * float(value), 1) + 0.0 for value in part.grade[rows]],
        "class": classes,
    }


def _metres(values: npt.NDArray[np.float64]) -> list[float]:
    return [round(float(value), 1) for value in values]
