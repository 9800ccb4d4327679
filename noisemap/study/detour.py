"""Another way past the zone, where the study's roads have one: who gains, and who gets louder."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.descent.brake_temperature import heat_model
from noisemap.exposure.driving import TruckClass, drive_road, road_rows, truck_speed
from noisemap.exposure.levels import passes_above, scenario
from noisemap.exposure.passes import FREE, PassClass, pass_sound
from noisemap.exposure.product import PassSound, pass_levels
from noisemap.exposure.traffic import matching_roads
from noisemap.exposure.uncertainty import ZonePasses, interval, people_passes_spared, spread
from noisemap.levels import from_energy
from noisemap.outputs.wording import both_lengths
from noisemap.routes.network import Network, Vehicle, closed_reason, fastest_arcs, network
from noisemap.states import Zone
from noisemap.zones.alternatives import Alternative, choice, louder_homes
from noisemap.zones.conditions import NORMAL, Case, cases, stop_rises
from noisemap.zones.signs import downhill_directions
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weigh import HELPED_DB, Base

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
NAME = "another way past the zone"
WHO_MOVES = (
    "downhill trips of trucks that brake with their engine move whole; every trip uphill and "
    "other trucks stay, as no engine brake works there"
)
"""Said in the row itself."""


@dataclass(frozen=True)
class Leg:
    """A piece of road on the way, in driving order."""

    road: int
    direction: int
    from_m: float  # along the road, the lower end first whatever the direction
    to_m: float


def detour_alternative(base: Base, zone: Zone) -> Alternative:
    """The braking trucks of a zone's road take the fastest other way, as many as obey.

    Only for ways over roads whose noise the study models; otherwise the row says why
    there is none.
    """
    road = matching_roads(zone.road, base.scene.roads)[0]
    downhill = downhill_directions(base.scene, road, zone)
    if not downhill or not len(base.scene.links.road):
        return _none("the road does not fall through the zone, or the study has no network")
    direction = downhill[0]
    legs = way_past(base, road, direction, zone)
    if not legs:
        return _none("the study's roads hold no other way for trucks past the zone")
    carrying = set(base.scene.stretches.road.tolist())
    silent = [leg.road for leg in legs if leg.road not in carrying]
    names = [base.scene.roads[leg.road].name or base.scene.roads[leg.road].road_id for leg in legs]
    if silent:
        missing = ", ".join(
            dict.fromkeys(name for name, leg in zip(names, legs, strict=True) if leg.road in silent)
        )
        return _none(
            f"a way leads over {missing}, whose noise the study does not model; take those "
            "roads into [roads] truck_classes to weigh it"
        )
    moved = [
        index
        for index, one in enumerate(base.classes)
        if (one.road, one.direction) == (road, direction)
    ]
    if not moved:
        return _none("no truck brakes on the zone's road in its downhill direction")
    return _row(base, zone, road, legs, list(dict.fromkeys(names)), moved)


def _none(reason: str) -> Alternative:
    return Alternative(
        "ask haulers", NAME, None, None, None, None, None, None, None, None, f"none: {reason}"
    )


def way_past(base: Base, road: int, direction: int, zone: Zone) -> list[Leg]:
    """Fastest way from a road's beginning to its end that leaves the zone out; empty if none."""
    scene = base.scene
    heaviest = max(truck.mass for truck in base.trucks)
    reasons = closed_reason(scene.links, Vehicle(heaviest, choice("detour_height_m")))
    net = network(scene, np.array([not reason for reason in reasons]))
    chainage = [scene.roads[one].chainage for one in net.road.tolist()]
    low = np.array([at[first] for at, first in zip(chainage, net.first.tolist(), strict=True)])
    high = np.array([at[last] for at, last in zip(chainage, net.last.tolist(), strict=True)])
    closed = (net.road == road) & (low < zone.to_m) & (high > zone.from_m)
    ends = _ends(net, road, direction, low, high)
    if ends is None:
        return []
    cost = np.where(closed, np.inf, _seconds(base, net, low, high))
    arcs = fastest_arcs(net, np.minimum(cost, CLOSED_S), *ends)
    if not arcs or closed[arcs].any():
        return []
    return _joined(
        [
            Leg(int(net.road[a]), 1 if net.forward[a] else -1, float(low[a]), float(high[a]))
            for a in arcs
        ]
    )


