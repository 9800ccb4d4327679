"""Many trips: what each burdens now, and what another road or another hour would spare.

A trip is taken to drive its ordinary route, the fastest lawful one.  Its weighted burden
counts an evening by 5 dB and a night by 10 dB more than a day.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.community.indicators import Periods
from noisemap.data_tables import toml_table
from noisemap.levels import to_energy
from noisemap.routes.choices import HOUR_S
from noisemap.routes.choose import Alternative, Answer

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class FleetTrip:
    """One row of the trips table."""

    name: str
    start: str
    target: str
    depart_s: float  # time of day
    truck: str
    exhaust: str
    count: float  # how often it is driven


@dataclass(frozen=True)
class Move:
    """What a change would spare of one trip's weighted burden."""

    spared: float  # weighted burden, all its runs
    quieter_db: float
    words: str  # the other road's names, or the other hour
    extra_s: float  # longer by [s]


@dataclass(frozen=True)
class TripResult:
    """What was found for one trip."""

    trip: FleetTrip
    verdict: str  # of the routes at its hour
    cut: str
    hour: int  # of its middle
    weighted: float  # burden of all its runs, by the period's weight
    by_place: Mapping[str, float]  # burden of all its runs, not weighted
    over_limit: bool  # brakes of the ordinary route over the planning limit
    other_road: Move | None
    other_hour: Move | None

    @property
    def best(self) -> Move | None:
        """The move that spares most; None where none spares anything."""
        moves = [move for move in (self.other_road, self.other_hour) if move]
        return max(moves, key=lambda move: move.spared, default=None)


@dataclass(frozen=True)
class FleetResult:
    """All trips."""

    trips: tuple[TripResult, ...]

    @property
    def total(self) -> float:
        """Weighted burden of all trips."""
        return float(sum(one.weighted for one in self.trips))

    def by_place_and_hour(self) -> dict[tuple[str, int], float]:
        """Burden by place and clock hour, not weighted."""
        table: dict[tuple[str, int], float] = {}
        for one in self.trips:
            for place, burden in one.by_place.items():
                key = (place, one.hour)
                table[key] = table.get(key, 0.0) + burden
        return table


def hour_weights(periods: Periods) -> FloatArray:
    """Weight of each clock hour: day 1, evening and night more [1].

    >>> hour_weights(Periods(frozenset({23}), frozenset({20})))[[12, 20, 23]].round(2).tolist()
    [1.0, 3.16, 10.0]
    """
    penalties = toml_table("noisemap.community", "periods.toml")["penalty_db"]
    weights = np.ones(24)
    weights[sorted(periods.evening)] = to_energy(float(penalties["evening"]["value"]))
    weights[sorted(periods.night)] = to_energy(float(penalties["night"]["value"]))
    return weights


def trip_result(
    trip: FleetTrip,
    answer_at: Callable[[float], Answer],
    weights: FloatArray,
    places: Sequence[str],
    people: FloatArray,
) -> TripResult:
    """What one trip burdens, and what moving it would spare.

    `answer_at` finds the routes for a time of departure; `places` and `people` are those
    of each receiver.
    """
    now = answer_at(trip.depart_s)
    usual = next((one for one in now.alternatives if one.ordinary), None)
    if usual is None:
        return TripResult(trip, now.verdict, now.cut, 0, 0.0, {}, False, None, None)
    hour = _hour(trip.depart_s, usual)
    weighted = trip.count * usual.route.burden * float(weights[hour])
    return TripResult(
        trip=trip,
        verdict=now.verdict,
        cut="",
        hour=hour,
        weighted=weighted,
        by_place=_by_place(usual, trip.count, places, people),
        over_limit=usual.over_limit,
        other_road=_other_road(trip, now, usual, weights),
        other_hour=_other_hour(trip, answer_at, weighted, weights, hour),
    )


def _hour(depart_s: float, one: Alternative) -> int:
    """Clock hour in the middle of the trip."""
    return int((depart_s + 0.5 * one.route.drive.duration_s) // HOUR_S) % 24


def _by_place(
    usual: Alternative, count: float, places: Sequence[str], people: FloatArray
) -> dict[str, float]:
    table: dict[str, float] = {}
    burden = count * people * usual.route.exposure
    for place, part in zip(places, burden.tolist(), strict=True):
        if part > 0.0:
            table[place] = table.get(place, 0.0) + part
    return table


def _other_road(
    trip: FleetTrip, now: Answer, usual: Alternative, weights: FloatArray
) -> Move | None:
    """The quietest route that may be told first, at the same hour."""
    others = [one for one in now.alternatives if one.may_be_first and not one.ordinary]
    best = min(others, key=lambda one: one.route.burden, default=None)
    if best is None or best.route.burden >= usual.route.burden:
        return None
    before = usual.route.burden * float(weights[_hour(trip.depart_s, usual)])
    after = best.route.burden * float(weights[_hour(trip.depart_s, best)])
    words = ", ".join(dict.fromkeys(name for name, _ in best.route.roads))
    extra = best.route.drive.duration_s - usual.route.drive.duration_s
    return _move(trip, before, after, words, extra)


def _other_hour(
    trip: FleetTrip,
    answer_at: Callable[[float], Answer],
    weighted: float,
    weights: FloatArray,
    hour: int,
) -> Move | None:
    """The same trip in the nearest hour of the day period."""
    lightest = float(weights.min())
    if float(weights[hour]) <= lightest:
        return None
    calm = [h for h in range(24) if weights[h] <= lightest]
    nearest = min(calm, key=lambda h: (min((h - hour) % 24, (hour - h) % 24), h))
    depart = nearest * HOUR_S + trip.depart_s % HOUR_S
    then = next((one for one in answer_at(depart).alternatives if one.ordinary), None)
    if then is None or then.over_limit:
        return None
    after = then.route.burden * float(weights[_hour(depart, then)])
    shown = f"{int(depart // HOUR_S):02d}:{int(depart % HOUR_S // 60):02d}"
    return _move(trip, weighted / trip.count, after, shown, 0.0)


def _move(trip: FleetTrip, before: float, after: float, words: str, extra_s: float) -> Move | None:
    if after >= before or before <= 0.0:
        return None
    fall = 10.0 * np.log10(before / after) if after > 0.0 else np.inf
    return Move(trip.count * (before - after), float(fall), words, extra_s)


def ranked_moves(result: FleetResult) -> list[tuple[TripResult, Move]]:
    """Trips worth moving, by what the better move spares, the largest first."""
    moves = [(one, one.best) for one in result.trips]
    return sorted(
        ((one, move) for one, move in moves if move is not None),
        key=lambda pair: -pair[1].spared,
    )
