"""Where the answer turns: tipping points of a zone, and which unknown makes its interval wide."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.exposure.driving import Practice, drive_road
from noisemap.exposure.results import Interval
from noisemap.exposure.traffic import matching_roads
from noisemap.exposure.uncertainty import Draws
from noisemap.states import UNMUFFLED, Zone
from noisemap.zones.screen import setting
from noisemap.zones.signs import downhill_directions
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weigh import Base, spared_under

FloatArray = npt.NDArray[np.float64]

STEEPEST_MORE = 0.06
"""Largest addition to the grade that is tried [1]."""

WARMEST_MORE_K = 300.0
"""Largest addition to the entry temperature that is tried [K]."""


@dataclass(frozen=True)
class Driver:
    """One unknown and the interval that it alone would leave."""

    name: str
    interval: Interval

    @property
    def width(self) -> float:
        """Width of that interval."""
        return self.interval.high - self.interval.low


@dataclass(frozen=True)
class TippingPoint:
    """One figure at which the answer changes; None where it does not change in the range tried."""

    name: str
    value: float | None
    unit: str
    now: float
    sentence: str


def drivers_of(base: Base, zone: Zone) -> tuple[Interval, tuple[Driver, ...]]:
    """Interval of the passes spared, and of each unknown alone, the widest first."""
    sets = one_at_a_time(base.draws)
    found = spared_under(base, zone, [base.draws, *sets.values()], LEADING_LEVEL)
    drivers = [Driver(name, one) for name, one in zip(sets, found[1:], strict=True)]
    return found[0], tuple(sorted(drivers, key=lambda one: -one.width))


def one_at_a_time(draws: Draws) -> dict[str, Draws]:
    """Draws in which one unknown varies and all others stand at their best figures."""
    zero = np.zeros(draws.samples)
    calm = Draws(
        exhaust={state: zero for state in draws.exhaust},
        silent=zero,
        traffic=zero,
        observance=zero,
        unmuffled_factor=np.ones(draws.samples),
        home=np.zeros_like(draws.home),
    )
    straight = draws.exhaust["straight"]
    return {
        "level of the exhausts": replace(
            calm, exhaust={state: straight for state in draws.exhaust}
        ),
        "difference between exhausts": replace(
            calm, exhaust={state: one - straight for state, one in draws.exhaust.items()}
        ),
        "level with the retarder off": replace(calm, silent=draws.silent),
        "observance": replace(calm, observance=draws.observance),
        "number of unmuffled trucks": replace(calm, unmuffled_factor=draws.unmuffled_factor),
        "place and terrain of each home": replace(calm, home=draws.home),
    }


def tipping_points(base: Base, zone: Zone) -> tuple[TippingPoint, ...]:
    """Observance, share of unmuffled trucks, grade, entry temperature and planning limit."""
    road = matching_roads(zone.road, base.scene.roads)[0]
    return (
        observance_point(base, zone),
        unmuffled_point(base, zone),
        *heat_points(base, zone, road),
    )


def observance_point(base: Base, zone: Zone) -> TippingPoint:
    """Observance below which the zone spares less than the study asks for."""
    (whole,) = spared_under(base, replace(zone, observance=1.0), [_calm(base)], LEADING_LEVEL)
    worth = base.worth_people_passes
    value = worth / whole.best if whole.best > 0.0 else None
    if value is None or value > 1.0:
        return TippingPoint(
            "observance",
            None,
            "1",
            zone.observance,
            f"Even if everybody obeyed, the zone would spare less than the {worth:g} people times "
            "passes a night that the study asks for.",
        )
    return TippingPoint(
        "observance",
        value,
        "1",
        zone.observance,
        f"Below an observance of {value:.0%} the zone spares less than the {worth:g} people times "
        "passes a night that the study asks for; with nobody obeying nothing is gained.",
    )


def unmuffled_point(base: Base, zone: Zone) -> TippingPoint:
    """Share of unmuffled trucks from which binding only them is as good as binding all."""
    calm = _calm(base)
    (few,) = spared_under(
        base, replace(zone, binds="unmuffled_compression_release"), [calm], LEADING_LEVEL
    )
    (everyone,) = spared_under(
        base, replace(zone, binds="compression_release"), [calm], LEADING_LEVEL
    )
    now = unmuffled_share(base, zone)
    value = equal_share(few.best, everyone.best - few.best, now, setting("near_best_share"))
    part = setting("near_best_share")
    if value is None:
        sentence = (
            f"At no share of unmuffled trucks does binding only them spare {part:.0%} of what "
            "binding every compression-release brake spares."
        )
    else:
        sentence = (
            f"From {value:.1%} of the braking trucks without a working muffler on, binding only "
            f"them spares {part:.0%} or more of what binding all spares; here {now:.1%} are."
        )
    return TippingPoint("unmuffled share", value, "1", now, sentence)


def equal_share(few: float, rest: float, share: float, part: float) -> float | None:
    """Share at which the unmuffled give `part` of the whole gain.

    `few` is spared from the unmuffled at the present share, `rest` from all others; both
    grow with their numbers while the whole number of trucks stays.

    >>> round(equal_share(9.0, 9.0, 0.1, 0.5), 3)
    0.1
    >>> equal_share(0.0, 1.0, 0.1, 0.9) is None
    True
    """
    if few <= 0.0 or not 0.0 < share < 1.0:
        return None
    each_few, each_rest = few / share, max(rest, 0.0) / (1.0 - share)
    found = part * each_rest / (each_few * (1.0 - part) + part * each_rest)
    return found if found <= 1.0 else None


def unmuffled_share(base: Base, zone: Zone) -> float:
    """Share of the braking passes on the zone's road, by day and night, that are unmuffled [1]."""
    roads = matching_roads(zone.road, base.scene.roads)
    passes = {True: 0.0, False: 0.0}
    for one in base.classes:
        if one.road in roads:
            passes[one.exhaust_state in UNMUFFLED] += float(one.per_hour.sum())
    total = sum(passes.values())
    return passes[True] / total if total else 0.0


