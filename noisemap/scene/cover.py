"""Industrial sites and housing on the terrain's grid, for annex A of the standard."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from affine import Affine
from rasterio.features import rasterize
from scipy.ndimage import uniform_filter

from noisemap.scene.ground import Land
from noisemap.scene.homes import Buildings
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.model import BoolArray, GroundCover, Terrain
from noisemap.scene.obstacles import DEFAULT_LEVELS, LEVEL_M
from noisemap.scene.rules import rule

FloatArray = npt.NDArray[np.float64]

WINDOW_M = rule("cover", "housing_window_m")
FINER = 4  # parts of a cell's side in which the covered share is counted


def industrial_sites(
    inputs: SceneInputs, land: Land, terrain: Terrain
) -> tuple[BoolArray | None, list[str]]:
    """Cells mostly on industrial land, and what is assumed; None where the study does not ask.

    Parameters
    ----------
    inputs : SceneInputs
        Options.
    land : Land
        Land use.
    terrain : Terrain
        The grid.
    """
    if not inputs.industrial_sites:
        return None, []
    shapes = land.of("landuse", "industrial")
    site = covered_share(terrain, shapes) > 0.5
    return site, [
        f"Industrial land lowers levels as a site with installations "
        f"{inputs.industrial_height_m:g} m high (annex A.2 of the standard): "
        f"{len(shapes):,} polygons, {100.0 * site.mean():.1f} % of the area."
    ]


def housing(
    inputs: SceneInputs, near: Buildings, terrain: Terrain
) -> tuple[FloatArray | None, float, list[str]]:
    """Built share of the plan, mean height of the houses [m], and what is assumed.

    The share is the mean over a square window; None where the study does not ask.

    Parameters
    ----------
    inputs : SceneInputs
        Options.
    near : Buildings
        All buildings near the roads.
    terrain : Terrain
        The grid.
    """
    if inputs.obstacle_buildings != "housing":
        return None, 0.0, []
    area = shapely.area(near.shapes)
    solid = area > 0.0
    if not solid.any():
        return None, 0.0, ["Housing lowers no level: no building outline is known."]
    levels = np.where(np.isnan(near.levels), DEFAULT_LEVELS, near.levels)
    height = np.where(np.isnan(near.height), LEVEL_M * levels, near.height)
    mean = float(np.average(height[solid], weights=area[solid]))
    window = max(1, round(WINDOW_M / terrain.cell))
    share = uniform_filter(covered_share(terrain, near.shapes[solid]), window, mode="nearest")
    share = np.clip(share, 0.0, 1.0)
    built = share[share > 1e-9]
    return np.where(share > 1e-9, share, 0.0), mean, [
        f"Housing counts by its density in place of single buildings (annex A.3 of the standard): "
        f"{int(solid.sum()):,} buildings, mean height {mean:.1f} m, "
        f"{100.0 * float(built.mean()) if len(built) else 0.0:.0f} % of the plan where built up, "
        f"seen in windows of {WINDOW_M:g} m."
    ]  # fmt: skip


def with_cover(
    inputs: SceneInputs, cover: GroundCover, land: Land, near: Buildings, terrain: Terrain
) -> tuple[GroundCover, list[str]]:
    """The ground with the sites and housing that the study asks for, and what is assumed.

    Parameters
    ----------
    inputs : SceneInputs
        Options.
    cover : GroundCover
        Ground factor and trees.
    land : Land
        Land use.
    near : Buildings
        All buildings near the roads.
    terrain : Terrain
        The grid.
    """
    site, sentences = industrial_sites(inputs, land, terrain)
    share, height, more = housing(inputs, near, terrain)
    whole = GroundCover(
        cover.x0, cover.y0, cover.cell, cover.factor, cover.foliage, cover.foliage_height,
        site, inputs.industrial_height_m, share, height,
    )  # fmt: skip
    return whole, [*sentences, *more]


def covered_share(terrain: Terrain, shapes: npt.NDArray[Any]) -> FloatArray:
    """Share of each cell that lies under the shapes [1].

    Parameters
    ----------
    terrain : Terrain
        The grid.
    shapes : ndarray
        Polygons.
    """
    rows, columns = terrain.height.shape
    if not len(shapes):
        return np.zeros((rows, columns))
    part = terrain.cell / FINER
    corner = Affine(
        part, 0.0, terrain.x0 - terrain.cell / 2.0, 0.0, part, terrain.y0 - terrain.cell / 2.0
    )
    fine = rasterize(
        [(shape, 1) for shape in shapes.tolist()],
        out_shape=(rows * FINER, columns * FINER),
        transform=corner,
        fill=0,
        dtype="uint8",
    )
    cells = fine.reshape(rows, FINER, columns, FINER)
    return np.asarray(cells.mean(axis=(1, 3)), np.float64)
