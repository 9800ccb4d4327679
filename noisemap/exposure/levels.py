"""From passes to indicators at receivers and homes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.community.awakening import facade_differences
from noisemap.community.criteria import criterion
from noisemap.community.indicators import (
    Periods,
    day_evening_night_level,
    day_night_level,
    equivalent_level,
    night_level,
    worst_hour,
)
from noisemap.community.passes import exceedance_probability, expected_passes
from noisemap.exposure.product import PassLevels
from noisemap.exposure.results import HomeLevels
from noisemap.exposure.rules import rule as chosen
from noisemap.levels import to_energy
from noisemap.scene.model import Homes, Receivers

FloatArray = npt.NDArray[np.float64]

PASS_LEVELS = (60, 70, 80)
"""Outdoor maxima whose passes are counted [dB]."""


@dataclass(frozen=True)
class Scenario:
    """What one rule leaves at every receiver."""

    braking_by_hour: FloatArray  # (receiver, 24) mean A-weighted energy of braking trucks [1]
    traffic_by_hour: FloatArray  # (receiver, 24) of all modelled traffic [1]
    maximum: FloatArray  # (receiver, class) pass maxima [dB]
    exhaust_share: FloatArray  # (receiver, class) of the energy at that maximum [1]
    per_hour: FloatArray  # (class, 24) passes an hour [1/h]


def scenario(
    passes: PassLevels, per_hour: FloatArray, other_by_hour: npt.NDArray[np.float32]
) -> Scenario:
    """Hourly energies of a rule from the exposure of one pass and its counts."""
    braking = passes.energy.astype(float) @ (per_hour / 3600.0)
    return Scenario(
        braking,
        braking + other_by_hour,
        passes.maximum.astype(float),
        passes.exhaust_share.astype(float),
        per_hour,
    )


def passes_above(rule: Scenario, hours: frozenset[int], level: float, spread: float) -> FloatArray:
    """Expected passes whose maximum exceeds a level, in a set of hours, at each receiver [1]."""
    counts = rule.per_hour[:, sorted(hours)].sum(axis=1)
    return expected_passes(rule.maximum, spread, counts, level)


def braking_passes_above(
    rule: Scenario, hours: frozenset[int], level: float, spread: float
) -> FloatArray:
    """Expected passes above a level whose loudest moment is the exhaust, at each receiver [1].

    A pass whose tyres and engine are louder than its exhaust where it is heard most
    is traffic, not braking.
    """
    counts = rule.per_hour[:, sorted(hours)].sum(axis=1)
    return np.asarray(_led_above(rule, level, spread) @ counts)


def _led_above(rule: Scenario, level: float, spread: float) -> FloatArray:
    """Probability that a pass is a braking pass above a level, over (receiver, class) [1]."""
    led = rule.exhaust_share >= chosen("exhaust_led")
    return exceedance_probability(np.where(led, rule.maximum, -np.inf), spread, level)


def bedroom_maximum() -> float:
    """Level of single events inside a bedroom that the passes inside are counted above [dB]."""
    return criterion("bedroom_indoor_max").limit_db


def loudest(values: FloatArray, receivers: Receivers, homes: Homes) -> FloatArray:
    """The largest value among each home's receivers."""
    out = np.full(len(homes.home_id), -np.inf)
    np.maximum.at(out, receivers.home, values)
    return out


