"""A perturbed twin of the terrain: how much the stated height error moves a level."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from noisemap.data_tables import table_rows

FloatArray = npt.NDArray[np.float64]


def terrain_sigma(native_cell: float) -> float:
    """Standard error of the ground height [m] of an elevation file with this cell [m]."""
    rows = table_rows("noisemap.transfer", "terrain_error.csv")
    cells = [float(row["native_cell_m"]) for row in rows]
    sigmas = [float(row["sigma_m"]) for row in rows]
    return float(np.interp(native_cell, cells, sigmas))


def height_noise(
    shape: tuple[int, int], cell: float, native_cell: float, sigma: float, seed: int
) -> FloatArray:
    """Height errors [m] on a grid, correlated over one cell of the elevation file."""
    step = max(native_cell, cell) / cell
    coarse_shape = tuple(int(np.ceil((size - 1) / step)) + 2 for size in shape)
    coarse = np.random.default_rng(seed).normal(0.0, sigma, coarse_shape)
    rows = np.arange(shape[0]) / step
    columns = np.arange(shape[1]) / step
    grid = np.meshgrid(rows, columns, indexing="ij")
    smooth = map_coordinates(coarse, grid, order=1, mode="nearest")
    # linear interpolation lowers the variance between the nodes: restore it
    spread = smooth.std()
    return np.asarray(smooth * (sigma / spread) if spread > 0.0 else smooth)
