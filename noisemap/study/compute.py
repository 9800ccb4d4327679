"""From a scene and its traffic to the base that zones are weighed against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from noisemap.atmosphere import pressure_at_altitude
from noisemap.community.criteria import criteria, outdoor_readings
from noisemap.community.indicators import equivalent_level, night_level
from noisemap.descent.drive import Drive
from noisemap.errors import BadDataError
from noisemap.execution.tasks import HERE, Execution
from noisemap.exposure.after_treatment import AfterTreatmentShare, share_with_ends
from noisemap.exposure.areas import grid_receivers, level_areas
from noisemap.exposure.arrivals import HillsAbove
from noisemap.exposure.auxiliary import auxiliary_passes
from noisemap.exposure.daily_table import with_daily
from noisemap.exposure.driving import drive_road
from noisemap.exposure.halving import Movement, movement
from noisemap.exposure.levels import Scenario, home_levels, people_shares, scenario
from noisemap.exposure.passes import (
    FREE,
    DriveKey,
    PassClass,
    braking_classes,
    other_flows,
    pass_sound,
    traffic_emission,
)
from noisemap.exposure.product import (
    PassLevels,
    PassSound,
    PathShares,
    energy_at_receivers,
    pass_levels,
    path_shares,
)
from noisemap.exposure.results import LevelArea
from noisemap.exposure.traffic import (
    DailyTraffic,
    Flow,
    assumed_flows,
    flows_from_table,
    names_every_state,
    read_counts,
    read_profile,
)
from noisemap.exposure.uncertainty import draw, spread
from noisemap.levels import from_energy
from noisemap.scene.model import Scene
from noisemap.states import EXHAUST_STATES
from noisemap.study.model_exhausts import AfterTreatmentTable
from noisemap.study.prepare import Prepared
from noisemap.study.progress import Reporter
from noisemap.transfer.build import Air, build_store, strips
from noisemap.transfer.store import TransferStore
from noisemap.zones.weigh import Base

FloatArray = npt.NDArray[np.float64]

AREA_EDGES = (50.0, 55.0, 60.0, 65.0, 70.0, 75.0, 80.0)


@dataclass(frozen=True)
class Computed:
    """The base, and what the findings show beside it."""

    base: Base
    drives: dict[DriveKey, Drive]
    sound: PassSound
    shares: PathShares  # of the braking trucks' night emission
    air: Air
    notes: tuple[str, ...]  # assumptions about the traffic


def traffic_of(prepared: Prepared, scene: Scene) -> tuple[list[Flow], list[str]]:
    """Flows of the study's traffic, and sentences about what was assumed."""
    traffic = prepared.study.traffic
    shares = {state: traffic.shares.share(state) for state in EXHAUST_STATES}
    carrying = [int(road) for road in np.unique(scene.stretches.road)]
    if prepared.counts is not None:
        table, said = read_counts(prepared.counts)
        replace_states = traffic.counted_states == "replace"
        by_year = traffic.after_treatment and traffic.after_treatment.model_years
        if by_year and not replace_states and names_every_state(table):
            raise BadDataError(
                "[traffic.after_treatment] model_years would change nothing: every heavy row of "
                f"{table.name} names its exhaust state; let the shares stand in their place with "
                'counted_states = "replace" in [traffic], or give low and high instead'
            )
        if prepared.shares_from and not replace_states and names_every_state(table):
            raise BadDataError(
                f"traffic.fleet: {prepared.shares_from} would change nothing: every heavy row of "
                f"{table.name} names its exhaust state; let the fleet's shares stand in their "
                'place with counted_states = "replace" in [traffic], or leave fleet out'
            )
        flows, notes = flows_from_table(table, scene.roads, shares, replace_states=replace_states)
        notes = [*said, *_fleet_note(prepared), *notes]
        silent = sorted({flow.road for flow in flows} - set(carrying))
        if silent:
            names = ", ".join(scene.roads[index].name for index in silent[:3])
            notes.append(
                f"The counts of {len(silent)} roads that carry no modelled stretch are left out "
                f"(see roads.truck_classes): {names}{', ...' if len(silent) > 3 else ''}."
            )
        return [flow for flow in flows if flow.road in carrying], notes
    assumed = traffic.assumed
    assert assumed is not None
    if assumed.roads is not None:
        wanted = set(assumed.roads)
        carrying = [index for index in carrying if scene.roads[index].name in wanted]
        if not carrying:
            raise BadDataError(
                f"traffic.assumed.roads: none of {', '.join(sorted(wanted))} is a modelled road; "
                + "there are: "
                + ", ".join(sorted({road.name for road in scene.roads if road.name})[:12])
            )
    daily = DailyTraffic(
        assumed.vehicles_per_day,
        assumed.medium_share,
        assumed.heavy_share,
        assumed.heavy_night_share,
        None
        if prepared.profile_file is None
        else read_profile(prepared.profile_file, traffic.encoding, traffic.decimal),
    )
    roads, said = scene.roads, list[str]()
    if prepared.daily is not None:
        roads, said = with_daily(roads, prepared.daily)
    flows, notes = assumed_flows(roads, carrying, daily, shares)
    return flows, [*_fleet_note(prepared), *said, *notes]


