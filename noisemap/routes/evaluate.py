"""One route driven whole: time, energy, brakes, homes, zones, and what is not known of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.bands import N_BANDS
from noisemap.descent.brake_temperature import Conditions
from noisemap.descent.drive import Drive, drive
from noisemap.descent.quiet_step import Rig
from noisemap.exposure.driving import Practice
from noisemap.exposure.levels import loudest
from noisemap.exposure.passes import OUTLET_HEIGHT_INDEX
from noisemap.exposure.product import PassSound, pass_levels
from noisemap.exposure.traffic import matching_roads
from noisemap.routes.arcs import Pieces, arc_pieces, climb_speed, exhaust_energy
from noisemap.routes.choices import choice, clock_hours, steeper
from noisemap.routes.energy import Fuel, WheelWork, drive_fuel, wheel_work
from noisemap.routes.listening import Source, loud_spots, running_energy
from noisemap.routes.network import Network
from noisemap.scene.grades import is_coarse
from noisemap.scene.model import Scene
from noisemap.scene.runs import runs
from noisemap.states import Zone
from noisemap.transfer.store import TransferStore

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

IN_FORCE, MAY_BE, NOT_THEN = "in force", "may be in force", "not in force at that hour"
UNKNOWNS = ("height", "weight", "access for trucks", "hazardous loads")
GRADE_BASE_M = 300.0
COARSE_BASE_M = 1000.0


@dataclass(frozen=True)
class Crossing:
    """A zone on the way, and whether it is in force when the truck may be there."""

    zone: Zone
    from_m: float  # along the route
    to_m: float
    earliest_s: float  # after departure
    latest_s: float
    status: str  # IN_FORCE, MAY_BE or NOT_THEN
    binds: bool  # this truck's retarder

    @property
    def silent(self) -> bool:
        """Whether the truck is taken to keep its retarder silent here."""
        return self.binds and self.status != NOT_THEN


@dataclass(frozen=True)
class Route:
    """One route with everything that is told about it."""

    arcs: tuple[int, ...]
    links: tuple[int, ...]  # of the scene, in driving order
    x: FloatArray  # (n+1,) [m]
    y: FloatArray
    chainage_m: FloatArray  # (n+1,) from the start
    grade: FloatArray  # (n,) in the driving direction
    roads: tuple[tuple[str, float], ...]  # names in driving order with lengths [m]
    drive: Drive
    degraded_peak_c: float
    steeper_peak_c: float  # with the grade at its upper bound
    no_retarder_peak_c: float
    burden: float
    exposure: FloatArray  # (receivers,) energy of the pass [s]
    maximum: FloatArray  # (homes,) [dB]
    people_reached: float  # homes at or above the level asked for
    crossings: tuple[Crossing, ...]
    zone_m: float  # where the retarder must be silent
    unknown_m: dict[str, float]  # length with nothing tagged, by kind
    local_m: float  # open only to trucks with a destination there
    steepest: float  # mean fall over the base, downhill [1]
    heard: tuple[tuple[float, float, float], ...]  # where its retarder is most heard
    work: WheelWork
    fuel: Fuel

    @property
    def length_m(self) -> float:
        """Length of the route [m]."""
        return float(self.chainage_m[-1])


@dataclass(frozen=True)
class Setting:
    """What all routes of one request share."""

    scene: Scene
    store: TransferStore
    weights: FloatArray
    people: FloatArray  # at each receiver
    pieces: Pieces
    source: Source
    practice: Practice
    one: Rig
    zones: tuple[Zone, ...]
    depart_s: float | None
    level_db: float  # people are counted from this maximum on
    planning_limit_c: float


def evaluate(setting: Setting, net: Network, arcs: Sequence[int]) -> Route:
    """A route driven whole, its changes of speed included."""
    pieces, one = setting.pieces, setting.one
    order = [arc_pieces(net, pieces, arc) for arc in arcs]
    ways = np.where(net.forward[list(arcs)], 1.0, -1.0)
    sign = np.repeat(ways, [len(part) for part in order])
    at = np.concatenate(order)
    grade = sign * pieces.grade[at]
    chainage = np.concatenate([[0.0], np.cumsum(pieces.length[at])])
    speed = climb_speed(pieces.cap_ms[at], grade, one)
    reached = np.concatenate([[0.0], np.cumsum(pieces.length[at] / speed)])
    crossings = _crossings(setting, net, arcs, at, chainage, reached)
    silent = np.zeros(len(at), np.bool_)
    for crossing in crossings:
        if crossing.silent:
            middle = 0.5 * (chainage[1:] + chainage[:-1])
            silent |= (middle >= crossing.from_m) & (middle < crossing.to_m)

    native_cell = setting.scene.terrain.native_cell
    stretch = pieces.stretch[at]
    stated = np.where(stretch >= 0, setting.scene.stretches.grade_sigma[stretch], np.inf)

    def driven(practice: Practice, *, bare: bool = False, steep: bool = False) -> Drive:
        return drive(
            chainage,
            np.clip(steeper(grade, stated, native_cell), -0.5, 0.5) if steep else grade,
            speed,
            one.truck,
            one.mass_kg,
            retarder_allowed=~silent,
            retarder_kind="none" if bare else one.kind,
            conditions=practice.conditions,
            habit="high",
            gearbox=setting.source.truck.gearbox,
        )

    usual = driven(setting.practice)
    sound_brakes = setting.practice.conditions
    worn = Conditions.degraded(sound_brakes.preset, sound_brakes.ambient_c, sound_brakes.entry_c)
    sound = route_sound(setting, usual, pieces.stretch[at], grade)
    levels = pass_levels(setting.store, sound)
    maximum = loudest(
        levels.maximum[:, 0].astype(float), setting.scene.receivers, setting.scene.homes
    )
    x, y = _points(setting.scene, net, arcs)
    work = wheel_work(usual, grade, one.truck, one.mass_kg)
    links = tuple(int(net.link[arc]) for arc in arcs)
    lengths = np.array([pieces.length[part].sum() for part in order])
    return Route(
        arcs=tuple(arcs),
        links=links,
        x=x,
        y=y,
        chainage_m=chainage,
        grade=grade,
        roads=_names(setting.scene, net, arcs, lengths),
        drive=usual,
        degraded_peak_c=driven(replace(setting.practice, conditions=worn)).peak_c,
        steeper_peak_c=driven(setting.practice, steep=True).peak_c,
        no_retarder_peak_c=driven(setting.practice, bare=True).peak_c,
        burden=float((setting.weights * sound.energy[0]).sum()),
        exposure=levels.energy[:, 0].astype(float),
        maximum=maximum,
        people_reached=float(setting.scene.homes.people[maximum >= setting.level_db].sum()),
        crossings=crossings,
        zone_m=float(pieces.length[at][silent].sum()),
        unknown_m=_unknown(setting.scene, links, lengths),
        local_m=float(
            lengths[[setting.scene.links.access[link] == "local" for link in links]].sum()
        ),
        steepest=steepest(chainage, grade, native_cell),
        heard=loud_spots(chainage, _retarder_burden(setting, usual, pieces.stretch[at])),
        work=work,
        fuel=drive_fuel(usual, work),
    )


def steepest(chainage: FloatArray, grade: FloatArray, native_cell: float) -> float:
    """Steepest mean fall over 300 m, over 1 km where the terrain is coarse [1]."""
    base = min(COARSE_BASE_M if is_coarse(native_cell) else GRADE_BASE_M, float(chainage[-1]))
    height = np.concatenate([[0.0], np.cumsum(grade * np.diff(chainage))])
    starts = np.append(chainage[chainage + base <= chainage[-1]], chainage[-1] - base)
    fall = np.interp(starts, chainage, height) - np.interp(starts + base, chainage, height)
    return float(max(fall.max() / base, 0.0))


def route_sound(setting: Setting, driven: Drive, stretch: IntArray, grade: FloatArray) -> PassSound:
    """Emission of a drive by stretch, for the product over the store."""
    total = len(setting.scene.stretches.road)
    energy = np.zeros((1, total, 2, N_BANDS), np.float32)
    peak, running = np.zeros_like(energy), np.zeros((1, total, N_BANDS), np.float32)
    seconds, speed = np.zeros((1, total), np.float32), np.ones((1, total), np.float32)
    on = stretch >= 0
    at, time = stretch[on], driven.time_s[on]
    power = running_energy(driven.speed_ms[on], setting.source.temperature_c, grade[on])
    np.add.at(energy[0, :, 0], at, power * time[:, None])
    np.maximum.at(peak[0, :, 0], at, power)
    np.maximum.at(running[0], at, power)
    np.add.at(seconds[0], at, time)
    np.maximum.at(speed[0], at, driven.speed_ms[on])
    braking = np.flatnonzero(on & (driven.braking_cylinders > 0))
    if len(braking):
        outlet = OUTLET_HEIGHT_INDEX[setting.one.truck.outlet]
        exhaust = exhaust_energy(
            setting.source, driven.engine_speed_rpm[braking], driven.braking_cylinders[braking]
        )
        spent = driven.retarder_share[braking] * driven.time_s[braking]
        np.add.at(energy[0, :, outlet], stretch[braking], exhaust * spent[:, None])
        top = np.zeros((total, N_BANDS), np.float32)
        np.maximum.at(top, stretch[braking], exhaust)
        peak[0, :, outlet] += top
    covered = setting.scene.stretches.covered
    for array in (energy, peak, running):
        array[:, covered] = 0.0
    first, last = np.zeros(1, np.int64), np.full(1, total, np.int64)
    return PassSound(energy, peak, running, seconds, speed, first, last)


def _retarder_burden(setting: Setting, driven: Drive, stretch: IntArray) -> FloatArray:
    """Burden of the exhaust while the retarder works, by piece."""
    amount = np.zeros(len(stretch))
    at = np.flatnonzero((stretch >= 0) & (driven.braking_cylinders > 0))
    if len(at):
        outlet = setting.weights[stretch[at], OUTLET_HEIGHT_INDEX[setting.one.truck.outlet]]
        power = exhaust_energy(
            setting.source, driven.engine_speed_rpm[at], driven.braking_cylinders[at]
        )
        spent = driven.retarder_share[at] * driven.time_s[at]
        amount[at] = (outlet * power).sum(axis=1) * spent
    return amount


def _crossings(
    setting: Setting,
    net: Network,
    arcs: Sequence[int],
    at: IntArray,
    chainage: FloatArray,
    reached: FloatArray,
) -> tuple[Crossing, ...]:
    """Zones on the way in driving order, each with its range of arrival."""
    road = np.repeat(net.road[list(arcs)], net.last[list(arcs)] - net.first[list(arcs)])
    middle = setting.pieces.chainage[at]
    found = []
    for zone in setting.zones:
        roads = matching_roads(zone.road, setting.scene.roads)
        inside = np.isin(road, roads) & (middle >= zone.from_m) & (middle < zone.to_m)
        for first, last in runs(inside):
            early = choice("arrival", "earliest") * float(reached[first])
            late = choice("arrival", "latest") * float(reached[last])
            found.append(
                Crossing(
                    zone=zone,
                    from_m=float(chainage[first]),
                    to_m=float(chainage[last]),
                    earliest_s=early,
                    latest_s=late,
                    status=zone_status(
                        zone, setting.depart_s, float(reached[first]), float(reached[last])
                    ),
                    binds=zone.binds_truck(setting.one.kind, setting.source.exhaust),
                )
            )
    return tuple(sorted(found, key=lambda crossing: crossing.from_m))


def zone_status(zone: Zone, depart_s: float | None, from_s: float, to_s: float) -> str:
    """Whether a zone is in force in the range of arrival; any hour may be without a start.

    >>> night = Zone("n", "r", 0.0, 1.0, hours=frozenset({22, 23}))
    >>> zone_status(night, 22.1 * 3600, 60.0, 120.0), zone_status(night, None, 0.0, 9.0)
    ('in force', 'may be in force')
    >>> zone_status(night, 21.9 * 3600, 330.0, 360.0), zone_status(night, 3600.0, 0.0, 9.0)
    ('may be in force', 'not in force at that hour')
    """
    if depart_s is None:
        return IN_FORCE if len(zone.hours) == 24 else MAY_BE
    hours = clock_hours(depart_s, from_s, to_s)
    if hours <= zone.hours:
        return IN_FORCE
    return MAY_BE if hours & zone.hours else NOT_THEN


def _points(scene: Scene, net: Network, arcs: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """Points of the route, each junction once."""
    xs: list[FloatArray] = []
    ys: list[FloatArray] = []
    for number, arc in enumerate(arcs):
        road = scene.roads[int(net.road[arc])]
        at = np.arange(int(net.first[arc]), int(net.last[arc]) + 1)
        at = at if net.forward[arc] else at[::-1]
        at = at if number == 0 else at[1:]
        xs.append(road.x[at])
        ys.append(road.y[at])
    return np.concatenate(xs), np.concatenate(ys)


def _names(
    scene: Scene, net: Network, arcs: Sequence[int], lengths: FloatArray
) -> tuple[tuple[str, float], ...]:
    """Roads in driving order, neighbours of one name joined."""
    told: list[tuple[str, float]] = []
    for arc, length in zip(arcs, lengths.tolist(), strict=True):
        road = scene.roads[int(net.road[arc])]
        name = road.name or road.road_id
        if told and told[-1][0] == name:
            told[-1] = (name, told[-1][1] + length)
        else:
            told.append((name, length))
    return tuple(told)


def _unknown(scene: Scene, links: Sequence[int], lengths: FloatArray) -> dict[str, float]:
    """Length of the route with nothing tagged, by kind [m]."""
    own = scene.links
    chosen = list(links)
    flags = (
        np.isnan(own.height_m[chosen]),
        np.isnan(own.mass_t[chosen]),
        np.array([own.access[link] == "unknown" for link in chosen]),
        np.array([own.hazmat[link] == "unknown" for link in chosen]),
    )
    return {kind: float(lengths[flag].sum()) for kind, flag in zip(UNKNOWNS, flags, strict=True)}
