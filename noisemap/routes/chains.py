"""Turn restrictions over ways: chains of arcs that must not be driven whole.

A turn at a junction is known by two arcs.  A restriction over one or more ways is known
by more: whether the last arc may be driven depends on how the truck came.  So an arc in
the middle of such a chain is copied, once for each beginning of a chain that leads over
it, and the copy follows only whoever drove that beginning.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

IntArray = npt.NDArray[np.int64]
Arc = tuple[int, int, int, bool]  # road, first and last point, with the points
Chain = tuple[int, ...]


@dataclass(frozen=True)
class Lane:
    """One direction of a piece of way, whether or not the vehicle may use it."""

    key: Arc
    way: str
    tail: int  # key of a junction
    head: int


def chains(
    lanes: Sequence[Lane], from_way: str, over: Sequence[str], to_way: str
) -> list[tuple[Lane, ...]]:
    """Every way from one way over all of some others into a last one.

    A chain begins with the lane that leaves the first way, drives a piece of each way
    over which it leads, meets no junction twice, and ends with the first lane of the last
    way.
    """
    between = [lane for lane in lanes if lane.way in over]
    last = [lane for lane in lanes if lane.way == to_way]

    def further(driven: tuple[Lane, ...], met: frozenset[int]) -> Iterator[tuple[Lane, ...]]:
        at = driven[-1].head
        if {lane.way for lane in driven[1:]} == set(over):
            yield from ((*driven, lane) for lane in last if lane.tail == at)
        for lane in between:
            if lane.tail == at and lane.head not in met:
                yield from further((*driven, lane), met | {lane.head})

    return [
        chain
        for first in lanes
        if first.way == from_way
        for chain in further((first,), frozenset({first.head}))
    ]


def forbidden(
    found: Sequence[tuple[Lane, ...]],
    only: bool,
    arc_of: Mapping[Arc, int],
    pointer: IntArray,
    follow: IntArray,
) -> set[Chain]:
    """Chains of arcs that a restriction forbids.

    A forbidding restriction forbids its chains.  One that allows a chain only forbids
    every turn that leaves it: whoever comes out of the first way has to drive it to its
    end.  Lanes that are closed to the vehicle have no arc.
    """
    whole = [[arc_of.get(lane.key) for lane in chain] for chain in found]
    if not only:
        return {
            tuple(arc for arc in chain if arc is not None) for chain in whole if None not in chain
        }
    wanted: dict[Chain, set[int | None]] = {}
    for chain in whole:
        driven: Chain = ()
        for arc, following in pairwise(chain):
            if arc is None:
                break
            driven = (*driven, arc)
            wanted.setdefault(driven, set()).add(following)
    return {
        (*driven, arc)
        for driven, allowed in wanted.items()
        for arc in follow[pointer[driven[-1]] : pointer[driven[-1] + 1]].tolist()
        if arc not in allowed
    }


def with_memory(
    pointer: IntArray, follow: IntArray, banned: Collection[Chain]
) -> tuple[IntArray, IntArray, IntArray]:
    """Turns under forbidden chains: pointers, arcs that follow, and what each copy copies.

    Copies are numbered after all arcs.  The copy that follows is that of the longest
    beginning of a forbidden chain which the truck has just driven.
    """
    arcs = len(pointer) - 1
    whole = set(banned)
    beginnings = sorted({chain[:count] for chain in whole for count in range(2, len(chain))})
    copy_of = {driven: arcs + place for place, driven in enumerate(beginnings)}

    def after(driven: Chain) -> list[int]:
        """Arcs and copies that may follow; -1 in the place of what is forbidden."""
        reached = []
        for arc in follow[pointer[driven[-1]] : pointer[driven[-1] + 1]].tolist():
            line = (*driven, arc)
            tails = [line[place:] for place in range(len(line) - 1)]
            kept = next((copy_of[tail] for tail in tails if tail in copy_of), arc)
            reached.append(-1 if any(tail in whole for tail in tails) else kept)
        return reached

    before = np.repeat(np.arange(arcs), np.diff(pointer))
    then = follow.copy()
    for first in {chain[0] for chain in whole}:
        then[pointer[first] : pointer[first + 1]] = after((first,))
    rows = [after(driven) for driven in beginnings]
    counts = np.array([len(row) for row in rows], np.int64)
    before = np.concatenate([before, np.repeat(arcs + np.arange(len(rows)), counts)])
    then = np.concatenate([then, *(np.array(row, np.int64) for row in rows)])
    before, then = before[then >= 0], then[then >= 0]
    per_arc = np.bincount(before, minlength=arcs + len(rows))
    return (
        np.concatenate([[0], np.cumsum(per_arc)]).astype(np.int64),
        then.astype(np.int64),
        np.array([driven[-1] for driven in beginnings], np.int64),
    )
