"""What every move of a planned descent costs and how it heats the brakes.

A plan goes from block to block.  On a block the truck keeps one gear and one switch
position of its retarder while its speed changes evenly from one level to another.
Each such move is a linear map of the brake temperature, the hottest temperature that
may enter it, and a cost; nothing about temperature is rounded.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.descent.brake_temperature import heat_map, stop_rise
from noisemap.descent.drive import Drive
from noisemap.descent.gears import descent_gear
from noisemap.descent.quiet_step import Profile, Rig, Step, retard, steepest_slope, step

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

GEARS = 2  # the lowest gear that the engine allows, and the next higher one


def planning_default(name: str) -> float:
    """One of the planner's own choices.

    Parameters
    ----------
    name : str
        Key of the packaged table.

    Returns
    -------
    float
        Its value, in the unit that its name ends with.

    References
    ----------
    own-assumption : block, speeds, accelerations
    own-model : width of the temperature classes

    Examples
    --------
    >>> planning_default("block_m")
    200.0
    """
    return float(toml_table("noisemap.descent", "quiet_plan.toml")[name]["value"])


@dataclass(frozen=True)
class Listening:
    """How much the homes hear of each piece, in burden a second.

    A burden is any additive measure, such as people times sound energy at their homes.
    Between the nodes it is linear.
    """

    running_speed_ms: FloatArray  # (v,) nodes, rising
    running: FloatArray  # (n, v) tyres and engine [1/s]
    engine_speed_rpm: FloatArray  # (r,) nodes, rising
    braking: FloatArray  # (n, r, k) exhaust at each switch position, retarder on [1/s]


@dataclass(frozen=True)
class Moves:
    """Every move of every block, over (block, speed level, change of level, mode).

    A move that is not allowed has a hottest entry of minus infinity.
    """

    first: IntArray  # (blocks + 1,) first piece of each block, and one past the last
    levels_ms: FloatArray  # (j,) speeds at the blocks' ends, rising
    modes: tuple[tuple[int, int], ...]  # stage, and 0 for the lowest gear or 1 for the next
    factor: FloatArray  # temperature after = factor * before + offset [1]
    offset: FloatArray  # [°C]
    hottest_entry_c: FloatArray  # [°C]
    time_s: FloatArray
    burden: FloatArray  # [1]

    @property
    def steps(self) -> int:
        """Levels that a block may gain or lose."""
        return int(self.factor.shape[2]) // 2

    def piece_speeds(self, profile: Profile, block: int, level: int, to: int) -> FloatArray:
        """Speeds at the nodes of a block; their squares change evenly with the length [m/s]."""
        pieces = slice(int(self.first[block]), int(self.first[block + 1]))
        return even_speeds(profile.length_m[pieces], self.levels_ms[level], self.levels_ms[to])


def even_speeds(length_m: FloatArray, v1: npt.ArrayLike, v2: npt.ArrayLike) -> FloatArray:
    """Speeds at the ends of pieces under one acceleration.

    Parameters
    ----------
    length_m : ndarray
        Lengths of the pieces. [m]
    v1, v2 : array_like
        Speeds at the first and the last node. [m/s]

    Returns
    -------
    ndarray
        Speeds at all nodes, on a first axis. [m/s]

    References
    ----------
    own-model : v^2 linear in the length

    Examples
    --------
    >>> even_speeds(np.array([50.0, 50.0]), 20.0, 10.0).round(3)
    array([20.   , 15.811, 10.   ])
    """
    reached = np.concatenate([[0.0], np.cumsum(length_m)]) / length_m.sum()
    a, b = np.asarray(v1, float) ** 2, np.asarray(v2, float) ** 2
    shape = (len(reached),) + (1,) * np.broadcast(a, b).ndim
    along = reached.reshape(shape)
    return np.asarray(np.sqrt((1.0 - along) * a + along * b))


def control_blocks(profile: Profile, block_m: float) -> IntArray:
    """First piece of each block on which one gear and one stage hold.

    Blocks are cut where the highest speed or the permission changes, and evenly
    between.

    Parameters
    ----------
    profile : Profile
        The road.
    block_m : float
        Length aimed at. [m] Above 0.

    Returns
    -------
    ndarray of int
        First pieces, and one past the last piece. [1]

    References
    ----------
    own-model : about 40 blocks of 100 to 250 m, cut at the ends of zones

    Examples
    --------
    >>> road = Profile(np.arange(0.0, 1001.0, 50.0), np.zeros(20), np.full(20, 20.0),
    ...                np.arange(20) < 6, np.full(21, 260.0))
    >>> control_blocks(road, 200.0).tolist()
    [0, 3, 6, 9, 13, 16, 20]
    """
    changes = (np.diff(profile.cap_ms) != 0.0) | np.diff(profile.retarder_allowed)
    ends = [0, *(np.flatnonzero(changes) + 1).tolist(), len(profile.grade)]
    cuts = [0]
    along = profile.chainage_m
    for start, end in pairwise(ends):
        count = max(1, round(float(along[end] - along[start]) / block_m))
        wanted = np.linspace(along[start], along[end], count + 1)[1:]
        for place in wanted:
            nearest = int(np.argmin(np.abs(along - place)))
            if nearest > cuts[-1]:
                cuts.append(nearest)
    return np.array(cuts, np.int64)


def even_caps(profile: Profile) -> Profile:
    """The road with few different highest speeds: short-lived ones go down to even steps.

    A curve leaves another speed on every piece; a planner that had to choose between all
    of them could not slow down within the levels that a block may lose.

    Parameters
    ----------
    profile : Profile
        The road.

    Returns
    -------
    Profile
        The same road; highest speeds that hold for less than the shortest block are those
        of even steps below them.

    References
    ----------
    own-assumption : gap, lowest speed and shortest block of the planner

    Examples
    --------
    >>> road = Profile(np.arange(0.0, 401.0, 50.0), np.zeros(8),
    ...                np.array([20.0, 20.0, 20.0, 13.0, 12.7, 20.0, 20.0, 20.0]),
    ...                np.ones(8, bool), np.full(9, 260.0))
    >>> even_caps(road).cap_ms.round(1).tolist()
    [20.0, 20.0, 20.0, 12.8, 11.2, 20.0, 20.0, 20.0]
    """
    cap, length = profile.cap_ms, profile.length_m
    gap, lowest = planning_default("speed_gap_ms"), planning_default("lowest_speed_ms")
    run = np.concatenate([[0], np.cumsum(np.diff(cap) != 0.0)])
    short = np.bincount(run, length)[run] < planning_default("shortest_block_m")
    step = lowest + gap * np.floor((cap - lowest) / gap + 1e-9)
    return replace(profile, cap_ms=np.where(short & (step > 0.0), step, cap))


def speed_levels(cap_ms: FloatArray, lowest_ms: float, gap_ms: float) -> FloatArray:
    """Speeds between which a plan chooses: every posted one, and even steps below.

    Parameters
    ----------
    cap_ms : ndarray
        Highest speeds of the pieces. [m/s]
    lowest_ms : float
        Lowest speed considered. [m/s]
    gap_ms : float
        Largest gap. [m/s]

    Returns
    -------
    ndarray
        Speeds, rising. [m/s]

    References
    ----------
    own-assumption : even steps between the posted speeds

    Examples
    --------
    >>> speed_levels(np.array([12.0, 12.0, 9.0]), 8.0, 1.5)
    array([ 8. ,  9. , 10.5, 12. ])
    """
    anchors = np.unique(np.append(cap_ms, min(lowest_ms, float(cap_ms.min()))))
    parts = [anchors[:1]]
    for low, high in pairwise(anchors.tolist()):
        count = int(np.ceil((high - low) / gap_ms - 1e-9))
        parts.append(np.linspace(low, high, count + 1)[1:])
    return np.concatenate(parts)


def all_moves(
    profile: Profile,
    listening: Listening,
    one: Rig,
    first: IntArray,
    levels_ms: FloatArray,
    *,
    steps: int | None = None,
    deceleration_ms2: float | None = None,
    acceleration_ms2: float | None = None,
) -> Moves:
    """Every move of every block.

    Parameters
    ----------
    profile : Profile
        The road.
    listening : Listening
        What the homes hear.
    one : Rig
        The truck.
    first : ndarray of int
        First piece of each block, and one past the last. [1]
    levels_ms : ndarray
        Speeds at the blocks' ends. [m/s]
    steps : int, optional
        Levels that a block may gain or lose. [1]
    deceleration_ms2, acceleration_ms2 : float, optional
        Largest changes of speed. [m/s2]

    Returns
    -------
    Moves
        The table that the search reads.

    References
    ----------
    own-model : state, action and cost of the quiet descent

    Examples
    --------
    >>> from noisemap.descent.quiet_step import rig
    >>> from noisemap.descent.truck import packaged_truck
    >>> road = Profile(np.array([0.0, 200.0]), np.array([-0.05]), np.array([12.0]),
    ...                np.array([True]), np.full(2, 260.0))
    >>> heard = Listening(np.array([5.0, 30.0]), np.zeros((1, 2)), np.array([900.0, 2100.0]),
    ...                   np.ones((1, 2, 3)))
    >>> moves = all_moves(road, heard, rig(packaged_truck("13L"), 3e4), np.array([0, 1]),
    ...                   np.array([10.0, 12.0]))
    >>> moves.burden[0, 1, 3, :2].round(1).tolist()
    [0.0, 0.0]
    """
    reach = int(planning_default("speed_steps")) if steps is None else steps
    slower = planning_default("deceleration_ms2") if deceleration_ms2 is None else deceleration_ms2
    faster = planning_default("acceleration_ms2") if acceleration_ms2 is None else acceleration_ms2
    modes = tuple((stage, gear) for stage in range(len(one.stages)) for gear in range(GEARS))
    blocks, count = len(first) - 1, len(levels_ms)
    shape = (blocks, count, 2 * reach + 1, len(modes))
    factor, offset = np.ones(shape), np.zeros(shape)
    hottest, time, burden = np.full(shape, -np.inf), np.zeros(shape), np.zeros(shape)
    target = np.arange(count)[:, None] + np.arange(-reach, reach + 1)[None, :]
    there = (target >= 0) & (target < count)
    v2 = levels_ms[np.clip(target, 0, count - 1)]
    v1 = np.broadcast_to(levels_ms[:, None], v2.shape)
    steepest = steepest_slope(profile.grade)
    for block in range(blocks):
        pieces = slice(int(first[block]), int(first[block + 1]))
        length = profile.length_m[pieces]
        change = (v2**2 - v1**2) / (2.0 * length.sum())
        cap = profile.cap_ms[pieces].min() + 1e-9
        open_ = there & (v1 <= cap) & (v2 <= cap) & (change >= -slower) & (change <= faster)
        at = np.nonzero(open_)
        if not len(at[0]):
            continue
        nodes = even_speeds(length, v1[at], v2[at])
        lowest = descent_gear(nodes.max(axis=0), one.truck)
        stop = stop_rise(
            one.mass_kg,
            nodes,
            steepest[first[block] : first[block + 1] + 1, None],
            one.sink.capacity_j_k,
        )
        room = profile.limit_c[first[block] : first[block + 1] + 1, None] - stop
        for place, (stage, above) in enumerate(modes):
            if stage and not profile.retarder_allowed[pieces].all():
                continue
            gear = lowest + above
            exists = gear <= len(one.truck.gear_ratios)
            if not exists.any():
                continue
            gear = np.minimum(gear, len(one.truck.gear_ratios))
            found = step(
                length[:, None], profile.grade[pieces, None], nodes[:-1], nodes[1:], gear, one
            )
            share, retarded = retard(found, one, stage)
            power = found.rest - retarded
            a, c = heat_map(one.sink, power, found.speed, found.time, one.ambient_c)
            where = (block, at[0], at[1], place)
            whole_a, whole_c, entry = _compose(a, c, room)
            factor[where], offset[where] = whole_a, whole_c
            hottest[where] = np.where(exists, entry, -np.inf)
            time[where] = found.time.sum(axis=0)
            burden[where] = _heard(listening, pieces, found, share, stage, one).sum(axis=0)
    return Moves(first, levels_ms, modes, factor, offset, hottest, time, burden)


def _compose(
    a: FloatArray, c: FloatArray, room: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Linear map over all pieces, and the hottest entry that keeps every node in its room."""
    factor, offset = np.ones(a.shape[1]), np.zeros(a.shape[1])
    entry = room[0].copy()
    for piece in range(len(a)):
        offset = a[piece] * offset + c[piece]
        factor = a[piece] * factor
        entry = np.minimum(entry, (room[piece + 1] - offset) / factor)
    return factor, offset, entry


