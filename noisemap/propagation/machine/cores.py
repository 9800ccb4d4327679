"""Compiled scalar cores: the arithmetic that the plain terms and the map kernel share.

Each function is one published expression on plain numbers or arrays.  The
readable modules beside this one (`ground`, `screening`, `meteorology`,
`vegetation`) give them units, checks and coefficients; the map kernel calls
the same compiled code.  Coefficients arrive as arguments, because compiled code
that is kept on disk would freeze them; `terms` holds the arrays.  `row` is one
band of the ground table, `screen` the numbers of the screening formula.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from noisemap.propagation.machine.compiled import compiled

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

# Places in a row of the ground table.
END_BASE, END_MIXED, HUMP, HUMP_DECAY, HUMP_HEIGHT = 0, 1, 2, 3, 4
REACH, TAIL, TAIL_DECAY, TAIL_RATE, MIDDLE_BASE, MIDDLE_SHARE = 5, 6, 7, 8, 9, 10

# Places in the numbers of the screening formula.
C1, C2, C3_SPREAD, KMET_LENGTH, CAP_SINGLE, CAP_DOUBLE = 0, 1, 2, 3, 4, 5

SLOPE_TIE = 1e-12
"""Slopes closer than this count as equal: collinear points [1]."""

SAME_PLACE_M = 1e-6
"""Profile points closer than this along the path are one point [m]."""


@compiled
def floor_of(x: float) -> int:
    """Greatest whole number that is not above a number; some compilers hand back a float."""
    return int(math.floor(x))  # noqa: RUF046


@compiled
def ceiling_of(x: float) -> int:
    """Least whole number that is not below a number."""
    return int(math.ceil(x))  # noqa: RUF046


@compiled
def hump_height_factor(height: float, row: FloatArray) -> float:
    """Height part of the first exponential of a', b', c' or d' (Table 3) [dB]."""
    above = height - row[HUMP_HEIGHT]
    return float(row[HUMP] * math.exp(-row[HUMP_DECAY] * above * above))


@compiled
def tail_height_factor(height: float, row: FloatArray) -> float:
    """Height part of the second exponential of a' (Table 3) [dB]."""
    return float(row[TAIL] * math.exp(-row[TAIL_DECAY] * height * height))


@compiled
def hump_distance_factor(dp: float, reach: float) -> float:
    """Distance part of the first exponential of a', b', c' or d' (Table 3) [1]."""
    return 1.0 - math.exp(-dp / reach)


@compiled
def tail_distance_factor(dp: float, rate: float) -> float:
    """Distance part of the second exponential of a' (Table 3) [1]."""
    return 1.0 - math.exp(-rate * dp * dp)


@compiled
def end_region(
    factor: float,
    base: float,
    mixed: float,
    hump_height: float,
    hump_distance: float,
    tail_height: float,
    tail_distance: float,
) -> float:
    """As or Ar of one band (Table 3): base + G (mixed + hump + tail) [dB]."""
    return base + factor * (mixed + hump_height * hump_distance + tail_height * tail_distance)


@compiled
def middle_weight(dp: float, hs: float, hr: float, per_height: float) -> float:
    """Overlap number q of the middle region (Table 3) [1]."""
    ends = per_height * (hs + hr)
    if dp <= ends:
        return 0.0
    return 1.0 - ends / dp


@compiled
def middle_region(q: float, factor: float, base: float, share: float) -> float:
    """Am of one band (Table 3): -3 q at 63 Hz, -3 q (1 - Gm) above [dB]."""
    return base * q * (1.0 - share * factor)


@compiled
def mean_factor(
    start: FloatArray, end: FloatArray, factor: FloatArray, low: float, high: float
) -> float:
    """Length-weighted ground factor between two places on the path [1]."""
    total = 0.0
    for i in range(start.shape[0]):
        overlap = min(end[i], high) - max(start[i], low)
        if overlap > 0.0:
            total += overlap * factor[i]
    return float(total / (high - low))


@compiled
def meteorological_correction(
    c0: float, hs: float, hr: float, dp: float, per_height: float
) -> float:
    """Cmet (eq. 21, 22) [dB]."""
    clear = per_height * (hs + hr)
    if dp <= clear:
        return 0.0
    return c0 * (1.0 - clear / dp)


@compiled
def foliage_band(
    length: float, short: float, per_metre: float, shortest: float, change: float, longest: float
) -> float:
    """Afol of one band for a path length through dense foliage (Table A.1) [dB]."""
    if length < shortest:
        return 0.0
    if length <= change:
        return short
    return per_metre * min(length, longest)


@compiled
def merge_objects(
    x: FloatArray,
    z: FloatArray,
    count: int,
    object_x: FloatArray,
    object_z: FloatArray,
    objects: int,
    out_x: FloatArray,
    out_z: FloatArray,
    out_object: BoolArray,
) -> int:
    """One profile from terrain points and object tops, both sorted along the path.

    Of points at the same place only the highest stays, and an object before a
    terrain point of the same height.  End points (first and last of `x`) are
    never replaced; objects at the place of an end point are left out.
    """
    n = 0
    i = 0
    j = 0
    last = x[count - 1]
    while i < count or j < objects:
        take_object = j < objects and (i >= count or object_x[j] < x[i])
        if take_object:
            px, pz = object_x[j], object_z[j]
            j += 1
            if px - x[0] <= SAME_PLACE_M or last - px <= SAME_PLACE_M:
                continue
        else:
            px, pz = x[i], z[i]
            i += 1
        at_end = not take_object and (i == 1 or i == count)
        if n > 1 and not at_end and px - out_x[n - 1] <= SAME_PLACE_M:
            higher = pz > out_z[n - 1] or (take_object and pz == out_z[n - 1])
            if not higher:
                continue
            n -= 1
        out_x[n] = px
        out_z[n] = pz
        out_object[n] = take_object
        n += 1
    return n


