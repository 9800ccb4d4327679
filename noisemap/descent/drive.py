"""A truck on a road: speed, gear, retarder and brake temperature, piece by piece."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import get_args

import numpy as np
import numpy.typing as npt

from noisemap.descent.brake_temperature import Conditions, heat_model, stop_rise
from noisemap.descent.engagement import Engagement, Habit, holds_taken, wheel_share
from noisemap.descent.forces import (
    air_force,
    federal_drag_force,
    federal_engine_power,
    federal_gravity_force,
    gravity_force,
    rolling_force,
)
from noisemap.descent.gearbox import Gearbox, engaged_share, gear_changes, locked
from noisemap.descent.gears import descent_gear, engine_speed
from noisemap.descent.retarder import (
    PowerRule,
    driveline_power,
    friction_power,
    retarding_power,
    throttle_power,
)
from noisemap.descent.speeds import node_speeds
from noisemap.descent.truck import TruckModel
from noisemap.errors import OutOfDomainError
from noisemap.states import RETARDER_KINDS, RetarderKind

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

HABITS: tuple[Habit, ...] = get_args(Habit)


def _never() -> BoolArray:
    return np.zeros(0, dtype=bool)


def _none_taken() -> FloatArray:
    return np.zeros(0)


@dataclass(frozen=True)
class EnergyLedger:
    """Where the energy of a whole drive came from and went [J]."""

    potential: float  # height lost times weight
    kinetic: float  # speed lost
    traction: float  # engine pulling
    drag: float
    engine: float  # motoring friction used
    retarder: float
    brakes: float

    @property
    def residual(self) -> float:
        """What came in less what went out [J]."""
        into = self.potential + self.kinetic + self.traction
        return into - (self.drag + self.engine + self.retarder + self.brakes)


@dataclass(frozen=True)
class Drive:
    """One drive; n pieces of road between n + 1 nodes, in the driving direction."""

    chainage_m: FloatArray  # (n+1,)
    node_speed_ms: FloatArray  # (n+1,)
    speed_ms: FloatArray  # (n,) mean over the piece
    engine_speed_rpm: FloatArray  # (n,)
    gear: IntArray  # (n,) 1 the lowest
    braking_cylinders: IntArray  # (n,) 0 where no cylinder brakes
    retarder_share: FloatArray  # (n,) share of the time with the retarder on, any kind [1]
    time_s: FloatArray  # (n,)
    need_w: FloatArray  # (n,) power to take off, below zero where the engine pulls
    drag_w: FloatArray  # (n,)
    engine_w: FloatArray  # (n,) motoring friction used
    retarder_w: FloatArray  # (n,)
    brake_w: FloatArray  # (n,)
    temperature_c: FloatArray  # (n+1,) brakes
    stop_c: FloatArray  # (n+1,) rise of one full stop [K]
    energy: EnergyLedger
    interrupted: BoolArray = field(default_factory=_never)
    # (n,) a gear change at its start opens the driveline; empty where none does
    holds: FloatArray = field(default_factory=_none_taken)
    # (n,) times the retarder is let go and takes hold again; empty where it is held evenly

    @property
    def states(self) -> tuple[tuple[tuple[int, float], ...], ...]:
        """Per piece (braking cylinders, share of its time); empty where none brakes."""
        return tuple(
            ((cylinders, share),) if cylinders else ()
            for cylinders, share in zip(
                self.braking_cylinders.tolist(), self.retarder_share.tolist(), strict=True
            )
        )

    @property
    def peak_c(self) -> float:
        """Highest brake temperature with the reserve of a full stop [°C]."""
        return float(np.max(self.temperature_c + self.stop_c))

    @property
    def peak_at_m(self) -> float:
        """Chainage of that peak [m]."""
        return float(self.chainage_m[np.argmax(self.temperature_c + self.stop_c)])

    @property
    def duration_s(self) -> float:
        """Time of the whole drive [s]."""
        return float(self.time_s.sum())

    @property
    def onsets(self) -> int:
        """How many times the retarder comes on.

        Again after each gear change that released it, and each time it is let go to keep
        the speed.
        """
        on = self.retarder_share > 0.0
        again = self.interrupted if len(self.interrupted) else np.zeros(len(on), dtype=bool)
        begins = on[1:] & (~on[:-1] | again[1:])
        return int(on[0]) + int(np.count_nonzero(begins)) + round(float(self.holds.sum()))


def drive(
    chainage_m: npt.ArrayLike,
    grade: npt.ArrayLike,
    target_speed_ms: npt.ArrayLike,
    truck: TruckModel,
    mass_kg: float,
    *,
    retarder_allowed: npt.ArrayLike = True,
    retarder_kind: RetarderKind | None = None,
    conditions: Conditions | None = None,
    habit: Habit = "lowest_that_holds",
    power_rule: PowerRule = "lower",
    deceleration_ms2: float | None = None,
    acceleration_ms2: float | None = None,
    gearbox: Gearbox = "uninterrupted",
    engagement: Engagement = "steady",
) -> Drive:
    """Drive of one truck along a road profile.

    The truck keeps the wished speed; on climbs too, so a crawl speed belongs into the
    wish. It descends in the lowest gear its engine allows. What drag and the motoring
    engine leave is taken by the retarder, where it may be used and the engine turns
    fast enough, at the lowest switch position that holds, for the share of time that
    is needed; the wheel brakes take the rest. Where the engine pulls or friction alone
    holds, the retarder stays off. The heating is that of constant power on each piece.

    Parameters
    ----------
    chainage_m : array_like
        n + 1 horizontal distances along the road in the driving direction, rising. [m]
    grade : array_like
        n grades, negative downhill. [1] Within -0.5 to 0.5.
    target_speed_ms : array_like
        n wished speeds, or one for all. [m/s] Above 0.
    truck : TruckModel
        The truck.
    mass_kg : float
        Gross mass. [kg] 1000 to 200,000.
    retarder_allowed : array_like of bool
        n permissions, 1 or 0, or one for all. [1]
    retarder_kind : str, optional
        Kind of retarder; the truck's own by default.
    conditions : Conditions, optional
        Brakes and air; the preset `modern_drag` with sound brakes by default.
    habit : {"lowest_that_holds", "low", "medium", "high"}
        Whether the driver picks the switch position, or leaves it at one.
    power_rule : {"lower", "published", "model"}
        Which curve of retarding power counts.
    deceleration_ms2, acceleration_ms2 : float, optional
        Changes of speed where the wish changes, 0.5 and 0.3 by default. [m/s2]
    gearbox : {"uninterrupted", "manual", "automated", "converter"}
        Kind of gearbox: in each gear change of a manual or an automated one the
        driveline is open, and the wheel brakes hold the truck alone.
    engagement : {"steady", "hand", "pedal", "cruise", "descent_control"}
        How the retarder is worked: what the wheel brakes take while it is on, and how
        often it is let go and takes hold again. The switch position is the habit's.

    Returns
    -------
    Drive
        Arrays by piece and node, and the energy ledger.

    Raises
    ------
    OutOfDomainError
        For lengths that do not fit, chainages that do not rise, values outside the
        ranges above, or a speed beyond the highest gear.

    References
    ----------
    own-model : force balance, switch position and duty
    own-assumption : how the retarder is worked
    grade-severity : heat balance and stop; the whole model in the federal preset
    truck-handbooks : gear and lowest engine speed of the retarder

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> hill = drive([0.0, 2000.0], [-0.06], 15.0, packaged_truck("13L"), 36000.0)
    >>> hill.states[0][0][0], round(hill.temperature_c[-1])
    (6, 72)
    """
    conditions = Conditions() if conditions is None else conditions
    kind = truck.retarder.kind if retarder_kind is None else retarder_kind
    chainage, slope, target, allowed = _checked(
        chainage_m, grade, target_speed_ms, retarder_allowed, mass_kg, kind, habit
    )
    federal = conditions.preset == "federal"
    horizontal = np.diff(chainage)
    length = horizontal if federal else horizontal * np.hypot(1.0, slope)
    node_speed = node_speeds(length, target, deceleration_ms2, acceleration_ms2)
    speed = 0.5 * (node_speed[:-1] + node_speed[1:])
    time = length / speed
    gear = descent_gear(np.maximum(node_speed[:-1], node_speed[1:]), truck)
    rpm = engine_speed(speed, gear, truck)

    if federal:
        gravity, drag = federal_gravity_force(mass_kg, slope), federal_drag_force(speed)
        friction = np.full(speed.shape, federal_engine_power())
    else:
        gravity = gravity_force(mass_kg, slope)
        drag = rolling_force(mass_kg, slope, truck.rolling_resistance)
        drag = drag + air_force(speed, truck.drag_area_m2)
        friction = friction_power(rpm, truck)
    kinetic = 0.5 * mass_kg * (node_speed[:-1] ** 2 - node_speed[1:] ** 2)
    need = (gravity - drag) * speed + kinetic / time

    engaged = engaged_share(gear, time, gearbox)
    friction = friction * engaged
    grip = np.ones(len(time)) if kind == "driveline" else engaged * locked(gear, gearbox)
    engine = np.clip(need, 0.0, friction)
    rest = np.where(allowed, np.maximum(need - friction, 0.0), 0.0)
    asked = rest * (1.0 - wheel_share(engagement))
    cylinders, share, retarded = _retard(asked, grip, rpm, speed, truck, kind, habit, power_rule)
    full = np.divide(retarded, share, out=np.zeros_like(share), where=share > 0.0)
    brakes = np.maximum(need - friction - retarded, 0.0)

    sink = heat_model(truck, conditions)
    temperature = sink.march(conditions.entry_c, conditions.ambient_c, brakes, speed, time)
    steepest = np.maximum(np.append(slope, -1.0), np.insert(slope, 0, -1.0))
    stop = stop_rise(
        mass_kg, node_speed, steepest, sink.heat_capacity(temperature), conditions.preset
    )
    ledger = EnergyLedger(
        potential=float((gravity * length).sum()),
        kinetic=float(kinetic.sum()),
        traction=float((np.maximum(-need, 0.0) * time).sum()),
        drag=float((drag * length).sum()),
        engine=float((engine * time).sum()),
        retarder=float((retarded * time).sum()),
        brakes=float((brakes * time).sum()),
    )
    return Drive(
        chainage_m=chainage,
        node_speed_ms=node_speed,
        speed_ms=speed,
        engine_speed_rpm=rpm,
        gear=gear,
        braking_cylinders=cylinders,
        retarder_share=share,
        time_s=time,
        need_w=need,
        drag_w=drag * speed,
        engine_w=engine,
        retarder_w=retarded,
        brake_w=brakes,
        temperature_c=temperature,
        stop_c=stop,
        energy=ledger,
        interrupted=gear_changes(gear) & (engaged < 1.0),
        holds=holds_taken(engagement, mass_kg, speed, time, retarded, full),
    )


def _retard(
    rest: FloatArray,
    grip: FloatArray,
    rpm: FloatArray,
    speed: FloatArray,
    truck: TruckModel,
    kind: RetarderKind,
    habit: Habit,
    rule: PowerRule,
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Braking cylinders, share of time and mean power of the retarder beyond friction.

    `grip` is the share of the time in which it may work at all.
    """
    none = np.zeros(rest.shape, dtype=np.int64)
    if kind == "none":
        return none, np.zeros(rest.shape), np.zeros(rest.shape)
    if kind == "compression_release":
        positions = _positions(truck, habit)
        power = np.array([retarding_power(rpm, count, truck, rule) for count in positions])
        available = power - friction_power(rpm, truck)
        holds = available * grip >= rest
        chosen = np.where(holds.any(axis=0), np.argmax(holds, axis=0), len(positions) - 1)
        full = np.take_along_axis(available, chosen[None], axis=0)[0]
        cylinders = np.array(positions, dtype=np.int64)[chosen]
    else:
        cylinders = none
        if kind == "driveline":
            full = driveline_power(speed, truck)
        else:
            full = throttle_power(rpm, truck) - friction_power(rpm, truck)
    works = (rest > 0.0) & (full > 0.0) & (grip > 0.0)
    share = np.where(works, np.minimum(rest / np.where(works, full, 1.0), grip), 0.0)
    return np.where(works, cylinders, 0), share, share * full


