"""Where along a road the sound that reaches a near home changes: stretches are cut there.

Every stretch near a home is tried in two halves, with all its paths.  Where the halves
bring the home another level than the whole, the stretch is cut in its middle, and its
halves are tried in turn.  The trial has one spectrum and one air, so that cuts hang on
geometry alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from noisemap.atmosphere import absorption_coefficient
from noisemap.bands import A_WEIGHT
from noisemap.levels import to_energy
from noisemap.propagation.kernel import Surface, propagate
from noisemap.scene.model import Receivers, Road, Stretches
from noisemap.scene.rules import rule
from noisemap.scene.stretches import nearest_distance, place_on_roads
from noisemap.source.propulsion import vehicle_sound_power

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

NEAR = rule("trial", "near")  # times the distance to a home's nearest stretch
HEIGHTS = (rule("trial", "low_m"), rule("trial", "high_m"))
LISTENING = int(rule("trial", "receivers"))  # of each home, the nearest to a road
SHORTEST_M = rule("trial", "shortest_m")
ENERGY_SHARE = rule("trial", "energy_share")  # of what a home hears of all near stretches
PEAK_DB = rule("trial", "peak_db")
LEAST_SHARE = ENERGY_SHARE / 3.0
"""What brings a home less is shared out evenly: no half could bring it three times as much
but through a gap that hides the rest."""
ROWS_AT_ONCE = 200_000


class SightCuts(NamedTuple):
    """Where stretches are cut, and what it took to find out."""

    cuts: dict[int, list[float]]  # chainages [m] by index of the road
    paths: int  # computed for the trials


def sight_cuts(
    whole: Stretches, roads: Sequence[Road], receivers: Receivers, surface: Surface
) -> SightCuts:
    """Chainages [m] by index of the road where what reaches a near home changes.

    A home is near to the stretches within three times the distance of its nearest one;
    it listens at its receiver nearest to a road, to tyres and to stacks.

    Parameters
    ----------
    whole : Stretches
        Stretches cut by distance.
    roads : sequence of Road
        Their roads.
    receivers : Receivers
        Where levels are computed.
    surface : Surface
        Terrain, ground and obstacles.
    """
    sounding = np.flatnonzero(whole.sounding)
    if not len(sounding) or not len(receivers.x):
        return SightCuts({}, 0)
    listening, rows = _near_rows(whole, sounding, receivers)
    pieces = _Pieces(whole.road, whole.from_m, whole.to_m)
    trial = _Trial(roads, receivers, listening, surface)
    rows = trial.heard(pieces, rows)
    cut: list[IntArray] = []
    while True:
        tried, halves, changed = trial.halved(pieces, rows)
        if not len(changed):
            break
        cut.append(changed)
        rows = _with_halves(rows, tried, halves, changed, len(pieces.road))
        pieces = pieces.halved(changed)
    cuts: dict[int, list[float]] = {}
    for piece in np.concatenate([np.zeros(0, np.int64), *cut]).tolist():
        middle = (pieces.start[piece] + pieces.end[piece]) / 2.0
        cuts.setdefault(int(pieces.road[piece]), []).append(float(middle))
    return SightCuts(cuts, trial.paths)


class _Pieces(NamedTuple):
    """Pieces of roads; the halves of a cut piece are added at the end."""

    road: IntArray
    start: FloatArray  # chainage [m]
    end: FloatArray  # chainage [m]

    def halved(self, which: IntArray) -> _Pieces:
        """These pieces, and after them the halves of some: all first halves, all second."""
        middle = (self.start[which] + self.end[which]) / 2.0
        return _Pieces(
            np.concatenate([self.road, self.road[which], self.road[which]]),
            np.concatenate([self.start, self.start[which], middle]),
            np.concatenate([self.end, middle, self.end[which]]),
        )


class _Rows(NamedTuple):
    """What each home hears of each of its pieces; the last axis is the source's height."""

    owner: IntArray  # index among those that listen
    piece: IntArray
    energy: FloatArray
    peak: FloatArray  # at the nearest point
    fresh: BoolArray  # not tried in halves yet

    def at(self, which: npt.NDArray[np.int64] | BoolArray) -> _Rows:
        return _Rows(
            self.owner[which],
            self.piece[which],
            self.energy[which],
            self.peak[which],
            self.fresh[which],
        )


def _near_rows(
    whole: Stretches, sounding: IntArray, receivers: Receivers
) -> tuple[IntArray, _Rows]:
    """Receivers that listen, and a row for each stretch near to one; nothing is heard yet."""
    tree = cKDTree(np.column_stack([whole.x, whole.y])[sounding])
    places = np.column_stack([receivers.x, receivers.y])
    nearest = tree.query(places)[0]
    order = np.lexsort((nearest, receivers.home))
    _, first, count = np.unique(receivers.home[order], return_index=True, return_counts=True)
    rank = np.arange(len(order)) - np.repeat(first, count)
    listening = order[rank < LISTENING]
    found = tree.query_ball_point(places[listening], NEAR * nearest[listening], return_sorted=True)
    owner = np.repeat(np.arange(len(listening)), [len(own) for own in found])
    piece = sounding[np.concatenate([np.asarray(own, np.int64) for own in found])]
    silent = np.zeros((len(owner), len(HEIGHTS)))
    return listening, _Rows(owner, piece, silent, silent, np.ones(len(owner), np.bool_))


