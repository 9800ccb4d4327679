"""The compiled loop over all paths of a job; the expressions stand in `cores` and `bands`."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import prange

from noisemap.propagation.machine.bands import (
    BANDS,
    DB,
    HeightFactors,
    Shared,
    Spectrum,
    apply_screen,
    far_ground,
    fill_factors,
    ground_exponents,
    new_factors,
    new_spectrum,
    path_exponents,
    screen_shares,
)
from noisemap.propagation.machine.compiled import compiled, compiled_parallel, compiled_part
from noisemap.propagation.machine.cores import (
    ceiling_of,
    meteorological_correction,
)
from noisemap.propagation.machine.cover import (
    Course,
    course_cells,
    cover_exponents,
    cover_lengths,
)
from noisemap.propagation.machine.crossings import Meeting, find_crossings, new_meeting, object_tops
from noisemap.propagation.machine.even_profile import (
    EvenProfile,
    Screen,
    band_screen,
    mean_height,
    nearest_below,
    new_profile,
    rise_above_line,
    rise_of_band,
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
from noisemap.propagation.machine.object_screen import object_screen
from noisemap.propagation.machine.reflections import Echo, add_reflections, new_echo
from noisemap.propagation.machine.sampling import (
    Reading,
    crosses_filled,
    foliage_length,
    new_reading,
    sample_ground,
    sample_terrain,
    terrain_height,
)
from noisemap.propagation.machine.sides import Heights, Sides, around, forget, new_sides

BEYOND_DISTANCE, BEYOND_HEIGHT, NEAR_GRAZING, FILLED_TERRAIN = 1, 2, 4, 8
INSIDE_BUILDING, FOLIAGE_COUNTED, MINIMUM_DISTANCE = 16, 32, 64

FIRST_ROOM = 16


@compiled_part
def _one_height(
    pair: int,
    h: int,
    hs: float,
    hr: float,
    terrain: Terrain,
    foliage_height: float,
    cover: Cover,
    cell: Int32Array,
    obstacles: Obstacles,
    source: int,
    receiver: int,
    line: Line,
    shared: Shared,
    wood: Int32Array,
    wooded: int,
    tops: int,
    profile: EvenProfile,
    bare_rise: float,
    edges: int,
    running: IntArray,
    meeting: Meeting,
    sides: Sides,
    lowest: float,
    highest: float,
    factors: HeightFactors,
    model: Model,
    spectrum: Spectrum,
    answer: Answer,
) -> int:
    """Finish the path of one source height; returns the flags it raises.

    `bare_rise` is how far the terrain rises above the sight line [m], `edges` how many
    edges the band over it has from the lowest source, 0 where it screens nothing.
    `lowest` and `highest` of all source heights decide whether a side serves them all.
    """
    steps, dp = line.steps, line.dp
    zs, zr = profile.z[0] + hs, profile.z[steps] + hr
    d = math.sqrt(dp * dp + (zr - zs) * (zr - zs))
    flag = 0
    rise = bare_rise
    for i in range(tops):
        rise = max(rise, meeting.top_z[i] - (zs + meeting.top_x[i] / dp * (zr - zs)))
    if abs(rise) < model.near_grazing:
        flag |= NEAR_GRAZING
    screen = Screen(0, 0.0, 0.0, 0.0, 0.0)
    if tops > 0:
        screen = object_screen(meeting, tops, profile, dp, zs, zr, edges)
    elif edges > 0:
        screen = band_screen(profile, edges, dp, zs, zr)
    closest = screen.z if screen.edges > 0 else -math.inf
    if closest < 0.0:
        closest = max(closest, nearest_below(profile, steps, dp, zs, zr))
    answer.grazing_z[pair, h] = closest
    if h == 0:
        answer.distance[pair] = d
        if d > model.valid_distance:
            flag |= BEYOND_DISTANCE
    foliage_m = 0.0
    if wooded > 0:
        foliage_m = foliage_length(foliage_height, line, profile.z, zs, zr, wood, wooded)
        if foliage_m >= model.foliage_lengths[0]:
            flag |= FOLIAGE_COUNTED
    value, bands = spectrum.value, model.alpha.shape[0]
    path_exponents(model, d, foliage_m, value)
    ground_exponents(model, factors, h, hs, hr, line, shared, running, value)
    if cover.any_cover:
        site_m, built_m = cover_lengths(cover, line, profile.z, zs, zr, cell)
        cover_exponents(model, site_m, built_m, value)
    top = 0.0
    if screen.edges == 0:
        for band in range(BANDS):
            value[band] += value[BANDS + band]
        exp_in_place(value, spectrum.bits, spectrum.whole, bands)
        for band in range(BANDS):
            top += value[band]
    else:
        exp_in_place(value, spectrum.bits, spectrum.whole, 2 * bands)
        for band in range(BANDS):
            spectrum.side[band] = 0.0
        if model.sides and tops > 0 and screen.z > 0.0 and bare_rise <= model.clearance:
            ends = Heights(zs, profile.z[0] + lowest, profile.z[0] + highest, zr)
            for side in (1.0, -1.0):
                way = around(
                    obstacles,
                    terrain,
                    line,
                    meeting,
                    tops,
                    sides,
                    ends,
                    side,
                    source,
                    receiver,
                )
                if way.edges > 0:
                    z = math.sqrt(way.plan * way.plan + (zr - zs) * (zr - zs)) - d
                    screen_shares(model, way.edges, z, way.e, spectrum.share)
                    for band in range(BANDS):
                        spectrum.side[band] += spectrum.share[band]
            for band in range(BANDS):
                spectrum.side[band] *= value[BANDS + band]
        apply_screen(model, screen, d, spectrum)
        for band in range(BANDS):
            top += value[band] * value[BANDS + band]
            value[band] *= value[BANDS + band] + spectrum.side[band]
    spread = model.spreading / (d * d)
    for band in range(BANDS):
        answer.t[pair, h, band] = spread * value[band]
    answer.top[pair, h] = spread * top
    cmet = meteorological_correction(model.c0, hs, hr, dp, model.clear_per_height)
    answer.cmet_factor[pair, h] = math.exp(-DB * cmet) if cmet > 0.0 else 1.0
    return flag


@compiled
def _farthest(
    x: float, y: float, sources: FloatArray, pair_source: IntArray, first: int, last: int
) -> float:
    """Longest plan distance of a receiver's pairs [m]."""
    farthest = 0.0
    for pair in range(first, last):
        m = pair_source[pair]
        dx, dy = x - sources[m, 0], y - sources[m, 1]
        farthest = max(farthest, math.sqrt(dx * dx + dy * dy))
    return farthest


