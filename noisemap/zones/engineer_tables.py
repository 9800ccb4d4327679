"""Tables for the engineer: how long a stretch may be, which speeds keep a limit, which rules hold.

Every speed here is a figure of the screening, never advice: `balance speed` is held by
drag and engine alone, `highest speed screened` is the highest at which the brakes keep a
limit with the reserve of a full stop, counted from below up to the first that does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.descent.brake_temperature import (
    Conditions,
    HeatSink,
    heat_model,
    length_to_limit,
    stop_rise,
)
from noisemap.descent.forces import (
    air_force,
    federal_drag_force,
    federal_engine_power,
    federal_gravity_force,
    gravity_force,
    rolling_force,
)
from noisemap.descent.gears import descent_gear, engine_speed
from noisemap.descent.retarder import (
    PowerRule,
    driveline_power,
    friction_power,
    retarding_power,
    throttle_power,
)
from noisemap.descent.truck import TruckModel
from noisemap.exposure.arrivals import HillsAbove
from noisemap.exposure.driving import Practice, TruckClass, drive_road, in_zone, road_rows
from noisemap.scene.model import Stretches
from noisemap.scene.runs import runs
from noisemap.states import RetarderKind, Zone
from noisemap.units import FOOT_M, POUND_KG, metres_per_second, mph

FloatArray = npt.NDArray[np.float64]

GENERAL_GRADES = (0.03, 0.04, 0.05, 0.06, 0.07, 0.08, 0.10)
GENERAL_WEIGHTS_LB = (40_000.0, 60_000.0, 80_000.0)
GENERAL_SPEEDS_MPH = (15.0, 25.0, 35.0, 45.0)
FASTEST_MPH = 65
SLOWEST_MPH = 5


@dataclass(frozen=True)
class LengthRow:
    """How long trucks of one weight may brake on wheel brakes alone on one grade."""

    mass_kg: float
    grade: float  # fall over length [1]
    speeds_ms: tuple[float, ...]
    lengths_m: tuple[float, ...]  # infinite where the limit is never reached


def length_without_retarder(
    truck: TruckModel,
    mass_kg: float,
    grade: float,
    speed_ms: float,
    conditions: Conditions,
    limit_c: float,
) -> float:
    """Longest steady descent on wheel brakes alone, the reserve of a full stop kept [m].

    Closed form; the preset of brakes whose capacity rises with temperature takes the
    default one.
    """
    if conditions.preset == "first_principles":
        conditions = replace(conditions, preset="modern_drag")
    sink = heat_model(truck, conditions)
    assert isinstance(sink, HeatSink)
    speed, slope = np.array([speed_ms]), np.array([grade])
    if conditions.preset == "federal":
        force = federal_gravity_force(mass_kg, slope) - federal_drag_force(speed)
        friction = np.array([federal_engine_power()])
    else:
        force = gravity_force(mass_kg, slope) - air_force(speed, truck.drag_area_m2)
        force = force - rolling_force(mass_kg, slope, truck.rolling_resistance)
        friction = friction_power(engine_speed(speed, descent_gear(speed, truck), truck), truck)
    power = np.maximum(force * speed - friction, 0.0)
    reserve = stop_rise(mass_kg, speed, slope, sink.capacity_j_k, conditions.preset)
    found = length_to_limit(
        speed, power, sink, conditions.entry_c, limit_c - reserve, conditions.ambient_c
    )
    return float(found[0])


def length_table(
    truck: TruckModel,
    masses_kg: Sequence[float],
    grades: Sequence[float],
    speeds_ms: Sequence[float],
    conditions: Conditions,
    limit_c: float,
) -> tuple[LengthRow, ...]:
    """Longest stretches without retarder by weight and grade, a column a speed."""
    return tuple(
        LengthRow(
            mass,
            grade,
            tuple(speeds_ms),
            tuple(
                length_without_retarder(truck, mass, grade, speed, conditions, limit_c)
                for speed in speeds_ms
            ),
        )
        for mass in masses_kg
        for grade in grades
    )


def general_length_table(
    truck: TruckModel, conditions: Conditions, limit_c: float
) -> tuple[LengthRow, ...]:
    """The same for round grades, weights and speeds, whatever the hill."""
    return length_table(
        truck,
        [weight * POUND_KG for weight in GENERAL_WEIGHTS_LB],
        GENERAL_GRADES,
        [metres_per_second(speed) for speed in GENERAL_SPEEDS_MPH],
        conditions,
        limit_c,
    )


def balance_speed(
    truck: TruckModel,
    mass_kg: float,
    grade: float,
    retarder: RetarderKind = "none",
    cylinders: int | None = None,
    rule: PowerRule = "lower",
) -> float | None:
    """Highest speed that drag, engine and retarder hold without any brake [m/s].

    None where no gear holds; not above 65 mph.  `cylinders` is the position of a
    compression-release switch, the highest by default.
    """
    positions = truck.retarder.switch_cylinders
    cylinders = positions[-1] if cylinders is None else cylinders
    top = metres_per_second(FASTEST_MPH)
    ratios = np.array(truck.gear_ratios)
    gears = np.arange(1, len(ratios) + 1)
    limits = truck.highest_speed_rpm / engine_speed(np.ones(len(ratios)), gears, truck)
    steps = np.arange(0.5, top + 1e-9, 0.05)
    speed = np.unique(np.concatenate([steps, limits[limits <= top] * (1.0 - 1e-12), [top]]))
    speed = speed[speed <= limits[-1]]
    rpm = engine_speed(speed, descent_gear(speed, truck), truck)
    force = gravity_force(mass_kg, grade) - rolling_force(mass_kg, grade, truck.rolling_resistance)
    need = (force - air_force(speed, truck.drag_area_m2)) * speed
    friction = friction_power(rpm, truck)
    held = {
        "none": friction,
        "compression_release": retarding_power(rpm, cylinders, truck, rule),
        "exhaust_throttle": throttle_power(rpm, truck),
        "driveline": friction + driveline_power(speed, truck),
    }[retarder]
    holds = np.flatnonzero(held >= need)
    return float(speed[holds[-1]]) if len(holds) else None


@dataclass(frozen=True)
class SpeedRow:
    """Speeds of one truck on one descent; figures of the screening, never advice."""

    truck: str
    mass_kg: float
    direction: int
    retarder: RetarderKind
    assumed_ms: float  # highest the study lets it have
    balance_ms: float | None  # on the steepest stretch, with its own retarder
    balance_none_ms: float | None  # without any
    screened_ms: float | None  # keeps the limit with its retarder
    screened_none_ms: float | None  # without any
    screened_zone_ms: tuple[tuple[str, float | None], ...]  # with each zone


def highest_speed_screened(
    stretches: Stretches,
    road: int,
    direction: int,
    truck: TruckClass,
    practice: Practice,
    limit_c: float,
    *,
    zone: Zone | None = None,
    retarder: RetarderKind | None = None,
    hills: HillsAbove | None = None,
) -> float | None:
    """Highest speed up to which the brakes keep a limit over the whole road [m/s].

    From 5 mph upwards in steps of 1 mph to the first that does not keep it, at most the
    speed the study assumes; None where 5 mph does not.  `hills` says how warm trucks
    reach the road at that speed; without it they begin at the practice's own entry.
    """
    found = None
    top = _assumed(stretches, road, practice)
    for speed_mph in range(SLOWEST_MPH, FASTEST_MPH + 1):
        speed = min(metres_per_second(float(speed_mph)), top)
        slow = replace(practice, assumed_speed=speed)
        if hills is not None:
            slow = hills.practice(road, direction, truck, slow, retarder=retarder)
        drive = drive_road(
            stretches,
            road,
            direction,
            truck,
            slow,
            silent=zone,
            retarder=retarder,
        )
        if drive.peak_c > limit_c:
            return found
        found = speed
        if speed >= top:
            break
    return found


def _assumed(stretches: Stretches, road: int, practice: Practice) -> float:
    top = float(stretches.speed_limit_kmh[road_rows(stretches, road)].max()) / 3.6
    return top if practice.assumed_speed is None else min(top, practice.assumed_speed)


def speed_table(
    stretches: Stretches,
    road: int,
    direction: int,
    trucks: Sequence[TruckClass],
    practice: Practice,
    limit_c: float,
    zones: Sequence[Zone],
    hills: HillsAbove | None = None,
) -> tuple[SpeedRow, ...]:
    """Balance and screened speeds of every truck in one direction, with every zone."""
    rows = road_rows(stretches, road)
    steepest = max(float((-direction * stretches.grade[rows]).max()), 0.0)
    out = []
    for truck in trucks:

        def screened(
            zone: Zone | None = None,
            retarder: RetarderKind | None = None,
            truck: TruckClass = truck,
        ) -> float | None:
            return highest_speed_screened(
                stretches,
                road,
                direction,
                truck,
                practice,
                limit_c,
                zone=zone,
                retarder=retarder,
                hills=hills,
            )

        own = screened()
        out.append(
            SpeedRow(
                truck=truck.name,
                mass_kg=truck.mass,
                direction=direction,
                retarder=truck.retarder,
                assumed_ms=_assumed(stretches, road, practice),
                balance_ms=balance_speed(truck.model, truck.mass, steepest, truck.retarder),
                balance_none_ms=balance_speed(truck.model, truck.mass, steepest),
                screened_ms=own,
                screened_none_ms=own if truck.retarder == "none" else screened(retarder="none"),
                screened_zone_ms=tuple(
                    (zone.name, own if truck.retarder == "none" else screened(zone))
                    for zone in zones
                ),
            )
        )
    return tuple(out)


@dataclass(frozen=True)
class BeyondHard:
    """Where the heaviest truck would pass the hard limit without any retarder."""

    truck: str
    direction: int
    at_m: float | None  # along the road; None where it never does


def beyond_hard(
    stretches: Stretches,
    road: int,
    direction: int,
    trucks: Sequence[TruckClass],
    practice: Practice,
    hard_limit_c: float,
    hills: HillsAbove,
) -> BeyondHard:
    """First place at which the heaviest truck's brakes alone would not keep the hard limit."""
    truck = max(trucks, key=lambda one: one.mass)
    arriving = hills.practice(road, direction, truck, practice, retarder="none")
    drive = drive_road(stretches, road, direction, truck, arriving, retarder="none")
    over = np.flatnonzero(drive.temperature_c + drive.stop_c > hard_limit_c)
    if not len(over):
        return BeyondHard(truck.name, direction, None)
    at = float(drive.chainage_m[over[0]])
    end = float(stretches.to_m[road_rows(stretches, road)[-1]])
    return BeyondHard(truck.name, direction, at if direction > 0 else end - at)


