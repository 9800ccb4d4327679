"""Plain groups of arrays in which a job is handed to the compiled loop."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]
Int32Array = npt.NDArray[np.int32]
BoolArray = npt.NDArray[np.bool_]
ByteArray = npt.NDArray[np.uint8]

GROUND_UNIT = 2**30
"""Whole number that stands for porous ground, factor 1; an error of 5e-10 at most."""


class Terrain(NamedTuple):
    """Heights on a flat raster, row 0 in the south, last row and column doubled."""

    x0: float  # centre of the first cell [m]
    y0: float
    cell: float  # [m]
    per_cell: float  # 1 / cell [1/m]
    columns: int  # the doubled one included
    height: FloatArray  # (rows * columns,) [m]
    filled: BoolArray  # True where any of the four nodes of the square up and right was filled
    any_filled: bool


class Ground(NamedTuple):
    """Ground factor and foliage on a flat raster, last row and column doubled."""

    x0: float  # corner of the first cell [m]
    y0: float
    cell: float  # [m]
    per_cell: float  # 1 / cell [1/m]
    columns: int  # the doubled one included
    factor: Int32Array  # (rows * columns,) in units of 1/GROUND_UNIT, so that sums are exact
    foliage: BoolArray
    any_foliage: bool
    foliage_height: float  # [m]


class Cover(NamedTuple):
    """Industrial sites and housing on the cells of the ground raster."""

    site: BoolArray  # (rows * columns,)
    housing: Int32Array  # (rows * columns,) built share of the plan in units of 1/GROUND_UNIT
    any_cover: bool
    site_height: float  # [m]
    housing_height: float  # [m]


class Mirrors(NamedTuple):
    """Surfaces that reflect, near sources, then near receivers."""

    pointer: IntArray  # (sources + receivers + 1,)
    item: IntArray
    outer: FloatArray  # (k,) +1 the open side is to the left, -1 right, 0 both, 2 none
    coefficient: FloatArray  # (k,) [1]
    reach: float  # [m]
    most: int  # reflections a path
    size_factor: float  # the 2 of eq. 19


class Obstacles(NamedTuple):
    """Edges by plan cell, and the buildings that hold sources, then receivers."""

    x0: float  # [m]
    y0: float
    cell: float
    columns: int
    rows: int
    pointer: IntArray
    item: IntArray
    item_edge: FloatArray  # (items, 4) the edges in the order of `item` [m]
    edges: FloatArray  # (k, 4) [m]
    height: FloatArray  # (k,) [m]
    block: IntArray  # (k,)
    group: IntArray  # (k,) buildings, then walls whose pieces hang together
    corner_pointer: IntArray  # (groups + 1,)
    corner: FloatArray  # (corners, 2) [m]
    inside_pointer: IntArray  # (sources + receivers + 1,)
    inside_item: IntArray


class Model(NamedTuple):
    """Coefficients and choices of a job."""

    alpha: FloatArray  # (8,) [dB/m]
    table3: FloatArray  # (11, 8) columns of Table 3
    c1: float  # of eq. 14
    c2_by_wavelength: FloatArray  # (8,) [1/m]
    edge_reach: FloatArray  # (8,) (5 lambda)^2 of eq. 15 [m2]
    kmet_length: float  # of eq. 18 [m]
    foliage_rows: FloatArray  # (2, 8) [dB], [dB/m]
    foliage_lengths: FloatArray  # (3,) [m]
    wave_number: FloatArray  # (8,) 1/lambda [1/m]
    site_row: FloatArray  # (8,) [dB/m]
    site_cap: float  # [dB]
    housing_density: float  # [dB/m]
    housing_cap: float  # [dB]
    spreading: float  # 10^(-11/10), of 7.1
    reach: float  # the dp/50 of Table 3 [m]
    tail_rate: float  # the 2.8e-6 of Table 3 [1/m2]
    floor_single: float  # 10^(-20/10), cap of one edge
    floor_double: float  # 10^(-25/10), cap of two edges
    region_per_height: float  # the 30 of 30 hs
    clear_per_height: float  # the 10 of 10 (hs + hr)
    valid_distance: float  # [m]
    valid_height: float  # [m]
    c0: float  # [dB]
    positive: bool
    sides: bool  # whether paths around the sides are added
    minimum_distance: float  # [m]
    near_grazing: float  # [m]
    clearance: float  # terrain that rises above the sight line by no more screens nothing [m]


class Answer(NamedTuple):
    """Arrays to fill, one row a path."""

    t: Float32Array  # (paths, heights, 8)
    cmet_factor: Float32Array  # (paths, heights)
    distance: Float32Array  # (paths,) [m]
    flags: ByteArray  # (paths,)
    grazing_z: Float32Array  # (paths, heights) [m]
    top: Float32Array  # (paths, heights) sum of the bands over the top, of t


class Line(NamedTuple):
    """One path in plan, from the source to the receiver."""

    sx: float  # [m]
    sy: float
    dx: float
    dy: float
    dp: float  # length, the minimum distance where the ends are nearer [m]
    steps: int  # equal steps of the terrain profile
    pieces: int  # equal pieces of the ground
