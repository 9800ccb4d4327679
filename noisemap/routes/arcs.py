"""What an ordinary pass costs on every arc: time, burden, zones, and heat in the brakes.

Every piece of road is driven at the posted speed, slower where the engine cannot hold
it uphill, in the lowest gear, with the retarder at full stage where it is needed and
permitted.  Changes of speed between pieces are left to the drive of a whole route.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.bands import A_WEIGHT
from noisemap.descent.brake_temperature import heat_map, stop_rise
from noisemap.descent.forces import air_force, gravity_force, rolling_force
from noisemap.descent.gears import descent_gear
from noisemap.descent.quiet_step import Rig, retard, step
from noisemap.exposure.driving import Practice, in_curves, truck_speed
from noisemap.exposure.passes import OUTLET_HEIGHT_INDEX
from noisemap.exposure.traffic import matching_roads
from noisemap.levels import to_energy
from noisemap.propagation.machine.compiled import compiled
from noisemap.routes.choices import choice
from noisemap.routes.listening import Source, running_energy
from noisemap.routes.network import Network
from noisemap.routes.pareto import ArcCosts
from noisemap.scene.model import Road, Scene
from noisemap.source.emission import exhaust_sound_power
from noisemap.states import Zone

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Pieces:
    """Steps between road points of all roads end to end, with their points' direction."""

    offset: IntArray  # (roads + 1,) first piece of each road
    length: FloatArray  # (p,) along the chainage [m]
    grade: FloatArray  # (p,) with the points [1]
    cap_ms: FloatArray  # (p,) posted
    stretch: IntArray  # (p,) stretch it lies on, -1 where none
    chainage: FloatArray  # (p,) of its middle [m]


def road_pieces(scene: Scene, practice: Practice) -> Pieces:
    """Pieces of all roads at the speed that trucks are posted or let drive."""
    roads, stretches = scene.roads, scene.stretches
    offset = np.concatenate([[0], np.cumsum([len(road.x) - 1 for road in roads])]).astype(np.int64)
    stretch = np.full(int(offset[-1]), -1, np.int64)
    middles = []
    order = np.argsort(stretches.road, kind="stable")
    owners = stretches.road[order]
    for index, road in enumerate(roads):
        middle = 0.5 * (road.chainage[1:] + road.chainage[:-1])
        middles.append(middle)
        low, high = np.searchsorted(owners, [index, index + 1])
        rows = order[low:high]
        if len(rows):
            place = np.searchsorted(stretches.from_m[rows], middle, side="right") - 1
            row = rows[np.maximum(place, 0)]
            on = (place >= 0) & (middle <= stretches.to_m[row])
            stretch[offset[index] : offset[index + 1]] = np.where(on, row, -1)
    cap = truck_speed(np.concatenate([road.speed_limit_kmh for road in roads]) / 3.6, practice)
    if practice.assumed_speed is not None:
        cap = np.minimum(cap, practice.assumed_speed)
    known = stretch >= 0
    cap[known] = in_curves(cap[known], stretches, stretch[known])
    return Pieces(
        offset,
        np.concatenate([np.diff(road.chainage) for road in roads]),
        np.concatenate([_grade(road) for road in roads]),
        cap,
        stretch,
        np.concatenate(middles),
    )


def _grade(road: Road) -> FloatArray:
    return np.clip(road.grade, -0.5, 0.5)


def climb_speed(cap_ms: FloatArray, grade: FloatArray, one: Rig) -> FloatArray:
    """Speed that the engine holds uphill, at most the posted one [m/s]."""
    power = 1e3 * choice("climb", "wheel_power_kw")
    low = np.minimum(cap_ms, choice("climb", "crawl_ms"))
    high = cap_ms.copy()
    pull = -gravity_force(one.mass_kg, -grade)
    pull = pull + rolling_force(one.mass_kg, -grade, one.truck.rolling_resistance)
    for _ in range(40):
        middle = 0.5 * (low + high)
        enough = (pull + air_force(middle, one.truck.drag_area_m2)) * middle <= power
        low, high = np.where(enough, middle, low), np.where(enough, high, middle)
    held = (pull + air_force(cap_ms, one.truck.drag_area_m2)) * cap_ms <= power
    return np.where(held, cap_ms, low)


def silent_pieces(scene: Scene, pieces: Pieces, zones: Sequence[Zone]) -> BoolArray:
    """Which pieces lie inside one of the zones."""
    inside = np.zeros(len(pieces.length), np.bool_)
    for zone in zones:
        for road in matching_roads(zone.road, scene.roads):
            at = slice(int(pieces.offset[road]), int(pieces.offset[road + 1]))
            middle = pieces.chainage[at]
            inside[at] |= (middle >= zone.from_m) & (middle < zone.to_m)
    return inside