@compiled
def upper_hull(
    x: FloatArray,
    z: FloatArray,
    is_object: BoolArray,
    first: int,
    last: int,
    end: int,
    stack: IntArray,
) -> int:
    """Edges touched by a band stretched over the profile from point 0 to point `end`.

    `z[0]` and `z[end]` are source and receiver, points `first..last` may become
    edges.  Fills `stack` with 0, the edges, `end`; returns the number of edges.
    A terrain point on the straight line between its neighbours is dropped, the
    top of an object that touches the band counts (conventions C8, C13).  Slopes
    are compared without dividing.
    """
    stack[0] = 0
    top = 0
    for step in range(first, last + 2):
        point = step if step <= last else end
        while top > 0:
            a = stack[top - 1]
            b = stack[top]
            to_b = x[b] - x[a]
            beyond = x[point] - x[b]
            tie = -SLOPE_TIE if is_object[b] else SLOPE_TIE
            if (z[b] - z[a]) * beyond > ((z[point] - z[b]) + tie * beyond) * to_b:
                break
            top -= 1
        top += 1
        stack[top] = point
    return top - 1


@compiled
def detour(
    x: FloatArray, z: FloatArray, stack: IntArray, edges: int
) -> tuple[float, float, float, float, float]:
    """z, dss, e, dsr and d of a path over the edges of a hull [m].

    The path difference is summed leg by leg as q^2 / (leg + projection), q the
    part of a leg across the straight line, so that small differences of long
    paths keep their digits.
    """
    start = stack[0]
    stop = stack[edges + 1]
    dx = x[stop] - x[start]
    dz = z[stop] - z[start]
    d = math.sqrt(dx * dx + dz * dz)
    ux = dx / d
    uz = dz / d
    longer = 0.0
    dss = 0.0
    dsr = 0.0
    e = 0.0
    for i in range(edges + 1):
        a = stack[i]
        b = stack[i + 1]
        lx = x[b] - x[a]
        lz = z[b] - z[a]
        leg = math.sqrt(lx * lx + lz * lz)
        along = lx * ux + lz * uz
        across = lz * ux - lx * uz
        longer += across * across / (leg + along)
        if i == 0:
            dss = leg
        elif i == edges:
            dsr = leg
        else:
            e += leg
    return longer, dss, e, dsr, d


@compiled
def point_detour(x0: float, z0: float, px: float, pz: float, x1: float, z1: float) -> float:
    """Path difference dss + dsr - d over one point, never negative [m]."""
    dx = x1 - x0
    dz = z1 - z0
    d = math.sqrt(dx * dx + dz * dz)
    ux = dx / d
    uz = dz / d
    longer = 0.0
    for i in range(2):
        lx = px - x0 if i == 0 else x1 - px
        lz = pz - z0 if i == 0 else z1 - pz
        leg = math.sqrt(lx * lx + lz * lz)
        along = lx * ux + lz * uz
        across = lz * ux - lx * uz
        longer += across * across / (leg + along)
    return longer


@compiled
def highest_object_below(x: FloatArray, z: FloatArray, is_object: BoolArray, end: int) -> int:
    """Object top with the smallest detour below a clear line of sight; 0 if none (C12)."""
    best = 0
    smallest = math.inf
    for i in range(1, end):
        if is_object[i]:
            longer = point_detour(x[0], z[0], x[i], z[i], x[end], z[end])
            if longer < smallest:
                smallest = longer
                best = i
    return best


@compiled
def meteorological_factor(z: float, dss: float, dsr: float, d: float, length: float) -> float:
    """Kmet (eq. 18), 1 for z <= 0 [1]."""
    if z <= 0.0:
        return 1.0
    return math.exp(-math.sqrt(dss * dsr * d / (2.0 * z)) / length)


@compiled
def edge_reach(wavelength: float, spread: float) -> float:
    """The (5 lambda)^2 of C3 (eq. 15) [m2]."""
    reach = spread * wavelength
    return reach * reach


@compiled
def edge_parts(e: float, reach: float) -> tuple[float, float]:
    """Numerator and denominator of C3 (eq. 15), both times e^2: equal for e = 0 [m2]."""
    return e * e + reach, e * e / 3.0 + reach


@compiled
def edge_factor(e: float, wavelength: float, spread: float) -> float:
    """C3 (eq. 15) for two or more edges e apart, written without a division by e [1]."""
    above, below = edge_parts(e, edge_reach(wavelength, spread))
    return float(above / below)


@compiled
def screen_argument(weighted_z: float, c3: float, c1: float, c2_by_wavelength: float) -> float:
    """The bracket of Dz = 10 lg [3 + (C2/lambda) C3 z Kmet] (eq. 14) [1]."""
    return c1 + c2_by_wavelength * c3 * weighted_z


@compiled
def screen_share(
    weighted_z: float, above: float, below: float, c1: float, c2_by_wavelength: float
) -> float:
    """What a screen lets through, 1 / bracket of eq. 14 with C3 = above / below [1].

    Infinite where the bracket is 1 or less: Dz is 0 there.
    """
    bracket = c1 * below + c2_by_wavelength * above * weighted_z
    return below / bracket if bracket > below else math.inf
