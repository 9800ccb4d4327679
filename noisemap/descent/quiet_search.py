"""The compiled search for the cheapest descent within a temperature limit.

A label is an exact temperature with the lowest cost found for it.  For every block,
speed level and mode the labels lie in narrow classes of temperature; each class keeps
its cheapest label and one place more keeps the coolest label of all, so a plan is found
whenever one exists on the grid.  A label that is hotter and no cheaper than another is
dropped.  Relaxed, a class keeps the lowest temperature and the lowest cost apart from
each other, which gives a bound from below.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numpy as np
import numpy.typing as npt
from numba import njit

Array = npt.NDArray[Any]
Function = TypeVar("Function", bound=Callable[..., Any])


def _compiled(function: Function) -> Function:
    return cast(Function, njit(cache=True, error_model="numpy", nogil=True)(function))


@_compiled
def _offer(
    temperature: Array,
    cost: Array,
    origin: Array,
    place: int,
    t: float,
    c: float,
    source: int,
    relaxed: bool,
) -> None:
    """Offer a label to its class and to the place of the coolest one."""
    if relaxed:
        cost[place] = min(cost[place], c)
        temperature[place] = min(temperature[place], t)
        return
    if c < cost[place] or (c == cost[place] and t < temperature[place]):
        temperature[place], cost[place], origin[place] = t, c, source
    last = len(cost) - 1
    if t < temperature[last] or (t == temperature[last] and c < cost[last]):
        temperature[last], cost[last], origin[last] = t, c, source


@_compiled
def _prune(temperature: Array, cost: Array) -> None:
    """Drop the labels that are hotter and no cheaper than another."""
    last = len(cost) - 1
    best = cost[last]
    for place in range(last):
        if cost[place] >= best:
            cost[place], temperature[place] = np.inf, np.inf
        else:
            best = cost[place]


@_compiled
def search(
    factor: Array,
    offset: Array,
    hottest: Array,
    cost: Array,
    change: Array,
    level: int,
    start_c: float,
    low_c: float,
    width: float,
    classes: int,
    relaxed: bool,
) -> tuple[Array, Array, Array]:
    """Temperatures and costs of the labels at the end, and where every label came from.

    Parameters
    ----------
    factor, offset : ndarray
        Temperature after a move = factor * before + offset, over (block, level, change
        of level, mode). [1] [°C]
    hottest : ndarray
        Hottest temperature that may enter a move; minus infinity forbids it. [°C]
    cost : ndarray
        Cost of a move. [s]
    change : ndarray
        Cost of a mode after another, over (block, mode before, mode). [s]
    level : int
        Level of speed at the first node. [1]
    start_c : float
        Temperature at the first node. [°C]
    low_c : float
        Lowest temperature that any label can have. [°C]
    width : float
        Width of a class of temperatures. [K]
    classes : int
        Number of classes. [1]
    relaxed : bool
        Whether a class keeps its lowest temperature and lowest cost apart.

    Returns
    -------
    temperature : ndarray
        Of the labels after the last block, over (level, mode, place). [°C]
    cost : ndarray
        Of the same labels; infinite where there is none. [s]
    origin : ndarray of int
        Over (block, level, mode, place): the label of the block before, numbered as
        (level, mode, place). [1]

    References
    ----------
    own-model : dynamic programming with exact labels, dominance and a bound from below
    """
    blocks, levels, moves, modes = factor.shape
    half = moves // 2
    places = classes + 1
    now_t = np.full((levels, modes, places), np.inf)
    now_c = np.full((levels, modes, places), np.inf)
    origins = np.full((blocks, levels, modes, places), -1, np.int32)
    unused = np.full(places, -1, np.int32)
    first = min(max(int((start_c - low_c) / width), 0), classes - 1)
    _offer(now_t[level, 0], now_c[level, 0], unused, first, start_c, 0.0, 0, relaxed)
    mixed_t, mixed_c = np.empty((modes, places)), np.empty((modes, places))
    mixed_o = np.empty((modes, places), np.int32)
    for block in range(blocks):
        next_t = np.full((levels, modes, places), np.inf)
        next_c = np.full((levels, modes, places), np.inf)
        for j in range(levels):
            mixed_t[:] = np.inf
            mixed_c[:] = np.inf
            for m in range(modes):
                for place in range(places):
                    t, c = now_t[j, m, place], now_c[j, m, place]
                    if c == np.inf:
                        continue
                    target = min(max(int((t - low_c) / width), 0), classes - 1)
                    source = (j * modes + m) * places + place
                    for k in range(modes):
                        dearer = c + change[block, m, k]
                        _offer(
                            mixed_t[k], mixed_c[k], mixed_o[k], target, t, dearer, source, relaxed
                        )
            for k in range(modes):
                _prune(mixed_t[k], mixed_c[k])
                for d in range(moves):
                    to = j + d - half
                    if to < 0 or to >= levels:
                        continue
                    most = hottest[block, j, d, k]
                    a, b = factor[block, j, d, k], offset[block, j, d, k]
                    paid = cost[block, j, d, k]
                    for place in range(places):
                        t = mixed_t[k, place]
                        if mixed_c[k, place] == np.inf or t > most:
                            continue
                        after = a * t + b
                        target = min(max(int((after - low_c) / width), 0), classes - 1)
                        _offer(
                            next_t[to, k],
                            next_c[to, k],
                            origins[block, to, k],
                            target,
                            after,
                            mixed_c[k, place] + paid,
                            mixed_o[k, place],
                            relaxed,
                        )
        for j in range(levels):
            for k in range(modes):
                _prune(next_t[j, k], next_c[j, k])
        now_t, now_c = next_t, next_c
    return now_t, now_c, origins
