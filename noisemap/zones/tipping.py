"""Where the answer turns: tipping points of a zone, and which unknown makes its interval wide."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.exposure.arrivals import HillsAbove
from noisemap.exposure.results import VERDICT_ORDER, BrakeRow, Interval, ZoneResult
from noisemap.exposure.traffic import matching_roads
from noisemap.exposure.uncertainty import Draws, certain
from noisemap.states import UNMUFFLED, Zone
from noisemap.units import show_both
from noisemap.zones.brakes import bound_kinds, brake_rows
from noisemap.zones.conditions import CONDITIONS, NORMAL, setting
from noisemap.zones.verdict import LEADING_LEVEL, needs_study
from noisemap.zones.weigh import Base, fall_under, spared_under

FloatArray = npt.NDArray[np.float64]

STEEPEST_MORE = 0.06
"""Largest addition to the grade that is tried [1]."""

WARMEST_MORE_K = 300.0
"""Largest addition to the entry temperature that is tried [K]."""

FINENESS = 1e-3
"""Share of the range tried to which a tipping point is found [1]."""


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
    study: float | None = None  # where an engineering study would be needed first


@dataclass(frozen=True)
class Drivers:
    """Which unknown makes a figure's interval wide."""

    whole: Interval  # with everything unknown
    alone: tuple[Driver, ...]  # each unknown alone, the widest first


def drivers_of(base: Base, zone: Zone) -> Drivers:
    """What drives the interval of the people times passes that a zone spares."""
    return _drivers(
        base, lambda draws: spared_under(base, zone, draws, LEADING_LEVEL), ("background",)
    )


def level_drivers_of(base: Base, zone: Zone) -> Drivers:
    """What drives the interval of the mean fall of the night level.

    Of all sound there where the study gives a background, else of braking trucks.
    """
    unused = () if base.background is not None else ("background",)
    return _drivers(base, lambda draws: fall_under(base, zone, draws), unused)


def _drivers(
    base: Base, find: Callable[[Sequence[Draws]], Sequence[Interval]], unused: Sequence[str]
) -> Drivers:
    sets = {name: one for name, one in one_at_a_time(base.draws).items() if name not in unused}
    found = find([base.draws, *sets.values()])
    drivers = [Driver(name, one) for name, one in zip(sets, found[1:], strict=True)]
    return Drivers(found[0], tuple(sorted(drivers, key=lambda one: -one.width)))


def one_at_a_time(draws: Draws) -> dict[str, Draws]:
    """Draws in which one unknown varies and all others stand at their best figures."""
    calm = certain(draws.samples, draws.home.shape[1])
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
        "use in emergencies": replace(calm, emergency_factor=draws.emergency_factor),
        "number of unmuffled trucks": replace(calm, unmuffled_factor=draws.unmuffled_factor),
        "share with after-treatment": replace(
            calm,
            after_treatment_factor=draws.after_treatment_factor,
            muffled_factor=draws.muffled_factor,
        ),
        "share of time with the retarder on": replace(calm, duty_factor=draws.duty_factor),
        "background": replace(calm, background=draws.background, traffic=draws.traffic),
        "place and terrain of each home": replace(calm, home=draws.home),
    }