class Scratch(NamedTuple):
    """What the paths of a receiver write on the way to their answers."""

    profile: EvenProfile
    reading: Reading
    running: IntArray  # sum of the ground factor up to each piece
    cell: Int32Array  # ground cell of each piece, where there is cover
    meeting: Meeting
    sides: Sides
    factors: HeightFactors
    spectrum: Spectrum
    echo: Echo


@compiled
def new_scratch(
    farthest: float, room: int, heights: int, terrain: Terrain, ground: Ground, cover: Cover,
    mirrors: Mirrors,
) -> Scratch:  # fmt: skip
    """Empty scratch for paths up to `farthest` [m] with `room` obstacles on each."""
    steps = int(farthest / terrain.cell) + 2
    pieces = int(farthest / (0.5 * ground.cell)) + 2
    return Scratch(
        new_profile(steps),
        new_reading(max(steps, pieces) + 1),
        np.empty(pieces + 1, dtype=np.int64),
        np.empty(pieces if cover.any_cover else 1, dtype=np.int32),
        new_meeting(room, steps),
        new_sides(),
        new_factors(heights),
        new_spectrum(),
        new_echo(
            farthest if mirrors.item.shape[0] > 0 else 0.0, room, terrain, ground, mirrors, heights
        ),
    )


@compiled_part
def one_pair(
    pair: int,
    m: int,
    point: int,
    x: float,
    y: float,
    hr: float,
    foot_r: float,
    sources: FloatArray,
    heights: FloatArray,
    terrain: Terrain,
    ground: Ground,
    cover: Cover,
    obstacles: Obstacles,
    mirrors: Mirrors,
    model: Model,
    scratch: Scratch,
    answer: Answer,
) -> int:
    """All paths of one pair; returns the room needed, 0 where that of the scratch was enough.

    `m` is the source and `point` the receiver's place in the list of points; the
    factors in the scratch are those of the receiver's height.
    """
    inside = obstacles.inside_pointer
    profile, reading, running = scratch.profile, scratch.reading, scratch.running
    meeting, spectrum = scratch.meeting, scratch.spectrum
    sx, sy = sources[m, 0], sources[m, 1]
    dx, dy = x - sx, y - sy
    dp = math.sqrt(dx * dx + dy * dy)
    flag = 0
    if inside[point] < inside[point + 1] or inside[m] < inside[m + 1]:
        flag |= INSIDE_BUILDING
    if dp < model.minimum_distance:
        flag |= MINIMUM_DISTANCE
        line = Line(sx, sy, dx, dy, model.minimum_distance, 1, 1)
    else:
        steps = max(1, ceiling_of(dp / terrain.cell))
        line = Line(sx, sy, dx, dy, dp, steps, max(1, ceiling_of(dp / (0.5 * ground.cell))))
    profile.z[0] = sources[m, 2]
    profile.z[line.steps] = foot_r
    sample_terrain(terrain, line, reading, profile.z)
    wooded = sample_ground(ground, line, reading, running)
    if cover.any_cover:
        way = Course(sx, sy, dx, dy, sx, sy, dx, dy, 1.0)
        course_cells(ground, way, line.pieces, scratch.cell)
    if terrain.any_filled and crosses_filled(terrain, line):
        flag |= FILLED_TERRAIN
    tops = 0
    if obstacles.edges.shape[0] > 0 and dp >= model.minimum_distance:
        found = find_crossings(obstacles, line, meeting)
        if found > meeting.along.shape[0]:
            return found
        tops = object_tops(obstacles, terrain, line, meeting, found, m, point)
    above = 0.5 * (profile.z[0] + foot_r + hr) - mean_height(profile.z, line.steps)
    shared = far_ground(model, scratch.factors, hr, line, running)
    forget(scratch.sides)
    lowest, highest = heights[0], heights[0]
    for h in range(1, heights.shape[0]):
        lowest, highest = min(lowest, heights[h]), max(highest, heights[h])
    edges = 0
    zr = foot_r + hr
    for h in range(heights.shape[0]):
        hs = heights[h]
        if above + 0.5 * hs > model.valid_height:
            flag |= BEYOND_HEIGHT
        zs = profile.z[0] + hs
        rise = rise_of_band(profile, edges, line.dp, zs, zr)
        if rise <= 0.0:
            rise = rise_above_line(profile, line.steps, zs, zr)
        if edges == 0 and rise > model.clearance:
            edges = stretch_band(profile, line.steps, line.dp, profile.z[0] + lowest, zr)
        flag |= _one_height(
            pair,
            h,
            hs,
            hr,
            terrain,
            ground.foliage_height,
            cover,
            scratch.cell,
            obstacles,
            m,
            point,
            line,
            shared,
            reading.wood,
            wooded,
            tops,
            profile,
            rise,
            edges if rise > model.clearance else 0,
            running,
            meeting,
            scratch.sides,
            lowest,
            highest,
            scratch.factors,
            model,
            spectrum,
            answer,
        )
    answer.flags[pair] = flag
    if mirrors.item.shape[0] > 0 and dp >= model.minimum_distance:
        return add_reflections(
            pair,
            m,
            point,
            line,
            x,
            y,
            hr,
            sources[m, 2],
            foot_r,
            heights,
            terrain,
            ground,
            cover,
            obstacles,
            mirrors,
            model,
            scratch.factors,
            scratch.echo,
            spectrum,
            answer,
        )
    return 0


