"""Surveyed heights along roads, which win over the terrain."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import cKDTree

from noisemap.errors import BadDataError
from noisemap.readers.rasters import HIGHEST_M, LOWEST_M
from noisemap.readers.tables import read_table
from noisemap.scene.crs import WGS84, project
from noisemap.scene.grades import Chain, Points
from noisemap.scene.model import Repair
from noisemap.units import FOOT_M

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

ON_ROAD_M = 15.0  # a surveyed point farther from every road is left out
REACH_M = 25.0  # road points this near to a surveyed one take no height from the terrain
LEAST_COMPARED_M = 20.0  # lower heights tell nothing about their unit
UNIT_TOLERANCE = 0.05
COLUMNS = ("lon", "lat", "height_m")


@dataclass(frozen=True)
class Survey:
    """Surveyed heights, each between two neighbouring road points."""

    first: IntArray  # (k,) number of the road point before
    second: IntArray  # (k,) and after
    share: FloatArray  # (k,) 0 at the first, 1 at the second
    height: FloatArray  # (k,) [m]
    near: BoolArray  # (n,) road points that the survey speaks for


def read_survey(
    path: Path, crs: str, points: Points, chains: list[Chain]
) -> tuple[Survey, list[Repair]]:
    """Surveyed heights of a table with lon, lat [deg] and height_m [m].

    Raises
    ------
    BadDataError
        When the table is at fault or none of its points lies on a road.
    """
    table = read_table(path, required=COLUMNS, known=COLUMNS)
    lon = table.number("lon", minimum=-180.0, maximum=180.0)
    lat = table.number("lat", minimum=-90.0, maximum=90.0)
    height = table.number("height_m", minimum=LOWEST_M, maximum=HIGHEST_M)
    place = project(WGS84, crs, lon, lat)
    first = np.concatenate([chain.unknown[:-1] for chain in chains])
    second = np.concatenate([chain.unknown[1:] for chain in chains])
    ends = np.stack(
        [
            np.column_stack([points.x[first], points.y[first]]),
            np.column_stack([points.x[second], points.y[second]]),
        ],
        axis=1,
    )
    steps: npt.NDArray[Any] = np.asarray(shapely.linestrings(ends), dtype=object)
    index, distance = shapely.STRtree(steps).query_nearest(
        shapely.points(place), return_distance=True, all_matches=False
    )
    on = distance <= ON_ROAD_M
    if not on.any():
        raise BadDataError(
            f"{path.name}: no surveyed point lies within {ON_ROAD_M:.0f} m of a road; "
            "check lon and lat"
        )
    repairs = []
    if not on.all():
        what = f"surveyed points over {ON_ROAD_M:.0f} m from every road, left out: {(~on).sum()}"
        repairs.append(Repair("roads", path.name, what))
    point, step = index[0][on], index[1][on]
    length = np.maximum(shapely.length(steps[step]), 1e-9)
    along = shapely.line_locate_point(steps[step], shapely.points(place[point]))
    near = cKDTree(place[point]).query(np.column_stack([points.x, points.y]))[0] <= REACH_M
    survey = Survey(first[step], second[step], along / length, height[point], near)
    return survey, repairs


def require_one_unit(name: str, survey: Survey, terrain: FloatArray) -> None:
    """Nothing, unless terrain and survey differ as feet do from metres.

    Parameters
    ----------
    name : str
        File name of the survey.
    survey : Survey
        The surveyed heights.
    terrain : (n,) array
        Terrain height at the road points [m].

    Raises
    ------
    BadDataError
        When the heights of the two stand to each other as 1 to 3.28, within 5 %.
    """
    there = np.isfinite(terrain[survey.first]) & (survey.height > LEAST_COMPARED_M)
    if not there.any():
        return
    ratio = float(np.median(terrain[survey.first][there] / survey.height[there]))
    for factor, words in (
        (1.0 / FOOT_M, "the terrain looks like feet: write vertical_unit in [terrain]"),
        (FOOT_M, "the survey looks like feet: its column height_m is in metres"),
    ):
        if abs(ratio / factor - 1.0) < UNIT_TOLERANCE:
            raise BadDataError(
                f"{name}: the terrain is {ratio:.2f} times as high as the surveyed points; {words}"
            )
