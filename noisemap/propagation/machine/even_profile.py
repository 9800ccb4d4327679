"""Compiled screening by a terrain profile of equal steps.

The band that is stretched over the terrain from the lowest source serves all source
heights: the receiver's end is theirs all, and a higher source touches the same band
farther on.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from noisemap.propagation.machine.compiled import compiled, compiled_part
from noisemap.propagation.machine.cores import SLOPE_TIE, point_detour
from noisemap.propagation.machine.job import FloatArray, IntArray

ONE = np.uint64(1)


class EvenProfile(NamedTuple):
    """Scratch of one receiver for profiles of equal steps."""

    z: FloatArray  # heights, at the ends those of the feet [m]
    ramp: FloatArray  # 0, 1, 2 ...
    inverse: FloatArray  # 1/i
    stack: IntArray
    near: FloatArray  # a figure of each point or leg, such as its slope from the source
    far: FloatArray  # from the receiver
    band_x: FloatArray  # source, edges and receiver of the band, along the path [m]
    band_z: FloatArray  # their heights [m]


class Screen(NamedTuple):
    """What stands between the ends: edges 0 means clear, z below 0 an object below the line."""

    edges: int
    z: float  # [m]
    dss: float
    e: float
    dsr: float


@compiled
def new_profile(steps: int) -> EvenProfile:
    """Empty scratch for profiles of up to `steps` steps."""
    size = steps + 1
    ramp = np.arange(size).astype(np.float64)
    inverse = np.zeros(size)
    inverse[1:] = 1.0 / ramp[1:]
    return EvenProfile(
        np.empty(size),
        ramp,
        inverse,
        np.empty(size, dtype=np.int64),
        np.empty(size),
        np.empty(size),
        np.empty(size),
        np.empty(size),
    )


@compiled_part
def mean_height(z: FloatArray, steps: int) -> float:
    """Mean height of a profile [m]; four sums side by side are faster."""
    a = 0.5 * (z[0] + z[steps])
    b, c, d = 0.0, 0.0, 0.0
    i = 1
    while i + 3 < steps:
        a += z[i]
        b += z[i + 1]
        c += z[i + 2]
        d += z[i + 3]
        i += 4
    while i < steps:
        a += z[i]
        i += 1
    return float(((a + b) + (c + d)) / steps)


@compiled_part
def _greatest(value: FloatArray, steps: int) -> float:
    """Greatest figure of the interior points; four side by side are faster."""
    a, b, c, d = -math.inf, -math.inf, -math.inf, -math.inf
    i = 1
    while i + 3 < steps:
        a = value[i] if value[i] > a else a
        b = value[i + 1] if value[i + 1] > b else b
        c = value[i + 2] if value[i + 2] > c else c
        d = value[i + 3] if value[i + 3] > d else d
        i += 4
    while i < steps:
        a = value[i] if value[i] > a else a
        i += 1
    return max(max(a, b), max(c, d))


@compiled_part
def rise_above_line(profile: EvenProfile, steps: int, zs: float, zr: float) -> float:
    """Greatest height of the interior points above the sight line [m]; -inf without any."""
    z, ramp, above = profile.z, profile.ramp, profile.near
    slope = (zr - zs) / steps
    for i in range(1, steps):
        above[i] = z[i] - (zs + ramp[i] * slope)
    return _greatest(above, steps)


@compiled_part
def nearest_below(profile: EvenProfile, steps: int, dp: float, zs: float, zr: float) -> float:
    """Least detour over an interior point below a clear line, negative; -inf without any [m].

    The point is found by the leading term q^2 (1/x + 1/(dp - x)) of the detour, q the
    height below the line.
    """
    z, ramp, inverse, size = profile.z, profile.ramp, profile.inverse, profile.near
    slope = (zr - zs) / steps
    back = np.uint64(steps - 1)
    for i in range(1, steps):
        below = z[i] - (zs + ramp[i] * slope)
        size[i] = -(below * below * (inverse[i] + inverse[back]))
        back -= ONE
    least = _greatest(size, steps)
    for i in range(1, steps):
        if size[i] == least:
            return -point_detour(0.0, zs, i * dp / steps, z[i], dp, zr)
    return -math.inf


@compiled_part
def _outermost(profile: EvenProfile, steps: int, zs: float, zr: float) -> tuple[int, int]:
    """First and last edge: the points seen steepest from the source and from the receiver."""
    z, inverse, near, far = profile.z, profile.inverse, profile.near, profile.far
    back = np.uint64(steps - 1)
    for i in range(1, steps):
        near[i] = (z[i] - zs) * inverse[i]
        far[i] = (z[i] - zr) * inverse[back]
        back -= ONE
    steepest = _greatest(near, steps)
    first = ONE
    while near[first] != steepest:
        first += ONE
    steepest = _greatest(far, steps)
    last = np.uint64(steps - 1)
    while far[last] != steepest:
        last -= ONE
    a, b = int(np.int64(first)), int(np.int64(last))
    return min(a, b), max(a, b)


@compiled_part
def stretch_band(profile: EvenProfile, steps: int, dp: float, zs: float, zr: float) -> int:
    """Edges of the band stretched over the profile (C8), as `cores.upper_hull` finds them.

    Fills the places of source, edges and receiver.  Only points that stand out between
    their neighbours can be edges.
    """
    z, ramp, stack = profile.z, profile.ramp, profile.stack
    band_x, band_z = profile.band_x, profile.band_z
    step = dp / steps
    first, last = _outermost(profile, steps, zs, zr)
    count = np.uint64(0)
    before, i = np.uint64(first), np.uint64(first + 1)
    for _ in range(first + 1, last):
        stack[count] = i
        after = i + ONE
        count += np.uint64(z[i] + z[i] > z[before] + z[after])
        before, i = i, after
    stack[count] = last
    count += np.uint64(last > first)
    xa, za = 0.0, zs
    xb, zb = ramp[first] * step, z[first]
    band_x[0], band_z[0] = xa, za
    band_x[1], band_z[1] = xb, zb
    top = ONE
    for k in range(np.int64(count) + 1):
        x, high = dp, zr
        if k < count:
            i = np.uint64(stack[k])
            x, high = ramp[i] * step, z[i]
        while (zb - za) * (x - xb) <= ((high - zb) + SLOPE_TIE * (x - xb)) * (xb - xa):
            xb, zb = xa, za
            top -= ONE
            if top == 0:
                break
            xa, za = band_x[top - ONE], band_z[top - ONE]
        xa, za = xb, zb
        top += ONE
        band_x[top], band_z[top] = x, high
        xb, zb = x, high
    return int(np.int64(top)) - 1


@compiled_part
def _leg(x: float, z: float, ux: float, uz: float) -> tuple[float, float]:
    """Length of a leg, and how much longer it is than its part along the sight line [m]."""
    leg = math.sqrt(x * x + z * z)
    across = z * ux - x * uz
    return leg, across * across / (leg + (x * ux + z * uz))


@compiled_part
def band_screen(profile: EvenProfile, edges: int, dp: float, zs: float, zr: float) -> Screen:
    """Screen for a source no lower than that of the band; clear where it looks over all edges.

    The path difference is summed leg by leg as in `cores.detour`.
    """
    x, z = profile.band_x, profile.band_z
    first, count = ONE, np.uint64(edges)
    while first <= count:
        beyond = x[first + ONE] - x[first]
        up = z[first + ONE] - z[first]
        if (z[first] - zs) * beyond > (up + SLOPE_TIE * beyond) * x[first]:
            break
        first += ONE
    if first > count:
        return Screen(0, 0.0, 0.0, 0.0, 0.0)
    rise = zr - zs
    d = math.sqrt(dp * dp + rise * rise)
    ux, uz = dp / d, rise / d
    dss, longer = _leg(x[first], z[first] - zs, ux, uz)
    dsr, more = _leg(dp - x[count], zr - z[count], ux, uz)
    longer += more
    e = 0.0
    i = first
    while i < count:
        leg, more = _leg(x[i + ONE] - x[i], z[i + ONE] - z[i], ux, uz)
        longer += more
        e += leg
        i += ONE
    return Screen(int(np.int64(count - first)) + 1, longer, dss, e, dsr)


@compiled_part
def rise_of_band(profile: EvenProfile, edges: int, dp: float, zs: float, zr: float) -> float:
    """Greatest height of the band's edges above a sight line [m].

    Where it is above 0 no other point of the terrain is higher above the line.
    """
    x, z = profile.band_x, profile.band_z
    slope = (zr - zs) / dp
    rise = -math.inf
    for i in range(1, edges + 1):
        rise = max(rise, z[i] - (zs + x[i] * slope))
    return rise
