"""Heights at the pixel centres of a file, sampled between them.

A lattice is described by the centres of its pixels.  An HGT tile is registered
at its nodes, so its pixel centres are the degree lines and the file's bounds lie
half a cell outside them; every sample is bilinear between pixel centres.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from pyproj import CRS

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Bounds = tuple[float, float, float, float]


@dataclass(frozen=True)
class Lattice:
    """Pixel centres of a file: the first one, the steps and the counts."""

    path: Path
    crs: CRS
    x0: float  # centre of the first column, in the file's own units
    y0: float  # centre of the first row
    dx: float  # step to the next column, above 0
    dy: float  # step to the next row, below 0 when north is up
    columns: int
    rows: int
    native_cell: float  # larger of the two steps on the ground [m]
    vertical_unit: str = ""  # what the file itself says about its heights; mostly nothing

    @property
    def bounds(self) -> Bounds:
        """West, south, east, north edge of the pixels, in the file's own units."""
        x1 = self.x0 + (self.columns - 1) * self.dx
        y1 = self.y0 + (self.rows - 1) * self.dy
        half_x, half_y = self.dx / 2.0, abs(self.dy) / 2.0
        return (
            self.x0 - half_x,
            min(self.y0, y1) - half_y,
            x1 + half_x,
            max(self.y0, y1) + half_y,
        )


@dataclass(frozen=True)
class Heights:
    """Heights at the pixel centres of one lattice; NaN where the file holds none."""

    lattice: Lattice
    height: FloatArray  # (rows, columns) [m]

    def sample(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Bilinear height at points given in the lattice's own coordinates [m].

        NaN outside the pixels and where a pixel used holds no height.
        """
        return _bilinear(self.height, *self._position(x, y))

    def touches(self, mask: BoolArray, x: FloatArray, y: FloatArray) -> BoolArray:
        """Whether a bilinear sample at these points would use a pixel of the mask."""
        share = _bilinear(mask.astype(np.float64), *self._position(x, y))
        return np.nan_to_num(share, nan=1.0) > 1e-9

    def _position(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        grid = self.lattice
        return (np.asarray(y) - grid.y0) / grid.dy, (np.asarray(x) - grid.x0) / grid.dx


def _bilinear(values: FloatArray, row: FloatArray, column: FloatArray) -> FloatArray:
    """Bilinear interpolation; half a cell beyond the outer centres takes the edge value."""
    rows, columns = values.shape
    slack = 0.5 + 1e-6
    outside = (row < -slack) | (row > rows - 1 + slack)
    outside |= (column < -slack) | (column > columns - 1 + slack)
    outside |= ~(np.isfinite(row) & np.isfinite(column))
    row = np.clip(np.where(outside, 0.0, row), 0.0, rows - 1)
    column = np.clip(np.where(outside, 0.0, column), 0.0, columns - 1)
    r0 = np.minimum(row.astype(np.int64), max(rows - 2, 0))
    c0 = np.minimum(column.astype(np.int64), max(columns - 2, 0))
    r1, c1 = np.minimum(r0 + 1, rows - 1), np.minimum(c0 + 1, columns - 1)
    u, v = row - r0, column - c0
    result = np.zeros(np.broadcast(row, column).shape)
    for weight, r, c in (
        ((1 - u) * (1 - v), r0, c0),
        ((1 - u) * v, r0, c1),
        (u * (1 - v), r1, c0),
        (u * v, r1, c1),
    ):
        # a neighbour of no weight may be a void: it takes no part
        result = result + np.where(weight > 0.0, weight * values[r, c], 0.0)
    return np.where(outside, np.nan, result)