@dataclass(frozen=True)
class RuleRow:
    """One published rule, evaluated."""

    state: str
    text: str
    measured: str
    holds: bool | None  # None: a person has to answer
    source: str
    mark: str
    note: str


def steep_run(
    stretches: Stretches, road: int, direction: int, grade: float, zone: Zone | None = None
) -> tuple[float, float, float]:
    """Longest unbroken run at or over a downgrade: its length, start and end [m].

    Along the road's own chainage; inside a zone only where one is given.
    """
    rows = road_rows(stretches, road)
    steep = -direction * stretches.grade[rows] >= grade - 1e-12
    if zone is not None:
        steep &= in_zone(stretches, rows, zone)
    best = (0.0, float("nan"), float("nan"))
    for first, last in runs(steep):
        start, end = float(stretches.from_m[rows[first]]), float(stretches.to_m[rows[last - 1]])
        if end - start > best[0]:
            best = (end - start, start, end)
    return best


def hill_sign_rows(stretches: Stretches, road: int, direction: int) -> tuple[RuleRow, ...]:
    """Which grades are long enough for a hill sign in one direction."""
    out = []
    for rule in _rules("hill_signs.toml", "hill_sign"):
        length, start, end = steep_run(stretches, road, direction, float(rule["value"]) / 100.0)
        limit = float(rule["longer_than_ft"])
        where = f", from {start:.0f} m to {end:.0f} m" if length else ""
        out.append(
            RuleRow(
                state="federal sign manual",
                text=f"hill sign where {rule['value']:g} % is longer than {limit:,.0f} ft",
                measured=f"longest run {length / FOOT_M:,.0f} ft ({length:,.0f} m){where}",
                holds=length / FOOT_M > limit,
                source=rule["source"],
                mark=rule["mark"],
                note="",
            )
        )
    return tuple(out)


