"""One zone against no zone: what the homes gain, what the brakes pay, what follows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.community.criteria import Criterion, over_limit
from noisemap.community.indicators import Periods, night_level
from noisemap.descent.drive import Drive
from noisemap.exposure.after_treatment import AfterTreatmentShare
from noisemap.exposure.arrivals import HillsAbove
from noisemap.exposure.driving import Practice, TruckClass
from noisemap.exposure.levels import (
    INDICATORS,
    PASS_LEVELS,
    Scenario,
    bedroom_maximum,
    home_levels,
    passes_above,
    scenario,
)
from noisemap.exposure.passes import DriveKey, PassClass, pass_sound, silent_in
from noisemap.exposure.product import PassLevels, pass_levels
from noisemap.exposure.relief import Background, NightEnergy, by_state, people_relief
from noisemap.exposure.results import HomeLevels, Interval, ZoneResult, told_before
from noisemap.exposure.traffic import matching_roads
from noisemap.exposure.uncertainty import (
    Draws,
    ZonePasses,
    certain,
    interval,
    people_over,
    people_passes_spared,
    spread,
)
from noisemap.levels import from_energy, to_energy
from noisemap.scene.grades import is_coarse
from noisemap.scene.model import Scene
from noisemap.states import Zone
from noisemap.transfer.store import TransferStore
from noisemap.zones.brakes import brake_rows
from noisemap.zones.verdict import LEADING_LEVEL, judge
from noisemap.zones.ways import Way, silenced

FloatArray = npt.NDArray[np.float64]

LOUDER_DB = 0.05
"""A level has risen when it rises by more than the figures' own rounding [dB]."""

HELPED_DB = 1.0
"""People count as helped when the night level before their facade falls by this much [dB]."""

ASSUMED_BACKGROUNDS = (45, 50, 55)
"""Background levels that show what remains of a zone's gain when none was given [dB]."""

NEAR_THE_LINE_DB = 2.0


@dataclass(frozen=True)
class Base:
    """Everything that all zones of a study are weighed against."""

    scene: Scene
    store: TransferStore
    trucks: tuple[TruckClass, ...]
    practice: Practice
    hard_limit: float
    planning_limit: float
    temperature: float  # of the air [°C]
    calibration_offset: float  # [dB]
    classes: tuple[PassClass, ...]
    passes: PassLevels  # of one free pass of each class
    other_by_hour: npt.NDArray[np.float32]  # (receiver, 24) of the other traffic
    free: Scenario
    before: HomeLevels
    people: FloatArray  # at each receiver
    loudest_receiver: npt.NDArray[np.int64]  # of each home at night, without any zone
    home_sigma: FloatArray  # error of each home's level [dB]
    draws: Draws
    periods: Periods
    background: FloatArray | None  # (24,) [dB]
    criteria: tuple[Criterion, ...]
    worth_people_passes: float
    units: str  # of the sentences
    hills: HillsAbove
    background_sigma: float = 0.0  # standard deviation of the background's error [dB]
    auxiliary: tuple[PassClass, ...] = ()  # passes with other, quiet auxiliary brakes
    after_treatment: AfterTreatmentShare | None = None  # of the braking trucks' exhausts


