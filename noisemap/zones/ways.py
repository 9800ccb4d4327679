"""Ways in which a driver may do without the full retarder inside a zone.

Each is one drive over the whole road, so that brakes and sound outside the zone follow too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from noisemap.descent.brake_temperature import heat_model
from noisemap.descent.drive import Drive
from noisemap.exposure.driving import Practice, TruckClass, drive_road, in_zone, road_rows
from noisemap.scene.model import Stretches
from noisemap.states import Zone

FloatArray = npt.NDArray[np.float64]


class Way(Protocol):
    """How a truck that obeys drives through a zone."""

    def __call__(
        self,
        stretches: Stretches,
        road: int,
        direction: int,
        truck: TruckClass,
        practice: Practice,
        zone: Zone,
        steeper: float | FloatArray = 0.0,
    ) -> Drive:
        """Drive over a whole road with the zone on it."""
        ...


def silenced(
    stretches: Stretches,
    road: int,
    direction: int,
    truck: TruckClass,
    practice: Practice,
    zone: Zone,
    steeper: float | FloatArray = 0.0,
) -> Drive:
    """Drive with the retarder off in the zone."""
    return drive_road(stretches, road, direction, truck, practice, silent=zone, steeper=steeper)


def low_setting(
    stretches: Stretches,
    road: int,
    direction: int,
    truck: TruckClass,
    practice: Practice,
    zone: Zone,
    steeper: float | FloatArray = 0.0,
) -> Drive:
    """Drive with the retarder at its lowest switch position in the zone."""
    free = drive_road(stretches, road, direction, truck, practice, steeper=steeper)
    low = drive_road(
        stretches,
        road,
        direction,
        replace(truck, engagement="steady"),
        replace(practice, habit="low"),
        steeper=steeper,
    )
    inside = in_zone(stretches, road_rows(stretches, road), zone)[::direction]

    def joined(one: FloatArray, other: FloatArray) -> FloatArray:
        return np.asarray(np.where(inside, one, other))

    brakes = joined(low.brake_w, free.brake_w)
    retarder = joined(low.retarder_w, free.retarder_w)
    conditions = practice.conditions
    sink = heat_model(truck.model, conditions)
    temperature = sink.march(
        conditions.entry_c, conditions.ambient_c, brakes, free.speed_ms, free.time_s
    )
    return replace(
        free,
        braking_cylinders=np.where(inside, low.braking_cylinders, free.braking_cylinders),
        retarder_share=joined(low.retarder_share, free.retarder_share),
        holds=joined(low.holds, free.holds),
        retarder_w=retarder,
        brake_w=brakes,
        temperature_c=temperature,
        stop_c=free.stop_c
        * sink.heat_capacity(free.temperature_c)
        / sink.heat_capacity(temperature),
        energy=replace(
            free.energy,
            retarder=float(retarder @ free.time_s),
            brakes=float(brakes @ free.time_s),
        ),
    )


@dataclass(frozen=True)
class Slower:
    """Drive with the retarder as needed, but slower through the zone."""

    share: float  # of the speed that the study assumes there [1]

    def __call__(
        self,
        stretches: Stretches,
        road: int,
        direction: int,
        truck: TruckClass,
        practice: Practice,
        zone: Zone,
        steeper: float | FloatArray = 0.0,
    ) -> Drive:
        """Drive over a whole road with the zone on it."""
        rows = road_rows(stretches, road)
        speed = stretches.speed_limit_kmh.copy()
        if practice.assumed_speed is not None:
            speed[rows] = np.minimum(speed[rows], 3.6 * practice.assumed_speed)
        speed[rows[in_zone(stretches, rows, zone)]] *= self.share
        return drive_road(
            replace(stretches, speed_limit_kmh=speed),
            road,
            direction,
            truck,
            practice,
            steeper=steeper,
        )
