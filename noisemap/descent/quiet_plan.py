"""The quiet descent: speed, gear and retarder stage that burden the homes least.

Dynamic programming over distance, speed and mode with exact brake temperatures.  The
cost is counted in seconds: the time of the descent, what its noise is worth, and what
changes of stage, shifts and onsets are worth.  Every plan keeps the limits at every
node with the reserve of a full stop, and states how far from the optimum it may be.
The speeds are input for calculation, not advice for driving.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from noisemap.descent.drive import Drive
from noisemap.descent.gears import descent_gear
from noisemap.descent.quiet_moves import (
    Listening,
    Moves,
    all_moves,
    control_blocks,
    planning_default,
    speed_levels,
)
from noisemap.descent.quiet_search import search
from noisemap.descent.quiet_step import Profile, Rig, follow
from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Worth:
    """What noise and unrest are worth in seconds of delay."""

    burden_s: float  # one unit of burden [s]
    change_s: float = 2.0  # one change of the switch position [s]
    shift_s: float = 2.0  # one shift between the lowest and the next gear [s]
    onset_s: FloatArray | float = 0.0  # switching the retarder on; by piece, or one for all [s]

    def __post_init__(self) -> None:
        values = (self.burden_s, self.change_s, self.shift_s, *np.ravel(self.onset_s))
        if not all(0.0 <= value < np.inf for value in values):
            raise OutOfDomainError("quiet plan: a worth is not allowed (allowed: 0 s or more)")


@dataclass(frozen=True)
class QuietPlan:
    """The best plan found, and what it may lack to the optimum of its grid."""

    drive: Drive
    stage: IntArray  # (n,) stage on each piece, 0 off
    cost_s: float
    lower_bound_s: float
    time_s: float
    burden: float
    changes: int  # of the switch position
    onsets: int  # retarder switched on
    first: IntArray  # first piece of each block, and one past the last
    end_c: float  # brake temperature at the end by the search's own map [°C]

    @property
    def gap(self) -> float:
        """Most by which the cost may exceed the optimum of the grid [1]."""
        return max(0.0, 1.0 - self.lower_bound_s / self.cost_s)


def quiet_plan(
    profile: Profile,
    one: Rig,
    listening: Listening,
    worth: Worth,
    *,
    block_m: float | None = None,
    class_k: float | None = None,
    lowest_speed_ms: float | None = None,
    start_speed_ms: float | None = None,
) -> QuietPlan | None:
    """Plan that burdens the homes least within the limits, or None where there is none.

    Parameters
    ----------
    profile : Profile
        The road with its limits and permissions.
    one : Rig
        The truck.
    listening : Listening
        What the homes hear.
    worth : Worth
        What noise and unrest are worth.
    block_m : float, optional
        Length of a control block. [m] Above 0.
    class_k : float, optional
        Width of the temperature classes. [K] Above 0.
    lowest_speed_ms : float, optional
        Lowest speed considered where the road allows more. [m/s] Above 0.
    start_speed_ms : float, optional
        Speed at the first node; the nearest level below it is taken, by default that of
        the first piece's highest speed. [m/s]

    Returns
    -------
    QuietPlan or None
        None when no plan on this grid keeps the limits, which the search then proves.

    Raises
    ------
    OutOfDomainError
        For a width, length or speed that is not above 0.

    References
    ----------
    own-model : dynamic programming with exact labels, dominance and a bound from below

    Examples
    --------
    >>> from noisemap.descent.quiet_step import rig
    >>> from noisemap.descent.truck import packaged_truck
    >>> n = 40
    >>> road = Profile(np.linspace(0.0, 2000.0, n + 1), np.full(n, -0.06), np.full(n, 15.0),
    ...                np.ones(n, bool), np.full(n + 1, 190.0))
    >>> heard = Listening(np.array([5.0, 30.0]), np.zeros((n, 2)), np.array([900.0, 2100.0]),
    ...                   np.ones((n, 2, 3)))
    >>> plan = quiet_plan(road, rig(packaged_truck("13L"), 3e4), heard, Worth(10.0))
    >>> plan.drive.peak_c <= 190.0, plan.gap < 0.02
    (True, True)
    """
    width = planning_default("class_k") if class_k is None else class_k
    length = planning_default("block_m") if block_m is None else block_m
    slowest = planning_default("lowest_speed_ms") if lowest_speed_ms is None else lowest_speed_ms
    for name, value in (("class_k", width), ("block_m", length), ("lowest_speed_ms", slowest)):
        if not value > 0.0:
            raise OutOfDomainError(f"quiet plan: {name} {value:g} is not allowed (above 0)")
    levels = speed_levels(profile.cap_ms, slowest, planning_default("speed_gap_ms"))
    moves = all_moves(profile, listening, one, control_blocks(profile, length), levels)
    wished = float(profile.cap_ms[0]) if start_speed_ms is None else start_speed_ms
    level = max(int(np.searchsorted(levels, min(wished, profile.cap_ms[0]) + 1e-9)) - 1, 0)
    return best_plan(profile, one, moves, worth, level, width)


def best_plan(
    profile: Profile, one: Rig, moves: Moves, worth: Worth, level: int, class_k: float
) -> QuietPlan | None:
    """Cheapest plan over a table of moves, or None where there is none.

    Parameters
    ----------
    profile : Profile
        The road.
    one : Rig
        The truck.
    moves : Moves
        Every move of every block.
    worth : Worth
        What noise and unrest are worth.
    level : int
        Level of speed at the first node. [1]
    class_k : float
        Width of the temperature classes. [K]

    Returns
    -------
    QuietPlan or None
        The plan.

    References
    ----------
    own-model : dynamic programming with exact labels, dominance and a bound from below
    """
    cost = moves.time_s + worth.burden_s * moves.burden
    change = switching_cost(moves, worth, len(profile.grade))
    low = min(one.entry_c, one.ambient_c)
    top = max(float(profile.limit_c[np.isfinite(profile.limit_c)].max(initial=low)), one.entry_c)
    classes = max(1, int(np.ceil((top - low) / class_k)) + 1)
    ends = {}
    for relaxed in (False, True):
        ends[relaxed] = search(
            moves.factor,
            moves.offset,
            moves.hottest_entry_c,
            cost,
            change,
            level,
            one.entry_c,
            low,
            class_k,
            classes,
            relaxed,
        )
    temperatures, costs, origins = ends[False]
    if not np.isfinite(costs).any():
        return None
    path_levels, path_modes = _path(costs, origins)
    return _plan(
        profile,
        one,
        moves,
        (path_levels, path_modes),
        float(costs.min()),
        float(ends[True][1].min()),
        float(temperatures[np.unravel_index(np.argmin(costs), costs.shape)]),
    )


def switching_cost(moves: Moves, worth: Worth, pieces: int) -> FloatArray:
    """Cost of entering each block in a mode after another mode.

    Parameters
    ----------
    moves : Moves
        Blocks and modes.
    worth : Worth
        What a change, a shift and an onset are worth.
    pieces : int
        Pieces of the road. [1]

    Returns
    -------
    ndarray
        Cost over (block, mode before, mode). [s]

    References
    ----------
    own-assumption : a change of stage costs seconds, since nobody switches at every block
    """
    stage = np.array([mode[0] for mode in moves.modes])
    gear = np.array([mode[1] for mode in moves.modes])
    onset = np.broadcast_to(np.asarray(worth.onset_s, float), (pieces,))[moves.first[:-1]]
    changed = worth.change_s * (stage[:, None] != stage[None, :])
    shifted = worth.shift_s * (gear[:, None] != gear[None, :])
    begins = (stage[:, None] == 0) & (stage[None, :] > 0)
    return np.asarray((changed + shifted)[None] + onset[:, None, None] * begins[None])


def _path(costs: FloatArray, origins: npt.NDArray[np.int32]) -> tuple[list[int], list[int]]:
    """Levels at the blocks' ends and modes of the blocks, back from the cheapest end."""
    blocks, _, modes, places = origins.shape
    level, mode, place = (int(v) for v in np.unravel_index(np.argmin(costs), costs.shape))
    levels, taken = [level], []
    for block in range(blocks - 1, -1, -1):
        taken.append(mode)
        source = int(origins[block, level, mode, place])
        place = source % places
        level, mode = divmod(source // places, modes)
        levels.append(level)
    return levels[::-1], taken[::-1]


def _plan(
    profile: Profile,
    one: Rig,
    moves: Moves,
    path: tuple[list[int], list[int]],
    cost: float,
    bound: float,
    end_c: float,
) -> QuietPlan:
    levels, modes = path
    speed = np.zeros(len(profile.chainage_m))
    gear = np.zeros(len(profile.grade), np.int64)
    stage = np.zeros(len(profile.grade), np.int64)
    time = burden = 0.0
    for block, mode in enumerate(modes):
        begin, end = int(moves.first[block]), int(moves.first[block + 1])
        here, to = levels[block], levels[block + 1]
        nodes = moves.piece_speeds(profile, block, here, to)
        speed[begin : end + 1] = nodes
        stage[begin:end] = moves.modes[mode][0]
        gear[begin:end] = int(descent_gear(nodes.max(), one.truck)) + moves.modes[mode][1]
        move = (block, here, to - here + moves.steps, mode)
        time += float(moves.time_s[move])
        burden += float(moves.burden[move])
    chosen = [0, *(moves.modes[mode][0] for mode in modes)]
    return QuietPlan(
        drive=follow(profile, speed, gear, stage, one),
        stage=stage,
        cost_s=cost,
        lower_bound_s=min(bound, cost),
        time_s=time,
        burden=burden,
        changes=sum(a != b for a, b in pairwise(chosen)),
        onsets=sum(a == 0 and b > 0 for a, b in pairwise(chosen)),
        first=moves.first,
        end_c=end_c,
    )
