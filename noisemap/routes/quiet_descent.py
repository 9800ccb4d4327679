"""One truck on one road: the quiet plan beside the ordinary driver and no retarder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.descent.brake_temperature import Conditions
from noisemap.descent.drive import Drive, drive
from noisemap.descent.gearbox import Gearbox
from noisemap.descent.quiet_moves import (
    Listening,
    drive_burden,
    even_caps,
    planning_default,
)
from noisemap.descent.quiet_plan import QuietPlan, Worth, quiet_plan
from noisemap.descent.quiet_step import Profile, Rig, follow, rig
from noisemap.exposure.driving import Practice, road_rows, wished_speed
from noisemap.exposure.levels import loudest
from noisemap.exposure.passes import DriveKey, PassClass, pass_sound
from noisemap.exposure.product import pass_levels
from noisemap.exposure.traffic import matching_roads
from noisemap.levels import from_energy
from noisemap.routes.choices import choice, clock_hours, steeper
from noisemap.routes.listening import Source, listening, loud_spots
from noisemap.scene.model import Scene, Stretches
from noisemap.states import Zone
from noisemap.transfer.store import TransferStore

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

MOST_PLANS = 4
LIMIT_TOLERANCE_K = 1e-6

ORDINARY, QUIET, NO_RETARDER = "ordinary driver", "quiet plan", "no retarder"


@dataclass(frozen=True)
class Terms:
    """What a plan has to keep and what it may weigh."""

    hard_limit_c: float
    planning_limit_c: float
    allow_hotter_k: float = 0.0  # over the ordinary driver's peak, outside zones [K]
    burden_worth_s: float = choice("descent", "burden_worth_s")  # whole ordinary burden [s]
    onset_worth_s: float = choice("descent", "onset_worth_s")  # at the place heard most [s]


@dataclass(frozen=True)
class Trip:
    """Which road, which way, and when."""

    road: int  # index into the scene's roads
    direction: int  # 1 with the road's points, -1 against them
    depart_s: float | None  # time of day; None takes every hour of a zone as in force
    night: frozenset[int]  # hours in which an onset counts


@dataclass(frozen=True)
class Pass:
    """One way of driving the road, and what it leaves."""

    name: str
    drive: Drive
    burden: float  # people times exposure [people s]
    sound_exposure: FloatArray  # (homes,) at the loudest facade [dB]
    maximum: FloatArray  # (homes,) fast maximum [dB]
    along: FloatArray  # (pieces,) level at the home that hears the piece most [dB]
    degraded_peak_c: float  # the same driving with degraded brakes [°C]
    steeper_peak_c: float  # the same with the grade at its upper bound [°C]


@dataclass(frozen=True)
class QuietDescent:
    """What was found for one truck."""

    source: Source
    trip: Trip
    terms: Terms
    zones: tuple[Zone, ...]  # in force for this truck on this road at this time
    rows: IntArray  # stretches in driving order
    profile: Profile
    listening: Listening
    ordinary: Pass
    none: Pass
    quiet: Pass | None
    plan: QuietPlan | None
    heard: tuple[tuple[float, float, float], ...]  # from, to [m of the drive], share [1]
    verdict: str  # "quieter" | "no quieter plan" | "no plan within the limits"

    @property
    def passes(self) -> tuple[Pass, ...]:
        """The ways of driving, the ordinary one first."""
        return (self.ordinary, *((self.quiet,) if self.quiet else ()), self.none)

    def quieter_db(self, way: Pass) -> float:
        """Fall of the people-weighted sound against the ordinary driver [dB]."""
        if way.burden <= 0.0 or self.ordinary.burden <= 0.0:
            return 0.0
        return float(10.0 * np.log10(self.ordinary.burden / way.burden))


def zones_in_force(
    zones: Sequence[Zone], scene: Scene, trip: Trip, source: Source, profile: Profile
) -> tuple[tuple[Zone, BoolArray], ...]:
    """Zones that bind the truck on this trip, each with the pieces inside it.

    Without a time of departure every hour counts; with one, a zone is kept whenever it
    may be in force within the range of arrival.
    """
    rows = road_rows(scene.stretches, trip.road)
    middle = 0.5 * (scene.stretches.from_m[rows] + scene.stretches.to_m[rows])
    along = middle if trip.direction > 0 else middle[::-1]
    begins = np.concatenate([[0.0], np.cumsum(profile.length_m / profile.cap_ms)])
    found = []
    for zone in zones:
        inside = (along >= zone.from_m) & (along < zone.to_m)
        if trip.road not in matching_roads(zone.road, scene.roads) or not inside.any():
            continue
        if not zone.binds_truck(source.truck.retarder, source.exhaust):
            continue
        if trip.depart_s is not None:
            places = np.flatnonzero(inside)
            enters, leaves = float(begins[places[0]]), float(begins[places[-1] + 1])
            if not clock_hours(trip.depart_s, enters, leaves) & zone.hours:
                continue
        found.append((zone, inside))
    return tuple(found)


def road_profile(stretches: Stretches, trip: Trip, practice: Practice, limit_c: float) -> Profile:
    """The road in driving order at the posted speed, with one limit and every permission."""
    rows = road_rows(stretches, trip.road)
    nodes = np.append(stretches.from_m[rows], stretches.to_m[rows[-1]])
    grade = stretches.grade[rows]
    speed = wished_speed(stretches, rows, practice)
    if trip.direction < 0:
        nodes, grade, speed = (nodes[-1] - nodes)[::-1], -grade[::-1], speed[::-1]
    return Profile(
        nodes - nodes[0],
        grade,
        speed,
        np.ones(len(grade), np.bool_),
        np.full(len(nodes), limit_c),
    )


def quiet_descent(
    scene: Scene,
    store: TransferStore,
    weights: FloatArray,
    zones: Sequence[Zone],
    source: Source,
    practice: Practice,
    trip: Trip,
    terms: Terms,
) -> QuietDescent:
    """Plan, ordinary driver and no retarder on one road.

    `weights` are people times transfer by stretch, so the homes along the whole road
    are scored.  The ordinary driver keeps the posted speed in the lowest gear with the
    retarder at its full stage, and obeys the zones.
    """
    rows = road_rows(scene.stretches, trip.road)
    rows = rows if trip.direction > 0 else rows[::-1]
    bare = road_profile(scene.stretches, trip, practice, terms.planning_limit_c)
    in_force = zones_in_force(zones, scene, trip, source, bare)
    silent = np.zeros(len(rows), np.bool_)
    for _, inside in in_force:
        silent |= inside
    profile = replace(bare, retarder_allowed=~silent)
    truck, kind = source.truck, source.truck.retarder
    one = rig(truck.model, truck.mass, kind, practice.conditions)
    worn = _degraded(practice)
    heard = listening(weights, rows, profile.grade, source, one.stages[1:])

    usual = _ordinary(profile, source, practice)
    profile = replace(profile, limit_c=_limits(profile, usual.peak_c, terms))
    burden = float(drive_burden(heard, usual, one).sum())
    planned = _planned(profile, one, heard, _worth(heard, trip, terms, burden), truck.gearbox)
    plan = planned[0] if planned else None
    stated = scene.stretches.grade_sigma[rows]
    steep = replace(profile, grade=steeper(profile.grade, stated, scene.terrain.native_cell))
    driven = {
        ORDINARY: (
            usual,
            _ordinary(profile, source, worn).peak_c,
            _ordinary(steep, source, practice).peak_c,
        ),
        NO_RETARDER: (
            _ordinary(profile, source, practice, bare=True),
            _ordinary(profile, source, worn, bare=True).peak_c,
            _ordinary(steep, source, practice, bare=True).peak_c,
        ),
    }
    if planned is not None:
        plan, way = planned
        old = rig(truck.model, truck.mass, kind, worn.conditions)
        speed, gear, stage = way.node_speed_ms, way.gear, plan.stage
        driven[QUIET] = (
            way,
            follow(profile, speed, gear, stage, old, truck.gearbox).peak_c,
            follow(steep, speed, gear, stage, one, truck.gearbox).peak_c,
        )
    passes = _passes(scene, store, source, trip, heard, one, rows, driven)
    quiet = passes.get(QUIET)
    return QuietDescent(
        source=source,
        trip=trip,
        terms=terms,
        zones=tuple(zone for zone, _ in in_force),
        rows=rows,
        profile=profile,
        listening=heard,
        ordinary=passes[ORDINARY],
        none=passes[NO_RETARDER],
        quiet=quiet,
        plan=plan,
        heard=most_heard(profile, heard, _ordinary(bare, source, practice), one),
        verdict=_verdict(passes[ORDINARY], quiet),
    )


def _degraded(practice: Practice) -> Practice:
    conditions = practice.conditions
    return replace(
        practice,
        conditions=Conditions.degraded(conditions.preset, conditions.ambient_c, conditions.entry_c),
    )


def _ordinary(profile: Profile, source: Source, practice: Practice, *, bare: bool = False) -> Drive:
    """Posted speed, lowest gear, full stage; bare without any retarder."""
    return drive(
        profile.chainage_m,
        profile.grade,
        profile.cap_ms,
        source.truck.model,
        source.truck.mass,
        retarder_allowed=profile.retarder_allowed,
        retarder_kind="none" if bare else source.truck.retarder,
        conditions=practice.conditions,
        habit="high",
        gearbox=source.truck.gearbox,
    )


def _planned(
    profile: Profile, one: Rig, heard: Listening, worth: Worth, gearbox: Gearbox
) -> tuple[QuietPlan, Drive] | None:
    """The plan and its drive with the gearbox's interruptions, within the limits.

    The planner knows no interruption; where its drive gets too hot by them, it plans
    again with that much less room.
    """
    tight = even_caps(profile)
    for _ in range(MOST_PLANS):
        plan = quiet_plan(tight, one, heard, worth)
        if plan is None:
            return None
        driven = follow(
            profile, plan.drive.node_speed_ms, plan.drive.gear, plan.stage, one, gearbox
        )
        over = float((driven.temperature_c + driven.stop_c - profile.limit_c).max())
        if over <= LIMIT_TOLERANCE_K:
            return plan, driven
        tight = replace(tight, limit_c=tight.limit_c - over - LIMIT_TOLERANCE_K)
    return None


def _limits(profile: Profile, ordinary_peak_c: float, terms: Terms) -> FloatArray:
    """Limit at the nodes: the planning limit; outside zones no hotter than the ordinary driver."""
    outside = min(terms.planning_limit_c, ordinary_peak_c + terms.allow_hotter_k)
    silent = ~profile.retarder_allowed
    in_zone = np.append(silent, False) | np.insert(silent, 0, False)
    return np.where(in_zone, terms.planning_limit_c, outside)


def _worth(heard: Listening, trip: Trip, terms: Terms, burden: float) -> Worth:
    """Worth of the burden by the ordinary driver's, and of onsets by where they are heard."""
    at_night = trip.depart_s is None or int(trip.depart_s // 3600) % 24 in trip.night
    strongest = heard.braking.max(axis=(1, 2), initial=0.0)
    loudest_piece = float(strongest.max(initial=0.0))
    onset = np.zeros(len(strongest))
    if at_night and loudest_piece > 0.0:
        onset = terms.onset_worth_s * strongest / loudest_piece
    return Worth(terms.burden_worth_s / burden if burden > 0.0 else 0.0, onset_s=onset)


def most_heard(
    profile: Profile, heard: Listening, free: Drive, one: Rig
) -> tuple[tuple[float, float, float], ...]:
    """Where the retarder is most heard of a drive: from, to [m], share of all of it [1]."""
    silent = replace(heard, braking=np.zeros_like(heard.braking))
    amount = drive_burden(heard, free, one) - drive_burden(silent, free, one)
    return loud_spots(profile.chainage_m, amount)


def _passes(
    scene: Scene,
    store: TransferStore,
    source: Source,
    trip: Trip,
    heard: Listening,
    one: Rig,
    rows: IntArray,
    driven: dict[str, tuple[Drive, float, float]],
) -> dict[str, Pass]:
    """Levels of every way of driving at every home, through the store."""
    drives: dict[DriveKey, Drive] = {
        (trip.road, trip.direction, 0, name): way for name, (way, *_) in driven.items()
    }
    classes = [
        PassClass(trip.road, trip.direction, 0, source.exhaust, name, np.zeros(24))
        for name in driven
    ]
    sound = pass_sound(
        classes,
        drives,
        scene.stretches,
        [source.truck],
        temperature=source.temperature_c,
        calibration_offset=source.calibration_db,
    )
    levels = pass_levels(store, sound)
    found = {}
    for number, (name, (way, worn_peak, steep_peak)) in enumerate(driven.items()):
        exposure = from_energy(levels.energy[:, number].astype(float))
        found[name] = Pass(
            name=name,
            drive=way,
            burden=float(drive_burden(heard, way, one).sum()),
            sound_exposure=loudest(exposure, scene.receivers, scene.homes),
            maximum=loudest(levels.maximum[:, number].astype(float), scene.receivers, scene.homes),
            along=from_energy(_strongest(store, sound.peak[number], rows)),
            degraded_peak_c=worn_peak,
            steeper_peak_c=steep_peak,
        )
    return found


def _strongest(
    store: TransferStore, emitted: npt.NDArray[np.float32], rows: IntArray
) -> FloatArray:
    """Energy of each stretch at the receiver that gets most of it [1]."""
    own = np.zeros(len(emitted), np.bool_)
    own[rows] = True
    paths = np.flatnonzero(own[store.stretch])
    stretch = store.stretch[paths]
    energy = (store.t[paths] * emitted[stretch]).sum(axis=(1, 2)).astype(float)
    top = np.zeros(len(emitted))
    np.maximum.at(top, stretch, energy)
    return np.asarray(top[rows])


def _verdict(ordinary: Pass, quiet: Pass | None) -> str:
    if quiet is None:
        return "no plan within the limits"
    fall = choice("descent", "quieter_db")
    quieter = quiet.burden < ordinary.burden * 10.0 ** (-fall / 10.0)
    return "quieter" if quieter else "no quieter plan"


def lowest_speed_ms() -> float:
    """Lowest speed that a plan considers where the road allows more [m/s]."""
    return planning_default("lowest_speed_ms")