def weigh_zone(
    base: Base, zone: Zone, way: Way = silenced, *, each_home: bool = False
) -> ZoneResult:
    """Weigh one zone; `way` is how the drivers who obey drive through it.

    With `each_home` the change at every single home has its own interval.
    """
    road_indices = matching_roads(zone.road, base.scene.roads)
    bound = [
        index for index, one in enumerate(base.classes) if _bound(base, zone, one, road_indices)
    ]
    silent = _silent_levels(base, zone, bound, way)
    after = _after(base, zone, bound, silent)
    levels = home_levels(
        after,
        base.scene.receivers,
        base.scene.homes,
        base.periods,
        spread("fleet_spread"),
        base.background,
    )
    brakes = brake_rows(
        zone,
        base.scene.roads,
        road_indices,
        base.scene.stretches,
        base.trucks,
        base.practice,
        hard_limit=base.hard_limit,
        planning_limit=base.planning_limit,
        native_cell=base.scene.terrain.native_cell,
        way=way,
        hills=base.hills,
    )
    spared = {level: _spared(base, zone, bound, silent, after, level) for level in PASS_LEVELS}
    night = night_energy(base, zone, bound, silent)
    lived_in, people = base.people > 0.0, base.people[base.people > 0.0]
    share = base.draws.silent_share(zone.observance, zone.emergency_use)
    helped, fall = people_relief(night, people, share, base.draws, HELPED_DB)
    best = _night_fall(base, after)[lived_in]
    quieter = _fall(base.before.l_night, levels.l_night).round(6) + 0.0
    gains = _gains(base, zone, night)
    verdict = judge(
        zone,
        spared,
        brakes,
        base.worth_people_passes,
        coarse=is_coarse(base.scene.terrain.native_cell),
        units=base.units,
    )
    return ZoneResult(
        zone=zone,
        levels=levels,
        quieter_by=quieter,
        quieter_bounds=_home_bounds(base, zone, bound, silent, share) if each_home else None,
        people_passes=spared,
        people_over=_people_over(base, after),
        people_within_2db=_people_near(base, after),
        people_helped=interval(float(people[best >= HELPED_DB].sum()), helped),
        people_louder=float(people[best < -LOUDER_DB].sum()),
        brakes=brakes,
        verdict=verdict.word,
        sentence=verdict.sentence,
        reasons=verdict.reasons,
        quieter_interval=interval(
            float(np.maximum(best, 0.0) @ people) / max(float(people.sum()), 1e-12), fall
        ),
        gain_with_background=gains,
        quieter_total=None
        if own_background(base) is None
        else mean_fall(base, zone, night, base.draws, own_background(base)),
    )


def spared_under(
    base: Base, zone: Zone, draws: Sequence[Draws], level: int
) -> tuple[Interval, ...]:
    """People times passes a night above a level that a zone spares, under several sets of draws."""
    road_indices = matching_roads(zone.road, base.scene.roads)
    bound = [
        index for index, one in enumerate(base.classes) if _bound(base, zone, one, road_indices)
    ]
    silent = _silent_levels(base, zone, bound, silenced)
    after = _after(base, zone, bound, silent)
    return tuple(
        _spared(replace(base, draws=one), zone, bound, silent, after, level) for one in draws
    )


def rank(results: Sequence[ZoneResult]) -> list[ZoneResult]:
    """Zones in the order in which they are told: refused first, then by what they spare."""
    return sorted(
        results, key=lambda one: told_before(one.verdict, one.people_passes[LEADING_LEVEL].best)
    )


def _bound(base: Base, zone: Zone, one: PassClass, road_indices: Sequence[int]) -> bool:
    retarder = base.trucks[one.truck].retarder
    return one.road in road_indices and zone.binds_truck(retarder, one.exhaust_state)


def _silent_levels(base: Base, zone: Zone, bound: Sequence[int], way: Way) -> PassLevels:
    """What the bound passes leave when their drivers obey."""
    classes = silent_in([base.classes[index] for index in bound], zone.name)
    drives: dict[DriveKey, Drive] = {}
    for one in classes:
        key = (one.road, one.direction, one.truck, one.variant)
        if key not in drives:
            drives[key] = way(
                base.scene.stretches,
                one.road,
                one.direction,
                base.trucks[one.truck],
                base.practice,
                zone,
            )
    sound = pass_sound(
        classes,
        drives,
        base.scene.stretches,
        base.trucks,
        temperature=base.temperature,
        calibration_offset=base.calibration_offset,
    )
    return pass_levels(base.store, sound)


