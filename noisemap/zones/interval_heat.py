"""The brakes on one interval, exactly: drives with the study's own preset, outside included."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from noisemap.descent.brake_temperature import HeatModel, heat_model
from noisemap.descent.drive import Drive
from noisemap.exposure.driving import drive_road, in_zone, road_rows
from noisemap.states import Zone
from noisemap.zones.brakes import NORMAL
from noisemap.zones.screen import SEARCHED, WORST, Case, cases, heavy_trucks
from noisemap.zones.weigh import Base

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class TruckHeat:
    """One truck in one direction under one case."""

    truck: int
    direction: int
    condition: str
    peak_free_c: float
    peak_zone_c: float
    limit_c: float

    @property
    def margin(self) -> float:
        """Room below the limit that counts for this row [K]."""
        return self.limit_c - self.peak_zone_c


@dataclass(frozen=True)
class _Row:
    """One truck in one direction under one case, with its retarder and without any."""

    truck: int
    direction: int
    case: Case
    free: Drive
    none: Drive


class HeatBook:
    """Drives of one road with and without the retarder, shared by all its intervals.

    A zone changes no speed, so the brakes of a drive with a zone work as those without a
    retarder inside it and as the free ones outside; only their heat has to be marched.
    """

    def __init__(self, base: Base, road: int) -> None:
        self.base, self.road = base, road
        self.rows: list[_Row] = []
        one_way = base.scene.roads[road].one_way
        heavy = heavy_trucks(base.trucks)
        for direction in (1, -1):
            if one_way not in (0, direction):
                continue
            for index, truck in enumerate(base.trucks):
                if truck.retarder != SEARCHED:
                    continue
                for case in cases(
                    base.practice, base.scene.stretches, base.scene.terrain.native_cell
                ):
                    if case.condition == WORST and index not in heavy:
                        continue
                    go = partial(
                        drive_road,
                        base.scene.stretches,
                        road,
                        direction,
                        truck,
                        case.practice,
                        steeper=case.steeper,
                    )
                    free = go()
                    if free.retarder_share.any():
                        self.rows.append(_Row(index, direction, case, free, go(retarder="none")))

    def free(self, truck: int, direction: int) -> Drive:
        """A truck's drive with sound brakes and no zone."""
        return next(
            row.free
            for row in self.rows
            if (row.truck, row.direction, row.case.condition) == (truck, direction, NORMAL)
        )

    def heat(self, zone: Zone) -> list[TruckHeat]:
        """Every truck's brakes with a zone on this road."""
        stretches = self.base.scene.stretches
        inside = in_zone(stretches, road_rows(stretches, self.road), zone)
        return [self._heat(row, inside[:: row.direction]) for row in self.rows]

    def _heat(self, row: _Row, inside: BoolArray) -> TruckHeat:
        brakes = np.where(inside, row.none.brake_w, row.free.brake_w)
        sink = heat_model(self.base.trucks[row.truck].model, row.case.practice.conditions)
        conditions = row.case.practice.conditions
        start = int(np.argmax(inside)) if inside.any() else len(inside)
        warmed = [conditions.entry_c]
        for part in (slice(None, start), slice(start, None)):
            nodes = sink.march(
                warmed[-1],
                conditions.ambient_c,
                brakes[part],
                row.free.speed_ms[part],
                row.free.time_s[part],
            )
            warmed += nodes[1:].tolist()
            if part.start is None and start < len(inside):
                warmed[-1] = max(warmed[-1], row.case.least_at_zone_c)
        temperature = np.array(warmed)
        stop = stop_rises(row.free, sink, temperature)
        limit = self.base.planning_limit
        if row.case.condition == NORMAL:
            limit = max(limit, row.free.peak_c)
        return TruckHeat(
            row.truck,
            row.direction,
            row.case.condition,
            row.free.peak_c,
            float(np.max(temperature + stop)),
            limit,
        )


def stop_rises(drive: Drive, sink: HeatModel, temperature_c: FloatArray) -> FloatArray:
    """Rise of one full stop at each node of a drive whose brakes have other temperatures [K]."""
    capacity = sink.heat_capacity(temperature_c)
    assumed = sink.heat_capacity(drive.temperature_c)
    return np.asarray(drive.stop_c * assumed / capacity)


def least_margin(rows: Sequence[TruckHeat], *, normal: bool) -> float:
    """Least room of the rows with sound brakes, or of all the others [K]."""
    chosen = [row.margin for row in rows if (row.condition == NORMAL) is normal]
    return min(chosen, default=float("inf"))
