"""Brakes of every contiguous zone on a road, for a page: peaks on the search's own grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.exposure.driving import drive_road, road_rows
from noisemap.states import BINDS, RETARDER_KINDS, Binds, RetarderKind, Zone
from noisemap.zones.brakes import bound_kinds
from noisemap.zones.conditions import WORST, cases, heavy_trucks, keeps, limit_for
from noisemap.zones.screen import candidate_ends, screened_truck
from noisemap.zones.weigh import Base

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

MOST_ENDS = 201
"""Ends of zones on one road that a page carries."""


@dataclass(frozen=True)
class BrakeGrid:
    """One truck in one direction under one condition, for every interval of ends."""

    truck: int
    direction: int
    condition: str
    rules: tuple[Binds, ...]  # in which the row counts
    peak_c: FloatArray  # (start, end), not a number where the end is not beyond the start
    free_c: float
    limit_c: float
    furthest: IntArray  # (start,) furthest end that keeps the limit, the start itself if none


@dataclass(frozen=True)
class Unequipped:
    """A truck without a retarder: no zone changes its brakes."""

    truck: int
    direction: int
    peak_c: float


@dataclass(frozen=True)
class RoadBrakes:
    """All brakes of one road."""

    road: int
    ends_m: FloatArray  # (end,) chainage [m]
    height_m: FloatArray  # (end,) of the road there over its first end [m]
    grids: tuple[BrakeGrid, ...]
    unequipped: tuple[Unequipped, ...]
    used: dict[tuple[int, int], list[tuple[float, float]]]
    # (truck, direction) -> pieces of road on which its retarder works [m]
    linear: bool  # whether the peaks have the study's own preset


def road_brakes(base: Base, road: int, wanted_m: Sequence[float] = ()) -> RoadBrakes:
    """Brakes of every truck of the study on a road, whatever retarder it has.

    Nodes of the road at `wanted_m`, such as the ends of the study's zones, are on the grid.
    """
    stretches = base.scene.stretches
    rows = road_rows(stretches, road)
    nodes = np.append(stretches.from_m[rows], stretches.to_m[rows[-1]])
    drop = np.append(0.0, np.cumsum(stretches.grade[rows] * stretches.length[rows]))
    used, unequipped = _used(base, road)
    anywhere = np.any([on for on in used.values()], axis=0)
    ends = grid_ends(base, road, anywhere)
    own = [place for place in range(ends[0], ends[-1]) if np.isclose(nodes[place], wanted_m).any()]
    ends = np.union1d(ends, np.array(own, dtype=np.int64))
    native = base.scene.terrain.native_cell
    grids = []
    for (index, direction), on in used.items():
        if not on.any():
            continue
        for case in cases(base.practice, stretches, native):
            rules = _rules(base, index, worst=case.condition == WORST)
            if not rules:
                continue
            found = screened_truck(base, road, direction, index, case, ends, len(rows))
            peak = found.marched.peak_c.astype(float)
            limit = limit_for(case.condition, found.free_peak_c, base.planning_limit)
            grids.append(
                BrakeGrid(
                    truck=index,
                    direction=direction,
                    condition=case.condition,
                    rules=rules,
                    peak_c=peak,
                    free_c=found.free_peak_c,
                    limit_c=limit,
                    furthest=furthest_ends(peak, limit),
                )
            )
    return RoadBrakes(
        road=road,
        ends_m=nodes[ends],
        height_m=drop[ends] - drop[ends[0]],
        grids=tuple(grids),
        unequipped=tuple(unequipped),
        used={key: pieces(nodes, on) for key, on in used.items() if on.any()},
        linear=base.practice.conditions.preset != "first_principles",
    )


def grid_ends(base: Base, road: int, used: BoolArray) -> IntArray:
    """Ends of the search on a road, thinned to what a page carries."""
    ends = candidate_ends(base.scene.stretches, road, used)
    step = -(-(len(ends) - 1) // (MOST_ENDS - 1))
    return np.unique(np.append(ends[::step], ends[-1]))


def furthest_ends(peak_c: FloatArray, limit_c: float) -> IntArray:
    """Furthest end of each start before which no shorter zone breaks the limit.

    >>> furthest_ends(np.array([[np.nan, 100.0, 250.0], [np.nan, np.nan, 120.0],
    ...     [np.nan, np.nan, np.nan]]), 190.0).tolist()
    [1, 2, 2]
    """
    count = len(peak_c)
    out = np.arange(count)
    for start in range(count - 1):
        hot = [not keeps(limit_c - peak) for peak in peak_c[start, start + 1 :].tolist()]
        out[start] = start + (hot.index(True) if True in hot else len(hot))
    return out


def pieces(nodes: FloatArray, on: BoolArray) -> list[tuple[float, float]]:
    """Runs of stretches as pieces of road.

    >>> pieces(np.array([0.0, 10.0, 20.0, 30.0]), np.array([True, False, True]))
    [(0.0, 10.0), (20.0, 30.0)]
    """
    edge = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
    return [(float(nodes[a]), float(nodes[b])) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def _used(base: Base, road: int) -> tuple[dict[tuple[int, int], BoolArray], list[Unequipped]]:
    """Where each truck's retarder works, and the trucks that brake without one."""
    stretches = base.scene.stretches
    used: dict[tuple[int, int], BoolArray] = {}
    unequipped = []
    for direction in (1, -1):
        if base.scene.roads[road].one_way not in (0, direction):
            continue
        for index, truck in enumerate(base.trucks):
            practice = base.hills.practice(road, direction, truck, base.practice)
            free = drive_road(stretches, road, direction, truck, practice)
            if truck.retarder != "none":
                used[index, direction] = (free.retarder_share > 0.0)[::direction]
            elif free.brake_w.any():
                unequipped.append(Unequipped(index, direction, free.peak_c))
    return used, unequipped


def _rules(base: Base, index: int, *, worst: bool) -> tuple[Binds, ...]:
    """Rules under which a row counts: those that may bind the truck, the worst for heavy ones."""
    kind: RetarderKind = base.trucks[index].retarder
    assert kind in RETARDER_KINDS
    out = []
    for rule in BINDS:
        kinds = bound_kinds(Zone("", "", 0.0, 0.0, binds=rule))
        if kind in kinds and (not worst or index in heavy_trucks(base.trucks, kinds)):
            out.append(rule)
    return tuple(out)