def _home_bounds(
    base: Base, zone: Zone, bound: Sequence[int], silent: PassLevels, share: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """90 % interval of the fall of the night level at each home's loudest receiver [dB]."""
    night = night_energy(base, zone, bound, silent, base.loudest_receiver)
    return night.fall_bounds(share, base.draws)


def _hours(zone: Zone) -> FloatArray:
    return np.array([float(hour in zone.hours) for hour in range(24)])


def _after(base: Base, zone: Zone, bound: Sequence[int], silent: PassLevels) -> Scenario:
    free = np.array([one.per_hour for one in base.classes]).reshape(-1, 24)
    obeying = free[list(bound)] * zone.silent_share * _hours(zone)
    free = free.copy()
    free[list(bound)] -= obeying
    return scenario(base.passes.joined(silent), np.vstack([free, obeying]), base.other_by_hour)


def _spared(
    base: Base,
    zone: Zone,
    bound: Sequence[int],
    silent: PassLevels,
    after: Scenario,
    level: int,
) -> Interval:
    """People times passes a night above a level that the zone spares."""
    if not bound:
        return Interval(0.0, 0.0, 0.0)
    fleet = spread("fleet_spread")
    before = passes_above(base.free, base.periods.night, level, fleet)
    fewer = before - passes_above(after, base.periods.night, level, fleet)
    hours = sorted(zone.hours & base.periods.night)
    chosen = [base.classes[index] for index in bound]
    passes = ZonePasses(
        free=base.passes.maximum[:, list(bound)].astype(float),
        free_exhaust=base.passes.exhaust_share[:, list(bound)].astype(float),
        silent=silent.maximum.astype(float),
        silent_exhaust=silent.exhaust_share.astype(float),
        counts=np.array([one.per_hour[hours].sum() for one in chosen]),
        exhaust=[one.exhaust_state for one in chosen],
    )
    samples = people_passes_spared(
        passes,
        base.people,
        base.scene.receivers.home,
        base.home_sigma,
        base.draws.silent_share(zone.observance, zone.emergency_use),
        level,
        base.draws,
    )
    return interval(max(float(fewer @ base.people), 0.0), samples)


def night_energy(
    base: Base,
    zone: Zone,
    bound: Sequence[int],
    silent: PassLevels,
    receivers: npt.NDArray[np.int64] | None = None,
) -> NightEnergy:
    """Night energies before and under a zone, where people are counted or at chosen receivers."""
    night = sorted(base.periods.night)
    both = sorted(base.periods.night & zone.hours)
    seconds = 3600.0 * len(night)
    place = np.flatnonzero(base.people > 0.0) if receivers is None else receivers
    states = [one.exhaust_state for one in base.classes]
    counts = np.array([one.per_hour[night].sum() for one in base.classes])
    in_zone = np.array([base.classes[index].per_hour[both].sum() for index in bound])
    bound_states = [states[index] for index in bound]
    running = base.passes.running_energy[place].astype(float)
    exhaust = base.passes.energy[place].astype(float) - running
    left = (silent.energy[place] - silent.running_energy[place]).astype(float)
    return NightEnergy(
        exhaust=by_state(exhaust, counts, states, seconds),
        running=by_state(running, counts, states, seconds),
        bound=by_state(exhaust[:, list(bound)], in_zone, bound_states, seconds),
        silent=by_state(left, in_zone, bound_states, seconds),
        other=base.other_by_hour[place][:, night].astype(float).mean(axis=1),
    )


def _night_fall(base: Base, after: Scenario) -> FloatArray:
    """Fall of the night level of braking trucks at each receiver [dB]."""
    return _fall(
        night_level(base.free.braking_by_hour, base.periods),
        night_level(after.braking_by_hour, base.periods),
    )


def _gains(base: Base, zone: Zone, night: NightEnergy) -> Mapping[int, Interval]:
    """People-weighted fall of the total night level under assumed backgrounds [dB]."""
    return {
        level: mean_fall(base, zone, night, base.draws, Background(float(level)))
        for level in ASSUMED_BACKGROUNDS
    }


def mean_fall(
    base: Base, zone: Zone, night: NightEnergy, draws: Draws, background: Background | None
) -> Interval:
    """People-weighted fall of the night level [dB]: of braking trucks, or of all sound there."""
    people = base.people[base.people > 0.0]
    best, samples = (
        people_relief(
            night,
            people,
            one.silent_share(zone.observance, zone.emergency_use),
            one,
            HELPED_DB,
            background,
        )[1]
        for one in (certain(1, 0), draws)
    )
    return interval(float(best[0]), samples)


def own_background(base: Base) -> Background | None:
    """The study's background at night; None where it gives none."""
    if base.background is None:
        return None
    level = from_energy(to_energy(base.background[sorted(base.periods.night)]).mean())
    return Background(float(level), base.background_sigma)


def fall_under(base: Base, zone: Zone, draws: Sequence[Draws]) -> tuple[Interval, ...]:
    """Mean fall of the night level under several sets of draws, with the study's background."""
    road_indices = matching_roads(zone.road, base.scene.roads)
    bound = [
        index for index, one in enumerate(base.classes) if _bound(base, zone, one, road_indices)
    ]
    night = night_energy(base, zone, bound, _silent_levels(base, zone, bound, silenced))
    return tuple(mean_fall(base, zone, night, one, own_background(base)) for one in draws)


def _fall(before: FloatArray, after: FloatArray) -> FloatArray:
    """Fall of a level, zero where there is none."""
    heard = np.isfinite(before) & np.isfinite(after)
    return np.subtract(before, after, out=np.zeros_like(before), where=heard)


def _criterion_levels(base: Base, rule: Criterion, scenario_: Scenario) -> FloatArray | None:
    """Levels at the receivers that a criterion speaks of; None where they are not known.

    A criterion for all sound there is never compared with the modelled part of it.
    """
    if rule.place != "outdoor" or rule.indicator not in INDICATORS:
        return None
    energy = scenario_.traffic_by_hour
    if rule.applies_to == "total":
        if base.background is None:
            return None
        energy = energy + to_energy(base.background)
    return INDICATORS[rule.indicator](energy)


def _people_over(base: Base, after: Scenario) -> dict[str, tuple[Interval, Interval]]:
    found = {}
    for rule in base.criteria:
        rows = []
        for scenario_ in (base.free, after):
            levels = _criterion_levels(base, rule, scenario_)
            if levels is None:
                break
            best = float(base.people[over_limit(levels, rule)].sum())
            samples = people_over(
                levels,
                _exhaust_shares(base, rule, scenario_),
                rule.limit_db,
                base.people,
                base.scene.receivers.home,
                base.home_sigma,
                base.draws,
                _background_share(base, rule, scenario_),
                base.background_sigma,
            )
            rows.append(interval(best, samples))
        if len(rows) == 2:
            found[criterion_label(rule)] = (rows[0], rows[1])
    return found


def _background_share(base: Base, rule: Criterion, scenario_: Scenario) -> FloatArray | None:
    """Share of the background in the day's energy behind a criterion's level."""
    if rule.applies_to != "total" or base.background is None:
        return None
    there = float(to_energy(base.background).sum())
    return np.asarray(there / (scenario_.traffic_by_hour.sum(axis=1) + there))


def _exhaust_shares(base: Base, rule: Criterion, scenario_: Scenario) -> FloatArray:
    """Share of each exhaust state in the day's energy behind a criterion's level."""
    exhaust = (base.passes.energy - base.passes.running_energy).astype(float)
    counts = scenario_.per_hour[: len(base.classes)].sum(axis=1)
    states = [one.exhaust_state for one in base.classes]
    total = scenario_.traffic_by_hour.sum(axis=1)
    if rule.applies_to == "total" and base.background is not None:
        total = total + to_energy(base.background).sum()
    parts = by_state(exhaust, counts, states, 3600.0)
    heard = total > 0.0
    shares = np.divide(parts, total[:, None], out=np.zeros_like(parts), where=heard[:, None])
    return np.asarray(np.clip(shares, 0.0, 1.0))


def _people_near(base: Base, after: Scenario) -> dict[str, float]:
    found = {}
    for rule in base.criteria:
        levels = _criterion_levels(base, rule, after)
        if levels is not None:
            near = np.abs(levels - rule.limit_db) <= NEAR_THE_LINE_DB
            found[criterion_label(rule)] = float(base.people[near].sum())
    return found


def not_compared(base: Base) -> list[str]:
    """Sentences about the study's criteria that its levels cannot be held against."""
    sentences = []
    for rule in base.criteria:
        reason = ""
        if rule.place != "outdoor":
            reason = (
                "it speaks of single events of all sound inside; braking passes above "
                f"{bedroom_maximum():g} dB inside are counted by themselves"
            )
        elif rule.indicator not in INDICATORS:
            reason = "it speaks of single events of all sound there, not of braking trucks alone"
        elif rule.applies_to == "total" and base.background is None:
            reason = "it speaks of all sound there, and no background was given"
        if reason:
            sentences.append(f"Not compared with {rule.title} ({rule.limit_db:g} dB): {reason}.")
    return sentences


def criterion_label(rule: Criterion) -> str:
    """A criterion with its limit and the sound it is compared with."""
    sound = "total" if rule.applies_to == "total" else "all modelled traffic"
    return f"{rule.title}: {rule.limit_db:g} dB ({sound})"
