"""Energy at the wheels and fuel of a drive: what is spent against air, tyres, height and speed.

The estimate is for a loaded diesel truck on the given speeds.  A descent gives nothing
back: what the brakes, the retarder and the motoring engine take is lost.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.descent.drive import Drive
from noisemap.descent.forces import air_force, gravity_force, rolling_force
from noisemap.descent.truck import TruckModel
from noisemap.routes.choices import HOUR_S

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class WheelWork:
    """Where the energy goes that the engine sends to the wheels [J].

    A fall on a piece where the engine still pulls, or a loss of speed there, counts
    against it.
    """

    air: float
    rolling: float
    lifting: float
    speeding: float

    @property
    def total(self) -> float:
        """Energy at the wheels [J]."""
        return self.air + self.rolling + self.lifting + self.speeding

    def as_mj(self) -> dict[str, float]:
        """Each part by name [MJ]."""
        return {name: round(value / 1e6, 2) for name, value in asdict(self).items()}


@dataclass(frozen=True)
class Fuel:
    """An estimate of the fuel with its stated range [L]."""

    middle: float
    low: float
    high: float


def wheel_work(driven: Drive, grade: FloatArray, truck: TruckModel, mass_kg: float) -> WheelWork:
    """Work at the wheels on the pieces where the engine pulls.

    `grade` is that in the driving direction.
    """
    pulls = driven.need_w < 0.0
    speed, slope = driven.speed_ms[pulls], -grade[pulls]
    length = speed * driven.time_s[pulls]
    square = driven.node_speed_ms**2
    return WheelWork(
        air=float((air_force(speed, truck.drag_area_m2) * length).sum()),
        rolling=float((rolling_force(mass_kg, slope, truck.rolling_resistance) * length).sum()),
        lifting=float((-gravity_force(mass_kg, slope) * length).sum()),
        speeding=float(0.5 * mass_kg * np.diff(square)[pulls].sum()),
    )


def fuel(work: WheelWork, not_pulling_s: float) -> Fuel:
    """Fuel for work at the wheels and for the time in which the engine does not pull.

    >>> one_litre = 0.38 * 35.9e6
    >>> fuel(WheelWork(one_litre, 0.0, 0.0, 0.0), 0.0).middle
    1.0
    """
    table = toml_table("noisemap.routes", "choices.toml")["fuel"]
    energy = 1e6 * float(table["energy_mj_l"]["value"])

    def litres(efficiency: str, idling: str) -> float:
        rate = float(table["not_pulling_l_h"][idling])
        share = float(table["efficiency"][efficiency])
        return work.total / (share * energy) + rate * not_pulling_s / HOUR_S

    return Fuel(litres("value", "value"), litres("high", "low"), litres("low", "high"))


def drive_fuel(driven: Drive, work: WheelWork) -> Fuel:
    """Fuel of a whole drive."""
    return fuel(work, float(driven.time_s[driven.need_w >= 0.0].sum()))


def fuel_assumptions() -> Mapping[str, Any]:
    """The table behind the estimate, as the pages tell it."""
    found: Mapping[str, Any] = toml_table("noisemap.routes", "choices.toml")["fuel"]
    return found