@compiled_part
def _pairs_from(
    first: int,
    last: int,
    receiver: int,
    receivers: FloatArray,
    sources: FloatArray,
    heights: FloatArray,
    pair_source: IntArray,
    terrain: Terrain,
    ground: Ground,
    cover: Cover,
    obstacles: Obstacles,
    mirrors: Mirrors,
    model: Model,
    scratch: Scratch,
    answer: Answer,
) -> tuple[int, int]:
    """Pairs of a receiver up to one that needs more room; returns that pair and the room."""
    x, y, hr = receivers[receiver, 0], receivers[receiver, 1], receivers[receiver, 2]
    fill_factors(hr, heights, model.table3, scratch.factors)
    foot_r = terrain_height(terrain, x, y)
    for pair in range(first, last):
        needed = one_pair(
            pair,
            pair_source[pair],
            sources.shape[0] + receiver,
            x,
            y,
            hr,
            foot_r,
            sources,
            heights,
            terrain,
            ground,
            cover,
            obstacles,
            mirrors,
            model,
            scratch,
            answer,
        )
        if needed > 0:
            return pair, needed
    return last, 0


@compiled
def _one_receiver(
    receiver: int,
    receivers: FloatArray,
    sources: FloatArray,
    heights: FloatArray,
    first: int,
    last: int,
    pair_source: IntArray,
    terrain: Terrain,
    ground: Ground,
    cover: Cover,
    obstacles: Obstacles,
    mirrors: Mirrors,
    model: Model,
    answer: Answer,
) -> None:
    """All paths of one receiver."""
    x, y = receivers[receiver, 0], receivers[receiver, 1]
    farthest = _farthest(x, y, sources, pair_source, first, last)
    pair, room = first, FIRST_ROOM
    while pair < last:
        scratch = new_scratch(farthest, room, heights.shape[0], terrain, ground, cover, mirrors)
        pair, needed = _pairs_from(
            pair,
            last,
            receiver,
            receivers,
            sources,
            heights,
            pair_source,
            terrain,
            ground,
            cover,
            obstacles,
            mirrors,
            model,
            scratch,
            answer,
        )
        room = 2 * needed


@compiled_parallel
def all_receivers(
    receivers: FloatArray,
    sources: FloatArray,
    heights: FloatArray,
    pair_pointer: IntArray,
    pair_source: IntArray,
    terrain: Terrain,
    ground: Ground,
    cover: Cover,
    obstacles: Obstacles,
    mirrors: Mirrors,
    model: Model,
    answer: Answer,
) -> None:
    """Fill the answer for every receiver; receivers are shared among the threads."""
    for receiver in prange(receivers.shape[0]):
        _one_receiver(
            receiver,
            receivers,
            sources,
            heights,
            pair_pointer[receiver],
            pair_pointer[receiver + 1],
            pair_source,
            terrain,
            ground,
            cover,
            obstacles,
            mirrors,
            model,
            answer,
        )