def _heard(
    listening: Listening, pieces: slice, found: Step, share: FloatArray, stage: int, one: Rig
) -> FloatArray:
    """Burden of each piece."""
    rate = _between(listening.running_speed_ms, listening.running[pieces], found.speed)
    if stage and one.stages[stage]:
        exhaust = listening.braking[pieces, :, stage - 1]
        rate = rate + share * _between(listening.engine_speed_rpm, exhaust, found.rpm)
    return rate * found.time


def drive_burden(listening: Listening, driven: Drive, one: Rig) -> FloatArray:
    """Burden that a drive leaves, by piece.

    Parameters
    ----------
    listening : Listening
        What the homes hear.
    driven : Drive
        A drive over the same pieces.
    one : Rig
        The truck.

    Returns
    -------
    ndarray
        Burden. [1]

    References
    ----------
    own-model : burden a second times duty and time

    Examples
    --------
    >>> from noisemap.descent.quiet_step import rig
    >>> from noisemap.descent.truck import packaged_truck
    >>> from noisemap.descent.drive import drive
    >>> heard = Listening(np.array([5.0, 30.0]), np.full((1, 2), 2.0), np.array([900.0, 2100.0]),
    ...                   np.zeros((1, 2, 3)))
    >>> flat = drive([0.0, 100.0], [0.0], 10.0, packaged_truck("13L"), 3e4)
    >>> drive_burden(heard, flat, rig(packaged_truck("13L"), 3e4)).tolist()
    [20.0]
    """
    rate = _between(listening.running_speed_ms, listening.running, driven.speed_ms[:, None])[:, 0]
    stages = one.stages
    for stage in range(1, len(stages)):
        at = (driven.braking_cylinders == stages[stage]) & (driven.braking_cylinders > 0)
        if at.any():
            exhaust = _between(
                listening.engine_speed_rpm,
                listening.braking[at, :, stage - 1],
                driven.engine_speed_rpm[at, None],
            )
            rate[at] += driven.retarder_share[at] * exhaust[:, 0]
    return rate * driven.time_s


def _between(nodes: FloatArray, values: FloatArray, at: FloatArray) -> FloatArray:
    """Values (piece, node) between the nodes at places (piece, ...), held at the ends."""
    place = np.clip(at, nodes[0], nodes[-1])
    left = np.clip(np.searchsorted(nodes, place, side="right") - 1, 0, len(nodes) - 2)
    weight = (place - nodes[left]) / (nodes[left + 1] - nodes[left])
    row = np.arange(len(values)).reshape((-1,) + (1,) * (at.ndim - 1))
    return np.asarray((1.0 - weight) * values[row, left] + weight * values[row, left + 1])
