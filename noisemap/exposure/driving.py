"""Drives of the study's trucks along its roads, with and without a zone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.descent.brake_temperature import Conditions
from noisemap.descent.drive import Drive, drive
from noisemap.descent.engagement import Engagement, Habit, engagement_habit
from noisemap.descent.gearbox import Gearbox
from noisemap.descent.truck import TruckModel
from noisemap.scene.model import Stretches
from noisemap.states import RetarderKind, Zone

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class TruckClass:
    """One weight class of the study's heavy trucks."""

    name: str
    model: TruckModel
    mass: float  # [kg]
    share: float
    retarder: RetarderKind
    gearbox: Gearbox = "uninterrupted"
    engagement: Engagement = "steady"  # how the retarder is worked


@dataclass(frozen=True)
class Practice:
    """How the trucks are driven and what state their brakes are in."""

    conditions: Conditions
    habit: Habit = "lowest_that_holds"
    assumed_speed: float | None = None  # a lower speed than the posted one [m/s]
    highest_speed: float = np.inf  # what trucks keep to wherever more is posted [m/s]


def road_rows(stretches: Stretches, road: int) -> npt.NDArray[np.int64]:
    """Indices of a road's stretches, which lie together and in the order of chainage."""
    return np.flatnonzero(stretches.road == road)


def truck_speed(posted: FloatArray, practice: Practice) -> FloatArray:
    """Speed of trucks where a speed is posted for all [m/s]."""
    return np.minimum(posted, practice.highest_speed)


def wished_speed(
    stretches: Stretches, rows: npt.NDArray[np.int64], practice: Practice
) -> FloatArray:
    """Speed that trucks aim at on stretches: posted, assumed, or left by a curve [m/s]."""
    speed = truck_speed(stretches.speed_limit_kmh[rows] / 3.6, practice)
    if practice.assumed_speed is not None:
        speed = np.minimum(speed, practice.assumed_speed)
    return in_curves(speed, stretches, rows)


def in_curves(speed: FloatArray, stretches: Stretches, rows: npt.NDArray[np.int64]) -> FloatArray:
    """Speed of trucks on stretches where their curves leave no more [m/s]."""
    return np.minimum(speed, stretches.curve_speed[rows]) if len(stretches.curve_speed) else speed


def in_zone(stretches: Stretches, rows: npt.NDArray[np.int64], zone: Zone) -> BoolArray:
    """Which of a road's stretches have their middle inside a zone."""
    middle = 0.5 * (stretches.from_m[rows] + stretches.to_m[rows])
    return np.asarray((middle >= zone.from_m) & (middle < zone.to_m))


def drive_road(
    stretches: Stretches,
    road: int,
    direction: int,
    truck: TruckClass,
    practice: Practice,
    *,
    silent: Zone | None = None,
    retarder: RetarderKind | None = None,
    steeper: float | FloatArray = 0.0,
) -> Drive:
    """Drive over a whole road in one direction; pieces are its stretches in driving order.

    `silent` is a zone in which the retarder stays off; `retarder` replaces the
    truck's own kind; `steeper` is added to every downgrade, one
    figure or one a stretch of the study [1].
    """
    rows = road_rows(stretches, road)
    allowed = np.ones(len(rows), dtype=bool)
    if silent is not None:
        allowed = ~in_zone(stretches, rows, silent)
    nodes = np.append(stretches.from_m[rows], stretches.to_m[rows[-1]])
    grade = stretches.grade[rows]
    more = np.broadcast_to(steeper, stretches.grade.shape)[rows]
    speed = wished_speed(stretches, rows, practice)
    if direction < 0:
        nodes = (nodes[-1] - nodes)[::-1]
        grade, speed, allowed = -grade[::-1], speed[::-1], allowed[::-1]
        more = more[::-1]
    return drive(
        nodes,
        np.where(grade < 0.0, grade - more, grade),
        speed,
        truck.model,
        truck.mass,
        retarder_allowed=allowed,
        retarder_kind=truck.retarder if retarder is None else retarder,
        conditions=practice.conditions,
        habit=engagement_habit(truck.engagement) or practice.habit,
        gearbox=truck.gearbox,
        engagement=truck.engagement,
    )
