"""Areas between levels, from a grid of receivers."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import contourpy
import numpy as np
import numpy.typing as npt

from noisemap.exposure.results import LevelArea
from noisemap.scene.model import Scene

FloatArray = npt.NDArray[np.float64]

GRID_HEIGHT = 4.0
"""Height of the grid's receivers above the ground [m]."""

MARGIN_CELLS = 2


def grid_receivers(
    scene: Scene, sounding: npt.NDArray[np.bool_], points: int, reach: float
) -> tuple[FloatArray, tuple[FloatArray, FloatArray]]:
    """A square grid of about `points` receivers around the homes and the sounding stretches.

    Returns the receivers (x, y, height) row by row, and the x and y of the
    columns and rows.  The grid stays inside the terrain, and no farther than
    `reach` from the sounding stretches.
    """
    terrain = scene.terrain
    x = scene.stretches.x[sounding]
    y = scene.stretches.y[sounding]
    margin = MARGIN_CELLS * terrain.cell
    west = max(x.min() - reach, terrain.x0 + margin)
    south = max(y.min() - reach, terrain.y0 + margin)
    rows, columns = terrain.height.shape
    east = min(x.max() + reach, terrain.x0 + (columns - 1) * terrain.cell - margin)
    north = min(y.max() + reach, terrain.y0 + (rows - 1) * terrain.cell - margin)
    step = max(float(np.sqrt((east - west) * (north - south) / points)), 5.0)
    xs = np.arange(west, east, step)
    ys = np.arange(south, north, step)
    grid_x, grid_y = np.meshgrid(xs, ys)
    height = np.full(grid_x.size, GRID_HEIGHT)
    return np.column_stack([grid_x.ravel(), grid_y.ravel(), height]), (xs, ys)


def level_areas(
    levels: FloatArray, axes: tuple[FloatArray, FloatArray], edges: Sequence[float]
) -> tuple[LevelArea, ...]:
    """Polygons of the areas between neighbouring edges; the last area is open above."""
    xs, ys = axes
    if len(xs) < 2 or len(ys) < 2:
        return ()
    # quieter than anything shown, so that lines end where no sound was computed
    field = np.where(np.isfinite(levels), levels, edges[0] - 30.0).reshape(len(ys), len(xs))
    generator = contourpy.contour_generator(xs, ys, field, fill_type=contourpy.FillType.OuterOffset)
    uppers = [*edges[1:], np.inf]
    areas = []
    for low, high in zip(edges, uppers, strict=True):
        points, offsets = generator.filled(low, min(high, 1e4))
        polygons = tuple(
            tuple(np.asarray(outline[start:end], dtype=float) for start, end in pairwise(breaks))
            for outline, breaks in zip(points, offsets, strict=True)
        )
        if polygons:
            areas.append(LevelArea(low, high, polygons))
    return tuple(areas)