def _fleet_note(prepared: Prepared) -> list[str]:
    """Where the shares of the exhaust states come from, when roadside readings gave them."""
    if not prepared.shares_from:
        return []
    return [
        f"The shares of the exhaust states are those of roadside readings, by "
        f"{prepared.shares_from}; their intervals stand there."
    ]


def after_treatment_note(
    share: AfterTreatmentShare | None, stated: AfterTreatmentTable | None
) -> list[str]:
    """How many exhausts have after-treatment, between which ends, and where that comes from."""
    if share is None:
        return []
    origin = "assumed" if stated is None else "as the study says"
    if stated is not None and stated.model_years is not None:
        origin = "by the trucks' model years, with an assumed share of each"
    return [
        f"Of the braking trucks whose exhaust works, {share.best:.0%} have after-treatment; every "
        f"interval takes that as {share.low:.0%} to {share.high:.0%} ({origin})."
    ]


def air_of(prepared: Prepared, scene: Scene) -> Air:
    """The air of the study; its pressure follows from the roads' height when none is given."""
    weather = prepared.study.weather
    pressure = weather.pressure_kpa
    if pressure is None:
        pressure = float(pressure_at_altitude(float(np.median(scene.stretches.z))))
    return Air(
        temperature=weather.temperature_c,
        relative_humidity=weather.relative_humidity_pct,
        pressure=pressure,
        c0=weather.c0_db,
        screening_reading=weather.screening_reading,
        sides=prepared.study.obstacles.side_paths,
        reflection_order=prepared.study.obstacles.reflection_order,
        clearance=prepared.study.terrain.clearance_m,
    )


def free_drives(
    prepared: Prepared, scene: Scene, flows: Sequence[Flow], hills: HillsAbove
) -> dict[DriveKey, Drive]:
    """Drives of every truck class on every road and direction that heavy trucks use."""
    ways = sorted({(flow.road, flow.direction) for flow in flows if flow.vehicle_class == "heavy"})
    return {
        (road, direction, index, FREE): drive_road(
            scene.stretches,
            road,
            direction,
            truck,
            hills.practice(road, direction, truck, prepared.practice),
        )
        for road, direction in ways
        for index, truck in enumerate(prepared.trucks)
    }


@dataclass(frozen=True)
class Braking:
    """The braking trucks of a study and their sound power, before any path is known."""

    drives: dict[DriveKey, Drive]
    classes: tuple[PassClass, ...]
    sound: PassSound


def braking(
    prepared: Prepared, scene: Scene, flows: Sequence[Flow], air: Air, hills: HillsAbove
) -> Braking:
    """Drives of all trucks, and the classes of those that brake with their sound power."""
    drives = free_drives(prepared, scene, flows, hills)
    classes = tuple(braking_classes(flows, prepared.trucks, drives, scene.stretches))
    sound = pass_sound(
        classes,
        drives,
        scene.stretches,
        prepared.trucks,
        temperature=air.temperature,
        calibration_offset=prepared.study.source.calibration_offset_db,
    )
    return Braking(drives, classes, sound)


def receivers_of(scene: Scene) -> FloatArray:
    """Place and height above the ground of every receiver of the homes (n, 3) [m]."""
    return np.column_stack([scene.receivers.x, scene.receivers.y, scene.receivers.height])


