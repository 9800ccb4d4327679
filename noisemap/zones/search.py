"""The search: every contiguous zone screened, the best and most diverse weighed exactly.

Step 1 marches the brakes of every truck through every interval and adds up a benefit
(`screen`).  Step 2 takes the intervals on the screen's fronts and the best of each place
and length, under every rule, and finds what they spare and what they ask of the brakes
exactly (`exact`, `interval_heat`), then looks once more around the best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.exposure.levels import PASS_LEVELS
from noisemap.exposure.product import PassSound
from noisemap.exposure.results import Interval
from noisemap.states import Zone
from noisemap.zones.conditions import NORMAL, keeps, setting
from noisemap.zones.exact import Rule, effects
from noisemap.zones.interval_heat import HeatBook, TruckHeat, least_margin
from noisemap.zones.pareto import front_of_many, front_of_two, thinned
from noisemap.zones.sampled import spared_intervals
from noisemap.zones.screen import SEARCHED, Screen, screen
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weigh import Base

FloatArray = npt.NDArray[np.float64]
Pair = tuple[int, int]

LEADING = PASS_LEVELS.index(LEADING_LEVEL)
CELLS = 8  # places and lengths among which the search spreads its exact work, each way
LOOKS_AROUND = 3


@dataclass(frozen=True)
class Candidate:
    """One interval under one rule, weighed exactly."""

    zone: Zone
    rule: int
    pair: Pair  # candidate ends
    benefit: float  # screened: people whose weighted sound energy it takes away [people]
    spared: tuple[float, ...]  # people times passes a night above each of PASS_LEVELS
    interval: Interval  # 90 % interval of that above the leading level
    helped: Interval  # people whose night level falls by 1 dB or more
    normal_margin: float  # least room below the limit with sound brakes [K]
    cautious_margin: float  # least room with worn brakes or a steeper grade [K]
    heat: tuple[TruckHeat, ...]
    bound_a_day: float  # passes a day that the rule binds there
    degrees_a_day: float  # those passes times the rise of their brakes [K]
    slower_share: float  # of the bound trucks: could keep the limit only by coming slower
    delay_s: float  # mean added travel time of the bound trucks if those came slower [s]

    @property
    def keeps_limits(self) -> bool:
        """Whether every screened row keeps the planning limit."""
        return keeps(self.normal_margin) and keeps(self.cautious_margin)

    @property
    def leading(self) -> float:
        """People times passes a night spared above the leading level."""
        return self.spared[LEADING]


@dataclass(frozen=True)
class SearchResult:
    """What the search of one road found."""

    screen: Screen
    screened: int  # intervals times rules
    candidates: tuple[Candidate, ...]
    front: tuple[int, ...]  # candidates that no other beats in passes, energy and margin
    recommended: int | None
    runners_up: tuple[int, ...]
    whole: int  # the longest interval under the widest rule
    screen_loss: float | None  # share of the gain lost by trusting the screen; small cases only
    everything: bool  # every interval was evaluated exactly


def rules_of(base: Base) -> tuple[Rule, ...]:
    """Unmuffled only and every compression-release brake, by day and night and at night only."""
    always = frozenset(range(24))
    return (
        Rule("unmuffled_compression_release", always),
        Rule("unmuffled_compression_release", base.periods.night),
        Rule("compression_release", always),
        Rule("compression_release", base.periods.night),
    )


def search(
    base: Base,
    sound: PassSound,
    road: int,
    observance: float,
    emergency_use: float = 0.0,
    *,
    evaluated: int | None = None,
) -> SearchResult | None:
    """Fronts and recommendation among all contiguous zones of one road.

    None where no truck uses a compression-release brake on it.
    """
    rules = rules_of(base)
    sheet = screen(base, sound, road, rules)
    if sheet is None or not sheet.long_enough.any():
        return None
    budget = int(setting("evaluated")) if evaluated is None else evaluated
    every = list(zip(*(part.tolist() for part in np.nonzero(sheet.long_enough)), strict=True))
    small = len(every) <= setting("small_case")
    chosen = every if small else pick(sheet, budget)
    work = _Work(base, sound, sheet, observance, emergency_use)
    work.add(chosen)
    for _ in range(0 if small else LOOKS_AROUND):
        if not work.add(work.around_the_best()):
            break
    candidates = work.candidates()
    recommended, runners_up = recommend(candidates, base.worth_people_passes)
    return SearchResult(
        screen=sheet,
        screened=len(every) * len(rules),
        candidates=tuple(candidates),
        front=front_of_candidates(candidates),
        recommended=recommended,
        runners_up=runners_up,
        whole=_whole(candidates),
        screen_loss=loss_of_screen(candidates) if small else None,
        everything=small,
    )


def pick(sheet: Screen, count: int) -> list[Pair]:
    """Intervals to weigh exactly: the screen's fronts, then the best of each place and length."""
    chosen: dict[Pair, None] = {(0, len(sheet.ends) - 1): None}
    start, end = np.nonzero(sheet.long_enough)
    normal = sheet.normal_margin[start, end]
    cautious = sheet.cautious_margin[start, end]
    place = _cells(sheet.chainage[start]) * CELLS + _cells(sheet.chainage[end])
    quota = max(count // (3 * len(sheet.rules)), 1)
    for rule in range(len(sheet.rules)):
        gain = sheet.gain(rule)[start, end]
        for margin, leave in ((cautious, 0.0), (normal, 0.0)):
            front = front_of_two(gain, margin)
            for index in front[thinned(gain[front], quota)]:
                chosen[int(start[index]), int(end[index])] = None
            allowed = np.flatnonzero(margin >= leave)
            for index in allowed[np.argsort(-gain[allowed], kind="stable")[: quota // 4]]:
                chosen[int(start[index]), int(end[index])] = None
    gain = sheet.gain(len(sheet.rules) - 1)[start, end]
    for margin in (cautious, normal, np.full_like(normal, np.inf)):
        for index in _best_of_cells(place, np.where(margin >= 0.0, gain, -np.inf)):
            if len(chosen) >= count:
                break
            chosen[int(start[index]), int(end[index])] = None
    rest = np.argsort(-gain, kind="stable")
    for index in rest[thinned(gain[rest], count)]:
        if len(chosen) >= count:
            break
        chosen[int(start[index]), int(end[index])] = None
    return list(chosen)


def _cells(values: FloatArray) -> npt.NDArray[np.int64]:
    low, high = float(values.min()), float(values.max())
    share = (values - low) / max(high - low, 1e-9)
    return np.minimum((share * CELLS).astype(np.int64), CELLS - 1)


def _best_of_cells(cell: npt.NDArray[np.int64], gain: FloatArray) -> npt.NDArray[np.int64]:
    """Index of the largest gain in each cell that has one, by falling gain."""
    order = np.lexsort((-gain, cell))
    first = order[np.concatenate([[True], np.diff(cell[order]) > 0])]
    first = first[np.isfinite(gain[first])]
    return np.asarray(first[np.argsort(-gain[first], kind="stable")])


class _Work:
    """The exact step, batch by batch."""

    def __init__(
        self,
        base: Base,
        sound: PassSound,
        sheet: Screen,
        observance: float,
        emergency_use: float,
    ) -> None:
        self.base, self.sound, self.sheet = base, sound, sheet
        self.observance, self.emergency_use = observance, emergency_use
        self.silent_share = self._zone((0, 1), sheet.rules[0]).silent_share
        self.book = HeatBook(base, sheet.road)
        self.found: dict[Pair, list[Candidate]] = {}

    def add(self, pairs: Sequence[Pair]) -> int:
        """Weigh those intervals that were not weighed yet; returns how many."""
        new = [pair for pair in dict.fromkeys(pairs) if pair not in self.found]
        if new:
            spans = self.sheet.ends[np.array(new)]
            sheet = self.sheet
            zone = self._zone(new[0], sheet.rules[0])
            effect = effects(
                self.base,
                self.sound,
                sheet.road,
                spans,
                sheet.rules,
                self.silent_share,
                self.base.draws.silent_share(zone.observance, zone.emergency_use),
            )
            quieter = effect.helped_limits
            assert quieter is not None
            limits = spared_intervals(
                self.base,
                self.sound,
                sheet.road,
                spans,
                sheet.rules,
                zone,
                LEADING_LEVEL,
            )
            for place, pair in enumerate(new):
                heat = tuple(self.book.heat(self._zone(pair, sheet.rules[0])))
                self.found[pair] = [
                    self._candidate(
                        pair,
                        rule,
                        heat,
                        effect.spared[place, rule],
                        limits[place, rule],
                        Interval(
                            float(effect.helped[place, rule]), *map(float, quieter[place, rule])
                        ),
                    )
                    for rule in range(len(sheet.rules))
                ]
        return len(new)

    def candidates(self) -> list[Candidate]:
        """Everything weighed, by interval and rule."""
        return [one for pair in sorted(self.found) for one in self.found[pair]]

    def around_the_best(self) -> list[Pair]:
        """Neighbours of the best interval of each rule that keeps the limits, and of the best."""
        pairs: dict[Pair, None] = {}
        last = len(self.sheet.ends) - 1
        for rule in range(len(self.sheet.rules)):
            of_rule = [found[rule] for found in self.found.values()]
            for within in (True, False):
                fit = [one for one in of_rule if one.keeps_limits or not within]
                if not fit:
                    continue
                i, j = max(fit, key=lambda one: one.leading).pair
                for a in (-2, -1, 0, 1, 2):
                    for b in (-2, -1, 0, 1, 2):
                        near = (i + a, j + b)
                        inside = 0 <= near[0] < near[1] <= last
                        if inside and self.sheet.long_enough[near]:
                            pairs[near] = None
        return list(pairs)

    def _zone(self, pair: Pair, rule: Rule) -> Zone:
        low, high = (float(self.sheet.chainage[place]) for place in pair)
        road = self.base.scene.roads[self.sheet.road]
        name = f"{low / 1000.0:.2f} to {high / 1000.0:.2f} km, {rule.name}"
        return Zone(
            name,
            road.road_id,
            low,
            high,
            rule.hours,
            rule.binds,
            self.observance,
            self.emergency_use,
        )

    def _candidate(
        self,
        pair: Pair,
        rule: int,
        heat: tuple[TruckHeat, ...],
        spared: FloatArray,
        limits: FloatArray,
        helped: Interval,
    ) -> Candidate:
        zone = self._zone(pair, self.sheet.rules[rule])
        passes = passes_bound(self.base, self.sheet.road, zone)
        total = sum(passes.values())
        rises = {
            (row.truck, row.direction): max(row.peak_zone_c - row.peak_free_c, 0.0)
            for row in heat
            if row.condition == NORMAL
        }
        slower, delay = slowing(self.sheet, pair, passes, self.book)
        return Candidate(
            zone=zone,
            rule=rule,
            pair=pair,
            benefit=self.silent_share * float(self.sheet.gain(rule)[pair]),
            spared=tuple(float(v) for v in spared),
            interval=Interval(float(spared[LEADING]), float(limits[0]), float(limits[1])),
            helped=helped,
            normal_margin=least_margin(heat, normal=True),
            cautious_margin=least_margin(heat, normal=False),
            heat=heat,
            bound_a_day=total,
            degrees_a_day=sum(count * rises.get(key, 0.0) for key, count in passes.items()),
            slower_share=slower / total if total else 0.0,
            delay_s=delay / total if total else 0.0,
        )


def passes_bound(base: Base, road: int, zone: Zone) -> dict[tuple[int, int], float]:
    """Passes a day that a zone binds in its hours, by truck and direction."""
    hours = sorted(zone.hours)
    found: dict[tuple[int, int], float] = {}
    for one in base.classes:
        if one.road == road and zone.binds_truck(
            base.trucks[one.truck].retarder, one.exhaust_state
        ):
            key = (one.truck, one.direction)
            found[key] = found.get(key, 0.0) + float(one.per_hour[hours].sum())
    return found


def slowing(
    sheet: Screen, pair: Pair, passes: dict[tuple[int, int], float], book: HeatBook
) -> tuple[float, float]:
    """Bound passes a day that could keep the limit only by coming slower, and their seconds.

    A truck for which no screened speed keeps it counts with the slowest.
    """
    slower = seconds = 0.0
    low, high = (int(sheet.ends[place]) for place in pair)
    for one in sheet.trucks:
        count = passes.get((one.truck, one.direction), 0.0)
        row = int(one.marched.speed_row[pair])
        if one.case.condition != NORMAL or row == 0 or count == 0.0:
            continue
        slower += count
        speed = one.speeds_ms[row]
        free = book.free(one.truck, one.direction)
        if speed is not None:
            rate, time = free.speed_ms[:: one.direction], free.time_s[:: one.direction]
            longer = np.maximum(rate[low:high] / speed, 1.0) - 1.0
            seconds += count * float(longer @ time[low:high])
    return slower, seconds


def recommend(candidates: Sequence[Candidate], worth: float) -> tuple[int | None, tuple[int, ...]]:
    """The shortest zone that asks about least of the brakes, of those that gain about the most.

    Runners-up: the best defensible zone of each other rule.
    """
    fit = [i for i, one in enumerate(candidates) if one.keeps_limits and one.leading >= worth]
    if not fit:
        return None, ()
    most = max(candidates[i].leading for i in fit)
    near = [i for i in fit if candidates[i].leading >= setting("near_best_share") * most]
    least = min(candidates[i].degrees_a_day for i in near)
    mild = [i for i in near if candidates[i].degrees_a_day * setting("near_best_share") <= least]
    best = min(
        mild,
        key=lambda i: (
            candidates[i].zone.to_m - candidates[i].zone.from_m,
            candidates[i].degrees_a_day,
            -candidates[i].leading,
        ),
    )
    others = []
    for rule in sorted({candidates[i].rule for i in fit} - {candidates[best].rule}):
        others.append(
            max((i for i in fit if candidates[i].rule == rule), key=lambda i: candidates[i].leading)
        )
    return best, tuple(sorted(others, key=lambda i: -candidates[i].leading))


def front_of_candidates(candidates: Sequence[Candidate]) -> tuple[int, ...]:
    """Candidates that no other beats in passes spared, energy and the cautious margin."""
    scores = np.array([(one.leading, one.benefit, one.cautious_margin) for one in candidates])
    return tuple(front_of_many(np.round(scores, 6)).tolist())


def loss_of_screen(candidates: Sequence[Candidate]) -> float:
    """Share of the best exact gain that the screen's own first choice misses, worst rule.

    Among the intervals that keep the limits, rule by rule.
    """
    losses = [0.0]
    for rule in {one.rule for one in candidates}:
        fit = [one for one in candidates if one.rule == rule and one.keeps_limits]
        best = max((one.leading for one in fit), default=0.0)
        if best > 0.0:
            losses.append(1.0 - max(fit, key=lambda one: one.benefit).leading / best)
    return max(losses)


def _whole(candidates: Sequence[Candidate]) -> int:
    return max(
        range(len(candidates)),
        key=lambda i: (
            candidates[i].zone.to_m - candidates[i].zone.from_m,
            candidates[i].zone.binds == SEARCHED,
            len(candidates[i].zone.hours),
        ),
    )
