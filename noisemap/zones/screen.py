"""The screen of all contiguous zones on one road: heat of every truck, additive benefit.

Heat is exact for brakes of constant heat capacity; for the preset whose capacity rises
with temperature the screen takes the default preset, and the exact step the study's own.
The benefit is the share of each home's weighted sound energy that a silent stretch takes
away, summed over people: it adds over stretches, which makes a screen of it, and no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.descent.brake_temperature import HeatSink, heat_map, heat_model
from noisemap.descent.drive import Drive
from noisemap.exposure.driving import TruckClass, drive_road, road_rows
from noisemap.exposure.product import PassSound
from noisemap.levels import to_energy
from noisemap.scene.grades import is_coarse, shortest_base
from noisemap.scene.model import Stretches
from noisemap.states import RetarderKind, Zone
from noisemap.zones.conditions import (
    DEGRADED,
    NORMAL,
    STEEPER,
    WORST,
    Case,
    cases,
    heavy_trucks,
    limit_for,
    setting,
    settings,
)
from noisemap.zones.exact import Rule
from noisemap.zones.heat_maps import HeatProblem, Marched, free_peak_c, march_intervals
from noisemap.zones.weigh import Base

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SEARCHED: RetarderKind = "compression_release"
"""The kind of retarder whose noise the search weighs; a rule on others adds only heat."""


@dataclass(frozen=True)
class ScreenedTruck:
    """One truck in one direction under one case: its brakes for every interval."""

    truck: int
    direction: int
    case: Case
    limit_c: float
    free_peak_c: float
    marched: Marched  # over (start, end) along the road, whatever the direction
    speeds_ms: tuple[float | None, ...]  # of the zone's rows; None is the study's own

    @property
    def margin(self) -> FloatArray:
        """Room below the limit, over (start, end); NaN where there is no zone [K]."""
        return np.asarray(self.limit_c - self.marched.peak_c.astype(float))


@dataclass(frozen=True)
class Screen:
    """All contiguous zones of one road."""

    road: int
    ends: IntArray  # candidate ends, as stretches of the road counted from its start
    chainage: FloatArray  # of the candidate ends [m]
    long_enough: npt.NDArray[np.bool_]  # (start, end)
    trucks: tuple[ScreenedTruck, ...]
    benefit: FloatArray  # (rule, end) running sum from the first candidate end [people]
    rules: tuple[Rule, ...]
    linear: bool  # whether the screen's brakes have the study's own preset

    @cached_property
    def normal_margin(self) -> FloatArray:
        """Least room below the limits with sound brakes [K]."""
        return self._least(NORMAL)

    @cached_property
    def cautious_margin(self) -> FloatArray:
        """Least room with worn brakes, a steeper grade, and both at the heavy weights [K]."""
        return np.asarray(
            np.minimum.reduce([self._least(name) for name in (STEEPER, DEGRADED, WORST)])
        )

    def _least(self, condition: str) -> FloatArray:
        margins = [one.margin for one in self.trucks if one.case.condition == condition]
        if not margins:
            return np.where(self.long_enough, np.inf, np.nan)
        return np.asarray(np.minimum.reduce(margins))

    def gain(self, rule: int) -> FloatArray:
        """Benefit of every interval, over (start, end) [people]."""
        total = self.benefit[rule]
        return np.asarray(total[None, :] - total[:, None])


def screen(base: Base, sound: PassSound, road: int, rules: Sequence[Rule]) -> Screen | None:
    """Heat and benefit of every contiguous zone of a road; None where no retarder works."""
    stretches = base.scene.stretches
    directions = [d for d in (1, -1) if base.scene.roads[road].one_way in (0, d)]
    used = _used(base, road, directions)
    if not used.any():
        return None
    ends = candidate_ends(stretches, road, used)
    nodes = np.append(stretches.from_m[road_rows(stretches, road)], np.nan)
    nodes[-1] = stretches.to_m[road_rows(stretches, road)[-1]]
    chainage = nodes[ends]
    length = chainage[None, :] - chainage[:, None]
    native = base.scene.terrain.native_cell
    shortest = setting("shortest_zone_m")
    if is_coarse(native):
        shortest = max(shortest, shortest_base(native))
    heavy = heavy_trucks(base.trucks, (SEARCHED,))
    trucks = [
        screened_truck(base, road, direction, index, case, ends, len(nodes) - 1)
        for direction in directions
        for index, truck in enumerate(base.trucks)
        if truck.retarder == SEARCHED
        for case in cases(base.practice, stretches, native)
        if case.condition != WORST or index in heavy
    ]
    return Screen(
        road=road,
        ends=ends,
        chainage=chainage,
        long_enough=length >= shortest - 1e-6,
        trucks=tuple(trucks),
        benefit=benefits(base, sound, road, rules, ends),
        rules=tuple(rules),
        linear=base.practice.conditions.preset != "first_principles",
    )


def _used(base: Base, road: int, directions: Sequence[int]) -> npt.NDArray[np.bool_]:
    """Stretches of a road on which any truck uses its retarder."""
    used = np.zeros(len(road_rows(base.scene.stretches, road)), dtype=bool)
    for direction in directions:
        for truck in base.trucks:
            if truck.retarder == SEARCHED:
                free = drive_road(base.scene.stretches, road, direction, truck, base.practice)
                used |= (free.retarder_share > 0.0)[::direction]
    return used


def candidate_ends(stretches: Stretches, road: int, used: npt.NDArray[np.bool_]) -> IntArray:
    """Where zones may begin or end: nodes of the road, evenly spaced, around its retarder use."""
    rows = road_rows(stretches, road)
    nodes = np.append(stretches.from_m[rows], stretches.to_m[rows[-1]])
    places = np.flatnonzero(used)
    low, high = int(places[0]), int(places[-1]) + 1
    span = nodes[high] - nodes[low]
    spacing = max(setting("end_spacing_m"), span / (setting("most_ends") - 1.0))
    ends = [low]
    for node in range(low + 1, high):
        if nodes[node] - nodes[ends[-1]] >= spacing - 1e-6 and nodes[high] - nodes[node] >= spacing:
            ends.append(node)
    return np.array([*ends, high], dtype=np.int64)


def screened_truck(
    base: Base, road: int, direction: int, index: int, case: Case, ends: IntArray, pieces: int
) -> ScreenedTruck:
    """One truck marched through every interval.

    With sound brakes, a truck that is over the planning limit without any zone may get
    no hotter; in the other conditions it has no such leave.
    """
    truck = base.trucks[index]
    practice = base.hills.practice(road, direction, truck, case.practice, steeper=case.steeper)
    case = replace(case, practice=practice)
    slower = tuple(v / 3.6 for v in settings("slower_kmh")) if case.condition == NORMAL else ()
    problem, speeds = heat_problem(
        base.scene.stretches, road, direction, truck, case, base.planning_limit, slower
    )
    free = free_peak_c(problem)
    limit = limit_for(case.condition, free, base.planning_limit)
    problem = replace(problem, limit_c=limit)
    if direction > 0:
        marched = march_intervals(problem, ends)
    else:
        back = march_intervals(problem, (pieces - ends)[::-1])
        marched = Marched(back.peak_c[::-1, ::-1].T.copy(), back.speed_row[::-1, ::-1].T.copy())
    return ScreenedTruck(index, direction, case, problem.limit_c, free, marched, speeds)


def heat_problem(
    stretches: Stretches,
    road: int,
    direction: int,
    truck: TruckClass,
    case: Case,
    limit_c: float,
    slower_ms: Sequence[float] = (),
) -> tuple[HeatProblem, tuple[float | None, ...]]:
    """Maps of one truck's brakes, and the speeds of its rows; those that change nothing go."""
    conditions = case.practice.conditions
    if conditions.preset == "first_principles":
        conditions = replace(conditions, preset="modern_drag")
    practice = replace(case.practice, conditions=conditions)
    sink = heat_model(truck.model, conditions)
    assert isinstance(sink, HeatSink)
    free = drive_road(stretches, road, direction, truck, practice, steeper=case.steeper)
    fastest = float(free.node_speed_ms.max())
    speeds: list[float | None] = [None, *(v for v in slower_ms if v < fastest)]
    silent = [
        drive_road(
            stretches,
            road,
            direction,
            truck,
            practice if speed is None else replace(practice, assumed_speed=speed),
            retarder="none",
            steeper=case.steeper,
        )
        for speed in speeds
    ]
    maps = [_maps(sink, one, conditions.ambient_c) for one in (free, *silent)]
    lost = [
        0.5 * truck.mass * np.maximum(free.node_speed_ms**2 - one.node_speed_ms**2, 0.0)
        for one in silent
    ]
    problem = HeatProblem(
        free_factor=maps[0][0],
        free_offset=maps[0][1],
        free_stop=free.stop_c,
        zone_factor=np.array([factor for factor, _ in maps[1:]]),
        zone_offset=np.array([offset for _, offset in maps[1:]]),
        zone_stop=np.array([one.stop_c for one in silent]),
        zone_jump=np.array(lost) / sink.capacity_j_k,
        entry_c=conditions.entry_c,
        least_at_zone_c=case.least_at_zone_c,
        limit_c=limit_c,
    )
    return problem, tuple(speeds)


