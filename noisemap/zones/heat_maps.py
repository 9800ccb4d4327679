"""Every contiguous zone on a descent at once: brake heat by linear maps, in machine code.

On each piece of road the brakes follow T2 = a T1 + c, with one pair (a, c) where the
retarder may work and another where it stays silent.  Marching the silent map from every
start, with the free map before it and after it, gives the hottest brakes of all intervals
in one sweep.  What a truck meets after the zone comes from two backward tables: the
highest temperature with which it may leave the zone, exact, and the peak that follows
from a temperature, convex and interpolated, so that it errs upward.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from noisemap.propagation.compiled import compiled, compiled_parallel

FloatArray = npt.NDArray[np.float64]
Array = npt.NDArray[Any]

TABLE_SIZE = 257
"""Temperatures of the table of later peaks."""

ROUNDING_K = 1e-9
"""How far a temperature may pass a limit by rounding alone [K]."""


@dataclass(frozen=True)
class HeatProblem:
    """One truck, one direction, one condition: its brakes with and without the retarder.

    n pieces in the driving direction between n + 1 nodes.  Zones are driven at one of
    Z speeds: row 0 is the study's own, the others are slower.  A slower zone costs the
    brakes the whole loss of speed at its start, which is cautious.
    """

    free_factor: FloatArray  # (n,) [1]
    free_offset: FloatArray  # (n,) [°C]
    free_stop: FloatArray  # (n + 1,) rise of one full stop [K]
    zone_factor: FloatArray  # (Z, n) [1]
    zone_offset: FloatArray  # (Z, n) [°C]
    zone_stop: FloatArray  # (Z, n + 1) [K]
    zone_jump: FloatArray  # (Z, n + 1) rise when the truck slows down for the zone there [K]
    entry_c: float  # brakes at the first node
    least_at_zone_c: float  # brakes are at least this warm where a zone begins
    limit_c: float  # no node may pass it, the reserve of a stop included


@dataclass(frozen=True)
class Marched:
    """What the sweep found over (start, end) of the candidate ends; ends lie beyond starts."""

    peak_c: npt.NDArray[np.float32]  # hottest of the whole drive at the study's speed; NaN else
    speed_row: npt.NDArray[np.int8]  # fastest row that keeps the limit, -1 none

    @property
    def permitted(self) -> npt.NDArray[np.bool_]:
        """Intervals that keep the limit at the study's own speed."""
        return np.asarray(self.speed_row == 0)


def march_intervals(problem: HeatProblem, ends: npt.NDArray[np.int64]) -> Marched:
    """Hottest brakes of every interval between two candidate ends.

    Parameters
    ----------
    problem : HeatProblem
        The truck on the road.
    ends : ndarray of int
        Nodes at which a zone may begin or end, rising.
    """
    base = _free_march(problem)
    base_peak = np.maximum.accumulate(base + problem.free_stop)
    allowed = _allowances(problem)
    temperatures = _table_temperatures(problem, base)
    later = _later_peaks(problem.free_factor, problem.free_offset, problem.free_stop, temperatures)
    count = len(ends)
    peak = np.full((count, count), np.nan, dtype=np.float32)
    row = np.full((count, count), -1, dtype=np.int8)
    _march(
        np.asarray(ends, dtype=np.int64),
        problem.zone_factor,
        problem.zone_offset,
        problem.zone_stop,
        problem.zone_jump,
        base,
        base_peak,
        allowed,
        temperatures[0],
        temperatures[1] - temperatures[0],
        later,
        problem.least_at_zone_c,
        problem.limit_c + ROUNDING_K,
        peak,
        row,
    )
    return Marched(peak, row)


def free_peak_c(problem: HeatProblem) -> float:
    """Hottest brakes, the reserve of a stop included, without any zone [°C]."""
    return float(np.max(_free_march(problem) + problem.free_stop))


def _free_march(problem: HeatProblem) -> FloatArray:
    nodes = [problem.entry_c]
    pairs = zip(problem.free_factor.tolist(), problem.free_offset.tolist(), strict=True)
    for factor, offset in pairs:
        nodes.append(factor * nodes[-1] + offset)
    return np.array(nodes)


def _allowances(problem: HeatProblem) -> FloatArray:
    """Highest temperature at each node from which the free drive keeps the limit [°C]."""
    allowed = problem.limit_c - problem.free_stop
    for node in range(len(allowed) - 2, -1, -1):
        onward = (allowed[node + 1] - problem.free_offset[node]) / problem.free_factor[node]
        allowed[node] = min(allowed[node], onward)
    return allowed + ROUNDING_K


def _table_temperatures(problem: HeatProblem, base: FloatArray) -> FloatArray:
    """Temperatures that cover every way of leaving a zone at the study's own speed [°C]."""
    warmest = max(float(base.max()), problem.least_at_zone_c)
    top = temperature = warmest
    pairs = zip(problem.zone_factor[0].tolist(), problem.zone_offset[0].tolist(), strict=True)
    for factor, offset in pairs:
        temperature = max(factor * temperature + offset, warmest)
        top = max(top, temperature)
    return np.linspace(float(base.min()) - 1.0, top + 1.0, TABLE_SIZE)


@compiled
def _later_peaks(factor: Array, offset: Array, stop: Array, temperatures: Array) -> Array:
    """Peak at and after each node, over (node, temperature there) [°C]."""
    nodes = len(stop)
    count = len(temperatures)
    low = temperatures[0]
    step = temperatures[1] - low
    out = np.empty((nodes, count))
    for t in range(count):
        out[nodes - 1, t] = temperatures[t] + stop[nodes - 1]
    for node in range(nodes - 2, -1, -1):
        for t in range(count):
            onward = factor[node] * temperatures[t] + offset[node]
            later = _interpolated(out[node + 1], low, step, onward)
            out[node, t] = max(temperatures[t] + stop[node], later)
    return out


@compiled
def _interpolated(values: Array, low: float, step: float, at: float) -> float:
    place = min(max((at - low) / step, 0.0), len(values) - 1.000001)
    i = int(place)
    return float(values[i] + (values[i + 1] - values[i]) * (place - i))


@compiled_parallel
def _march(
    ends: Array,
    factor: Array,
    offset: Array,
    stop: Array,
    jump: Array,
    base: Array,
    base_peak: Array,
    allowed: Array,
    low: float,
    step: float,
    later: Array,
    least: float,
    limit: float,
    out_peak: Array,
    out_row: Array,
) -> None:
    count = len(ends)
    for first in prange(count - 1):
        start = ends[first]
        open_ends = count - 1 - first
        for row in range(factor.shape[0]):
            if open_ends == 0:
                break
            temperature = max(base[start], least) + jump[row, start]
            hottest = max(base_peak[start], temperature + stop[row, start])
            node = start
            for last in range(first + 1, count):
                while node < ends[last]:
                    temperature = factor[row, node] * temperature + offset[row, node]
                    node += 1
                    here = temperature + stop[row, node]
                    if here > hottest:
                        hottest = here
                keeps = hottest <= limit and temperature <= allowed[node]
                if row == 0:
                    after = _interpolated(later[node], low, step, temperature)
                    out_peak[first, last] = max(hottest, after)
                elif hottest > limit:
                    break
                if keeps and out_row[first, last] < 0:
                    out_row[first, last] = row
                    open_ends -= 1
