"""Lines and rings that more than one output draws."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.errors import BadDataError
from noisemap.scene.model import Road, Scene
from noisemap.states import Zone

FloatArray = npt.NDArray[np.float64]


def zone_road(scene: Scene, zone: Zone) -> Road:
    """Road on which a zone lies: by its id, else by its name.

    Raises
    ------
    BadDataError
        No road of the scene bears the zone's road, or none reaches its ends.
    """
    named = [road for road in scene.roads if road.road_id == zone.road]
    named += [road for road in scene.roads if road.name == zone.road]
    low, high = sorted((zone.from_m, zone.to_m))
    for road in named:
        if road.chainage[0] < high and low < road.chainage[-1]:
            return road
    raise BadDataError(
        f"zone {zone.name!r}: no road {zone.road!r} between {low:.0f} m and {high:.0f} m; "
        "name a road of the scene and ends within it"
    )


def road_piece(road: Road, from_m: float, to_m: float) -> FloatArray:
    """Points of a road between two chainages, both ends included (n, 2) [m]."""
    low, high = np.clip(sorted((from_m, to_m)), road.chainage[0], road.chainage[-1])
    inner = road.chainage[(road.chainage > low) & (road.chainage < high)]
    at = np.concatenate([[low], inner, [high]])
    x = np.interp(at, road.chainage, road.x)
    y = np.interp(at, road.chainage, road.y)
    return np.column_stack([x, y])


def thinned(points: FloatArray, tolerance_m: float) -> FloatArray:
    """Line with the points left out that lie within a tolerance of it (n, 2) [m]."""
    import shapely

    if len(points) < 3:
        return points
    line = shapely.simplify(shapely.linestrings(points), tolerance_m)
    return np.asarray(shapely.get_coordinates(line))
