"""Compiled reading of terrain, ground and foliage along a path."""

from __future__ import annotations

import math

from noisemap.propagation.machine.compiled import compiled
from noisemap.propagation.machine.job import FloatArray, Ground, Line, Terrain


@compiled
def terrain_height(terrain: Terrain, x: float, y: float) -> float:
    """Bilinear height at a point inside the raster [m]."""
    u = (x - terrain.x0) / terrain.cell
    v = (y - terrain.y0) / terrain.cell
    i = min(max(int(u), 0), terrain.columns - 2)
    j = min(max(int(v), 0), terrain.rows - 2)
    u -= i
    v -= j
    at = j * terrain.columns + i
    south = terrain.height[at] + u * (terrain.height[at + 1] - terrain.height[at])
    at += terrain.columns
    north = terrain.height[at] + u * (terrain.height[at + 1] - terrain.height[at])
    return float(south + v * (north - south))


@compiled
def sample_terrain(terrain: Terrain, line: Line, z: FloatArray) -> None:
    """Fill the heights of the interior points of a path of equal steps [m]."""
    height = terrain.height
    last_column = terrain.columns - 2
    last_row = terrain.rows - 2
    u0 = (line.sx - terrain.x0) / terrain.cell
    v0 = (line.sy - terrain.y0) / terrain.cell
    du = line.dx / terrain.cell / line.steps
    dv = line.dy / terrain.cell / line.steps
    for i in range(1, line.steps):
        u = u0 + i * du
        v = v0 + i * dv
        a = min(max(int(u), 0), last_column)
        b = min(max(int(v), 0), last_row)
        u -= a
        v -= b
        at = b * terrain.columns + a
        south = height[at] + u * (height[at + 1] - height[at])
        at += terrain.columns
        north = height[at] + u * (height[at + 1] - height[at])
        z[i] = south + v * (north - south)


@compiled
def crosses_filled(terrain: Terrain, line: Line) -> bool:
    """Whether any point of the path, ends included, rests on a filled node."""
    for i in range(line.steps + 1):
        u = (line.sx + i * line.dx / line.steps - terrain.x0) / terrain.cell
        v = (line.sy + i * line.dy / line.steps - terrain.y0) / terrain.cell
        a = min(max(int(u), 0), terrain.columns - 2)
        b = min(max(int(v), 0), terrain.rows - 2)
        if terrain.filled[b * terrain.columns + a]:
            return True
    return False


@compiled
def mean_height(z: FloatArray, steps: int) -> float:
    """Mean height of a profile of equal steps [m]."""
    total = 0.5 * (z[0] + z[steps])
    for i in range(1, steps):
        total += z[i]
    return float(total / steps)


@compiled
def sample_ground(ground: Ground, line: Line, running: FloatArray) -> None:
    """Fill the running sum of the ground factor over equal pieces read at their middles."""
    u0 = (line.sx - ground.x0) / ground.cell + 0.5
    v0 = (line.sy - ground.y0) / ground.cell + 0.5
    du = line.dx / ground.cell / line.pieces
    dv = line.dy / ground.cell / line.pieces
    total = 0.0
    running[0] = 0.0
    for i in range(line.pieces):
        a = min(max(int(u0 + (i + 0.5) * du), 0), ground.columns - 1)
        b = min(max(int(v0 + (i + 0.5) * dv), 0), ground.rows - 1)
        total += ground.factor[b * ground.columns + a]
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
    for i in range(line.pieces):
        share = (i + 0.5) / line.pieces
        u = (line.sx + share * line.dx - ground.x0) / ground.cell + 0.5
        v = (line.sy + share * line.dy - ground.y0) / ground.cell + 0.5
        a = min(max(int(u), 0), ground.columns - 1)
        b = min(max(int(v), 0), ground.rows - 1)
        if ground.foliage[b * ground.columns + a]:
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
