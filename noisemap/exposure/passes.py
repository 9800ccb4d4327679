"""Classes of passes: which truck, with which exhaust, on which road, obeying or not.

A class is one kind of event.  What it leaves at a receiver does not depend on
how often it happens, so every scenario is only a change of counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.bands import A_WEIGHT, N_BANDS
from noisemap.descent.drive import Drive
from noisemap.exposure.driving import Practice, TruckClass, in_curves, road_rows, truck_speed
from noisemap.exposure.product import PassSound
from noisemap.exposure.rules import rule
from noisemap.exposure.traffic import Flow
from noisemap.levels import to_energy
from noisemap.scene.model import Stretches
from noisemap.source.emission import exhaust_sound_power
from noisemap.source.propulsion import vehicle_sound_power
from noisemap.states import ExhaustState

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

OUTLET_HEIGHT_INDEX = {"under_chassis": 0, "stack": 1}
"""Which of the store's source heights an exhaust outlet has."""

FREE = "free"
"""Variant of a pass whose driver uses the retarder wherever it helps."""


DriveKey = tuple[int, int, int, str]
"""Road, direction, truck class and variant of a drive."""


@dataclass(frozen=True)
class PassClass:
    """One kind of pass of a truck that may use its retarder."""

    road: int
    direction: int
    truck: int  # index of the truck class
    exhaust_state: ExhaustState
    variant: str  # FREE, or the name of the zone in which the retarder stays silent
    per_hour: FloatArray  # (24,) passes an hour when nobody obeys any zone [1/h]


def braking_classes(
    flows: Sequence[Flow],
    trucks: Sequence[TruckClass],
    drives: Mapping[DriveKey, Drive],
    stretches: Stretches,
) -> list[PassClass]:
    """Free passes of the trucks that use a retarder on a downgrade of their road."""
    classes = []
    for flow in flows:
        if flow.vehicle_class != "heavy" or flow.exhaust_state is None:
            continue
        for index, truck in enumerate(trucks):
            drive = drives.get((flow.road, flow.direction, index, FREE))
            if drive is None or not brakes_downhill(drive, driven_grade(stretches, flow)):
                continue
            classes.append(
                PassClass(
                    flow.road,
                    flow.direction,
                    index,
                    flow.exhaust_state,
                    FREE,
                    flow.per_hour * truck.share,
                )
            )
    return classes


def brakes_downhill(drive: Drive, grade: FloatArray) -> bool:
    """Whether the truck's cylinders brake on a downgrade worth the name, in driving order.

    Slowing down on the level or on a climb does not make a braking truck.
    """
    return bool(np.any((drive.braking_cylinders > 0) & (grade <= -rule("least_downgrade"))))


def driven_grade(stretches: Stretches, flow: Flow) -> FloatArray:
    """Grade of a flow's road in driving order, negative downhill [1]."""
    grade = stretches.grade[road_rows(stretches, flow.road)]
    return grade if flow.direction > 0 else -grade[::-1]


def silent_in(classes: Sequence[PassClass], zone: str) -> list[PassClass]:
    """Passes of the same trucks with the retarder silent in a zone."""
    return [replace(one, variant=zone) for one in classes]


def pass_sound(
    classes: Sequence[PassClass],
    drives: Mapping[DriveKey, Drive],
    stretches: Stretches,
    trucks: Sequence[TruckClass],
    *,
    temperature: float,
    calibration_offset: float,
) -> PassSound:
    """Energy and peak emission of every class, A-weighted, over (class, stretch, height, band).

    The sound power of a state counts in full for the peak at any share above
    zero, and by its share of time for the energy.  The gradient term of running
    noise counts uphill only.  Parts of a road that lie
    outside the sounding stretches emit nothing.
    """
    count, total = len(classes), len(stretches.road)
    energy = np.zeros((count, total, 2, N_BANDS), dtype=np.float32)
    peak = np.zeros_like(energy)
    running = np.zeros((count, total, N_BANDS), dtype=np.float32)
    seconds = np.zeros((count, total), dtype=np.float32)
    speed = np.ones((count, total), dtype=np.float32)
    first, last = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    for c, one in enumerate(classes):
        drive = drives[one.road, one.direction, one.truck, one.variant]
        rows = road_rows(stretches, one.road)
        first[c], last[c] = rows[0], rows[-1] + 1
        order = rows if one.direction > 0 else rows[::-1]
        v = drive.speed_ms
        speed[c, order] = v
        climb = np.maximum(one.direction * stretches.grade[order], 0.0)
        level = vehicle_sound_power("heavy", v, grade=climb, temperature_c=temperature)
        power = to_energy(level + A_WEIGHT)
        duration = drive.time_s[:, None]
        seconds[c, order] = drive.time_s
        running[c, order] = power
        energy[c, order, 0] = power * duration
        peak[c, order, 0] = power
        truck = trucks[one.truck].model
        outlet = OUTLET_HEIGHT_INDEX[truck.outlet]
        braking = np.flatnonzero(drive.braking_cylinders > 0)
        power = to_energy(
            exhaust_sound_power(
                truck.engine,
                drive.engine_speed_rpm[braking],
                drive.braking_cylinders[braking],
                one.exhaust_state,
                calibration_db=calibration_offset,
            )
            + A_WEIGHT
        )
        share = drive.retarder_share[braking, None]
        energy[c, order[braking], outlet] += share * power * duration[braking]
        peak[c, order[braking], outlet] += power
    for array in (energy, peak, running):
        array[:, ~stretches.sounding] = 0.0
    return PassSound(energy, peak, running, seconds, speed, first, last)


def other_flows(flows: Sequence[Flow], classes: Sequence[PassClass]) -> list[Flow]:
    """The traffic that is not already a pass of a braking truck."""
    taken: dict[tuple[int, int, ExhaustState], FloatArray] = {}
    for one in classes:
        key = (one.road, one.direction, one.exhaust_state)
        taken[key] = taken.get(key, np.zeros(24)) + one.per_hour
    rest = []
    for flow in flows:
        if flow.vehicle_class == "heavy" and flow.exhaust_state is not None:
            gone = taken.get((flow.road, flow.direction, flow.exhaust_state), np.zeros(24))
            flow = replace(flow, per_hour=np.maximum(flow.per_hour - gone, 0.0))
        rest.append(flow)
    return rest


def traffic_emission(
    flows: Sequence[Flow], stretches: Stretches, temperature: float, practice: Practice
) -> Float32Array:
    """Mean A-weighted sound power by hour, over (hour, stretch, height, band) [1].

    Rolling and propulsion of every counted vehicle at the posted speed, trucks no
    faster than the study lets them drive.  The
    gradient term of heavy vehicles counts uphill only: downhill it stands for
    engine braking, which has its own source here.
    """
    out = np.zeros((24, len(stretches.road), 2, N_BANDS))
    for flow in flows:
        rows = road_rows(stretches, flow.road)
        speed = np.minimum(stretches.speed_limit_kmh[rows], rule("highest_vehicle_speed_kmh")) / 3.6
        grade = flow.direction * stretches.grade[rows]
        if flow.vehicle_class == "heavy":
            grade = np.maximum(grade, 0.0)
            speed = in_curves(truck_speed(speed, practice), stretches, rows)
        level = vehicle_sound_power(
            flow.vehicle_class, speed, grade=grade, temperature_c=temperature
        )
        exposure = to_energy(level + A_WEIGHT) * (stretches.length[rows] / speed)[:, None]
        out[:, rows, 0] += flow.per_hour[:, None, None] / 3600.0 * exposure
    out[:, ~stretches.sounding] = 0.0
    return out.astype(np.float32)
