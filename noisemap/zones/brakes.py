"""The brakes of every truck weight on a zone's descent: free, under the zone, without retarder."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import numpy.typing as npt

from noisemap.descent.brake_temperature import heat_model
from noisemap.descent.drive import Drive
from noisemap.exposure.arrivals import HillsAbove
from noisemap.exposure.driving import Practice, TruckClass, drive_road, in_zone, road_rows
from noisemap.exposure.results import BrakeRow
from noisemap.scene.model import Road, Stretches
from noisemap.states import EXHAUST_STATES, RETARDER_KINDS, RetarderKind, Zone
from noisemap.zones.conditions import (
    CONDITIONS,
    NORMAL,
    WORST,
    Case,
    cases,
    heavy_trucks,
    nodes_with_zone,
)
from noisemap.zones.ways import Way, silenced

BoolArray = npt.NDArray[np.bool_]

SAME_C = 0.5
"""Change of a peak below which a zone does nothing to the brakes [°C]."""


def brake_rows(
    zone: Zone,
    roads: Sequence[Road],
    road_indices: Iterable[int],
    stretches: Stretches,
    trucks: Sequence[TruckClass],
    practice: Practice,
    *,
    hard_limit: float,
    planning_limit: float,
    native_cell: float,
    way: Way = silenced,
    hills: HillsAbove | None = None,
    conditions: Collection[str] = CONDITIONS,
) -> tuple[BrakeRow, ...]:
    """One row for each truck that the zone may bind, each direction it brakes in, each condition.

    A direction counts when the road falls through the zone, or when the zone heats
    any truck's brakes, however the road ends; a row appears where the zone takes
    work from the truck's retarder.  Trucks without a retarder stand beside them with
    three equal peaks: they run on their wheel brakes already, and the zone adds
    nothing to it.  Beside sound brakes stand the grade at its upper bound, for the
    terrain's error, degraded brakes, and, for the heaviest trucks that the zone binds,
    both together with brakes warm where the zone begins.  `hills` says how warm trucks
    reach the road; without it they begin at the practice's own entry. `conditions` are
    the rows wanted, the normal ones always among them.
    """
    rows: list[BrakeRow] = []
    limits = (hard_limit, planning_limit)
    states = [
        case
        for case in cases(practice, stretches, native_cell)
        if case.condition in {NORMAL, *conditions}
    ]
    heavy = {trucks[index].name for index in heavy_trucks(trucks, bound_kinds(zone))}
    for road in road_indices:
        for direction in (1, -1):
            if roads[road].one_way not in (0, direction):
                continue
            found = [
                row
                for truck in trucks
                if _may_bind(zone, truck)
                for row in _truck_rows(
                    zone,
                    roads[road],
                    road,
                    direction,
                    stretches,
                    truck,
                    [case for case in states if case.condition != WORST or truck.name in heavy],
                    limits,
                    way,
                    hills,
                )
            ]
            if _matters(found, direction * _drop(stretches, road, zone)):
                rows += found
    return tuple(rows)


def bound_kinds(zone: Zone) -> tuple[RetarderKind, ...]:
    """Kinds of retarder that a zone may bind."""
    return tuple(
        kind
        for kind in RETARDER_KINDS
        if any(zone.binds_truck(kind, state) for state in EXHAUST_STATES)
    )


def _truck_rows(
    zone: Zone,
    road: Road,
    index: int,
    direction: int,
    stretches: Stretches,
    truck: TruckClass,
    states: Sequence[Case],
    limits: tuple[float, float],
    way: Way,
    hills: HillsAbove | None,
) -> list[BrakeRow]:
    rows: list[BrakeRow] = []
    mine = road_rows(stretches, index)
    inside = in_zone(stretches, mine, zone)[::direction]

    def arriving(case: Case, retarder: RetarderKind | None = None) -> Practice:
        if hills is None:
            return case.practice
        return hills.practice(
            index, direction, truck, case.practice, retarder=retarder, steeper=case.steeper
        )

    for case in states:
        practice = arriving(case)
        go = partial(drive_road, stretches, index, direction, truck, steeper=case.steeper)
        free, none = go(practice), go(arriving(case, "none"), retarder="none")
        silent = way(stretches, index, direction, truck, practice, zone, case.steeper)
        if case.condition == NORMAL and not _touches(free, silent, truck):
            return []
        peak, at, stop = _peak(silent, inside, truck, replace(case, practice=practice))
        rows.append(
            BrakeRow(
                truck=truck.name,
                mass_kg=truck.mass,
                road=road.name,
                condition=case.condition,
                peak_free_c=free.peak_c,
                peak_zone_c=peak,
                peak_none_c=none.peak_c,
                stop_c=stop,
                hard_limit_c=limits[0],
                planning_limit_c=limits[1],
                peak_at_m=at if direction > 0 else float(stretches.to_m[mine[-1]]) - at,
                equipped=truck.retarder != "none",
                direction=direction,
                entry_c=practice.conditions.entry_c,
            )
        )
    return rows


def _peak(
    silent: Drive, inside: BoolArray, truck: TruckClass, case: Case
) -> tuple[float, float, float]:
    """Peak of a drive with the zone [°C], its place along the drive [m], the largest stop [K]."""
    if case.condition != WORST:
        return silent.peak_c, silent.peak_at_m, float(silent.stop_c.max())
    sink = heat_model(truck.model, case.practice.conditions)
    temperature, stop = nodes_with_zone(silent, inside, sink, case)
    hottest = int(np.argmax(temperature + stop))
    return (
        float(temperature[hottest] + stop[hottest]),
        float(silent.chainage_m[hottest]),
        float(stop.max()),
    )


def _matters(rows: Sequence[BrakeRow], drop: float) -> bool:
    """Whether a direction belongs into the answer: it falls through the zone, or a peak rises."""
    heated = any(row.peak_zone_c > row.peak_free_c + SAME_C for row in rows)
    return bool(rows) and (heated or drop > 0.0)


def _drop(stretches: Stretches, road: int, zone: Zone) -> float:
    """Height lost through the zone in the direction of the road's points [m]."""
    rows = road_rows(stretches, road)
    inside = rows[in_zone(stretches, rows, zone)]
    return float(-(stretches.grade[inside] * stretches.length[inside]).sum())


def _may_bind(zone: Zone, truck: TruckClass) -> bool:
    if truck.retarder == "none":
        return True
    return any(zone.binds_truck(truck.retarder, state) for state in EXHAUST_STATES)


def _touches(free: Drive, silent: Drive, truck: TruckClass) -> bool:
    """Whether the zone takes work from the retarder, or the truck brakes without one."""
    if truck.retarder == "none":
        return bool(np.any(free.brake_w > 0.0))
    return bool(np.any(free.retarder_w != silent.retarder_w))