def heat_points(base: Base, zone: Zone, road: int) -> tuple[TippingPoint, ...]:
    """Grade, entry temperature and planning limit at which the zone would be refused."""

    def peak(more_grade: float, more_entry: float) -> float:
        return hottest(base, zone, road, more_grade, more_entry)

    limit = base.planning_limit
    now = peak(0.0, 0.0)
    grade = first_over(lambda more: peak(more, 0.0), limit, STEEPEST_MORE)
    entry = first_over(lambda more: peak(0.0, more), limit, WARMEST_MORE_K)
    begin = base.practice.conditions.entry_c
    return (
        TippingPoint(
            "planning limit",
            now,
            "°C",
            limit,
            f"With a planning limit below {now:.0f} °C ({now * 1.8 + 32.0:.0f} °F) the zone would "
            f"be refused; the study sets {limit:.0f} °C ({limit * 1.8 + 32.0:.0f} °F).",
        ),
        TippingPoint(
            "grade",
            grade,
            "1",
            0.0,
            f"The zone would be refused if the road were steeper by {100 * grade:.1f} points."
            if grade is not None
            else f"Up to {100 * STEEPEST_MORE:.0f} points more grade it would not be refused.",
        ),
        TippingPoint(
            "entry temperature",
            None if entry is None else begin + entry,
            "°C",
            begin,
            f"The zone would be refused if brakes were at {begin + entry:.0f} °C "
            f"({(begin + entry) * 1.8 + 32.0:.0f} °F) or more at the top of the road."
            if entry is not None
            else "No entry temperature that was tried would refuse it.",
        ),
    )


def hottest(
    base: Base, zone: Zone, road: int, more_grade: float = 0.0, more_entry: float = 0.0
) -> float:
    """Hottest sound brakes of the trucks a zone binds, the reserve of a stop included [°C]."""
    conditions = base.practice.conditions
    practice: Practice = replace(
        base.practice, conditions=replace(conditions, entry_c=conditions.entry_c + more_entry)
    )
    peaks = [
        drive_road(
            base.scene.stretches, road, direction, truck, practice, silent=zone, steeper=more_grade
        ).peak_c
        for direction in downhill_directions(base.scene, road, zone)
        for truck in base.trucks
        if zone.binds_truck(truck.retarder, "straight")
    ]
    return max(peaks, default=-np.inf)


def first_over(peak: Callable[[float], float], limit: float, most: float) -> float | None:
    """Smallest addition at which a rising peak passes a limit; 0 where it does already.

    >>> round(first_over(lambda more: 100.0 + 50.0 * more, 150.0, 4.0), 3)
    1.0
    >>> first_over(lambda more: 0.0, 150.0, 4.0) is None
    True
    """
    if peak(0.0) > limit:
        return 0.0
    if peak(most) <= limit:
        return None
    low, high = 0.0, most
    for _ in range(40):
        middle = 0.5 * (low + high)
        if peak(middle) > limit:
            high = middle
        else:
            low = middle
        if high - low <= 1e-5 * most:
            break
    return high


def _calm(base: Base) -> Draws:
    """A single draw with nothing unknown."""
    one = np.zeros(1)
    return Draws(
        exhaust={state: one for state in base.draws.exhaust},
        silent=one,
        traffic=one,
        observance=one,
        unmuffled_factor=np.ones(1),
        home=np.zeros((1, base.draws.home.shape[1])),
    )