def _with_halves(
    rows: _Rows, tried: IntArray, halves: tuple[_Rows, _Rows], changed: IntArray, pieces: int
) -> _Rows:
    """The rows with those of cut pieces in two; what was not tried is shared out evenly."""
    cut = np.isin(rows.piece, changed)
    place = np.searchsorted(changed, rows.piece[cut])
    parts = []
    for number, half in enumerate(halves):
        energy, peak = rows.energy / 2.0, rows.peak.copy()
        energy[tried], peak[tried] = half.energy, half.peak
        piece = pieces + number * len(changed) + place
        fresh = np.ones(len(piece), np.bool_)
        parts.append(_Rows(rows.owner[cut], piece, energy[cut], peak[cut], fresh))
    rest = rows.at(~cut)
    rest = rest._replace(fresh=np.zeros(len(rest.owner), np.bool_))
    return _Rows(
        np.concatenate([rest.owner, *(part.owner for part in parts)]),
        np.concatenate([rest.piece, *(part.piece for part in parts)]),
        np.concatenate([rest.energy, *(part.energy for part in parts)]),
        np.concatenate([rest.peak, *(part.peak for part in parts)]),
        np.concatenate([rest.fresh, *(part.fresh for part in parts)]),
    )


class _Trial:
    """What homes hear of pieces of roads, with one spectrum in one air."""

    def __init__(
        self,
        roads: Sequence[Road],
        receivers: Receivers,
        listening: IntArray,
        surface: Surface,
    ) -> None:
        self.roads, self.surface, self.paths = roads, surface, 0
        self.points = np.column_stack([receivers.x, receivers.y, receivers.height])[listening]
        level = vehicle_sound_power("heavy", rule("trial", "speed_kmh") / 3.6)
        weights = to_energy(level + A_WEIGHT)
        self.weights = weights / weights.sum()
        self.absorption = absorption_coefficient(
            temperature=rule("trial", "temperature_c"),
            relative_humidity=rule("trial", "relative_humidity_pct"),
            pressure=rule("trial", "pressure_kpa"),
        )

    def heard(self, pieces: _Pieces, rows: _Rows) -> _Rows:
        """The rows with their energy and peak."""
        order = np.argsort(rows.owner, kind="stable")
        parts = [self._some(pieces, rows.at(some)) for some in _runs(order)]
        back = np.argsort(order, kind="stable")
        energy, peak = (np.concatenate(both)[back] for both in zip(*parts, strict=True))
        self.paths += len(order)
        return rows._replace(energy=energy, peak=peak)

    def halved(
        self, pieces: _Pieces, rows: _Rows
    ) -> tuple[IntArray, tuple[_Rows, _Rows], IntArray]:
        """Rows tried in halves, what the halves bring, and the pieces that must be cut."""
        total, loudest = np.zeros((2, len(self.points), len(HEIGHTS)))
        np.add.at(total, rows.owner, rows.energy)
        np.maximum.at(loudest, rows.owner, rows.peak)
        heard = (rows.energy > LEAST_SHARE * total[rows.owner]).any(axis=1)
        leads = (rows.peak >= loudest[rows.owner]).any(axis=1)  # perhaps since the last cut only
        long = (pieces.end - pieces.start)[rows.piece] >= SHORTEST_M
        tried = np.flatnonzero((rows.fresh & heard | leads) & long)
        asked = rows.at(tried)
        if not len(tried):
            return tried, (asked, asked), tried
        which, place = np.unique(asked.piece, return_inverse=True)
        parts = pieces.halved(which)
        first = len(pieces.road) + place
        halves = (
            self.heard(parts, asked._replace(piece=first)),
            self.heard(parts, asked._replace(piece=first + len(which))),
        )
        sum_of_both = halves[0].energy + halves[1].energy
        louder = np.maximum(halves[0].peak, halves[1].peak)
        step, top = 10.0 ** (0.1 * PEAK_DB), loudest[asked.owner]
        changed = np.abs(sum_of_both - asked.energy) > ENERGY_SHARE * total[asked.owner]
        changed |= louder > top * step
        changed |= (asked.peak >= top) & (louder * step < top)
        return tried, halves, np.unique(asked.piece[changed.any(axis=1)])

    def _some(self, pieces: _Pieces, rows: _Rows) -> tuple[FloatArray, FloatArray]:
        """Energy and peak of rows sorted by who listens."""
        own, count = np.unique(rows.owner, return_counts=True)
        piece, source = np.unique(rows.piece, return_inverse=True)
        start, end = pieces.start[piece], pieces.end[piece]
        at = np.column_stack([start, (start + end) / 2.0, end])
        places = place_on_roads(self.roads, pieces.road[piece], at)
        block = propagate(
            self.surface,
            self.points[own],
            places[:, 1],
            HEIGHTS,
            np.concatenate([[0], np.cumsum(count)]),
            source,
            self.absorption,
            reflection_order=1,
        )
        heard = block.t.astype(np.float64) @ self.weights
        ends = np.column_stack([places[:, 0, :2], places[:, 2, :2]])[source]
        distance = block.distance.astype(np.float64)
        nearest = nearest_distance(
            self.points[rows.owner, :2], ends, places[source, 1, :2], distance
        )
        length = (end - start)[source]
        return heard * length[:, None], heard * ((distance / nearest) ** 2)[:, None]


def _runs(order: IntArray) -> Iterator[IntArray]:
    """Pieces of an order of rows, so that memory stays bounded."""
    for first in range(0, max(len(order), 1), ROWS_AT_ONCE):
        yield order[first : first + ROWS_AT_ONCE]
