"""In which hours a zone would have to stand: every run of hours of the day, weighed exactly."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from noisemap.exposure.driving import in_zone, road_rows
from noisemap.exposure.product import PassSound
from noisemap.states import Zone
from noisemap.zones.exact import Rule, effects
from noisemap.zones.pareto import front_of_two
from noisemap.zones.search import LEADING, passes_bound
from noisemap.zones.weigh import Base


@dataclass(frozen=True)
class HourWindow:
    """One run of hours that no other beats: more spared, or fewer passes bound."""

    start: int  # first hour, 0 to 23
    hours: int  # how many
    spared: float  # people times passes a night above the leading level
    bound_a_day: float  # passes a day that it binds


def hour_windows(base: Base, sound: PassSound, road: int, zone: Zone) -> tuple[HourWindow, ...]:
    """Runs of hours on the front of passes spared against passes bound, most spared first.

    What a zone spares adds up over the hours, and its heat in a truck's brakes does not
    depend on them, so that all runs follow from the 24 single hours.
    """
    rows = road_rows(base.scene.stretches, road)
    inside = np.flatnonzero(in_zone(base.scene.stretches, rows, zone))
    if not len(inside):
        return ()
    single = [Rule(zone.binds, frozenset({hour})) for hour in range(24)]
    span = np.array([[inside[0], inside[-1] + 1]])
    spared = effects(base, sound, road, span, single, zone.silent_share).spared[0, :, LEADING]
    bound = np.array(
        [
            sum(passes_bound(base, road, replace(zone, hours=frozenset({hour}))).values())
            for hour in range(24)
        ]
    )
    windows = [
        HourWindow(
            start,
            length,
            float(np.roll(spared, -start)[:length].sum()),
            float(np.roll(bound, -start)[:length].sum()),
        )
        for length in range(1, 25)
        for start in (range(24) if length < 24 else (0,))
    ]
    front = front_of_two(
        np.round([one.spared for one in windows], 9),
        -np.array([one.bound_a_day for one in windows]),
    )
    best = [windows[int(index)] for index in front if windows[int(index)].spared > 0.0]
    return tuple(sorted(best, key=lambda one: (-one.spared, one.bound_a_day)))
