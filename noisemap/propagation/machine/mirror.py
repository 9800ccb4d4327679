"""Compiled scalar cores of reflections: the mirror point and the size of the surface (7.5)."""

from __future__ import annotations

import math
from typing import NamedTuple

from noisemap.propagation.machine.compiled import compiled

APART_M = 1e-3
"""Source and receiver must stand this far before the surface [m]."""


class Mirror(NamedTuple):
    """A reflection in plan; length 0 where the surface throws no sound to the receiver."""

    length: float  # from the source by way of the surface to the receiver, in plan [m]
    share: float  # of it up to the surface [1]
    along: float  # mirror point, as a share of the surface from its first end [1]
    side: float  # +1 where both stand to the left of the surface, -1 to the right
    normal: float  # distances of source and receiver from the surface's line, summed [m]


@compiled
def mirror(
    ax: float, ay: float, bx: float, by: float, sx: float, sy: float, rx: float, ry: float
) -> Mirror:
    """Mirror point of an upright plane from a to b between source s and receiver r (C20)."""
    none = Mirror(0.0, 0.0, 0.0, 0.0, 0.0)
    ex, ey = bx - ax, by - ay
    before_s = ex * (sy - ay) - ey * (sx - ax)
    before_r = ex * (ry - ay) - ey * (rx - ax)
    if (before_s > 0.0) != (before_r > 0.0):
        return none
    side = 1.0 if before_s > 0.0 else -1.0
    before_s *= side
    before_r *= side
    normal = before_s + before_r
    if normal == 0.0:
        return none
    along_s = ex * (sx - ax) + ey * (sy - ay)
    along_r = ex * (rx - ax) + ey * (ry - ay)
    square = ex * ex + ey * ey
    share = before_s / normal
    along = (along_s + share * (along_r - along_s)) / square
    if along < 0.0 or along > 1.0:
        return none
    long = math.sqrt(square)
    if before_s < APART_M * long or before_r < APART_M * long:
        return none
    normal /= long
    beside = (along_r - along_s) / long
    return Mirror(math.sqrt(normal * normal + beside * beside), share, along, side, normal)


@compiled
def least_wave_number(
    least_size: float, normal: float, share: float, d: float, size_factor: float
) -> float:
    """What 1/lambda must exceed for a surface to reflect (eq. 19) [1/m].

    The cosine of the angle of incidence is `normal` over the length `d` in space.
    """
    across = least_size * normal / d
    return size_factor / (across * across) * share * (1.0 - share) * d
