"""What the map says of single homes and of the roads' names; every text in it is untrusted."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.exposure.results import Findings, ZoneResult
from noisemap.outputs.community_tables import OWN_LEVEL, louder_homes
from noisemap.outputs.wording import plain
from noisemap.scene.model import Scene

FloatArray = npt.NDArray[np.float64]

NOTICED_DB = 1.0
"""Fall of the night level that counts as noticed [dB]."""

NAMES_SHOWN = 60
"""Most names of roads on one map; the longest roads first."""

QUIETER, UNSURE, UNCHANGED = 1, 0, -1


def sureness(result: ZoneResult) -> list[int | None]:
    """For every home whether a noticeable change at night is sure, open, or surely none.

    Sure means: in all but the lowest or highest 5 of 100 samples.
    """
    if result.quieter_bounds is None:
        return [None] * result.quieter_by.size
    low, high = result.quieter_bounds
    return [
        None
        if not (math.isfinite(a) and math.isfinite(b))
        else QUIETER
        if a >= NOTICED_DB
        else UNCHANGED
        if b < NOTICED_DB
        else UNSURE
        for a, b in zip(low.tolist(), high.tolist(), strict=True)
    ]


def louder_by_zone(findings: Findings) -> list[list[int]]:
    """Homes that each zone makes louder by some measure, as indices."""
    found: list[list[int]] = [[] for _ in findings.zones]
    for one in louder_homes(findings):
        found[one.zone - 1].append(one.home)
    return found


def has_own_hours(findings: Findings) -> bool:
    """Whether passes in the own hours of places were computed."""
    return OWN_LEVEL in findings.before.passes_own


def road_names(scene: Scene, corner: tuple[float, float]) -> list[dict[str, Any]]:
    """Names of roads with where they stand: middle, length and the angle of the road there.

    Roads that share a name are named once, on their longest piece.
    """
    longest: dict[str, tuple[float, int]] = {}
    for index, road in enumerate(scene.roads):
        name, length = plain(road.name, 40), float(road.chainage[-1] - road.chainage[0])
        if name and length > longest.get(name, (0.0, -1))[0]:
            longest[name] = (length, index)
    ordered = sorted(longest.items(), key=lambda item: -item[1][0])[:NAMES_SHOWN]
    names = []
    for name, (length, index) in ordered:
        road = scene.roads[index]
        middle = 0.5 * (float(road.chainage[0]) + float(road.chainage[-1]))
        at = np.array([middle - 0.05 * length, middle, middle + 0.05 * length])
        x = np.interp(at, road.chainage, road.x) - corner[0]
        y = np.interp(at, road.chainage, road.y) - corner[1]
        angle = math.degrees(math.atan2(float(y[2] - y[0]), float(x[2] - x[0])))
        upright = (angle + 90.0) % 180.0 - 90.0
        names.append(
            {
                "name": name,
                "at": [round(float(y[1]), 1), round(float(x[1]), 1)],
                "angle": round(-upright),
                "length": round(length),
            }
        )
    return names
