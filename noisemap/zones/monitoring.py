"""Before and after: where to count, how many nights, and what was agreed to follow from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from noisemap.data_tables import toml_table
from noisemap.exposure.results import HomeLevels
from noisemap.scene.model import Homes
from noisemap.zones.verdict import LEADING_LEVEL

PLACES = 3


def plan_choice(name: str) -> float:
    """One of the plan's stated choices, see `monitoring.toml`."""
    return float(toml_table("noisemap.zones", "monitoring.toml")[name]["value"])


@dataclass(frozen=True)
class Place:
    """One place to count passes at, before the sign and after it."""

    home: int  # index into the scene's homes
    reason: str
    before: float  # predicted passes a night above the level
    after: float
    nights: int | None  # each time; None where the change is too small to be seen
    passes_counted: float | None  # expected in those nights before


@dataclass(frozen=True)
class Plan:
    """Places, nights, and the rule agreed in advance."""

    level_db: int
    places: tuple[Place, ...]
    control: Place | None  # no change is predicted here: shows what else changed
    rules: tuple[str, ...]


def nights_needed(
    before: float,
    after: float,
    *,
    power: float | None = None,
    significance: float | None = None,
    night_to_night: float | None = None,
) -> float:
    """Nights of counting, each before and after, that show a fall of the mean count [1].

    Normal approximation to two counts whose variance is `night_to_night` times their
    mean, one-sided: n = (z_a + z_b)^2 f (m1 + m2) / (m1 - m2)^2.  Infinite where the
    prediction does not fall.

    >>> round(nights_needed(10.0, 5.0, power=0.8, significance=0.05, night_to_night=1.0), 2)
    3.71
    """
    if not before > after >= 0.0:
        return float("inf")
    alpha = plan_choice("significance") if significance is None else significance
    beta = plan_choice("power") if power is None else power
    factor = plan_choice("night_to_night") if night_to_night is None else night_to_night
    z = float(ndtri(1.0 - alpha) + ndtri(beta))
    return z * z * factor * (before + after) / (before - after) ** 2


def plan(before: HomeLevels, after: HomeLevels, homes: Homes) -> Plan:
    """Plan of measurement for the predicted fall of the passes above the leading level."""
    passes, left = before.passes_night[LEADING_LEVEL], after.passes_night[LEADING_LEVEL]
    fall = passes - left
    mapped = ~homes.estimated & (homes.people > 0.0)
    gaining = np.flatnonzero(mapped & (fall >= plan_choice("least_fall")))
    by_nights = sorted(
        gaining.tolist(), key=lambda home: nights_needed(float(passes[home]), float(left[home]))
    )
    chosen: dict[int, str] = {}
    for home in by_nights[:1]:
        chosen[home] = "the change shows soonest here"
    for home in sorted(gaining.tolist(), key=lambda home: -homes.people[home] * fall[home])[:1]:
        chosen.setdefault(home, "most people times passes are spared here")
    if by_nights:
        middle = by_nights[len(by_nights) // 2]
        chosen.setdefault(middle, "a home that gains less, for the reach of the change")
    places = tuple(_place(home, reason, passes, left) for home, reason in chosen.items())
    still = np.flatnonzero(mapped & (np.abs(fall) < 0.01) & (passes >= 0.5))
    control = None
    if len(still):
        home = int(still[np.argmax(passes[still])])
        control = _place(
            home, "no change is predicted here: it shows what else changed", passes, left
        )
    return Plan(LEADING_LEVEL, places[:PLACES], control, _rules(places))


def _place(home: int, reason: str, passes: np.ndarray, left: np.ndarray) -> Place:
    nights = max(
        nights_needed(float(passes[home]), float(left[home])), plan_choice("fewest_nights")
    )
    seen = nights <= plan_choice("most_nights")
    count = int(np.ceil(nights)) if seen else None
    return Place(
        home,
        reason,
        float(passes[home]),
        float(left[home]),
        count,
        None if count is None else count * float(passes[home]),
    )


def _rules(places: tuple[Place, ...]) -> tuple[str, ...]:
    share = plan_choice("keep_share")
    if not any(place.nights for place in places):
        return (
            "The predicted change is too small to be seen by counting passes in a season: "
            "agree on another measure before any sign is set up.",
        )
    return (
        "Before the sign: count the passes louder than the level outdoors at each place, on dry "
        "nights without works or detours, with the same instrument and the same place each time.",
        f"Keep the sign if the passes at the places fall by {share:.0%} or more of what is "
        "predicted and no report of brake trouble on the grade speaks against it.",
        f"Change it if they fall by less than {share:.0%} of that: look first at who obeys, then "
        "at where the zone ends.",
        "Remove it if nothing falls, if any home is louder that was predicted not to be, or if "
        "the road authority or the police report hot brakes, use of a ramp or a runaway truck.",
        "Agree on these sentences before the first count; the counts are published whichever way "
        "they turn out.",
    )
