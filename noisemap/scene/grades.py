"""Heights of the roads: one penalised least-squares fit over the whole network.

The fit minimises sum w (z - h)^2 + lambda |D2 z|^2 over all road points at once;
points where roads meet are shared.  On a slope a line drawn beside the road, or a cell
wider than it, takes its height from the hillside: points count the less the steeper the
ground beside them.  Points on bridges and in tunnels carry no terrain weight.  There the
first differences are held to those of the straight line between the portals, or, where
an end hangs free, to zero: a flat dead end.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse.linalg import spsolve

from noisemap.data_tables import table_rows
from noisemap.errors import BadDataError
from noisemap.scene.model import ON_GROUND
from noisemap.scene.network import Edge, Stroke
from noisemap.scene.rules import rule
from noisemap.scene.runs import runs

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Sample = Callable[[FloatArray, FloatArray], FloatArray]

SPACING_M = rule("grades", "spacing_m")
STRUCTURE_WEIGHT = rule("grades", "structure_weight")
SURVEY_WEIGHT = 1e8
# surveyed heights are followed down to this wavelength
SURVEY_LENGTH_M = rule("grades", "survey_length_m")
SURVEY_SIGMA = rule("grades", "survey_sigma")
SIDE_SLOPE = rule("grades", "side_slope")  # ground this steep beside a road halves its weight
COARSEST_CELL_M = 100.0
FINE_CELL_M = rule("grades", "fine_cell_m")
COARSE_CELL_M = rule("grades", "coarse_cell_m")  # above: no grade is stated inside a descent
STEEP_GRADE, STEEP_SHARE = rule("grades", "steep_grade"), rule("grades", "steep_share")
WARN_GRADE = rule("grades", "warn_grade")
DESCENT_BASE_M = rule("grades", "descent_base_m")


@dataclass(frozen=True)
class Chain:
    """Points of one stroke about every 10 m; `unknown` numbers the heights to fit."""

    unknown: IntArray  # (n,)
    x: FloatArray  # (n,) [m]
    y: FloatArray
    chainage: FloatArray  # (n,) along the drawn line [m]
    edge: IntArray  # (n-1,) index of the edge each step lies on
    forward: BoolArray  # (n-1,) with the edge's own points


@dataclass(frozen=True)
class Points:
    """All points whose height is unknown, each once."""

    x: FloatArray
    y: FloatArray
    on_ground: BoolArray  # False where every edge at the point is a structure


def sample_network(edges: Sequence[Edge], roads: Sequence[Stroke]) -> tuple[Points, list[Chain]]:
    """Points every 10 m or so along every edge, and the chains that run through them."""
    node_number: dict[int, int] = {}
    x: list[float] = []
    y: list[float] = []
    ground: list[bool] = []
    numbers: list[IntArray] = []
    steps: list[FloatArray] = []

    def node(key: int, px: float, py: float, on_ground: bool) -> int:
        if key not in node_number:
            node_number[key] = len(x)
            x.append(px)
            y.append(py)
            ground.append(on_ground)
        ground[node_number[key]] |= on_ground
        return node_number[key]

    for edge in edges:
        on_ground = edge.way.tags.structure == ON_GROUND
        along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(edge.x), np.diff(edge.y)))])
        count = max(1, round(edge.length / SPACING_M))
        at = np.linspace(0.0, edge.length, count + 1)
        px, py = np.interp(at, along, edge.x), np.interp(at, along, edge.y)
        first = node(edge.start, float(px[0]), float(py[0]), on_ground)
        last = node(edge.end, float(px[-1]), float(py[-1]), on_ground)
        inner = np.arange(len(x), len(x) + count - 1)
        x.extend(px[1:-1].tolist())
        y.extend(py[1:-1].tolist())
        ground.extend([on_ground] * (count - 1))
        numbers.append(np.array([first, *inner.tolist(), last], np.int64))
        steps.append(np.diff(at))
    points = Points(np.array(x), np.array(y), np.array(ground, np.bool_))
    return points, [_chain(points, road, numbers, steps) for road in roads]


def _chain(
    points: Points, road: Stroke, numbers: Sequence[IntArray], steps: Sequence[FloatArray]
) -> Chain:
    unknown: list[IntArray] = []
    step: list[FloatArray] = []
    edge: list[IntArray] = []
    forward: list[BoolArray] = []
    for index, member in enumerate(road):
        order = numbers[member.edge] if member.forward else numbers[member.edge][::-1]
        unknown.append(order if index == 0 else order[1:])
        step.append(steps[member.edge])
        edge.append(np.full(len(steps[member.edge]), member.edge, np.int64))
        forward.append(np.full(len(steps[member.edge]), member.forward, np.bool_))
    path = np.concatenate(unknown)
    return Chain(
        path,
        points.x[path],
        points.y[path],
        np.concatenate([[0.0], np.cumsum(np.concatenate(step))]),
        np.concatenate(edge),
        np.concatenate(forward),
    )


def side_slope(points: Points, chains: Sequence[Chain], sample: Sample, reach: float) -> FloatArray:
    """Slope of the ground across the road at every point, the steepest of its roads [1].

    Parameters
    ----------
    points, chains
        The network.
    sample : callable
        Terrain height at points in study coordinates [m]; not a number where there is none.
    reach : float
        How far to each side the ground is taken [m].
    """
    slope = np.zeros(len(points.x))
    for chain in chains:
        dx, dy = np.gradient(chain.x), np.gradient(chain.y)
        length = np.maximum(np.hypot(dx, dy), 1e-9)
        x, y = -reach * dy / length, reach * dx / length
        left, right = sample(chain.x + x, chain.y + y), sample(chain.x - x, chain.y - y)
        np.maximum.at(slope, chain.unknown, np.nan_to_num(np.abs(left - right) / (2.0 * reach)))
    return slope


def slope_weight(slope: FloatArray) -> FloatArray:
    """Weight of a terrain height beside ground of a slope [1].

    >>> slope_weight(np.array([0.0, 0.2, 0.6])).round(3).tolist()
    [1.0, 0.5, 0.1]
    """
    return np.asarray(1.0 / (1.0 + (slope / SIDE_SLOPE) ** 2))


def smoothing_length(cell: float) -> float:
    """Half-power wavelength of the fit [m], 15 cells within 150..900.

    >>> smoothing_length(12.6), smoothing_length(30.0), smoothing_length(92.8)
    (189.0, 450.0, 900.0)
    """
    low, high = rule("grades", "shortest_length_m"), rule("grades", "longest_length_m")
    return float(np.clip(rule("grades", "length_in_cells") * cell, low, high))


def smoothing_weight(length: float, spacing: float = SPACING_M) -> float:
    """Weight of the second difference for a half-power wavelength.

    >>> round(smoothing_weight(150.0))
    33
    """
    return float((2.0 * math.sin(math.pi * spacing / length)) ** -4.0)


def fit_heights(
    points: Points,
    chains: Sequence[Chain],
    edges: Sequence[Edge],
    sampled: FloatArray,
    trusted: BoolArray,
    cell: float,
    surveyed: Sequence[tuple[int, int, float, float]] = (),
    slope: FloatArray | None = None,
) -> FloatArray:
    """Height of every point [m].

    Parameters
    ----------
    points, chains, edges
        The network.
    sampled : (n,) array
        Terrain height at the points [m].
    trusted : (n,) array
        False where the terrain was filled.
    cell : float
        Spacing of the elevation file [m].
    surveyed : sequence of (first, second, share, height)
        Known heights [m] at a share of the way between two neighbouring points.
    slope : (n,) array, optional
        Slope of the ground across the road at the points [1]; level where not given.
    """
    known = np.isfinite(sampled)
    weight = np.where(known & trusted & points.on_ground, 1.0, 0.0)
    if slope is not None:
        weight *= slope_weight(slope)
    weight += 1e-7 * known  # a piece without any ground under it stays near the terrain
    weight += 1e-12
    level = float(np.mean(sampled[known])) if known.any() else 0.0
    data = np.where(known, sampled, level) - level
    bending, straight, given, rise = _difference_rows(points, chains, edges)
    factor = smoothing_weight(smoothing_length(cell))
    system = (
        sparse.diags_array(weight)
        + factor * (bending.T @ bending)
        + STRUCTURE_WEIGHT * (straight.T @ straight)
        + SURVEY_WEIGHT * (given.T @ given)
    )
    right = weight * data + SURVEY_WEIGHT * (given.T @ rise)
    if len(surveyed):
        first, second, share, height = (np.array(part) for part in zip(*surveyed, strict=True))
        rows = _Rows(2)
        rows.add((first.astype(np.int64), second.astype(np.int64)), (1.0 - share, share))
        seen = rows.matrix(len(points.x))
        certain = factor / smoothing_weight(SURVEY_LENGTH_M)
        system = system + certain * (seen.T @ seen)
        right = right + certain * (seen.T @ (height - level))
    return np.asarray(spsolve(system.tocsc(), right)) + level


def _difference_rows(
    points: Points, chains: Sequence[Chain], edges: Sequence[Edge]
) -> tuple[sparse.csr_array, sparse.csr_array, sparse.csr_array, FloatArray]:
    """Second differences; steps on structures; surveyed steps and their rise."""
    count = len(points.x)
    structure = np.array([edge.way.tags.structure != ON_GROUND for edge in edges])
    grade = np.array(
        [math.nan if e.way.tags.grade_pct is None else e.way.tags.grade_pct / 100.0 for e in edges]
    )
    bend = _Rows(3)
    flat = _Rows(4)
    survey = _Rows(2)
    rises: list[FloatArray] = []
    for chain in chains:
        h = np.diff(chain.chainage)
        u = chain.unknown
        if len(h) > 1:
            h0, h1 = h[:-1], h[1:]
            mean = (h0 + h1) / 2.0
            scale = SPACING_M**2 / mean * np.sqrt(mean / SPACING_M)
            bend.add((u[:-2], u[1:-1], u[2:]), (scale / h0, -scale / h0 - scale / h1, scale / h1))
        for first, last in runs(structure[chain.edge]):
            steps = h[first:last]
            root = np.sqrt(SPACING_M / steps)
            anchored = bool(points.on_ground[u[first]] and points.on_ground[u[last]])
            chord = root * steps / steps.sum() * anchored
            ends = (np.full(len(steps), u[first]), np.full(len(steps), u[last]))
            flat.add((u[first:last], u[first + 1 : last + 1], *ends), (-root, root, chord, -chord))
        given = grade[chain.edge] * np.where(chain.forward, 1.0, -1.0)
        has = np.isfinite(given)
        ones = np.ones(int(has.sum()))
        survey.add((u[:-1][has], u[1:][has]), (-ones, ones))
        rises.append(given[has] * h[has])
    rise = np.concatenate(rises) if rises else np.zeros(0)
    return bend.matrix(count), flat.matrix(count), survey.matrix(count), rise


class _Rows:
    """Rows of a sparse matrix with a fixed number of terms each."""

    def __init__(self, terms: int) -> None:
        self._columns: list[list[IntArray]] = [[] for _ in range(terms)]
        self._values: list[list[FloatArray]] = [[] for _ in range(terms)]

    def add(self, columns: Sequence[IntArray], values: Sequence[FloatArray]) -> None:
        for term, (column, value) in enumerate(zip(columns, values, strict=True)):
            self._columns[term].append(column)
            self._values[term].append(value)

    def matrix(self, count: int) -> sparse.csr_array:
        columns = [np.concatenate(part) if part else np.zeros(0, int) for part in self._columns]
        values = [np.concatenate(part) if part else np.zeros(0) for part in self._values]
        rows = np.arange(len(columns[0]))
        return sparse.csr_array(
            (np.concatenate(values), (np.tile(rows, len(columns)), np.concatenate(columns))),
            shape=(len(rows), count),
        )


def grade_sigma(cell: float, base: float | FloatArray) -> FloatArray:
    """Standard uncertainty of a grade taken over a base [1].

    Interpolated in the logarithms of cell and base; bases outside the table take
    its end, cells under 12 m the row of 12 m.

    >>> round(float(grade_sigma(12.0, 100.0)), 6), round(float(grade_sigma(90.0, 1000.0)), 6)
    (0.006, 0.007)
    """
    rows = table_rows("noisemap.scene", "grade_sigma.csv")
    cells = sorted({float(row["cell_m"]) for row in rows})
    by_cell = []
    for size in cells:
        own = [row for row in rows if float(row["cell_m"]) == size]
        by_cell.append(
            np.interp(
                np.log(base),
                np.log([float(row["base_m"]) for row in own]),
                np.log([float(row["sigma"]) for row in own]),
            )
        )
    place = float(np.interp(math.log(cell), np.log(cells), np.arange(len(cells))))
    low = min(int(place), len(cells) - 2)
    share = place - low
    return np.asarray(np.exp((1.0 - share) * by_cell[low] + share * by_cell[low + 1]))


def descent_sigma(cell: float, stated: FloatArray) -> FloatArray:
    """Standard uncertainty of a grade as brakes feel it, over 1 km of descent [1].

    Parameters
    ----------
    cell : float
        Spacing of the elevation file [m].
    stated : (n,) array
        Standard uncertainty of each piece's own grade [1]; a surveyed road's, and that of
        the mean of a whole descent, is the surer one and counts.

    >>> descent_sigma(90.0, np.array([0.02, 0.002])).round(4).tolist()
    [0.007, 0.002]
    """
    return np.asarray(np.minimum(stated, grade_sigma(cell, DESCENT_BASE_M)))


def shortest_base(cell: float) -> float:
    """Shortest length over which a grade is stated [m].

    >>> shortest_base(10.0), shortest_base(30.0), shortest_base(90.0)
    (100.0, 250.0, 1000.0)
    """
    if cell <= FINE_CELL_M:
        return 100.0
    return 1000.0 if is_coarse(cell) else 250.0


def is_coarse(cell: float) -> bool:
    """Whether only the mean grade of a whole descent is stated.

    One arc second, called 30 m, measures up to 30.9 m on the ground.

    >>> is_coarse(30.9), is_coarse(34.0)
    (False, True)
    """
    return cell > COARSE_CELL_M


def check_steepness(length: FloatArray, grade: FloatArray, cell: float) -> float:
    """Share of truck-road length steeper than 20 % [1].

    Raises
    ------
    BadDataError
        When it exceeds 2 %: the terrain is too coarse for these roads.
    """
    total = float(length.sum())
    if total == 0.0:
        return 0.0
    share = float(length[np.abs(grade) > STEEP_GRADE].sum()) / total
    if share > STEEP_SHARE:
        raise BadDataError(
            f"terrain too coarse: {100.0 * share:.1f} % of the truck roads come out steeper than "
            f"{100.0 * STEEP_GRADE:.0f} % (allowed: {100.0 * STEEP_SHARE:.0f} %) on cells of "
            f"{cell:.0f} m; give an elevation file with smaller cells in [terrain], check that it "
            "belongs to this place, and that vertical_unit names the unit of its heights"
        )
    return share
