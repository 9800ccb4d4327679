"""Homes by stated density where buildings are not mapped."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from noisemap.scene.model import Homes, Road
from noisemap.scene.rules import rule

FloatArray = npt.NDArray[np.float64]

MAPPED_COVER = rule("proxies", "mapped_cover")
SPACING_M, OFFSET_M = rule("proxies", "spacing_m"), rule("proxies", "offset_m")
STREETS = ("residential", "living_street")


def proxy_homes(
    residential: npt.NDArray[Any],
    buildings: npt.NDArray[Any],
    roads: Sequence[Road],
    people: float,
) -> Homes:
    """Assumed homes along residential streets, both sides every 25 m, 12 m off the axis.

    Only on residential land of which less than 5 % is covered by mapped buildings;
    every one is flagged as estimated.

    Parameters
    ----------
    residential, buildings : arrays of polygons
        In study coordinates [m].
    roads : sequence of Road
        Residential and living streets among them carry the homes.
    people : float
        People a proxy home [1].
    """
    empty = unmapped_land(residential, buildings)
    places = [
        _along(road) for road in roads if road.road_class in STREETS and road.chainage[-1] > 0.0
    ]
    place = np.concatenate(places) if places else np.zeros((0, 2))
    if len(place) and len(empty):
        points = shapely.points(place)
        inside = np.unique(shapely.STRtree(empty).query(points, predicate="within")[0])
        place = place[inside]
        if len(buildings):
            points = shapely.points(place)
            taken = shapely.STRtree(buildings).query(points, predicate="within")[0]
            place = np.delete(place, np.unique(taken), axis=0)
    else:
        place = np.zeros((0, 2))
    count = len(place)
    return Homes(
        tuple(f"proxy {number}" for number in range(1, count + 1)),
        ("",) * count,
        ("home",) * count,
        place[:, 0],
        place[:, 1],
        np.full(count, people),
        np.ones(count, np.bool_),
        np.ones(count, np.bool_),
    )


def unmapped_land(residential: npt.NDArray[Any], buildings: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Residential polygons of which less than 5 % is covered by buildings."""
    cover = np.zeros(len(residential))
    if len(residential) and len(buildings):
        a, b = shapely.STRtree(buildings).query(residential, predicate="intersects")
        area = shapely.area(shapely.intersection(residential[a], buildings[b]))
        np.add.at(cover, a, area)
    return residential[cover < MAPPED_COVER * shapely.area(residential)]


def _along(road: Road) -> FloatArray:
    """Places on both sides of a street, shape (n, 2)."""
    at = np.arange(SPACING_M / 2.0, road.chainage[-1], SPACING_M)
    step = np.clip(np.searchsorted(road.chainage, at, side="right") - 1, 0, len(road.structure) - 1)
    x, y = np.interp(at, road.chainage, road.x), np.interp(at, road.chainage, road.y)
    dx, dy = np.diff(road.x)[step], np.diff(road.y)[step]
    length = np.hypot(dx, dy)
    normal = np.column_stack([-dy, dx]) / np.where(length > 0.0, length, 1.0)[:, None]
    centre = np.column_stack([x, y])
    return np.concatenate([centre + OFFSET_M * normal, centre - OFFSET_M * normal])
