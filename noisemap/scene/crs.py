"""The one metric coordinate system of a study, and the door into it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Proj, Transformer
from pyproj.exceptions import CRSError

from noisemap.errors import BadDataError, StudyError
from noisemap.units import US_SURVEY_FOOT_M

FloatArray = npt.NDArray[np.float64]
ObjectArray = npt.NDArray[Any]
Bounds = tuple[float, float, float, float]

WGS84 = CRS.from_epsg(4326)
LARGEST_SCALE_ERROR = 0.005


def utm_code(lon: float, lat: float) -> str:
    """EPSG code of the UTM zone that holds a point.

    >>> utm_code(1.6, 42.5), utm_code(-147.0, 39.0), utm_code(151.0, -33.0)
    ('EPSG:32631', 'EPSG:32606', 'EPSG:32756')
    """
    if not (-80.0 <= lat <= 84.0):
        raise BadDataError(
            f"latitude {lat:.2f} lies outside the UTM zones; set crs in [study] to a metric system"
        )
    zone = min(60, int((lon + 180.0) // 6.0) + 1)
    return f"EPSG:{(32600 if lat >= 0.0 else 32700) + zone}"


def study_system(crs: str, lon: float, lat: float) -> str:
    """Code of the metric system of the study.

    Parameters
    ----------
    crs : str
        What the study says; "auto" or "" takes the UTM zone of the point.
    lon, lat : float
        Centre of the roads [deg].

    Raises
    ------
    StudyError
        For a system that is geographic, not in metres, or distorts lengths by more
        than 0.5 % at the point.
    """
    proposed = utm_code(lon, lat)
    if crs.strip().lower() in ("", "auto"):
        return proposed
    cure = f'write crs = "{proposed}" in [study], or leave it out'
    try:
        system = CRS.from_user_input(crs)
    except CRSError as error:
        raise StudyError(f"study.crs: {crs!r} is not a coordinate system; {cure}") from error
    if system.is_geographic:
        raise StudyError(f"study.crs: {crs} is in degrees, distances need metres; {cure}")
    if not system.is_projected:
        raise StudyError(f"study.crs: {crs} is not a flat map system; {cure}")
    unit = system.axis_info[0].unit_conversion_factor
    if abs(unit - 1.0) > 1e-9:
        name = system.axis_info[0].unit_name
        raise StudyError(f"study.crs: {crs} is in {name}, distances need metres; {cure}")
    factors = Proj(system).get_factors(lon, lat)
    scale = max(abs(factors.meridional_scale - 1.0), abs(factors.parallel_scale - 1.0))
    if not scale <= LARGEST_SCALE_ERROR:
        raise StudyError(
            f"study.crs: {crs} stretches lengths by {100.0 * scale:.1f} % here "
            f"(allowed: {100.0 * LARGEST_SCALE_ERROR:.1f} %); {cure}"
        )
    return crs


def project(source: CRS | str, target: CRS | str, x: FloatArray, y: FloatArray) -> FloatArray:
    """Coordinates in the target system, shape (n, 2), east first.

    Raises
    ------
    BadDataError
        When a point cannot be placed in the target system.
    """
    moved = move(source, target, x, y)
    if not np.isfinite(moved).all():
        row = int(np.nonzero(~np.isfinite(moved).all(axis=1))[0][0])
        raise BadDataError(
            f"the point x {x[row]:.6g}, y {y[row]:.6g} cannot be placed in {CRS(target).name}; "
            "check the layer's crs and the order of its axes"
        )
    return moved


def move(source: CRS | str, target: CRS | str, x: FloatArray, y: FloatArray) -> FloatArray:
    """Coordinates in the target system, shape (n, 2); not finite where it has no such place."""
    if not len(x):
        return np.zeros((0, 2))
    mover = _mover(source, target)
    if len(x) == 1:  # the library takes an array of one for a number
        return np.array([mover.transform(float(x[0]), float(y[0]))], np.float64)
    return np.column_stack(mover.transform(x, y)).astype(np.float64)


@lru_cache(maxsize=64)
def _mover(source: CRS | str, target: CRS | str) -> Transformer:
    """Way from one system into another, x first; finding it can take a quarter of a second."""
    return Transformer.from_crs(source, target, always_xy=True)


def move_shapes(source: CRS | str, target: CRS | str, shapes: Sequence[Any]) -> ObjectArray:
    """Shapes in the target system.

    Raises
    ------
    BadDataError
        When a point of one cannot be placed in the target system.
    """
    array = np.empty(len(shapes), dtype=object)
    array[:] = list(shapes)
    return np.asarray(
        shapely.transform(array, lambda xy: project(source, target, xy[:, 0], xy[:, 1]))
    )


def window_shape(window: Bounds, crs: str) -> Any:
    """The study window, west, south, east, north [deg], in study coordinates."""
    return move_shapes(WGS84, crs, [shapely.segmentize(shapely.box(*window), 0.01)])[0]


def move_bounds(source: CRS | str, target: CRS | str, bounds: Bounds) -> Bounds:
    """Bounds of a box after the change of system, its edges sampled."""
    moved = _mover(source, target).transform_bounds(*bounds, densify_pts=21)
    if not np.isfinite(moved).all():
        raise BadDataError(
            f"the box {tuple(round(value, 6) for value in bounds)} cannot be placed in "
            f"{CRS(target).name}; check the layer's crs and the order of its axes"
        )
    return (moved[0], moved[1], moved[2], moved[3])


def overlap(a: Bounds, b: Bounds) -> bool:
    """Whether two boxes share some ground.

    >>> overlap((0, 0, 2, 2), (1, 1, 3, 3)), overlap((0, 0, 1, 1), (2, 0, 3, 1))
    (True, False)
    """
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def require_overlap(
    crs: str, first: tuple[str, Bounds], second: tuple[str, Bounds], hint: str = ""
) -> None:
    """Nothing, when two layers share some ground.

    Raises
    ------
    BadDataError
        Naming both extents in degrees, and swapped axes where that would cure it.
    """
    if overlap(first[1], second[1]):
        return
    a, b = (move_bounds(crs, WGS84, box) for box in (first[1], second[1]))
    if not hint:
        swapped = overlap(a, (b[1], b[0], b[3], b[2]))
        hint = "the axes of one look swapped" if swapped else "check the crs of both"
    raise BadDataError(
        f"{first[0]} ({_show(a)}) and {second[0]} ({_show(b)}) do not overlap; {hint}"
    )


def why_apart(source: CRS | str, crs: str, x: FloatArray, y: FloatArray, ground: Bounds) -> str:
    """What would bring a layer onto the ground: swapped axes, feet for metres; else blank.

    Parameters
    ----------
    source : CRS or str
        System that the layer claims.
    crs : str
        System of the study.
    x, y : array
        The layer's coordinates, in its own system.
    ground : tuple
        Box of the ground in study coordinates [m].
    """
    foot = US_SURVEY_FOOT_M
    tries = (
        (y, x, "its axes look swapped: export it with x (or longitude) first"),
        (x * foot, y * foot, "its coordinates look like feet, its crs is in metres: correct it"),
        (x / foot, y / foot, "its coordinates look like metres, its crs is in feet: correct it"),
    )
    for east, north, words in tries:
        place = move(source, crs, east, north)
        place = place[np.isfinite(place).all(axis=1)]
        if len(place) and overlap((*place.min(axis=0), *place.max(axis=0)), ground):
            return words
    return ""


def _show(bounds: Sequence[float]) -> str:
    west, south, east, north = bounds
    return f"lon {west:.4f}..{east:.4f}, lat {south:.4f}..{north:.4f}"
