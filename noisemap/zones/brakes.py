"""The brakes of every truck weight on a zone's descent: free, under the zone, without retarder."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import numpy.typing as npt

from noisemap.descent.brake_temperature import Conditions
from noisemap.descent.drive import Drive
from noisemap.exposure.driving import Practice, TruckClass, drive_road, in_zone, road_rows
from noisemap.exposure.results import BrakeRow
from noisemap.scene.grades import descent_sigma
from noisemap.scene.model import Road, Stretches
from noisemap.states import EXHAUST_STATES, Zone
from noisemap.zones.ways import Way, silenced

FloatArray = npt.NDArray[np.float64]

NORMAL, DEGRADED, STEEPER = "normal", "degraded", "grade at its upper bound"

UPPER_BOUND = 1.645
"""One-sided 95 % of a normal error, in standard deviations."""

SAME_C = 0.5
"""Change of a peak below which a zone does nothing to the brakes [°C]."""


def steeper_by(stretches: Stretches, native_cell: float) -> FloatArray:
    """What each stretch's grade may be steeper by, at its upper bound [1]."""
    return np.asarray(UPPER_BOUND * descent_sigma(native_cell, stretches.grade_sigma))


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
) -> tuple[BrakeRow, ...]:
    """One row for each truck that the zone may bind, each direction it brakes in, each condition.

    A direction counts when the road falls through the zone, or when the zone heats
    any truck's brakes, however the road ends; a row appears where the zone takes
    work from the truck's retarder.  Trucks without a retarder stand beside them with
    three equal peaks: they run on their wheel brakes already, and the zone adds
    nothing to it.  Beside sound brakes stand the grade at its upper bound, for the
    terrain's error, and degraded brakes.
    """
    rows: list[BrakeRow] = []
    limits = (hard_limit, planning_limit)
    sound = practice.conditions
    degraded = Conditions.degraded(sound.preset, sound.ambient_c, sound.entry_c)
    cases: tuple[tuple[str, Practice, float | FloatArray], ...] = (
        (NORMAL, practice, 0.0),
        (STEEPER, practice, steeper_by(stretches, native_cell)),
        (DEGRADED, replace(practice, conditions=degraded), 0.0),
    )
    for road in road_indices:
        for direction in (1, -1):
            if roads[road].one_way not in (0, direction):
                continue
            found = [
                row
                for truck in trucks
                if _may_bind(zone, truck)
                for row in _truck_rows(
                    zone, roads[road], road, direction, stretches, truck, cases, limits, way
                )
            ]
            if _matters(found, direction * _drop(stretches, road, zone)):
                rows += found
    return tuple(rows)


def _truck_rows(
    zone: Zone,
    road: Road,
    index: int,
    direction: int,
    stretches: Stretches,
    truck: TruckClass,
    cases: Sequence[tuple[str, Practice, float | FloatArray]],
    limits: tuple[float, float],
    way: Way,
) -> list[BrakeRow]:
    rows: list[BrakeRow] = []
    road_end = float(stretches.to_m[road_rows(stretches, index)[-1]])
    for condition, practice, steeper in cases:
        go = partial(drive_road, stretches, index, direction, truck, practice, steeper=steeper)
        free, none = go(), go(retarder="none")
        silent = way(stretches, index, direction, truck, practice, zone, steeper)
        if condition == NORMAL and not _touches(free, silent, truck):
            return []
        rows.append(
            BrakeRow(
                truck=truck.name,
                mass_kg=truck.mass,
                road=road.name,
                condition=condition,
                peak_free_c=free.peak_c,
                peak_zone_c=silent.peak_c,
                peak_none_c=none.peak_c,
                stop_c=float(silent.stop_c.max()),
                hard_limit_c=limits[0],
                planning_limit_c=limits[1],
                peak_at_m=_chainage(silent, direction, road_end),
                equipped=truck.retarder != "none",
                direction=direction,
            )
        )
    return rows


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


def _chainage(silent: Drive, direction: int, road_end: float) -> float:
    """Where on the road the peak stands, counted as the road counts."""
    return silent.peak_at_m if direction > 0 else road_end - silent.peak_at_m
