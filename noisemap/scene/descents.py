"""Where a road goes down long and steep enough to need a retarder."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from noisemap.scene.grades import grade_sigma, is_coarse, shortest_base
from noisemap.scene.model import Descent, Road
from noisemap.scene.rules import rule
from noisemap.scene.runs import runs

FloatArray = npt.NDArray[np.float64]

THRESHOLD = rule("descents", "threshold")
LONGEST_GAP_M = rule("descents", "longest_gap_m")
GAP_GRADE = rule("descents", "gap_grade")  # a gap may climb by no more than 1 %
SHORTEST_M = rule("descents", "shortest_m")


def descents(
    road: Road,
    index: int,
    *,
    native_cell: float,
    threshold: float = THRESHOLD,
    shortest: float = SHORTEST_M,
) -> tuple[Descent, ...]:
    """Descents of one road, in the directions that its traffic may take.

    Parameters
    ----------
    road : Road
        The road.
    index : int
        Its index in the scene.
    native_cell : float
        Spacing of the elevation file [m]; above about 30 m no steepest grade is stated.
    threshold : float
        Least grade of a descent [1].
    shortest : float
        Least length of a descent [m].
    """
    allowed = road.direction if len(road.direction) else np.full(len(road.structure), road.one_way)
    found: list[Descent] = []
    for direction in (1, -1):
        down = -direction * road.grade
        open_ = allowed * direction >= 0
        for first, last in _join(runs((down >= threshold) & open_), road, down, open_, threshold):
            length = float(road.chainage[last] - road.chainage[first])
            if length < shortest:
                continue
            drop = abs(float(road.height[last] - road.height[first]))
            found.append(
                Descent(
                    index,
                    float(road.chainage[first]),
                    float(road.chainage[last]),
                    direction,
                    length,
                    drop,
                    drop / length,
                    _steepest(road, first, last, native_cell),
                )
            )
    return tuple(sorted(found, key=lambda descent: descent.from_m))


def _join(
    steep: list[tuple[int, int]],
    road: Road,
    down: FloatArray,
    open_: npt.NDArray[np.bool_],
    threshold: float,
) -> list[tuple[int, int]]:
    """Runs joined over short gaps that hardly climb, while the whole keeps the threshold."""
    joined: list[tuple[int, int]] = []
    for run in steep:
        if joined:
            first, last = joined[-1]
            gap = road.chainage[run[0]] - road.chainage[last]
            fall = abs(road.height[run[1]] - road.height[first])
            length = road.chainage[run[1]] - road.chainage[first]
            between = slice(last, run[0])
            if (
                gap <= LONGEST_GAP_M
                and bool(open_[between].all())
                and bool((down[between] >= GAP_GRADE).all())
                and fall >= threshold * length
            ):
                joined[-1] = (first, run[1])
                continue
        joined.append(run)
    return joined


def _steepest(road: Road, first: int, last: int, native_cell: float) -> float | None:
    """Steepest mean grade over the shortest base that is stated; None if coarse."""
    if is_coarse(native_cell):
        return None
    base = shortest_base(native_cell)
    along = road.chainage[first : last + 1]
    starts = along[along + base <= along[-1] + 1e-6]
    if not len(starts):
        return None
    at = np.interp(starts + base, road.chainage, road.height)
    return float(np.max(np.abs(at - np.interp(starts, road.chainage, road.height))) / base)


def with_mean_grades(road: Road, index: int, native_cell: float) -> Road:
    """Road whose driven height falls evenly on every descent, for coarse terrain.

    The ends of a descent keep their heights; inside, the one grade that coarse cells
    can give serves every step, with the uncertainty of the whole descent's mean.
    """
    height, sigma = road.height.copy(), road.grade_sigma.copy()
    for descent in descents(road, index, native_cell=native_cell):
        inside = (road.chainage >= descent.from_m) & (road.chainage <= descent.to_m)
        ends = np.interp([descent.from_m, descent.to_m], road.chainage, road.height)
        height[inside] = np.interp(road.chainage[inside], [descent.from_m, descent.to_m], ends)
        steps = inside[:-1] & inside[1:]
        sigma[steps] = float(grade_sigma(native_cell, descent.length))
    return replace(road, height=height, grade_sigma=sigma)
