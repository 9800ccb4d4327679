"""Compiled reading of terrain, ground and foliage along a path.

Rasters carry one more row and column than they have cells (copies of the last
ones), so that a point on the northern or eastern rim needs no special case.
Points must lie inside the raster: the caller has checked it, nothing here does.
Places in a raster are unsigned, which spares the check for negative indices.
"""

from __future__ import annotations

import math

import numpy as np

from noisemap.propagation.machine.compiled import compiled
from noisemap.propagation.machine.job import FloatArray, Ground, Line, Terrain

ONE = np.uint64(1)


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


@compiled
def sample_terrain(terrain: Terrain, line: Line, z: FloatArray) -> None:
    """Fill the heights of the interior points of a path of equal steps [m]."""
    height = terrain.height
    width = np.uint64(terrain.columns)
    u0 = (line.sx - terrain.x0) * terrain.per_cell
    v0 = (line.sy - terrain.y0) * terrain.per_cell
    du = line.dx * terrain.per_cell / line.steps
    dv = line.dy * terrain.per_cell / line.steps
    for i in range(1, line.steps):
        u = u0 + i * du
        v = v0 + i * dv
        a = np.int32(u)
        b = np.int32(v)
        u -= a
        v -= b
        at = np.uint64(b) * width + np.uint64(a)
        south = height[at] + u * (height[at + ONE] - height[at])
        at += width
        north = height[at] + u * (height[at + ONE] - height[at])
        z[i] = south + v * (north - south)


@compiled
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


@compiled
def mean_height(z: FloatArray, steps: int) -> float:
    """Mean height of a profile of equal steps [m]; two sums side by side are faster."""
    even = 0.5 * (z[0] + z[steps])
    odd = 0.0
    i = 1
    while i + 1 < steps:
        odd += z[i]
        even += z[i + 1]
        i += 2
    if i < steps:
        odd += z[i]
    return float((even + odd) / steps)


@compiled
def sample_ground(ground: Ground, line: Line, running: FloatArray) -> None:
    """Fill the running sum of the ground factor over equal pieces read at their middles."""
    factor = ground.factor
    width = np.uint64(ground.columns)
    du = line.dx * ground.per_cell / line.pieces
    dv = line.dy * ground.per_cell / line.pieces
    u0 = (line.sx - ground.x0) * ground.per_cell + 0.5 * du
    v0 = (line.sy - ground.y0) * ground.per_cell + 0.5 * dv
    total = 0.0
    running[0] = 0.0
    for i in range(line.pieces):
        a = np.int32(u0 + i * du)
        b = np.int32(v0 + i * dv)
        total += factor[np.uint64(b) * width + np.uint64(a)]
        running[i + 1] = total


@compiled
def _running_to(running: FloatArray, pieces: int, place: float) -> float:
    """Running sum at a place counted in pieces, straight inside a piece."""
    i = min(int(place), pieces - 1)
    return float(running[i] + (place - i) * (running[i + 1] - running[i]))


@compiled
def region_factor(running: FloatArray, line: Line, low: float, high: float) -> float:
    """Length-weighted ground factor between two distances along the path [1]."""
    a = low / line.dp * line.pieces
    b = high / line.dp * line.pieces
    whole = _running_to(running, line.pieces, b) - _running_to(running, line.pieces, a)
    return whole / (b - a)


@compiled
def foliage_length(ground: Ground, line: Line, z: FloatArray, zs: float, zr: float) -> float:
    """Plan length in foliage cells with the sight line below the tree tops [m]."""
    counted = 0
    du = line.dx * ground.per_cell / line.pieces
    dv = line.dy * ground.per_cell / line.pieces
    u0 = (line.sx - ground.x0) * ground.per_cell + 0.5 * du
    v0 = (line.sy - ground.y0) * ground.per_cell + 0.5 * dv
    for i in range(line.pieces):
        if ground.foliage[np.int32(v0 + i * dv) * ground.columns + np.int32(u0 + i * du)]:
            share = (i + 0.5) / line.pieces
            at = share * line.steps
            k = min(int(at), line.steps - 1)
            foot = z[k] + (at - k) * (z[k + 1] - z[k])
            if zs + share * (zr - zs) < foot + ground.foliage_height:
                counted += 1
    return counted * line.dp / line.pieces


@compiled
def rise_above_line(z: FloatArray, steps: int, zs: float, zr: float) -> float:
    """Greatest height of an interior point above the sight line [m]."""
    slope = (zr - zs) / steps
    best = -math.inf
    for i in range(1, steps):
        rise = z[i] - (zs + i * slope)
        if rise > best:
            best = rise
    return best


@compiled
def nearest_below(z: FloatArray, steps: int, zs: float, zr: float, inverse: FloatArray) -> int:
    """Interior point with the least detour below a clear line; 0 if there is none.

    Compared by the leading term q^2 (1/x + 1/(dp - x)) of the detour.
    """
    slope = (zr - zs) / steps
    best = 0
    least = math.inf
    for i in range(1, steps):
        q = z[i] - (zs + i * slope)
        size = q * q * (inverse[i] + inverse[steps - i])
        if size < least:
            least = size
            best = i
    return best
