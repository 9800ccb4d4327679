"""Calculation points of the homes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import shapely

from noisemap.scene.facades import facade_points
from noisemap.scene.model import Homes, Receivers

FloatArray = npt.NDArray[np.float64]


def centre_receivers(homes: Homes, height: float) -> Receivers:
    """One point a home, where the home is mapped."""
    count = len(homes.home_id)
    return Receivers(
        np.arange(count), homes.x.copy(), homes.y.copy(), np.full(count, height), np.ones(count)
    )


def facade_receivers(
    homes: Homes,
    shapes: Sequence[shapely.Geometry | None],
    buildings: Sequence[shapely.Geometry],
    height: float,
    case: int,
) -> tuple[Receivers, int]:
    """Points in front of every facade, and how many homes fell back to one point.

    Parameters
    ----------
    homes : Homes
        The homes.
    shapes : sequence
        Plan of each home's building; None (an address, a proxy) takes its one place.
    buildings : sequence
        Plans of all buildings: a point inside one of them is dropped.
    height : float
        Height above local ground [m].
    case : int
        The Directive's way of splitting, 1 or 2.
    """
    tree = shapely.STRtree(list(buildings))
    owners: list[int] = []
    places: list[FloatArray] = []
    shares: list[FloatArray] = []
    fallback = 0
    for index, shape in enumerate(shapes):
        points = _outside(tree, _all_facades(shape, case)) if shape is not None else None
        if points is None or not len(points):
            fallback += shape is not None
            points = np.array([[homes.x[index], homes.y[index]]])
        owners.extend([index] * len(points))
        places.append(points)
        shares.append(np.full(len(points), 1.0 / len(points)))
    place = np.concatenate(places) if places else np.zeros((0, 2))
    share = np.concatenate(shares) if shares else np.zeros(0)
    return (
        Receivers(
            np.array(owners, np.int64),
            place[:, 0],
            place[:, 1],
            np.full(len(owners), height),
            share,
        ),
        fallback,
    )


def _all_facades(shape: shapely.Geometry, case: int) -> FloatArray:
    parts = [facade_points(part, case) for part in shapely.get_parts([shape]).tolist()]
    return np.concatenate(parts)


def _outside(tree: shapely.STRtree, points: FloatArray) -> FloatArray:
    """Points that lie in no building."""
    inside = np.zeros(len(points), np.bool_)
    inside[tree.query(shapely.points(points), predicate="within")[0]] = True
    return points[~inside]