def _positions(truck: TruckModel, habit: Habit) -> tuple[int, ...]:
    positions = truck.retarder.switch_cylinders
    if habit == "lowest_that_holds":
        return positions
    place = {"low": 0, "medium": (len(positions) - 1) // 2, "high": len(positions) - 1}
    return (positions[place[habit]],)


def _checked(
    chainage_m: npt.ArrayLike,
    grade: npt.ArrayLike,
    target_speed_ms: npt.ArrayLike,
    retarder_allowed: npt.ArrayLike,
    mass_kg: float,
    kind: str,
    habit: str,
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    chainage = np.asarray(chainage_m, dtype=float)
    count = len(chainage) - 1
    try:
        slope = np.broadcast_to(-np.asarray(grade, dtype=float), count)
        target = np.broadcast_to(np.asarray(target_speed_ms, dtype=float), count)
        allowed = np.broadcast_to(np.asarray(retarder_allowed, dtype=np.bool_), count)
    except ValueError:
        raise OutOfDomainError(
            f"drive: {count + 1} chainages need {count} grades, speeds and permissions, "
            "or one for all"
        ) from None
    faults = {
        "chainage_m (allowed: two or more, rising)": count >= 1
        and bool(np.all(np.diff(chainage) > 0.0)),
        "grade (allowed: -0.5 to 0.5)": bool(np.all(np.abs(slope) <= 0.5)),
        "target_speed_ms (allowed: above 0)": bool(np.all(target > 0.0)),
        "mass_kg (allowed: 1000 to 200,000)": 1e3 <= mass_kg <= 2e5,
        f"retarder_kind (allowed: {', '.join(RETARDER_KINDS)})": kind in RETARDER_KINDS,
        f"habit (allowed: {', '.join(HABITS)})": habit in HABITS,
    }
    for fault, holds in faults.items():
        if not holds:
            raise OutOfDomainError(f"drive: not allowed: {fault}")
    return chainage, slope, target, allowed
