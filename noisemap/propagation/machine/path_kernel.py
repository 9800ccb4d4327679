"""The compiled loop over all paths of a job, in linear quantities.

For one path and band the plain sum of `attenuation` becomes

    T = 10^(-A/10) = 10^(-11/10) / d^2 * e^(-k alpha d) * F * e^(-k Afol)

with k = ln(10)/10 and F the joint factor of ground and screen.  With
g = 10^(-Agr/10) and s = max(10^(-cap/10), 1 / [3 + (C2/lambda) C3 z Kmet]):

    clear                F = g
    literal reading      F = min(g, s)             since Agr + max(Dz - Agr, 0) = max(Agr, Dz)
    positive reading     F = max(g, 1) min(min(g, 1), s)

so that no logarithm is taken.  Every other expression is the shared code of
`cores`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import prange

from noisemap.propagation.machine.compiled import compiled, compiled_parallel
from noisemap.propagation.machine.cores import (
    C3_SPREAD,
    KMET_LENGTH,
    detour,
    edge_factor,
    end_region,
    foliage_band,
    highest_object_below,
    hump_distance_factor,
    hump_height_factor,
    merge_objects,
    meteorological_correction,
    meteorological_factor,
    middle_region,
    middle_weight,
    point_detour,
    screen_argument,
    tail_distance_factor,
    tail_height_factor,
    upper_hull,
)
from noisemap.propagation.machine.crossings import Meeting, find_crossings, new_meeting, object_tops
from noisemap.propagation.machine.fast_exp import exp_in_place
from noisemap.propagation.machine.job import (
    Answer,
    BoolArray,
    FloatArray,
    Ground,
    IntArray,
    Line,
    Model,
    Obstacles,
    Terrain,
)
from noisemap.propagation.machine.sampling import (
    crosses_filled,
    foliage_length,
    mean_height,
    nearest_below,
    region_factor,
    rise_above_line,
    sample_ground,
    sample_terrain,
    terrain_height,
)

BEYOND_DISTANCE, BEYOND_HEIGHT, NEAR_GRAZING, FILLED_TERRAIN = 1, 2, 4, 8
INSIDE_BUILDING, FOLIAGE_COUNTED, MINIMUM_DISTANCE = 16, 32, 64

BANDS = 8
DB = math.log(10.0) / 10.0
FIRST_ROOM = 16


class Profile(NamedTuple):
    """Scratch of one receiver: a profile of equal steps and its running ground factor."""

    x: FloatArray  # [m]
    z: FloatArray  # [m]
    no_object: BoolArray
    inverse: FloatArray  # 1/i
    stack: IntArray
    running: FloatArray


class HeightFactors(NamedTuple):
    """Height parts of Table 3 [dB]: of the receiver (8,), of the source heights (k, 8)."""

    hump_r: FloatArray
    tail_r: FloatArray
    hump_s: FloatArray
    tail_s: FloatArray


class Spectrum(NamedTuple):
    """Scratch for the exponentials: eight bands of the path, eight of the ground."""

    value: FloatArray
    whole: FloatArray
    bits: IntArray


class Shared(NamedTuple):
    """Ground quantities of a path that all source heights share."""

    hump: float  # distance factor of the humps of Table 3 [1]
    tail: float  # distance factor of the tail of Table 3 [1]
    receiver_mean: float  # ground factor of the receiver region [1]
    reach_r: float  # its length [m]


class Screen(NamedTuple):
    """What stands between the ends: edges 0 means clear, z below 0 an object below the line."""

    edges: int
    z: float  # [m]
    dss: float
    e: float
    dsr: float


@compiled
def _new_profile(steps: int, pieces: int) -> Profile:
    inverse = np.zeros(steps + 1)
    for i in range(1, steps + 1):
        inverse[i] = 1.0 / i
    return Profile(
        np.empty(steps + 1),
        np.empty(steps + 1),
        np.zeros(steps + 1, dtype=np.bool_),
        inverse,
        np.empty(steps + 1, dtype=np.int64),
        np.empty(pieces + 1),
    )


@compiled
def _height_factors(hr: float, heights: FloatArray, table3: FloatArray) -> HeightFactors:
    hump_r = np.empty(BANDS)
    tail_r = np.empty(BANDS)
    hump_s = np.empty((heights.shape[0], BANDS))
    tail_s = np.empty((heights.shape[0], BANDS))
    for band in range(BANDS):
        hump_r[band] = hump_height_factor(hr, table3[band])
        tail_r[band] = tail_height_factor(hr, table3[band])
        for h in range(heights.shape[0]):
            hump_s[h, band] = hump_height_factor(heights[h], table3[band])
            tail_s[h, band] = tail_height_factor(heights[h], table3[band])
    return HeightFactors(hump_r, tail_r, hump_s, tail_s)


@compiled
def _terrain_edges(profile: Profile, steps: int) -> int:
    """Hull edges of a bare profile, searched only between its outermost edges.

    The first edge has the steepest view from the source, the last one from the
    receiver: points before and after them lie under the band.
    """
    z = profile.z
    first, last = 1, 1
    steepest = -math.inf
    for i in range(1, steps):
        slope = (z[i] - z[0]) * profile.inverse[i]
        if slope > steepest:
            steepest = slope
            first = i
    steepest = -math.inf
    for i in range(1, steps):
        slope = (z[steps - i] - z[steps]) * profile.inverse[i]
        if slope > steepest:
            steepest = slope
            last = steps - i
    return upper_hull(
        profile.x, z, profile.no_object, min(first, last), max(first, last), steps, profile.stack
    )


@compiled
def _bare_screen(profile: Profile, steps: int, zs: float, zr: float) -> Screen:
    """Screen of a terrain profile that rises above the sight line somewhere."""
    foot_s, foot_r = profile.z[0], profile.z[steps]
    profile.z[0], profile.z[steps] = zs, zr
    edges = _terrain_edges(profile, steps)
    z, dss, e, dsr = 0.0, 0.0, 0.0, 0.0
    if edges > 0:
        z, dss, e, dsr, _ = detour(profile.x, profile.z, profile.stack, edges)
    profile.z[0], profile.z[steps] = foot_s, foot_r
    return Screen(edges, z, dss, e, dsr)


@compiled
def _object_screen(meeting: Meeting, merged: int, zs: float, zr: float) -> Screen:
    """Screen of a profile merged with object tops."""
    x, z = meeting.x, meeting.z
    end = merged - 1
    z[0], z[end] = zs, zr
    edges = upper_hull(x, z, meeting.is_object, 1, end - 1, end, meeting.stack)
    if edges > 0:
        longer, dss, e, dsr, _ = detour(x, z, meeting.stack, edges)
        return Screen(edges, longer, dss, e, dsr)
    top = highest_object_below(x, z, meeting.is_object, end)
    if top > 0:
        below = -point_detour(x[0], zs, x[top], z[top], x[end], zr)
        return Screen(1, below, 0.0, 0.0, 0.0)
    return Screen(0, 0.0, 0.0, 0.0, 0.0)


@compiled
def _ground_exponents(
    model: Model,
    factors: HeightFactors,
    h: int,
    hs: float,
    hr: float,
    line: Line,
    shared: Shared,
    running: FloatArray,
    value: FloatArray,
) -> None:
    """Fill -k Agr of the eight bands into the second half of `value` (Table 3)."""
    dp = line.dp
    reach_s = min(model.region_per_height * hs, dp)
    source_mean = region_factor(running, line, 0.0, reach_s)
    q = middle_weight(dp, hs, hr, model.region_per_height)
    middle_mean = 0.0
    if q > 0.0:
        middle_mean = region_factor(running, line, reach_s, dp - shared.reach_r)
    hump, tail = shared.hump, shared.tail
    for band in range(BANDS):
        row = model.table3[band]
        a_s = end_region(
            source_mean, row, factors.hump_s[h, band], hump, factors.tail_s[h, band], tail
        )
        a_r = end_region(
            shared.receiver_mean, row, factors.hump_r[band], hump, factors.tail_r[band], tail
        )
        value[BANDS + band] = -DB * (a_s + a_r + middle_region(q, middle_mean, row))


@compiled
def _path_exponents(model: Model, d: float, foliage_m: float, value: FloatArray) -> None:
    """Fill -k (alpha d + Afol) of the eight bands into the first half of `value`."""
    for band in range(BANDS):
        value[band] = -DB * model.alpha[band] * d
    if foliage_m > 0.0:
        short, long = model.foliage_rows[0], model.foliage_rows[1]
        shortest, change, longest = model.foliage_lengths
        for band in range(BANDS):
            value[band] -= DB * foliage_band(
                foliage_m, short[band], long[band], shortest, change, longest
            )


@compiled
def _apply_screen(model: Model, screen: Screen, d: float, value: FloatArray) -> None:
    """Multiply the first half of `value` by F; the second half holds g."""
    kmet = meteorological_factor(screen.z, screen.dss, screen.dsr, d, model.screen[KMET_LENGTH])
    floor = model.floor_double if screen.edges > 1 else model.floor_single
    for band in range(BANDS):
        c3 = 1.0
        if screen.edges > 1:
            c3 = edge_factor(screen.e, model.wavelength[band], model.screen[C3_SPREAD])
        g = value[BANDS + band]
        joint = g
        argument = screen_argument(screen.z * kmet, c3, model.wavelength[band], model.screen)
        if argument > 1.0:
            s = max(floor, 1.0 / argument)
            joint = max(g, 1.0) * min(g, 1.0, s) if model.positive else min(g, s)
        value[band] *= joint


@compiled
def _one_height(
    pair: int,
    h: int,
    hs: float,
    hr: float,
    ground: Ground,
    line: Line,
    shared: Shared,
    tops: int,
    merged: int,
    profile: Profile,
    meeting: Meeting,
    factors: HeightFactors,
    model: Model,
    spectrum: Spectrum,
    answer: Answer,
) -> int:
    """Finish the path of one source height; returns the flags it raises."""
    steps, dp = line.steps, line.dp
    zs, zr = profile.z[0] + hs, profile.z[steps] + hr
    d = math.sqrt(dp * dp + (zr - zs) * (zr - zs))
    flag = 0
    rise = rise_above_line(profile.z, steps, zs, zr)
    bare_rise = rise
    for i in range(tops):
        rise = max(rise, meeting.top_z[i] - (zs + meeting.top_x[i] / dp * (zr - zs)))
    if abs(rise) < model.near_grazing:
        flag |= NEAR_GRAZING
    screen = Screen(0, 0.0, 0.0, 0.0, 0.0)
    if tops > 0:
        screen = _object_screen(meeting, merged, zs, zr)
    elif bare_rise > 0.0:
        screen = _bare_screen(profile, steps, zs, zr)
    closest = screen.z if screen.edges > 0 else -math.inf
    if closest < 0.0:
        i = nearest_below(profile.z, steps, zs, zr, profile.inverse)
        if i > 0:
            closest = max(closest, -point_detour(0.0, zs, profile.x[i], profile.z[i], dp, zr))
    answer.grazing_z[pair, h] = closest
    if h == 0:
        answer.distance[pair] = d
        if d > model.valid_distance:
            flag |= BEYOND_DISTANCE
    foliage_m = 0.0
    if ground.any_foliage:
        foliage_m = foliage_length(ground, line, profile.z, zs, zr)
        if foliage_m >= model.foliage_lengths[0]:
            flag |= FOLIAGE_COUNTED
    value = spectrum.value
    _path_exponents(model, d, foliage_m, value)
    _ground_exponents(model, factors, h, hs, hr, line, shared, profile.running, value)
    if screen.edges == 0:
        for band in range(BANDS):
            value[band] += value[BANDS + band]
        exp_in_place(value, spectrum.bits, spectrum.whole, BANDS)
    else:
        exp_in_place(value, spectrum.bits, spectrum.whole, 2 * BANDS)
        _apply_screen(model, screen, d, value)
    spread = model.spreading / (d * d)
    for band in range(BANDS):
        answer.t[pair, h, band] = spread * value[band]
    cmet = meteorological_correction(model.c0, hs, hr, dp, model.clear_per_height)
    answer.cmet_factor[pair, h] = math.exp(-DB * cmet)
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
    obstacles: Obstacles,
    model: Model,
    answer: Answer,
) -> None:
    """All paths of one receiver."""
    x, y, hr = receivers[receiver, 0], receivers[receiver, 1], receivers[receiver, 2]
    point = sources.shape[0] + receiver
    inside = obstacles.inside_pointer
    farthest = _farthest(x, y, sources, pair_source, first, last)
    half_cell = 0.5 * ground.cell
    most_steps = int(farthest / terrain.cell) + 2
    profile = _new_profile(most_steps, int(farthest / half_cell) + 2)
    meeting = new_meeting(FIRST_ROOM, most_steps)
    factors = _height_factors(hr, heights, model.table3)
    whole = np.empty(2 * BANDS)
    spectrum = Spectrum(np.empty(2 * BANDS), whole, whole.view(np.int64))
    foot_r = terrain_height(terrain, x, y)
    for pair in range(first, last):
        m = pair_source[pair]
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
            steps = max(1, math.ceil(dp / terrain.cell))
            line = Line(sx, sy, dx, dy, dp, steps, max(1, math.ceil(dp / half_cell)))
        step = line.dp / line.steps
        for i in range(line.steps):
            profile.x[i] = i * step
        profile.x[line.steps] = line.dp
        profile.z[0] = sources[m, 2]
        profile.z[line.steps] = foot_r
        sample_terrain(terrain, line, profile.z)
        sample_ground(ground, line, profile.running)
        if terrain.any_filled and crosses_filled(terrain, line):
            flag |= FILLED_TERRAIN
        tops, merged = 0, 0
        if obstacles.edges.shape[0] > 0 and dp >= model.minimum_distance:
            found = find_crossings(obstacles, line, meeting)
            if found > meeting.along.shape[0]:
                meeting = new_meeting(2 * found, most_steps)
                found = find_crossings(obstacles, line, meeting)
            tops = object_tops(obstacles, terrain, line, meeting, found, m, point)
            if tops > 0:
                merged = merge_objects(
                    profile.x,
                    profile.z,
                    line.steps + 1,
                    meeting.top_x,
                    meeting.top_z,
                    tops,
                    meeting.x,
                    meeting.z,
                    meeting.is_object,
                )
        above = 0.5 * (profile.z[0] + foot_r + hr) - mean_height(profile.z, line.steps)
        reach_r = min(model.region_per_height * hr, line.dp)
        shared = Shared(
            hump_distance_factor(line.dp, model.reach),
            tail_distance_factor(line.dp, model.tail_rate),
            region_factor(profile.running, line, line.dp - reach_r, line.dp),
            reach_r,
        )
        for h in range(heights.shape[0]):
            hs = heights[h]
            if above + 0.5 * hs > model.valid_height:
                flag |= BEYOND_HEIGHT
            flag |= _one_height(
                pair,
                h,
                hs,
                hr,
                ground,
                line,
                shared,
                tops,
                merged,
                profile,
                meeting,
                factors,
                model,
                spectrum,
                answer,
            )
        answer.flags[pair] = flag


@compiled_parallel
def all_receivers(
    receivers: FloatArray,
    sources: FloatArray,
    heights: FloatArray,
    pair_pointer: IntArray,
    pair_source: IntArray,
    terrain: Terrain,
    ground: Ground,
    obstacles: Obstacles,
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
            obstacles,
            model,
            answer,
        )
