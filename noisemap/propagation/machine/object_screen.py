"""Compiled screening by walls and buildings together with the terrain."""

from __future__ import annotations

import math

from noisemap.propagation.machine.compiled import compiled_part
from noisemap.propagation.machine.cores import detour, merge_objects, point_detour, upper_hull
from noisemap.propagation.machine.crossings import Meeting
from noisemap.propagation.machine.even_profile import EvenProfile, Screen

TOUCH_M = 1e-6
"""Object tops less than this below the sight line may touch it [m]."""


@compiled_part
def object_screen(
    meeting: Meeting,
    tops: int,
    profile: EvenProfile,
    dp: float,
    zs: float,
    zr: float,
    edges: int,
) -> Screen:
    """Screen of a terrain profile with object tops.

    Of the terrain only edges of the band over it can be edges (`edges` of them from the
    lowest source), where they lie above the sight line; of the objects also those that
    touch it, so that a little room is left for rounding.
    """
    bare_x, bare_z = meeting.bare_x, meeting.bare_z
    band_x, band_z = profile.band_x, profile.band_z
    bare_x[0], bare_z[0] = 0.0, zs
    count = 1
    slope = (zr - zs) / dp
    for i in range(1, edges + 1):
        bare_x[count], bare_z[count] = band_x[i], band_z[i]
        count += int(band_z[i] > zs + band_x[i] * slope)
    bare_x[count], bare_z[count] = dp, zr
    high_x, high_z = meeting.high_x, meeting.high_z
    high = 0
    for i in range(tops):
        high_x[high] = meeting.top_x[i]
        high_z[high] = meeting.top_z[i]
        if meeting.top_z[i] > zs + meeting.top_x[i] / dp * (zr - zs) - TOUCH_M:
            high += 1
    if high > 0 or count > 1:
        x, z = meeting.x, meeting.z
        merged = merge_objects(
            bare_x, bare_z, count + 1, high_x, high_z, high, x, z, meeting.is_object
        )
        end = merged - 1
        found = upper_hull(x, z, meeting.is_object, 1, end - 1, end, meeting.stack)
        if found > 0:
            longer, dss, e, dsr, _ = detour(x, z, meeting.stack, found)
            return Screen(found, longer, dss, e, dsr)
    least = math.inf
    for i in range(tops):
        longer = point_detour(0.0, zs, meeting.top_x[i], meeting.top_z[i], dp, zr)
        least = min(least, longer)
    return Screen(1, -least, 0.0, 0.0, 0.0)