def tipping_points(base: Base, zone: Zone) -> tuple[TippingPoint, ...]:
    """Observance, shares of unmuffled trucks and after-treatment, grade, entry, planning limit."""
    road = matching_roads(zone.road, base.scene.roads)[0]
    return (
        observance_point(base, zone),
        unmuffled_point(base, zone),
        *after_treatment_points(base, zone),
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


def after_treatment_points(base: Base, zone: Zone) -> tuple[TippingPoint, ...]:
    """What binding the unmuffled, or all, spares where few and where many have after-treatment.

    None where the share is not open.  The value is the end, as a share of the working
    exhausts.
    """
    share = base.after_treatment
    if share is None or share.low == share.high:
        return ()
    ends = {"low": share.low, "high": share.high}
    sets = []
    for end in ends.values():
        after, muffled = share.numbers(np.array([end]))
        sets.append(replace(_calm(base), after_treatment_factor=after, muffled_factor=muffled))
    few = spared_under(
        base, replace(zone, binds="unmuffled_compression_release"), sets, LEADING_LEVEL
    )
    everyone = spared_under(base, replace(zone, binds="compression_release"), sets, LEADING_LEVEL)
    return tuple(
        TippingPoint(
            f"after-treatment, {name}",
            end,
            "1",
            share.best,
            after_treatment_sentence(end, one.low, all_.low),
        )
        for (name, end), one, all_ in zip(ends.items(), few, everyone, strict=True)
    )


def after_treatment_notes(base: Base, results: Sequence[ZoneResult]) -> tuple[str, ...]:
    """What each zone's stretch would spare at both ends of the share.

    Nothing is said of zones that are refused, or that spare nobody.
    """
    return tuple(
        f"{result.zone.name}: {point.sentence}"
        for result in results
        if result.verdict != VERDICT_ORDER[0] and result.people_passes[LEADING_LEVEL].best > 0.0
        for point in after_treatment_points(base, result.zone)
    )


def after_treatment_sentence(share: float, few: float, everyone: float) -> str:
    """What the two rules spare at one share of after-treatment.

    >>> after_treatment_sentence(0.4, 30.0, 40.0)[:59]
    'If 40% of the working exhausts have after-treatment, bindin'
    """
    part = f", {few / everyone:.0%} of it" if everyone > 0.0 else ""
    return (
        f"If {share:.0%} of the working exhausts have after-treatment, binding every "
        f"compression-release brake spares {everyone:.3g} people times passes a night, and "
        f"binding only the unmuffled {few:.3g}{part}."
    )


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
    """Planning limit, grade and entry temperature at which the verdict turns over the brakes.

    Each is found twice: where the zone would need an engineering study, and where it
    would be refused, by the same rows as its verdict.
    """
    begin = base.practice.conditions.entry_c
    rows = rows_when(base, zone, road)

    def turns(
        most: float, of: Callable[[float, Collection[str]], tuple[BrakeRow, ...]]
    ) -> list[float | None]:
        return [
            first_true(lambda by: needs_study(of(by, CONDITIONS)), most),
            first_true(lambda by: is_over(of(by, (NORMAL,))), most),
        ]

    def on_grade(by: float, wanted: Collection[str]) -> tuple[BrakeRow, ...]:
        return rows_when(base, zone, road, more_grade=by, conditions=wanted)

    def entering(by: float, wanted: Collection[str]) -> tuple[BrakeRow, ...]:
        return rows_when(base, zone, road, more_entry=by, conditions=wanted)

    grade, entry = turns(STEEPEST_MORE, on_grade), turns(WARMEST_MORE_K, entering)
    equipped = [row for row in rows if row.equipped]
    hottest = [
        max((row.peak_zone_c for row in chosen), default=None)
        for chosen in (equipped, [row for row in equipped if row.condition == NORMAL])
    ]
    return (
        limit_point(base, hottest),
        TippingPoint(
            "grade",
            grade[1],
            "1",
            0.0,
            _turning_sentence(
                "if the road were steeper by {}",
                [None if one is None else f"{100.0 * one:.1f} points" for one in grade],
                f"up to {100 * STEEPEST_MORE:.0f} points more grade",
            ),
            study=grade[0],
        ),
        TippingPoint(
            "entry temperature",
            None if entry[1] is None else begin + entry[1],
            "°C",
            begin,
            _turning_sentence(
                "if brakes came to the top of the road at {} or more",
                [None if one is None else show_both(begin + one, base.units) for one in entry],
                f"up to {show_both(begin + WARMEST_MORE_K, base.units)} at the top of the road",
            ),
            study=None if entry[0] is None else begin + entry[0],
        ),
    )


def is_over(rows: Sequence[BrakeRow]) -> bool:
    """Whether normal brakes go over the planning limit with the zone."""
    return any(
        row.peak_zone_c > row.planning_limit_c
        for row in rows
        if row.equipped and row.condition == NORMAL
    )


def limit_point(base: Base, hottest: Sequence[float | None]) -> TippingPoint:
    """Planning limits below which the zone needs a study, and is refused [°C]."""
    limit = base.planning_limit
    study, refused = hottest
    if study is None or refused is None:
        return TippingPoint(
            "planning limit", None, "°C", limit, "No truck that the zone binds uses its retarder."
        )
    return TippingPoint(
        "planning limit",
        refused,
        "°C",
        limit,
        f"With a planning limit below {show_both(study, base.units)} the zone would need an "
        f"engineering study, below {show_both(refused, base.units)} it would be refused; the "
        f"study sets {show_both(limit, base.units)}.",
        study=study,
    )


def _turning_sentence(when: str, at: Sequence[str | None], tried: str) -> str:
    study, refused = at
    if refused is None and study is None:
        return f"The brakes would not change the verdict {tried}."
    if refused is None:
        return f"The zone would need an engineering study {when.format(study)}."
    if study is None or study == refused:
        return f"The zone would be refused {when.format(refused)}."
    return (
        f"The zone would need an engineering study {when.format(study)}, and be refused from "
        f"{refused} on."
    )


def rows_when(
    base: Base,
    zone: Zone,
    road: int,
    *,
    more_grade: float = 0.0,
    more_entry: float = 0.0,
    conditions: Collection[str] = CONDITIONS,
) -> tuple[BrakeRow, ...]:
    """The rows of a zone's verdict on a steeper road [1] or with warmer brakes at its top [K]."""
    stretches = base.scene.stretches
    steeper = replace(stretches, grade=stretches.grade + more_grade * np.sign(stretches.grade))
    sound = base.practice.conditions
    warmer = replace(sound, entry_c=sound.entry_c + more_entry)
    return brake_rows(
        zone,
        base.scene.roads,
        [road],
        steeper,
        [truck for truck in base.trucks if truck.retarder in bound_kinds(zone)],
        replace(base.practice, conditions=warmer),
        hard_limit=base.hard_limit,
        planning_limit=base.planning_limit,
        native_cell=base.scene.terrain.native_cell,
        hills=HillsAbove(replace(base.scene, stretches=steeper)),
        conditions=conditions,
    )


def first_true(holds: Callable[[float], bool], most: float) -> float | None:
    """Smallest addition from which something holds that goes on holding; 0 where it does already.

    >>> round(first_true(lambda more: 100.0 + 50.0 * more > 150.0, 4.0), 2)
    1.0
    >>> first_true(lambda more: False, 4.0) is None
    True
    """
    if holds(0.0):
        return 0.0
    if not holds(most):
        return None
    low, high = 0.0, most
    while high - low > FINENESS * most:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def _calm(base: Base) -> Draws:
    """A single draw with nothing unknown."""
    return certain(1, base.draws.home.shape[1])
