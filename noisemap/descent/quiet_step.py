"""A truck on pieces of road with its speed, gear and switch position given."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.descent.brake_temperature import Conditions, HeatSink, heat_model, stop_rise
from noisemap.descent.drive import Drive, EnergyLedger
from noisemap.descent.forces import air_force, gravity_force, rolling_force
from noisemap.descent.gearbox import Gearbox, engaged_share, locked
from noisemap.descent.gears import engine_speed
from noisemap.descent.retarder import (
    driveline_power,
    friction_power,
    retarding_power,
    throttle_power,
)
from noisemap.descent.truck import TruckModel
from noisemap.errors import OutOfDomainError
from noisemap.states import RETARDER_KINDS, RetarderKind

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Profile:
    """The road to be driven; n pieces between n + 1 nodes, in the driving direction."""

    chainage_m: FloatArray  # (n+1,) rising
    grade: FloatArray  # (n,) negative downhill [1]
    cap_ms: FloatArray  # (n,) highest speed [m/s]
    retarder_allowed: BoolArray  # (n,) False inside a zone that binds the truck
    limit_c: FloatArray  # (n+1,) highest brake temperature with a stop's reserve [°C]

    def __post_init__(self) -> None:
        count = len(self.grade)
        faults = {
            "chainage_m (allowed: one node more than grades, rising)": len(self.chainage_m)
            == count + 1
            and count >= 1
            and bool(np.all(np.diff(self.chainage_m) > 0.0)),
            "grade (allowed: -0.5 to 0.5)": bool(np.all(np.abs(self.grade) <= 0.5)),
            "cap_ms (allowed: one a piece, above 0)": self.cap_ms.shape == (count,)
            and bool(np.all(self.cap_ms > 0.0)),
            "retarder_allowed (allowed: one a piece)": self.retarder_allowed.shape == (count,),
            "limit_c (allowed: one a node)": self.limit_c.shape == (count + 1,)
            and not bool(np.isnan(self.limit_c).any()),
        }
        for fault, holds in faults.items():
            if not holds:
                raise OutOfDomainError(f"quiet plan: not allowed: {fault}")

    @property
    def length_m(self) -> FloatArray:
        """Lengths along the slope [m]."""
        return np.asarray(np.diff(self.chainage_m) * np.hypot(1.0, self.grade))


@dataclass(frozen=True)
class Rig:
    """One truck with its load, retarder and brakes, ready to be planned for."""

    truck: TruckModel
    mass_kg: float
    kind: RetarderKind
    sink: HeatSink
    entry_c: float
    ambient_c: float

    @property
    def stages(self) -> tuple[int, ...]:
        """Braking cylinders by stage: 0 off, then the switch positions."""
        if self.kind == "compression_release":
            return (0, *self.truck.retarder.switch_cylinders)
        return (0,) if self.kind == "none" else (0, 0)

    def available_w(self, rpm: FloatArray, speed: FloatArray, stage: int) -> FloatArray:
        """Power of the retarder beyond friction at a stage [W]."""
        if stage == 0:
            return np.zeros(np.broadcast_shapes(rpm.shape, speed.shape))
        if self.kind == "driveline":
            return np.broadcast_to(driveline_power(speed, self.truck), rpm.shape)
        if self.kind == "exhaust_throttle":
            power = throttle_power(rpm, self.truck)
        else:
            power = retarding_power(rpm, self.stages[stage], self.truck)
        return np.maximum(power - friction_power(rpm, self.truck), 0.0)


def rig(
    truck: TruckModel,
    mass_kg: float,
    retarder_kind: RetarderKind | None = None,
    conditions: Conditions | None = None,
) -> Rig:
    """A truck ready to be planned for.

    Parameters
    ----------
    truck : TruckModel
        The truck.
    mass_kg : float
        Gross mass. [kg] 1000 to 200,000.
    retarder_kind : str, optional
        Kind of retarder; the truck's own by default.
    conditions : Conditions, optional
        Brakes and air, with the preset `modern_drag`; sound brakes by default.

    Returns
    -------
    Rig
        The truck with its heat sink.

    Raises
    ------
    OutOfDomainError
        For another preset, whose heat balance is no linear map, a mass or a kind that
        is not allowed.

    References
    ----------
    own-model : linear heat balance with modern drag

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> rig(packaged_truck("13L"), 36000.0).stages
    (0, 2, 4, 6)
    """
    conditions = Conditions() if conditions is None else conditions
    kind = truck.retarder.kind if retarder_kind is None else retarder_kind
    faults = {
        f"preset {conditions.preset!r} (allowed: modern_drag)": conditions.preset == "modern_drag",
        f"mass {mass_kg:g} kg (allowed: 1000 to 200,000)": 1e3 <= mass_kg <= 2e5,
        f"retarder {kind!r} (allowed: {', '.join(RETARDER_KINDS)})": kind in RETARDER_KINDS,
    }
    for fault, holds in faults.items():
        if not holds:
            raise OutOfDomainError(f"quiet plan: not allowed: {fault}")
    sink = heat_model(truck, conditions)
    assert isinstance(sink, HeatSink)
    return Rig(truck, mass_kg, kind, sink, conditions.entry_c, conditions.ambient_c)


@dataclass(frozen=True)
class Step:
    """What happens on pieces driven from one speed to another in given gears; any shape."""

    speed: FloatArray  # mean [m/s]
    time: FloatArray  # [s]
    rpm: FloatArray
    gravity: FloatArray  # [N]
    drag: FloatArray  # [N]
    kinetic: FloatArray  # given up [J]
    need: FloatArray  # power to take off [W]
    friction: FloatArray  # of the motoring engine [W]

    @property
    def rest(self) -> FloatArray:
        """Power that retarder and wheel brakes must take [W]."""
        return np.maximum(self.need - self.friction, 0.0)


def step(
    length: FloatArray,
    grade: FloatArray,
    v1: FloatArray,
    v2: FloatArray,
    gear: IntArray,
    one: Rig,
) -> Step:
    """Balance of power on pieces of road, before the retarder.

    Parameters
    ----------
    length : ndarray
        Lengths along the slope. [m]
    grade : ndarray
        Grades, negative downhill. [1]
    v1, v2 : ndarray
        Speeds at the start and the end. [m/s]
    gear : ndarray of int
        Gears, 1 the lowest. [1]
    one : Rig
        The truck.

    Returns
    -------
    Step
        Time, engine speed and powers.

    References
    ----------
    own-model : need (Fg - Fd) v + kinetic energy over time, as in the drive

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> flat, v, gear = np.array([0.0]), np.array([20.0]), np.array([10])
    >>> float(step(np.array([100.0]), flat, v, v, gear, rig(packaged_truck(), 2e4)).time[0])
    5.0
    """
    speed = 0.5 * (v1 + v2)
    time = length / speed
    gravity = gravity_force(one.mass_kg, -grade)
    drag = rolling_force(one.mass_kg, -grade, one.truck.rolling_resistance)
    drag = drag + air_force(speed, one.truck.drag_area_m2)
    kinetic = 0.5 * one.mass_kg * (v1**2 - v2**2)
    rpm = engine_speed(speed, gear, one.truck)
    need = (gravity - drag) * speed + kinetic / time
    return Step(speed, time, rpm, gravity, drag, kinetic, need, friction_power(rpm, one.truck))


def retard(
    found: Step, one: Rig, stage: int, grip: FloatArray | float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Share of time and mean power of the retarder at one stage.

    Parameters
    ----------
    found : Step
        The balance before the retarder.
    one : Rig
        The truck.
    stage : int
        0 for off, else the switch position. [1]
    grip : ndarray or float
        Most of the time that the retarder can be on. [1] 0 to 1.

    Returns
    -------
    share : ndarray
        Share of the time with the retarder on. [1]
    power : ndarray
        Its mean power. [W]

    References
    ----------
    own-model : the retarder first, for the share of time that is needed; brakes take the rest

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> one, v, down = rig(packaged_truck(), 3e4), np.array([15.0]), np.array([-0.06])
    >>> found = step(np.array([100.0]), down, v, v, np.array([8]), one)
    >>> [float(value[0].round(2)) for value in retard(found, one, 0)]
    [0.0, 0.0]
    """
    full = one.available_w(found.rpm, found.speed, stage)
    works = (found.rest > 0.0) & (full > 0.0)
    share = np.where(works, np.minimum(found.rest / np.where(works, full, 1.0), grip), 0.0)
    return share, share * full