@dataclass(frozen=True)
class Driven:
    """An ordinary pass over every piece in one direction."""

    speed_ms: FloatArray
    time_s: FloatArray
    burden: FloatArray
    factor: FloatArray
    offset: FloatArray
    stop: FloatArray


def drive_pieces(
    pieces: Pieces,
    silent: BoolArray,
    one: Rig,
    source: Source,
    weights: FloatArray,
    *,
    forward: bool,
) -> Driven:
    """Every piece driven with or against its points."""
    grade = pieces.grade if forward else -pieces.grade
    speed = climb_speed(pieces.cap_ms, grade, one)
    length = pieces.length * np.hypot(1.0, grade)
    gear = descent_gear(speed, one.truck)
    found = step(length, grade, speed, speed, gear, one)
    share, retarded = retard(found, one, len(one.stages) - 1)
    share, retarded = np.where(silent, 0.0, share), np.where(silent, 0.0, retarded)
    factor, offset = heat_map(
        one.sink, found.rest - retarded, found.speed, found.time, one.ambient_c
    )
    rate = np.zeros(len(length))
    on = pieces.stretch >= 0
    if on.any():
        at = weights[pieces.stretch[on]]
        running = running_energy(speed[on], source.temperature_c, grade[on])
        rate[on] = (at[:, 0] * running).sum(axis=1)
    braking = on & (share > 0.0)
    if one.stages[-1] and braking.any():
        outlet = weights[pieces.stretch[braking], OUTLET_HEIGHT_INDEX[one.truck.outlet]]
        power = exhaust_energy(source, found.rpm[braking], np.full(braking.sum(), one.stages[-1]))
        rate[braking] += share[braking] * (outlet * power).sum(axis=1)
    stop = stop_rise(one.mass_kg, speed, -grade, one.sink.capacity_j_k)
    return Driven(speed, found.time, rate * found.time, factor, offset, stop)


def exhaust_energy(source: Source, rpm: FloatArray, cylinders: IntArray) -> FloatArray:
    """A-weighted sound power of the braking exhaust, bands last [1]."""
    level = exhaust_sound_power(
        source.truck.model.engine,
        rpm,
        cylinders,
        source.exhaust,
        calibration_db=source.calibration_db,
    )
    return to_energy(level + A_WEIGHT)


def arc_pieces(net: Network, pieces: Pieces, arc: int) -> IntArray:
    """Pieces of an arc in driving order."""
    base = int(pieces.offset[net.road[arc]])
    first, last = base + int(net.first[arc]), base + int(net.last[arc])
    return np.arange(first, last) if net.forward[arc] else np.arange(last - 1, first - 1, -1)


def arc_costs(
    net: Network, pieces: Pieces, silent: BoolArray, with_points: Driven, against: Driven
) -> ArcCosts:
    """Sums and heat maps of every arc."""
    base = pieces.offset[net.road]
    first, last = base + net.first, base + net.last
    node = np.concatenate([[0], np.cumsum(last - first + 1)]).astype(np.int64)
    sums = np.zeros((3, net.arcs))
    maps = np.zeros((3, int(node[-1])))
    zone = np.where(silent, pieces.length, 0.0)
    for way, driven in ((True, with_points), (False, against)):
        _sum_arcs(
            np.flatnonzero(net.forward == way),
            first,
            last,
            way,
            node,
            driven.time_s,
            driven.burden,
            zone,
            driven.factor,
            driven.offset,
            driven.stop,
            sums,
            maps,
        )
    return ArcCosts(sums[0], sums[1], sums[2], node, maps[0], maps[1], maps[2])


@compiled
def _sum_arcs(
    chosen: IntArray,
    first: IntArray,
    last: IntArray,
    forward: bool,
    node: IntArray,
    time: FloatArray,
    burden: FloatArray,
    zone: FloatArray,
    factor: FloatArray,
    offset: FloatArray,
    stop: FloatArray,
    sums: FloatArray,
    maps: FloatArray,
) -> None:
    for arc in chosen:
        a, c = 1.0, 0.0
        place = node[arc]
        count = last[arc] - first[arc]
        maps[0, place], maps[1, place] = 1.0, 0.0
        for number in range(count):
            piece = first[arc] + number if forward else last[arc] - 1 - number
            maps[2, place] = max(maps[2, place], stop[piece])
            a, c = factor[piece] * a, factor[piece] * c + offset[piece]
            place += 1
            maps[0, place], maps[1, place], maps[2, place] = a, c, stop[piece]
            sums[0, arc] += time[piece]
            sums[1, arc] += burden[piece]
            sums[2, arc] += zone[piece]
