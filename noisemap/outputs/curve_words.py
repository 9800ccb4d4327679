"""Where a curve and not the posted limit rules the speed of trucks, in words."""

from __future__ import annotations

import numpy as np

from noisemap.outputs.wording import along_road, both_lengths, plain
from noisemap.scene.model import Scene

ROADS_NAMED = 4


def curve_sentences(scene: Scene, units: str) -> list[str]:
    """Roads on which curves leave trucks less than the posted limit, the longest such first."""
    stretches = scene.stretches
    if not len(stretches.curve_speed):
        return ["Curves are not looked at: trucks are taken to keep the posted limit through them."]
    rules = 3.6 * stretches.curve_speed < stretches.speed_limit_kmh
    if not rules.any():
        return ["No curve of the modelled roads leaves trucks less than the posted limit."]
    found = []
    for road in np.unique(stretches.road[rules]).tolist():
        rows = np.flatnonzero(rules & (stretches.road == road))
        sharpest = int(rows[np.argmin(stretches.curve_radius[rows])])
        length = float(stretches.length[rows].sum())
        name = plain(scene.roads[road].name, 40) or "a road without a name"
        at = along_road(float(stretches.from_m[sharpest]), units)
        radius = both_lengths(float(stretches.curve_radius[sharpest]), units)
        found.append(
            (length, f"{both_lengths(length, units)} of {name} (smallest radius {radius}, at {at})")
        )
    named = [text for _, text in sorted(found, key=lambda one: -one[0])]
    more = len(named) - ROADS_NAMED
    return [
        "Curves, not the posted limit, rule the assumed speed of trucks on "
        + ", ".join(named[:ROADS_NAMED])
        + (f" and on {more} more roads" if more > 0 else "")
        + ". Radii come from the roads' lines, smoothed; the crossfall and the side friction that "
        "trucks use are assumed."
    ]