def compute(
    prepared: Prepared,
    scene: Scene,
    store_folder: Path,
    reporter: Reporter,
    execution: Execution = HERE,
) -> Computed:
    """Build or reuse the transfer store and compute every level without any zone."""
    flows, notes = traffic_of(prepared, scene)
    air = air_of(prepared, scene)
    reporter.stage("sound paths from the roads to the homes")
    store = build_store(
        store_folder,
        scene,
        receivers_of(scene),
        air,
        prepared.study.run.max_distance_m,
        memory_gb=prepared.study.run.memory_gb,
        progress=reporter.advance,
        execution=execution,
    )
    reporter.stage("trucks on the grade, and their levels at the homes")
    hills = HillsAbove(scene)
    found = braking(prepared, scene, flows, air, hills)
    drives, classes, sound = found.drives, found.classes, found.sound
    passes = pass_levels(store, sound)
    other = energy_at_receivers(
        store,
        traffic_emission(
            other_flows(flows, classes), scene.stretches, air.temperature, prepared.practice
        ),
    )
    free = scenario(passes, _per_hour(classes), other)
    shares = path_shares(store, _night_emission(classes, sound, prepared))
    base = replace(
        _base(prepared, scene, store, classes, passes, other, free, shares, air, hills),
        auxiliary=auxiliary_passes(flows, prepared.trucks, drives, scene.stretches),
    )
    notes += after_treatment_note(base.after_treatment, prepared.study.traffic.after_treatment)
    return Computed(base, drives, sound, shares, air, tuple(notes))


def moved_by_halving(
    prepared: Prepared, computed: Computed, reporter: Reporter, execution: Execution = HERE
) -> Movement:
    """How much the homes' levels without any zone move when stretches are halved."""
    base = computed.base
    reporter.stage("the same from both halves of the stretches that matter")
    return movement(
        base.scene,
        base.store,
        base.passes,
        computed.sound,
        _per_hour(base.classes),
        frozenset(prepared.periods.night),
        base.loudest_receiver,
        receivers_of(base.scene),
        computed.air,
        execution.device,
    )


def areas(
    prepared: Prepared,
    computed: Computed,
    store_folder: Path,
    reporter: Reporter,
    execution: Execution = HERE,
) -> tuple[LevelArea, ...]:
    """Areas of the loudest pass of braking trucks without any zone."""
    scene, sound = computed.base.scene, computed.sound
    grid = area_grid(prepared, scene, sound, computed.air)
    if grid is None:
        return ()
    reporter.stage("level areas")
    levels: list[FloatArray] = []
    for receivers in grid.strips:
        store = build_store(
            store_folder,
            scene,
            receivers,
            grid.air,
            grid.reach,
            memory_gb=prepared.study.run.memory_gb,
            progress=reporter.advance,
            execution=execution,
        )
        levels.append(pass_levels(store, sound).maximum.max(axis=1).astype(float))
    return level_areas(np.concatenate(levels), grid.axes, AREA_EDGES)


@dataclass(frozen=True)
class AreaGrid:
    """The grid of receivers that areas are drawn from, in runs that fit in memory."""

    strips: tuple[FloatArray, ...]  # (n, 3) each: x, y, height above the ground [m]
    axes: tuple[FloatArray, FloatArray]
    reach: float  # [m]
    air: Air  # without the terrain's twin: areas show no interval


def area_grid(prepared: Prepared, scene: Scene, sound: PassSound, air: Air) -> AreaGrid | None:
    """The grid of a study's areas; None where no area is wanted or no truck brakes."""
    sounding = np.asarray(sound.peak.any(axis=(0, 2, 3)))
    run = prepared.study.run
    if run.grid_points == 0 or not sounding.any():
        return None
    reach = min(run.max_distance_m, 1000.0)
    receivers, axes = grid_receivers(scene, sounding, run.grid_points, reach)
    runs = strips(len(receivers), len(scene.stretches.x), run.memory_gb)
    strips_ = tuple(receivers[first:last] for first, last in runs)
    return AreaGrid(strips_, axes, reach, replace(air, twin=False))


def _per_hour(classes: Sequence[PassClass]) -> FloatArray:
    return np.array([one.per_hour for one in classes]).reshape(-1, 24)


