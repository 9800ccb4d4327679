"""The states of brakes and road in which every zone is judged, and the one rule of judging.

`weigh_zone` and the search both ask here, so that no zone can pass in one and fail in
the other.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.descent.brake_temperature import Conditions, HeatModel
from noisemap.descent.drive import Drive
from noisemap.exposure.driving import Practice, TruckClass
from noisemap.scene.grades import descent_sigma
from noisemap.scene.model import Stretches
from noisemap.states import RetarderKind

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

NORMAL, STEEPER, DEGRADED = "normal", "grade at its upper bound", "degraded"
WORST = "degraded on the steeper grade"
"""Degraded brakes on a grade at its upper bound, warm where the zone begins."""

CONDITIONS = (NORMAL, STEEPER, DEGRADED, WORST)

ROUNDING = 1e-9


def setting(name: str) -> float:
    """One of the search's stated choices, see `search.toml`."""
    return float(toml_table("noisemap.zones", "search.toml")[name]["value"])


def settings(name: str) -> tuple[float, ...]:
    """A stated choice of several numbers."""
    return tuple(float(v) for v in toml_table("noisemap.zones", "search.toml")[name]["value"])


@dataclass(frozen=True)
class Case:
    """One state of brakes and road."""

    condition: str
    practice: Practice
    steeper: float | FloatArray  # added to every downgrade, one figure or one a stretch [1]
    least_at_zone_c: float  # brakes are at least this warm where the zone begins


def steeper_by(stretches: Stretches, native_cell: float) -> FloatArray:
    """What each stretch's grade may be steeper by, at its upper bound [1]."""
    sigma = descent_sigma(native_cell, stretches.grade_sigma)
    return np.asarray(setting("upper_bound") * sigma)


def cases(practice: Practice, stretches: Stretches, native_cell: float) -> tuple[Case, ...]:
    """Normal, steeper, degraded, and both together with brakes warm at the zone."""
    sound = practice.conditions
    worn = Conditions.degraded(sound.preset, sound.ambient_c, sound.entry_c)
    degraded = replace(practice, conditions=worn)
    steeper = steeper_by(stretches, native_cell)
    cold = -np.inf
    return (
        Case(NORMAL, practice, 0.0, cold),
        Case(STEEPER, practice, steeper, cold),
        Case(DEGRADED, degraded, 0.0, cold),
        Case(WORST, degraded, steeper, worn.entry_c),
    )


def heavy_trucks(trucks: Sequence[TruckClass], kinds: Collection[RetarderKind]) -> tuple[int, ...]:
    """Trucks with these retarders at the stated percentiles of their weights."""
    order = sorted(
        (index for index, truck in enumerate(trucks) if truck.retarder in kinds),
        key=lambda index: trucks[index].mass,
    )
    if not order:
        return ()
    shares = np.cumsum([trucks[index].share for index in order])
    places = np.searchsorted(
        shares, np.array(settings("weight_percentiles")) * shares[-1] - ROUNDING
    )
    return tuple(sorted({order[int(place)] for place in places}))


def nodes_with_zone(
    drive: Drive,
    inside: BoolArray,
    sink: HeatModel,
    case: Case,
    brake_w: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Brakes at the nodes of a drive [°C], and the rise of one full stop there [K].

    `inside` says which pieces lie in the zone, in driving order; where it begins brakes
    are at least as warm as the case asks.  `brake_w` replaces the drive's own power.
    """
    power = drive.brake_w if brake_w is None else brake_w
    conditions = case.practice.conditions
    start = int(np.argmax(inside)) if inside.any() else len(inside)
    before, after = slice(None, start), slice(start, None)

    def march(entry: float, part: slice) -> FloatArray:
        return sink.march(
            entry, conditions.ambient_c, power[part], drive.speed_ms[part], drive.time_s[part]
        )

    above = march(conditions.entry_c, before)
    if start < len(inside):
        below = march(max(float(above[-1]), case.least_at_zone_c), after)
        above = np.concatenate([above[:-1], below])
    return above, stop_rises(drive, sink, above)


def stop_rises(drive: Drive, sink: HeatModel, temperature_c: FloatArray) -> FloatArray:
    """Rise of one full stop at each node of a drive whose brakes have other temperatures [K]."""
    capacity = sink.heat_capacity(temperature_c)
    assumed = sink.heat_capacity(drive.temperature_c)
    return np.asarray(drive.stop_c * assumed / capacity)


def limit_for(condition: str, peak_free_c: float, planning_limit_c: float) -> float:
    """Temperature that a row may reach with a zone [°C].

    The planning limit; a truck with normal brakes that is over it without any zone may
    get no hotter.
    """
    if condition == NORMAL:
        return max(planning_limit_c, peak_free_c)
    return planning_limit_c


def keeps(room_k: float) -> bool:
    """Whether the room below a row's limit is enough [K]."""
    return room_k >= -ROUNDING