def _maps(sink: HeatSink, drive: Drive, ambient_c: float) -> tuple[FloatArray, FloatArray]:
    return heat_map(sink, drive.brake_w, drive.speed_ms, drive.time_s, ambient_c)


def benefits(
    base: Base, sound: PassSound, road: int, rules: Sequence[Rule], ends: IntArray
) -> FloatArray:
    """Running sums of the benefit of silent stretches, over (rule, candidate end) [people]."""
    rows = road_rows(base.scene.stretches, road)
    whole = base.free.traffic_by_hour
    if base.background is not None:
        whole = whole + to_energy(base.background)
    weights = hour_weights(base)
    heard = whole @ weights
    worth = np.divide(base.people, heard, out=np.zeros_like(heard), where=heard > 0.0)
    owner = np.repeat(np.arange(base.store.receivers), np.diff(base.store.pointer))
    mine = np.flatnonzero((base.store.stretch >= rows[0]) & (base.store.stretch <= rows[-1]))
    stretch = base.store.stretch[mine] - rows[0]
    t = base.store.t[mine].reshape(len(mine), -1)
    sums = np.zeros((len(rules), len(rows) + 1))
    for place, rule in enumerate(rules):
        emission = exhaust_emission(base, sound, road, rule, weights)[rows]
        spared = np.einsum("pj,pj->p", t, emission.reshape(len(rows), -1)[stretch])
        by_stretch = np.bincount(stretch, spared * worth[owner[mine]], len(rows))
        sums[place, 1:] = np.cumsum(by_stretch)
    return sums[:, ends] - sums[:, ends[:1]]


