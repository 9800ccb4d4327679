"""Compiled screening by a terrain profile of equal steps, measured from the sight line.

A profile is taken as its heights q above the straight line from source to
receiver.  Taking a straight line off changes neither what is convex nor which
slopes are steeper, both ends have q = 0, and the points that may be edges have
q above 0.  Distances along the profile are counted in steps.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from noisemap.propagation.machine.compiled import compiled, compiled_part
from noisemap.propagation.machine.cores import SLOPE_TIE
from noisemap.propagation.machine.job import FloatArray, IntArray

ONE = np.uint64(1)


class EvenProfile(NamedTuple):
    """Scratch of one receiver for profiles of equal steps."""

    z: FloatArray  # heights, at the ends those of the feet [m]
    q: FloatArray  # heights above the sight line [m]
    ramp: FloatArray  # 0, 1, 2 ...
    inverse: FloatArray  # 1/i
    stack: IntArray
    along: FloatArray  # of each leg over the edges, along the sight line [m]
    across: FloatArray  # and across it [m]
    leg: FloatArray  # its length [m]


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
        np.empty(size),
        ramp,
        inverse,
        np.empty(size, dtype=np.int64),
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
def heights_above_line(profile: EvenProfile, steps: int, zs: float, zr: float) -> float:
    """Fill q of the interior points; returns the greatest, minus infinity without any [m]."""
    z, q, ramp = profile.z, profile.q, profile.ramp
    slope = (zr - zs) / steps
    for i in range(1, steps):
        q[i] = z[i] - (zs + ramp[i] * slope)
    a, b, c, d = -math.inf, -math.inf, -math.inf, -math.inf
    i = 1
    while i + 3 < steps:
        a = q[i] if q[i] > a else a
        b = q[i + 1] if q[i + 1] > b else b
        c = q[i + 2] if q[i + 2] > c else c
        d = q[i + 3] if q[i + 3] > d else d
        i += 4
    while i < steps:
        a = q[i] if q[i] > a else a
        i += 1
    return max(max(a, b), max(c, d))


@compiled_part
def nearest_below(profile: EvenProfile, steps: int) -> int:
    """Interior point with the least detour below a clear line; 0 if there is none.

    Compared by the leading term q^2 (1/x + 1/(dp - x)) of the detour.
    """
    q, inverse, size = profile.q, profile.inverse, profile.leg
    back = np.uint64(steps - 1)
    for i in range(1, steps):
        size[i] = q[i] * q[i] * (inverse[i] + inverse[back])
        back -= ONE
    a, b, c, d = math.inf, math.inf, math.inf, math.inf
    i = 1
    while i + 3 < steps:
        a = size[i] if size[i] < a else a
        b = size[i + 1] if size[i + 1] < b else b
        c = size[i + 2] if size[i + 2] < c else c
        d = size[i + 3] if size[i + 3] < d else d
        i += 4
    while i < steps:
        a = size[i] if size[i] < a else a
        i += 1
    least = min(min(a, b), min(c, d))
    for i in range(1, steps):
        if size[i] == least:
            return i
    return 0


@compiled_part
def _outermost(profile: EvenProfile, steps: int) -> tuple[int, int]:
    """First and last edge: the points seen steepest from the source and from the receiver."""
    q, inverse = profile.q, profile.inverse
    first, last = 1, 1
    steepest, steepest_back = -math.inf, -math.inf
    i, back = np.uint64(1), np.uint64(steps - 1)
    for number in range(1, steps):
        slope = q[i] * inverse[i]
        if slope > steepest:
            steepest = slope
            first = number
        i += ONE
    i = np.uint64(1)
    for number in range(1, steps):
        slope = q[back] * inverse[i]
        if slope > steepest_back:
            steepest_back = slope
            last = steps - number
        i += ONE
        back -= ONE
    return min(first, last), max(first, last)


@compiled_part
def _even_hull(profile: EvenProfile, steps: int, step: float) -> int:
    """Edges of the band stretched over the profile (C8), as `cores.upper_hull` finds them."""
    q, ramp, stack = profile.q, profile.ramp, profile.stack
    first, last = _outermost(profile, steps)
    tie = SLOPE_TIE * step
    stack[0] = 0
    top = 1
    stack[1] = first
    xa, qa, xb, qb = 0.0, 0.0, ramp[first], q[first]
    for number in range(first + 1, last + 2):
        point = number if number <= last else steps
        x = ramp[point]
        height = q[number] if number <= last else 0.0
        while (qb - qa) * (x - xb) <= ((height - qb) + tie * (x - xb)) * (xb - xa):
            top -= 1
            if top == 0:
                break
            a = stack[top - 1]
            xb, qb = xa, qa
            xa = ramp[a]
            qa = q[a] if a > 0 else 0.0
        if top == 0:
            xa, qa = 0.0, 0.0
        else:
            xa, qa = xb, qb
        top += 1
        stack[top] = point
        xb, qb = x, height
    return top - 1


@compiled_part
def terrain_screen(profile: EvenProfile, steps: int, dp: float, rise: float) -> Screen:
    """Screen of a profile that rises above the sight line, `rise` from source to receiver [m].

    The path difference is summed leg by leg as in `cores.detour`.
    """
    q, ramp, stack = profile.q, profile.ramp, profile.stack
    along, across, leg = profile.along, profile.across, profile.leg
    step = dp / steps
    edges = _even_hull(profile, steps, step)
    if edges == 0:
        return Screen(0, 0.0, 0.0, 0.0, 0.0)
    d = math.sqrt(dp * dp + rise * rise)
    ux, uz = dp / d, rise / d
    stretch = step * d / dp  # length of one step on the sight line
    xa, qa = 0.0, 0.0
    for i in range(edges + 1):
        b = stack[i + 1]
        qb = q[b] if i < edges else 0.0
        along[i] = (ramp[b] - xa) * stretch + (qb - qa) * uz
        across[i] = (qb - qa) * ux
        xa, qa = ramp[b], qb
    for i in range(edges + 1):
        leg[i] = math.sqrt(along[i] * along[i] + across[i] * across[i])
        across[i] = across[i] * across[i] / (leg[i] + along[i])
    longer, e = 0.0, 0.0
    for i in range(edges + 1):
        longer += across[i]
    for i in range(1, edges):
        e += leg[i]
    return Screen(edges, longer, leg[0], e, leg[edges])