def home_levels(
    rule: Scenario,
    receivers: Receivers,
    homes: Homes,
    periods: Periods,
    spread: float,
    background: FloatArray | None,
) -> HomeLevels:
    """Indicators of one rule at every home, each at its loudest receiver.

    Ldn and Lden keep the hours of their own definitions; the night level and the
    passes a night take the study's night; each kind of place has its own hours
    beside them.  `background` holds the levels of the 24 hours, or is None.
    """

    def at_home(values: FloatArray) -> FloatArray:
        return loudest(values, receivers, homes)

    traffic = rule.traffic_by_hour
    occurs = rule.per_hour.sum(axis=1) > 0.0
    total = None
    if background is not None:
        total = at_home(night_level(traffic + to_energy(background), periods))
    by_hour = np.zeros((len(homes.home_id), 24))
    np.maximum.at(by_hour, receivers.home, rule.braking_by_hour)
    worst, hour = worst_hour(by_hour)
    above = {level: _led_above(rule, level, spread) for level in PASS_LEVELS}
    night = rule.per_hour[:, sorted(periods.night)].sum(axis=1)
    inside = bedroom_maximum()
    return HomeLevels(
        l_dn=at_home(day_night_level(rule.braking_by_hour)),
        l_den=at_home(day_evening_night_level(rule.braking_by_hour)),
        l_night=at_home(night_level(rule.braking_by_hour, periods)),
        l_eq_worst_hour=worst,
        worst_hour=hour,
        l_a_max=at_home(rule.maximum[:, occurs].max(axis=1, initial=-np.inf)),
        passes_night={level: at_home(above[level] @ night) for level in PASS_LEVELS},
        l_eq_traffic=at_home(equivalent_level(traffic)),
        l_den_traffic=at_home(day_evening_night_level(traffic)),
        l_night_traffic=at_home(night_level(traffic, periods)),
        l_night_total=total,
        l_own=_own_level(rule, receivers, homes, periods) if periods.own else None,
        passes_own={
            level: _own_passes(above[level], rule, receivers, homes, periods)
            for level in PASS_LEVELS
            if periods.own
        },
        passes_inside={
            difference: at_home(_led_above(rule, inside + difference, spread) @ night)
            for difference in facade_differences()
        },
    )


def _own_level(rule: Scenario, receivers: Receivers, homes: Homes, periods: Periods) -> FloatArray:
    """Level of braking trucks at every place in the hours of its kind [dB]."""
    out = np.full(len(homes.home_id), -np.inf)
    kinds = np.array(homes.kind)
    for kind, hours in periods.own:
        mine = kinds == kind
        if mine.any():
            level = equivalent_level(rule.braking_by_hour, hours)
            out[mine] = loudest(level, receivers, homes)[mine]
    return out


def _own_passes(
    above: FloatArray, rule: Scenario, receivers: Receivers, homes: Homes, periods: Periods
) -> FloatArray:
    """Braking passes at every place in the hours of its kind [1]."""
    out = np.zeros(len(homes.home_id))
    kinds = np.array(homes.kind)
    for kind, hours in periods.own:
        mine = kinds == kind
        if mine.any():
            counts = rule.per_hour[:, sorted(hours)].sum(axis=1)
            out[mine] = loudest(above @ counts, receivers, homes)[mine]
    return out


INDICATORS: dict[str, Callable[[FloatArray], FloatArray]] = {
    "l_eq_worst_hour": lambda energy: worst_hour(energy)[0],
    "l_eq_24h": equivalent_level,
    "l_dn": day_night_level,
    "l_den": day_evening_night_level,
    "l_night": night_level,
}
"""Indicators of hourly energies that a published criterion may name, with its own hours."""


def people_shares(levels: FloatArray, receivers: Receivers, homes: Homes) -> FloatArray:
    """People at each receiver: the louder half of a building's facades shares them equally.

    A single dwelling stands at its loudest facade; otherwise the receivers are
    split at the median level and the quietest of an odd number is dropped.

    References
    ----------
    rd1513-2005 : annex II, 2.8, assignment of people to receivers
    """
    people = np.zeros(len(receivers.home))
    order = np.lexsort((-levels, receivers.home))
    owners = receivers.home[order]
    starts = np.searchsorted(owners, np.arange(len(homes.home_id)), side="left")
    ends = np.searchsorted(owners, np.arange(len(homes.home_id)), side="right")
    for home, (start, end) in enumerate(zip(starts, ends, strict=True)):
        count = end - start
        if count == 0:
            continue
        exposed = 1 if homes.single_dwelling[home] else max(count // 2, 1)
        people[order[start : start + exposed]] = homes.people[home] / exposed
    return people
