"""The brakes on one interval, exactly: drives with the study's own preset, outside included."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from noisemap.descent.brake_temperature import heat_model
from noisemap.descent.drive import Drive
from noisemap.exposure.driving import drive_road, in_zone, road_rows
from noisemap.states import Zone
from noisemap.zones.conditions import (
    NORMAL,
    WORST,
    Case,
    cases,
    heavy_trucks,
    limit_for,
    nodes_with_zone,
)
from noisemap.zones.screen import SEARCHED
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
        heavy = heavy_trucks(base.trucks, (SEARCHED,))
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
                    practice = base.hills.practice(
                        road, direction, truck, case.practice, steeper=case.steeper
                    )
                    case = replace(case, practice=practice)
                    go = partial(
                        drive_road,
                        base.scene.stretches,
                        road,
                        direction,
                        truck,
                        practice,
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
        temperature, stop = nodes_with_zone(row.free, inside, sink, row.case, brakes)
        return TruckHeat(
            row.truck,
            row.direction,
            row.case.condition,
            row.free.peak_c,
            float(np.max(temperature + stop)),
            limit_for(row.case.condition, row.free.peak_c, self.base.planning_limit),
        )


def least_margin(rows: Sequence[TruckHeat], *, normal: bool) -> float:
    """Least room of the rows with sound brakes, or of all the others [K]."""
    chosen = [row.margin for row in rows if (row.condition == NORMAL) is normal]
    return min(chosen, default=float("inf"))