def _night_emission(
    classes: Sequence[PassClass], sound: PassSound, prepared: Prepared
) -> npt.NDArray[np.float32]:
    """Mean sound power of the braking trucks at night over (stretch, height, band) [1]."""
    night = sorted(prepared.periods.night)
    weights = _per_hour(classes)[:, night].sum(axis=1) / (3600.0 * len(night))
    return np.tensordot(weights.astype(np.float32), sound.energy, axes=(0, 0))


def _base(
    prepared: Prepared,
    scene: Scene,
    store: TransferStore,
    classes: tuple[PassClass, ...],
    passes: PassLevels,
    other: npt.NDArray[np.float32],
    free: Scenario,
    shares: PathShares,
    air: Air,
    hills: HillsAbove,
) -> Base:
    study = prepared.study
    # the night decides where people count; where no night traffic runs, the whole day
    night = night_level(free.traffic_by_hour, prepared.periods)
    day = equivalent_level(free.traffic_by_hour)
    people = people_shares(np.where(np.isfinite(night), night, day), scene.receivers, scene.homes)
    hours = sorted(prepared.periods.night)
    loudest = _loudest_receiver(
        free.braking_by_hour[:, hours].sum(axis=1), free.braking_by_hour.sum(axis=1), scene
    )
    background = None
    if study.background is not None:
        background = np.full(24, study.background.day_db)
        background[sorted(prepared.periods.evening)] = study.background.evening_db
        background[sorted(prepared.periods.night)] = study.background.night_db
    fleet = spread("fleet_spread")
    stated = study.traffic.after_treatment
    after_treatment = share_with_ends(classes, None if stated is None else stated.ends)
    return Base(
        scene=scene,
        store=store,
        trucks=prepared.trucks,
        practice=prepared.practice,
        hard_limit=study.descent.hard_limit_c,
        planning_limit=study.descent.planning_limit_c,
        temperature=air.temperature,
        calibration_offset=study.source.calibration_offset_db,
        classes=classes,
        passes=passes,
        other_by_hour=other,
        free=free,
        before=home_levels(free, scene.receivers, scene.homes, prepared.periods, fleet, background),
        people=people,
        loudest_receiver=loudest,
        home_sigma=home_sigma(shares, loudest),
        draws=draw(study.run.samples, len(scene.homes.home_id), study.run.seed, after_treatment),
        periods=prepared.periods,
        background=background,
        criteria=tuple(
            one for key in study.criteria.use for one in outdoor_readings(criteria()[key])
        ),
        worth_people_passes=study.criteria.worth_people_passes,
        units=study.units,
        hills=hills,
        after_treatment=after_treatment,
        background_sigma=0.0
        if study.background is None
        else spread(f"background_{study.background.source}"),
    )


def terrain_effect(shares: PathShares, loudest: npt.NDArray[np.int64]) -> FloatArray:
    """Change of each home's level over the terrain's twin; not a number without sound [dB]."""
    energy, twin = shares.energy[loudest], shares.twin_energy[loudest]
    change = np.full(len(loudest), np.nan)
    heard = (energy > 0.0) & (twin > 0.0)
    change[heard] = from_energy(twin[heard]) - from_energy(energy[heard])
    return change


def home_sigma(shares: PathShares, loudest: npt.NDArray[np.int64]) -> FloatArray:
    """Error of each home's level: receiver, terrain twin, and what comes over screens [dB]."""
    energy = shares.energy[loudest]
    change = np.nan_to_num(terrain_effect(shares, loudest))
    screened = np.divide(
        shares.screened[loudest], energy, out=np.zeros_like(energy), where=energy > 0.0
    )
    parts = (spread("receiver") * np.ones_like(change), change, spread("screened") * screened)
    return np.asarray(np.sqrt(sum(part**2 for part in parts)))


def _loudest_receiver(night: FloatArray, day: FloatArray, scene: Scene) -> npt.NDArray[np.int64]:
    """Each home's loudest receiver at night, by the whole day where nights are silent."""
    order = np.lexsort((-day, -night, scene.receivers.home))
    owners = scene.receivers.home[order]
    first = np.searchsorted(owners, np.arange(len(scene.homes.home_id)))
    return np.asarray(order[first], dtype=np.int64)
