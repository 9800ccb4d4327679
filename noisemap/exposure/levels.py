"""From passes to indicators at receivers and homes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from noisemap.community.indicators import l_den, l_dn, l_eq_of_hours
from noisemap.community.passes import expected_passes_above
from noisemap.exposure.results import HomeLevels
from noisemap.levels import from_energy, to_energy
from noisemap.scene.model import Homes, Receivers

FloatArray = npt.NDArray[np.float64]

PASS_LEVELS = (60, 70, 80)
"""Outdoor maxima whose passes are counted [dB]."""


@dataclass(frozen=True)
class Periods:
    """The study's own night and evening; every other hour is day."""

    night: frozenset[int]
    evening: frozenset[int]

    def mask(self, hours: frozenset[int]) -> FloatArray:
        """One where an hour belongs to the set, else zero, over 24 hours [1]."""
        return np.array([float(hour in hours) for hour in range(24)])

    @property
    def day(self) -> frozenset[int]:
        """Hours that are neither night nor evening."""
        return frozenset(range(24)) - self.night - self.evening


@dataclass(frozen=True)
class Scenario:
    """What one rule leaves at every receiver."""

    braking_by_hour: FloatArray  # (receiver, 24) mean A-weighted energy of braking trucks [1]
    traffic_by_hour: FloatArray  # (receiver, 24) of all modelled traffic [1]
    maximum: FloatArray  # (receiver, class) pass maxima [dB]
    per_hour: FloatArray  # (class, 24) passes an hour [1/h]


def scenario(
    energy: npt.NDArray[np.float32],
    maximum: npt.NDArray[np.float32],
    per_hour: FloatArray,
    other_by_hour: npt.NDArray[np.float32],
) -> Scenario:
    """Hourly energies of a rule from the exposure of one pass and its counts."""
    braking = energy.astype(float) @ (per_hour / 3600.0)
    return Scenario(braking, braking + other_by_hour, maximum.astype(float), per_hour)


def passes_above(rule: Scenario, hours: frozenset[int], level: float, spread: float) -> FloatArray:
    """Expected passes whose maximum exceeds a level, in a set of hours, at each receiver [1]."""
    counts = rule.per_hour[:, sorted(hours)].sum(axis=1)
    return expected_passes_above(rule.maximum, counts, level, spread)


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

    `background` holds the levels of the 24 hours, or is None.
    """

    def at_home(values: FloatArray) -> FloatArray:
        return loudest(values, receivers, homes)

    braking = from_energy(rule.braking_by_hour)
    traffic = from_energy(rule.traffic_by_hour)
    occurs = rule.per_hour.sum(axis=1) > 0.0
    top = rule.maximum[:, occurs].max(axis=1, initial=-np.inf)
    night = sorted(periods.night)
    total = None
    if background is not None:
        whole = from_energy(rule.traffic_by_hour + to_energy(background))
        total = at_home(l_eq_of_hours(whole, periods.night))
    per_home_hours = np.full((len(homes.home_id), 24), -np.inf)
    np.maximum.at(per_home_hours, receivers.home, braking)
    return HomeLevels(
        l_dn=at_home(l_dn(braking, night=periods.night)),
        l_den=at_home(l_den(braking, evening=periods.evening, night=periods.night)),
        l_night=at_home(l_eq_of_hours(braking, periods.night)),
        l_eq_worst_hour=per_home_hours.max(axis=1),
        worst_hour=per_home_hours.argmax(axis=1),
        l_a_max=at_home(top),
        passes_night={
            level: at_home(passes_above(rule, frozenset(night), level, spread))
            for level in PASS_LEVELS
        },
        l_eq_traffic=at_home(from_energy(rule.traffic_by_hour.mean(axis=1))),
        l_den_traffic=at_home(l_den(traffic, evening=periods.evening, night=periods.night)),
        l_night_traffic=at_home(l_eq_of_hours(traffic, periods.night)),
        l_night_total=total,
    )


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


def people_by_band(
    levels: FloatArray, people: FloatArray, edges: Sequence[float]
) -> dict[str, float]:
    """People in bands of level; the first and the last band are open."""
    bands = {f"below {edges[0]:g}": float(people[levels < edges[0]].sum())}
    for low, high in pairwise(edges):
        inside = (levels >= low) & (levels < high)
        bands[f"{low:g}-{high:g}"] = float(people[inside].sum())
    bands[f"{edges[-1]:g} and more"] = float(people[levels >= edges[-1]].sum())
    return bands