def length_of(legs: list[Leg]) -> float:
    """Length of a way [m]."""
    return sum(leg.to_m - leg.from_m for leg in legs)


CLOSED_S = 1e9
"""Cost of a closed piece: longer than any way [s]."""


def _ends(
    net: Network, road: int, direction: int, low: FloatArray, high: FloatArray
) -> tuple[int, int] | None:
    """Junctions at which a road begins and ends in one direction."""
    own = np.flatnonzero((net.road == road) & (net.forward == (direction > 0)))
    if not len(own):
        return None
    begin = own[np.argmin(low[own])] if direction > 0 else own[np.argmax(high[own])]
    end = own[np.argmax(high[own])] if direction > 0 else own[np.argmin(low[own])]
    return int(net.tail[begin]), int(net.head[end])


def _seconds(base: Base, net: Network, low: FloatArray, high: FloatArray) -> FloatArray:
    """Time of every piece at the speed that trucks are let drive [s]."""
    mean = np.array(
        [
            float(base.scene.roads[road].speed_limit_kmh[first:last].mean()) / 3.6
            for road, first, last in zip(
                net.road.tolist(), net.first.tolist(), net.last.tolist(), strict=True
            )
        ]
    )
    return np.asarray((high - low) / truck_speed(mean, base.practice))


def _joined(legs: list[Leg]) -> list[Leg]:
    """Legs that follow each other on one road as one."""
    out: list[Leg] = []
    for leg in legs:
        if out and (out[-1].road, out[-1].direction) == (leg.road, leg.direction):
            last = out[-1]
            leg = replace(last, from_m=min(last.from_m, leg.from_m), to_m=max(last.to_m, leg.to_m))
            out[-1] = leg
        else:
            out.append(leg)
    return out


def on_leg(base: Base, leg: Leg) -> IntArray:
    """Stretches whose middle lies on a leg."""
    stretches = base.scene.stretches
    rows = road_rows(stretches, leg.road)
    middle = 0.5 * (stretches.from_m[rows] + stretches.to_m[rows])
    return rows[(middle >= leg.from_m) & (middle < leg.to_m)]


def way_sound(base: Base, legs: list[Leg], classes: list[PassClass]) -> PassSound:
    """What one pass of each class leaves over the whole way."""
    total: PassSound | None = None
    for leg in legs:
        own = [replace(one, road=leg.road, direction=leg.direction) for one in classes]
        drives = {
            (leg.road, leg.direction, index, FREE): drive_road(
                base.scene.stretches,
                leg.road,
                leg.direction,
                base.trucks[index],
                base.hills.practice(leg.road, leg.direction, base.trucks[index], base.practice),
            )
            for index in sorted({one.truck for one in own})
        }
        part = pass_sound(
            own,
            drives,
            base.scene.stretches,
            base.trucks,
            temperature=base.temperature,
            calibration_offset=base.calibration_offset,
        )
        off = np.ones(part.speed.shape[1], dtype=bool)
        off[on_leg(base, leg)] = False
        for array in (part.energy, part.peak, part.running, part.duration):
            array[:, off] = 0.0
        part.speed[:, off] = 1.0
        total = part if total is None else _both(total, part, ~off)
    assert total is not None
    return total


def _both(one: PassSound, other: PassSound, mine: npt.NDArray[np.bool_]) -> PassSound:
    return PassSound(
        one.energy + other.energy,
        np.maximum(one.peak, other.peak),
        one.running + other.running,
        one.duration + other.duration,
        np.where(mine, other.speed, one.speed),
        np.minimum(one.first, other.first),
        np.maximum(one.last, other.last),
    )