def approval_rows(
    stretches: Stretches, road: int, direction: int, zone: Zone
) -> tuple[RuleRow, ...]:
    """State criteria on a zone; those that a profile cannot answer are left to a person."""
    return tuple(
        _approval(rule, stretches, road, direction, zone)
        for rule in _rules("approval.toml", "rule")
    )


def _approval(
    rule: dict[str, Any], stretches: Stretches, road: int, direction: int, zone: Zone
) -> RuleRow:
    holds: bool | None = None
    measured = str(rule["value"])
    if rule["kind"] == "grade":
        length, _, _ = steep_run(stretches, road, direction, float(rule["value"]) / 100.0, zone)
        holds = length / FOOT_M < float(rule["longer_than_ft"])
        measured = f"{length / FOOT_M:,.0f} ft of the zone are that steep without a break"
    elif rule["kind"] == "posted":
        rows = road_rows(stretches, road)
        inside = rows[in_zone(stretches, rows, zone)]
        posted = mph(float(stretches.speed_limit_kmh[inside].max(initial=0.0)) / 3.6)
        holds = posted <= float(rule["value"]) + 0.5
        measured = f"highest posted speed in the zone {posted:.0f} mph"
    elif rule["kind"] == "unmuffled":
        holds = zone.binds == "unmuffled_compression_release"
        measured = "binds unmuffled exhausts only" if holds else "binds muffled trucks too"
    return RuleRow(
        state=rule["state"],
        text=rule["text"],
        measured=measured,
        holds=holds,
        source=rule["source"],
        mark=rule["mark"],
        note=rule.get("note", ""),
    )


def _rules(name: str, key: str) -> list[dict[str, Any]]:
    return list(toml_table("noisemap.zones", name)[key])
