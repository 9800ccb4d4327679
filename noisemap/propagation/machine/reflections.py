"""Compiled reflections of first order from walls and facades (7.5, convention C20).

The reflected path is unfolded: its terrain, ground, obstacles and cover are read from
the source to the mirror point and on to the receiver, and then it counts as any path
over the top does.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from noisemap.propagation.machine.bands import (
    BANDS,
    HeightFactors,
    Shared,
    Spectrum,
    apply_screen,
    far_ground,
    ground_exponents,
    path_exponents,
)
from noisemap.propagation.machine.compiled import compiled, compiled_part
from noisemap.propagation.machine.cores import (
    ceiling_of,
)
from noisemap.propagation.machine.cover import (
    Course,
    course_cells,
    cover_exponents,
    cover_lengths,
)
from noisemap.propagation.machine.crossings import (
    Meeting,
    find_crossings,
    holds,
    new_meeting,
    object_tops,
)
from noisemap.propagation.machine.even_profile import (
    EvenProfile,
    band_screen,
    new_profile,
    rise_above_line,
    stretch_band,
)
from noisemap.propagation.machine.fast_exp import exp_in_place
from noisemap.propagation.machine.job import (
    Answer,
    Cover,
    FloatArray,
    Ground,
    Int32Array,
    IntArray,
    Line,
    Mirrors,
    Model,
    Obstacles,
    Terrain,
)
from noisemap.propagation.machine.mirror import Mirror, least_wave_number, mirror
from noisemap.propagation.machine.object_screen import object_screen
from noisemap.propagation.machine.reflectors import edge_distance
from noisemap.propagation.machine.sampling import foliage_length, terrain_height


class Echo(NamedTuple):
    """Scratch of one receiver for reflected paths."""

    profile: EvenProfile
    running: IntArray  # sum of the ground factor up to each piece
    cell: Int32Array  # ground cell of each piece
    wood: Int32Array  # pieces with foliage
    leg: Meeting  # obstacles on one leg
    meeting: Meeting  # those of both
    strength: FloatArray  # (heights, most) energy of the strongest, falling [1]
    energy: FloatArray  # (heights, most, 8) [1]
    kept: IntArray  # (heights,) how many


@compiled
def new_echo(farthest: float, room: int, terrain: Terrain, ground: Ground, mirrors: Mirrors,
             heights: int) -> Echo:  # fmt: skip
    """Empty scratch for direct paths up to `farthest`, `room` obstacles on each [m]."""
    longest = farthest + 2.0 * mirrors.reach
    steps = int(longest / terrain.cell) + 3
    pieces = int(longest / (0.5 * ground.cell)) + 3
    return Echo(
        new_profile(steps),
        np.empty(pieces + 1, dtype=np.int64),
        np.empty(pieces, dtype=np.int32),
        np.empty(pieces, dtype=np.int32),
        new_meeting(room, 1),
        new_meeting(room, steps),
        np.empty((heights, mirrors.most)),
        np.empty((heights, mirrors.most, BANDS)),
        np.zeros(heights, dtype=np.int64),
    )


@compiled_part
def _course(found: Mirror, edges: FloatArray, k: int, line: Line, x: float, y: float) -> Course:
    """The unfolded path by way of a surface: to the image of the receiver, from that of the source.

    Both run the whole length of the path, so that a share of it is a place on either.
    """
    px = edges[k, 0] + found.along * (edges[k, 2] - edges[k, 0])
    py = edges[k, 1] + found.along * (edges[k, 3] - edges[k, 1])
    out, back = 1.0 / found.share, 1.0 / (1.0 - found.share)
    dx, dy = (px - line.sx) * out, (py - line.sy) * out
    ex, ey = (x - px) * back, (y - py) * back
    return Course(line.sx, line.sy, dx, dy, x - ex, y - ey, ex, ey, found.share)


@compiled_part
def _read_course(terrain: Terrain, ground: Ground, course: Course, line: Line, echo: Echo) -> int:
    """Fill terrain heights, ground and foliage along the path; returns the pieces with foliage."""
    z, running, wood = echo.profile.z, echo.running, echo.wood
    for i in range(1, line.steps):
        t = i / line.steps
        if t <= course.share:
            z[i] = terrain_height(terrain, course.sx + t * course.dx, course.sy + t * course.dy)
        else:
            z[i] = terrain_height(terrain, course.tx + t * course.ex, course.ty + t * course.ey)
    course_cells(ground, course, line.pieces, echo.cell)
    total, wooded = 0, 0
    running[0] = 0
    for i in range(line.pieces):
        at = echo.cell[i]
        total += ground.factor[at]
        running[i + 1] = total
        if ground.foliage[at]:
            wood[wooded] = i
            wooded += 1
    return wooded


@compiled_part
def _obstacles_on(
    obstacles: Obstacles,
    terrain: Terrain,
    course: Course,
    line: Line,
    x: float,
    y: float,
    source: int,
    receiver: int,
    echo: Echo,
) -> tuple[int, int]:
    """Tops on both legs, and the room that is needed for them; fills `echo.meeting`."""
    px, py = course.sx + course.share * course.dx, course.sy + course.share * course.dy
    tops, needed = 0, 0
    for part in range(2):
        gone = part * course.share * line.dp
        fx, fy = (course.sx, course.sy) if part == 0 else (px, py)
        gx, gy = (px, py) if part == 0 else (x, y)
        long = course.share * line.dp if part == 0 else (1.0 - course.share) * line.dp
        leg = Line(fx, fy, gx - fx, gy - fy, long, 1, 1)
        found = find_crossings(obstacles, leg, echo.leg)
        needed += found
        if needed > echo.leg.along.shape[0]:
            continue
        met = object_tops(obstacles, terrain, leg, echo.leg, found, source, receiver)
        for i in range(met):
            echo.meeting.top_x[tops] = gone + echo.leg.top_x[i]
            echo.meeting.top_z[tops] = echo.leg.top_z[i]
            tops += 1
    return tops, needed


@compiled_part
def _keep(echo: Echo, h: int, most: int, total: float, spread: FloatArray, factor: float) -> None:
    """Put a reflection among the strongest of a source height, the earlier first at a tie."""
    count = echo.kept[h]
    if count == most and total <= echo.strength[h, most - 1]:
        return
    at = min(count, most - 1)
    while at > 0 and echo.strength[h, at - 1] < total:
        echo.strength[h, at] = echo.strength[h, at - 1]
        for band in range(BANDS):
            echo.energy[h, at, band] = echo.energy[h, at - 1, band]
        at -= 1
    echo.strength[h, at] = total
    for band in range(BANDS):
        echo.energy[h, at, band] = factor * spread[band]
    echo.kept[h] = min(count + 1, most)


@compiled_part
def _reflected(
    h: int,
    hs: float,
    hr: float,
    d: float,
    line: Line,
    ground: Ground,
    cover: Cover,
    model: Model,
    factors: HeightFactors,
    shared: Shared,
    wooded: int,
    tops: int,
    echo: Echo,
    spectrum: Spectrum,
) -> None:
    """Fill the first eight of `spectrum.value` with T apart from spreading, `d` long in space."""
    profile, value, bands = echo.profile, spectrum.value, model.alpha.shape[0]
    steps, dp = line.steps, line.dp
    zs, zr = profile.z[0] + hs, profile.z[steps] + hr
    rise = rise_above_line(profile, steps, zs, zr)
    edges = 0
    if rise > model.clearance:
        edges = stretch_band(profile, steps, dp, zs, zr)
    if tops > 0:
        screen = object_screen(echo.meeting, tops, profile, dp, zs, zr, edges)
    else:
        screen = band_screen(profile, edges, dp, zs, zr)
    foliage_m = 0.0
    if wooded > 0:
        foliage_m = foliage_length(
            ground.foliage_height, line, profile.z, zs, zr, echo.wood, wooded
        )
    path_exponents(model, d, foliage_m, value)
    ground_exponents(model, factors, h, hs, hr, line, shared, echo.running, value)
    if cover.any_cover:
        site_m, built_m = cover_lengths(cover, line, profile.z, zs, zr, echo.cell)
        cover_exponents(model, site_m, built_m, value)
    exp_in_place(value, spectrum.bits, spectrum.whole, 2 * bands)
    if screen.edges > 0:
        apply_screen(model, screen, d, spectrum)
    for band in range(BANDS):
        value[band] *= value[BANDS + band]


@compiled
def add_reflections(
    pair: int,
    source: int,
    receiver: int,
    line: Line,
    x: float,
    y: float,
    hr: float,
    road: float,
    foot: float,
    heights: FloatArray,
    terrain: Terrain,
    ground: Ground,
    cover: Cover,
    obstacles: Obstacles,
    mirrors: Mirrors,
    model: Model,
    factors: HeightFactors,
    echo: Echo,
    spectrum: Spectrum,
    answer: Answer,
) -> int:
    """Add the strongest reflections of one pair; returns the room needed, 0 where it was enough.

    `source` and `receiver` are places in the lists of points, `line` the direct path,
    `road` and `foot` the heights under its ends [m].  Where the room was too small
    nothing was added.
    """
    edges = obstacles.edges
    for h in range(heights.shape[0]):
        echo.kept[h] = 0
    for near in range(2):
        owner = receiver if near == 0 else source
        for n in range(mirrors.pointer[owner], mirrors.pointer[owner + 1]):
            k = mirrors.item[n]
            found = mirror(
                edges[k, 0], edges[k, 1], edges[k, 2], edges[k, 3], line.sx, line.sy, x, y
            )
            if found.length == 0.0:
                continue
            outer = mirrors.outer[k]
            if outer != 0.0 and outer != found.side:
                continue
            if near == 1 and edge_distance(edges, k, x, y) <= mirrors.reach:
                continue
            block = obstacles.block[k]
            if block >= 0 and (
                holds(obstacles, source, block) or holds(obstacles, receiver, block)
            ):
                continue
            ex, ey = edges[k, 2] - edges[k, 0], edges[k, 3] - edges[k, 1]
            bottom = terrain_height(
                terrain, edges[k, 0] + found.along * ex, edges[k, 1] + found.along * ey
            )
            steps = max(1, ceiling_of(found.length / terrain.cell))
            pieces = max(1, ceiling_of(found.length / (0.5 * ground.cell)))
            way = Line(line.sx, line.sy, line.dx, line.dy, found.length, steps, pieces)
            read = False
            wooded, tops = 0, 0
            shared = Shared(0.0, 0.0, 0.0)
            for h in range(heights.shape[0]):
                zs, zr = road + heights[h], foot + hr
                z = zs + found.share * (zr - zs)
                if z < bottom or z > bottom + obstacles.height[k]:
                    continue
                d = math.sqrt(way.dp * way.dp + (zr - zs) * (zr - zs))
                size = min(math.sqrt(ex * ex + ey * ey), obstacles.height[k])
                least = least_wave_number(size, found.normal, found.share, d, mirrors.size_factor)
                if model.wave_number[BANDS - 1] <= least:
                    continue
                if not read:
                    read = True
                    course = _course(found, edges, k, line, x, y)
                    echo.profile.z[0] = road
                    echo.profile.z[steps] = foot
                    wooded = _read_course(terrain, ground, course, way, echo)
                    tops, needed = _obstacles_on(
                        obstacles, terrain, course, way, x, y, source, receiver, echo
                    )
                    if needed > echo.leg.along.shape[0]:
                        return needed
                    shared = far_ground(model, factors, hr, way, echo.running)
                _reflected(
                    h, heights[h], hr, d, way, ground, cover, model, factors, shared, wooded, tops,
                    echo, spectrum,
                )  # fmt: skip
                total = 0.0
                for band in range(BANDS):
                    if model.wave_number[band] <= least:
                        spectrum.value[band] = 0.0
                    total += spectrum.value[band]
                if total > 0.0:
                    factor = mirrors.coefficient[k] * model.spreading / (d * d)
                    _keep(echo, h, mirrors.most, factor * total, spectrum.value, factor)
    for h in range(heights.shape[0]):
        for band in range(BANDS):
            more = 0.0
            for i in range(echo.kept[h]):
                more += echo.energy[h, i, band]
            answer.t[pair, h, band] += more
    return 0
