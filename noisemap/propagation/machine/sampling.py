"""Compiled reading of terrain, ground and foliage along a path.

Rasters carry one more row and column than they have cells (copies of the last
ones), so that a point on the northern or eastern rim needs no special case.
Points must lie inside the raster: the caller has checked it, nothing here does.
Places in a raster are unsigned, which spares the check for negative indices.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from noisemap.propagation.machine.compiled import compiled, compiled_part
from noisemap.propagation.machine.job import (
    GROUND_UNIT,
    FloatArray,
    Ground,
    Int32Array,
    IntArray,
    Line,
    Terrain,
)

ONE = np.uint64(1)


class Reading(NamedTuple):
    """Scratch for reading rasters along one path."""

    ramp: FloatArray  # 0, 1, 2 ...
    at: Int32Array  # cell of each point
    east: FloatArray  # share of the cell to the east of its node [1]
    up: FloatArray  # to the north [1]
    wood: Int32Array  # pieces with foliage


@compiled
def new_reading(points: int) -> Reading:
    """Empty scratch for a path of `points` points."""
    return Reading(
        np.arange(points).astype(np.float64),
        np.empty(points, dtype=np.int32),
        np.empty(points),
        np.empty(points),
        np.empty(points, dtype=np.int32),
    )


@compiled
def terrain_height(terrain: Terrain, x: float, y: float) -> float:
    """Bilinear height at a point inside the raster [m]."""
    u = (x - terrain.x0) * terrain.per_cell
    v = (y - terrain.y0) * terrain.per_cell
    a = np.int32(u)
    b = np.int32(v)
    u -= a
    v -= b
    width = np.uint64(terrain.columns)
    at = np.uint64(b) * width + np.uint64(a)
    height = terrain.height
    south = height[at] + u * (height[at + ONE] - height[at])
    at += width
    north = height[at] + u * (height[at + ONE] - height[at])
    return float(south + v * (north - south))


@compiled_part
def sample_terrain(terrain: Terrain, line: Line, scratch: Reading, z: FloatArray) -> None:
    """Fill the heights of the interior points of a path of equal steps [m].

    Places first, heights after: the first loop becomes vector instructions.
    """
    height, ramp = terrain.height, scratch.ramp
    at, east, up = scratch.at, scratch.east, scratch.up
    columns = np.int32(terrain.columns)
    u0 = (line.sx - terrain.x0) * terrain.per_cell
    v0 = (line.sy - terrain.y0) * terrain.per_cell
    du = line.dx * terrain.per_cell / line.steps
    dv = line.dy * terrain.per_cell / line.steps
    for i in range(line.steps):
        u = u0 + ramp[i] * du
        v = v0 + ramp[i] * dv
        a = np.int32(u)
        b = np.int32(v)
        east[i] = u - a
        up[i] = v - b
        at[i] = np.int32(b * columns + a)
    width = np.uint64(terrain.columns)
    for i in range(1, line.steps):
        k = np.uint64(np.uint32(at[i]))
        south = height[k] + east[i] * (height[k + ONE] - height[k])
        k += width
        north = height[k] + east[i] * (height[k + ONE] - height[k])
        z[i] = south + up[i] * (north - south)


@compiled_part
def crosses_filled(terrain: Terrain, line: Line) -> bool:
    """Whether any point of the path, ends included, rests on a filled node."""
    u0 = (line.sx - terrain.x0) * terrain.per_cell
    v0 = (line.sy - terrain.y0) * terrain.per_cell
    du = line.dx * terrain.per_cell / line.steps
    dv = line.dy * terrain.per_cell / line.steps
    for i in range(line.steps + 1):
        at = np.int32(v0 + i * dv) * terrain.columns + np.int32(u0 + i * du)
        if terrain.filled[at]:
            return True
    return False


@compiled_part
def sample_ground(ground: Ground, line: Line, scratch: Reading, running: IntArray) -> int:
    """Running sum of the ground factor over equal pieces read at their middles.

    In whole units of 1 / GROUND_UNIT, so that no order of adding changes a bit.
    Lists the pieces with foliage in `scratch.wood` and returns their number.
    """
    factor, ramp, at = ground.factor, scratch.ramp, scratch.at
    columns = np.int32(ground.columns)
    du = line.dx * ground.per_cell / line.pieces
    dv = line.dy * ground.per_cell / line.pieces
    u0 = (line.sx - ground.x0) * ground.per_cell + 0.5 * du
    v0 = (line.sy - ground.y0) * ground.per_cell + 0.5 * dv
    for i in range(line.pieces):
        a = np.int32(u0 + ramp[i] * du)
        b = np.int32(v0 + ramp[i] * dv)
        at[i] = np.int32(b * columns + a)
    total = 0
    running[0] = 0
    for i in range(line.pieces):
        total += factor[np.uint64(np.uint32(at[i]))]
        running[i + 1] = total
    count = 0
    if ground.any_foliage:
        foliage, wood = ground.foliage, scratch.wood
        for i in range(line.pieces):
            wood[count] = i
            if foliage[np.uint64(np.uint32(at[i]))]:
                count += 1
    return count


@compiled_part
def _running_to(running: IntArray, pieces: int, place: float) -> float:
    """Running sum at a place counted in pieces, straight inside a piece."""
    i = min(int(place), pieces - 1)
    return float(running[i] + (place - i) * (running[i + 1] - running[i]))


@compiled_part
def region_factor(running: IntArray, line: Line, low: float, high: float) -> float:
    """Length-weighted ground factor between two distances along the path [1]."""
    a = low / line.dp * line.pieces
    b = high / line.dp * line.pieces
    whole = _running_to(running, line.pieces, b) - _running_to(running, line.pieces, a)
    return whole / ((b - a) * GROUND_UNIT)


@compiled_part
def foliage_length(
    foliage_height: float,
    line: Line,
    z: FloatArray,
    zs: float,
    zr: float,
    wood: Int32Array,
    count: int,
) -> float:
    """Plan length in foliage cells with the sight line below the tree tops [m]."""
    counted = 0
    per_piece = 1.0 / line.pieces
    for m in range(count):
        share = (wood[m] + 0.5) * per_piece
        at = share * line.steps
        k = min(int(at), line.steps - 1)
        foot = z[k] + (at - k) * (z[k + 1] - z[k])
        if zs + share * (zr - zs) < foot + foliage_height:
            counted += 1
    return counted * line.dp / line.pieces