def hottest_on(base: Base, legs: list[Leg], truck: TruckClass, case: Case) -> float:
    """Hottest brakes over the whole way with the retarder free, carried from leg to leg [°C]."""
    practice = base.hills.practice(
        legs[0].road, legs[0].direction, truck, case.practice, steeper=case.steeper
    )
    sink = heat_model(truck.model, practice.conditions)
    carried, hottest = practice.conditions.entry_c, -np.inf
    for leg in legs:
        drive = drive_road(
            base.scene.stretches, leg.road, leg.direction, truck, practice, steeper=case.steeper
        )
        rows = road_rows(base.scene.stretches, leg.road)
        on = np.isin(rows, on_leg(base, leg))[:: leg.direction]
        power = np.where(on, drive.brake_w, 0.0)
        first = int(np.argmax(on))
        nodes = sink.march(
            carried,
            practice.conditions.ambient_c,
            power[first:],
            drive.speed_ms[first:],
            drive.time_s[first:],
        )[: int(on.sum()) + 1]
        whole = np.full(len(drive.temperature_c), nodes[0])
        whole[first : first + len(nodes)] = nodes
        stop = stop_rises(drive, sink, whole)[first : first + len(nodes)]
        hottest = max(hottest, float(np.max(nodes + stop)))
        carried = float(nodes[-1])
    return hottest


def _row(
    base: Base, zone: Zone, road: int, legs: list[Leg], names: list[str], moved: list[int]
) -> Alternative:
    classes = [base.classes[index] for index in moved]
    levels = pass_levels(base.store, way_sound(base, legs, classes))
    free = np.array([one.per_hour for one in base.classes])
    obeying = zone.observance * free[moved]
    stays = free.copy()
    stays[moved] -= obeying
    after = scenario(base.passes.joined(levels), np.vstack([stays, obeying]), base.other_by_hour)
    night, fleet = base.periods.night, spread("fleet_spread")
    fewer = passes_above(base.free, night, LEADING_LEVEL, fleet)
    fewer = fewer - passes_above(after, night, LEADING_LEVEL, fleet)
    mine, theirs = (
        (base.passes.maximum[:, moved], base.passes.exhaust_share[:, moved]),
        (levels.maximum, levels.exhaust_share),
    )
    draws = base.draws
    samples = people_passes_spared(
        ZonePasses(
            free=mine[0].astype(float),
            free_exhaust=mine[1].astype(float),
            silent=theirs[0].astype(float),
            silent_exhaust=theirs[1].astype(float),
            counts=free[moved][:, sorted(night)].sum(axis=1),
            exhaust=[one.exhaust_state for one in classes],
        ),
        base.people,
        base.scene.receivers.home,
        base.home_sigma,
        draws.silent_share(zone.observance, 0.0),
        LEADING_LEVEL,
        draws,
    )
    gained = float(np.maximum(fewer, 0.0) @ base.people)
    added = float(np.maximum(-fewer, 0.0) @ base.people)
    quiet = _home_night(base, after.braking_by_hour)
    louder = louder_homes(base.before.l_night, quiet)
    people = base.scene.homes.people
    heard = np.isfinite(quiet)
    fall = np.subtract(base.before.l_night, quiet, out=np.zeros_like(quiet), where=heard)
    states = cases(base.practice, base.scene.stretches, base.scene.terrain.native_cell)
    trucks = [base.trucks[index] for index in sorted({one.truck for one in classes})]
    heat = {
        case.condition: max(hottest_on(base, legs, truck, case) for truck in trucks)
        for case in states
    }
    other = [name for name in names if name != base.scene.roads[road].name]
    return Alternative(
        group="ask haulers",
        name=f"{NAME}: {', '.join(other) or ', '.join(names)}",
        zone=None,
        spared=interval(gained, samples),
        helped=None,
        louder=float(people[[home for home, _ in louder]].sum()),
        bound_a_day=float(free[moved].sum()),
        hottest_c=heat[NORMAL],
        hottest_worn_c=max(peak for condition, peak in heat.items() if condition != NORMAL),
        verdict=None,
        remark=f"{WHO_MOVES}; the way is {both_lengths(length_of(legs), base.units)} long, this "
        f"road {both_lengths(float(base.scene.roads[road].chainage[-1]), base.units)}; quieter by "
        f"1 dB or more for about {float(people[fall >= HELPED_DB].sum()):,.0f} people; along the "
        f"other way {len(louder):,} homes get louder, and {added:,.0f} people times passes a night "
        f"above {LEADING_LEVEL} dB are added there, not netted here",
        louder_homes=louder,
    )


def _home_night(base: Base, by_hour: FloatArray) -> FloatArray:
    energy = by_hour[:, sorted(base.periods.night)].mean(axis=1)
    out = np.full(len(base.scene.homes.home_id), -np.inf)
    np.maximum.at(out, base.scene.receivers.home, from_energy(energy))
    return out
