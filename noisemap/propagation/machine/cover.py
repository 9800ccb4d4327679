"""Compiled industrial sites and housing along a path (annex A.2 and A.3), and broken courses.

A course leads straight from the source up to a share of the path, and straight to
the receiver beyond it; a direct path has the share 1.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from noisemap.propagation.machine.bands import BANDS, DB
from noisemap.propagation.machine.compiled import compiled_part
from noisemap.propagation.machine.job import (
    GROUND_UNIT,
    Cover,
    FloatArray,
    Ground,
    Int32Array,
    Line,
    Model,
)


class Course(NamedTuple):
    """A path in plan; a point at share t lies at the first line up to `share`, else at the second.

    Both lines are unfolded: the first runs on behind the mirror, the second comes from there.
    """

    sx: float  # [m]
    sy: float
    dx: float
    dy: float
    tx: float
    ty: float
    ex: float
    ey: float
    share: float  # [1]


@compiled_part
def course_cells(ground: Ground, course: Course, pieces: int, cell: Int32Array) -> None:
    """Fill the cell of the ground raster at the middle of each of equal pieces."""
    for i in range(pieces):
        t = (i + 0.5) / pieces
        if t <= course.share:
            x, y = course.sx + t * course.dx, course.sy + t * course.dy
        else:
            x, y = course.tx + t * course.ex, course.ty + t * course.ey
        a = np.int32((x - ground.x0) * ground.per_cell)
        b = np.int32((y - ground.y0) * ground.per_cell)
        cell[i] = np.int32(b * np.int32(ground.columns) + a)


@compiled_part
def cover_lengths(
    cover: Cover, line: Line, z: FloatArray, zs: float, zr: float, cell: Int32Array
) -> tuple[float, float]:
    """Plan lengths in sites, and in housing times its built share, below their tops [m]."""
    sites, built = 0, 0
    for i in range(line.pieces):
        site, share = cover.site[cell[i]], cover.housing[cell[i]]
        if not site and share == 0:
            continue
        part = (i + 0.5) / line.pieces
        at = part * line.steps
        k = min(int(at), line.steps - 1)
        above = zs + part * (zr - zs) - (z[k] + (at - k) * (z[k + 1] - z[k]))
        if site and above < cover.site_height:
            sites += 1
        if above < cover.housing_height:
            built += share
    piece = line.dp / line.pieces
    return sites * piece, built * piece / GROUND_UNIT


@compiled_part
def cover_exponents(model: Model, site_m: float, built_m: float, value: FloatArray) -> None:
    """Take the losses of sites and housing off `value`, paths first, ground second.

    Band by band the larger of ground effect and housing counts alone (C22).
    """
    if site_m > 0.0:
        for band in range(BANDS):
            value[band] -= DB * min(site_m * model.site_row[band], model.site_cap)
    loss = DB * min(model.housing_density * built_m, model.housing_cap)
    if loss > 0.0:
        for band in range(BANDS):
            if -value[BANDS + band] <= loss:
                value[BANDS + band] = 0.0
                value[band] -= loss