def hour_weights(base: Base) -> FloatArray:
    """Weights of the 24 hours in the day-evening-night level [1]."""
    penalties = toml_table("noisemap.community", "periods.toml")["penalty_db"]
    weights = np.ones(24)
    weights[sorted(base.periods.evening)] = to_energy(float(penalties["evening"]["value"]))
    weights[sorted(base.periods.night)] = to_energy(float(penalties["night"]["value"]))
    return weights / 24.0


def exhaust_emission(
    base: Base, sound: PassSound, road: int, rule: Rule, weights: FloatArray
) -> FloatArray:
    """Weighted exhaust emission that a rule silences, over (stretch, height, band) [1]."""
    zone = Zone("", "", 0.0, 0.0, rule.hours, rule.binds)
    hours = sorted(rule.hours)
    out = np.zeros(sound.energy.shape[1:])
    for index, one in enumerate(base.classes):
        if one.road != road:
            continue
        if not zone.binds_truck(base.trucks[one.truck].retarder, one.exhaust_state):
            continue
        share = float(one.per_hour[hours] @ weights[hours]) / 3600.0
        exhaust = sound.energy[index].astype(float)
        exhaust[:, 0] -= sound.running[index] * sound.duration[index][:, None]
        out += share * np.maximum(exhaust, 0.0)
    return out