def follow(
    profile: Profile,
    node_speed_ms: FloatArray,
    gear: IntArray,
    stage: IntArray,
    one: Rig,
    gearbox: Gearbox = "uninterrupted",
) -> Drive:
    """Drive of a truck that keeps given speeds, gears and switch positions.

    Parameters
    ----------
    profile : Profile
        The road.
    node_speed_ms : ndarray
        Speeds at the n + 1 nodes. [m/s] Above 0.
    gear : ndarray of int
        Gear on each piece, 1 the lowest. [1]
    stage : ndarray of int
        Stage on each piece, 0 off. [1]
    one : Rig
        The truck.
    gearbox : {"uninterrupted", "manual", "automated", "converter"}
        Kind of gearbox: its gear changes interrupt engine and retarder, as in the drive.

    Returns
    -------
    Drive
        Arrays by piece and node, and the energy ledger.

    References
    ----------
    own-model : force balance, duty and heat balance of the drive

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> road = Profile(np.array([0.0, 500.0]), np.array([-0.05]), np.array([20.0]),
    ...                np.array([True]), np.full(2, 260.0))
    >>> hill = follow(road, np.full(2, 12.0), np.array([8]), np.array([3]),
    ...               rig(packaged_truck("13L"), 3e4))
    >>> hill.braking_cylinders.tolist(), round(hill.duration_s, 1)
    ([6], 41.7)
    """
    length = profile.length_m
    v1, v2 = node_speed_ms[:-1], node_speed_ms[1:]
    found = step(length, profile.grade, v1, v2, gear, one)
    engaged = engaged_share(gear, found.time, gearbox)
    found = replace(found, friction=found.friction * engaged)
    grip = np.ones(len(length)) if one.kind == "driveline" else engaged * locked(gear, gearbox)
    share, retarded = np.zeros(len(length)), np.zeros(len(length))
    for position in np.unique(stage[stage > 0]).tolist():
        at = stage == position
        part_share, part_power = retard(found, one, position, grip)
        share[at], retarded[at] = part_share[at], part_power[at]
    cylinders = np.where(share > 0.0, np.array(one.stages, np.int64)[stage], 0)
    brakes = found.rest - retarded
    temperature = one.sink.march(one.entry_c, one.ambient_c, brakes, found.speed, found.time)
    engine = np.clip(found.need, 0.0, found.friction)
    return Drive(
        chainage_m=profile.chainage_m,
        node_speed_ms=node_speed_ms,
        speed_ms=found.speed,
        engine_speed_rpm=found.rpm,
        gear=gear,
        braking_cylinders=cylinders,
        retarder_share=share,
        time_s=found.time,
        need_w=found.need,
        drag_w=found.drag * found.speed,
        engine_w=engine,
        retarder_w=retarded,
        brake_w=brakes,
        temperature_c=temperature,
        stop_c=stop_rise(
            one.mass_kg, node_speed_ms, steepest_slope(profile.grade), one.sink.capacity_j_k
        ),
        energy=EnergyLedger(
            potential=float((found.gravity * length).sum()),
            kinetic=float(found.kinetic.sum()),
            traction=float((np.maximum(-found.need, 0.0) * found.time).sum()),
            drag=float((found.drag * length).sum()),
            engine=float((engine * found.time).sum()),
            retarder=float((retarded * found.time).sum()),
            brakes=float((brakes * found.time).sum()),
        ),
    )


def steepest_slope(grade: FloatArray) -> FloatArray:
    """Fall at the nodes, of the steeper of the two pieces that meet there.

    Parameters
    ----------
    grade : ndarray
        n grades, negative downhill. [1]

    Returns
    -------
    ndarray
        n + 1 falls over length. [1]

    References
    ----------
    own-model : a stop at a node may have to be made on either piece

    Examples
    --------
    >>> steepest_slope(np.array([-0.02, -0.06, 0.0])).tolist()
    [0.02, 0.06, 0.06, -0.0]
    """
    return np.asarray(np.maximum(np.append(-grade, -1.0), np.insert(-grade, 0, -1.0)))
