"""Everything that weighing found, as plain tables, and the decision that follows from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from noisemap.exposure.results import ZoneResult
from noisemap.states import Zone
from noisemap.zones.alternatives import Alternative
from noisemap.zones.engineer_tables import BeyondHard, LengthRow, RuleRow, SpeedRow
from noisemap.zones.hour_windows import HourWindow
from noisemap.zones.legal import Question
from noisemap.zones.monitoring import Plan
from noisemap.zones.search import Candidate, SearchResult
from noisemap.zones.signs import Beginning, EntryRow, SignPoint
from noisemap.zones.tipping import Drivers, TippingPoint
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weigh import Base, weigh_zone

WORTH = "worth signing"


@dataclass(frozen=True)
class Decision:
    """The recommended zone, the runners-up, and the zone on which alternatives are compared."""

    recommended: ZoneResult | None
    candidate: Candidate | None  # the searched interval behind the recommendation
    runners_up: tuple[ZoneResult, ...]
    subject: Zone | None  # None where there is nothing to weigh at all


@dataclass(frozen=True)
class Weighed:
    """What weighing found; the outputs only format it."""

    zones: tuple[ZoneResult, ...]  # the study's own, ranked
    searches: tuple[SearchResult, ...]
    decision: Decision
    alternatives: tuple[Alternative, ...]
    beginnings: tuple[Beginning, ...]
    entries: tuple[EntryRow, ...]
    signs: tuple[SignPoint, ...]
    lengths_general: tuple[LengthRow, ...]
    lengths_hill: tuple[LengthRow, ...]
    speeds: tuple[SpeedRow, ...]
    hill_signs: tuple[tuple[int, RuleRow], ...]  # direction, rule
    approvals: tuple[RuleRow, ...]
    drivers: Drivers | None  # of the passes that the subject zone spares
    level_drivers: Drivers | None  # of its mean fall of the night level
    with_background: bool  # whether that level is of all sound there
    tipping: tuple[TippingPoint, ...]
    hours: tuple[HourWindow, ...]  # runs of hours for the subject zone that no other beats
    beyond_hard: tuple[BeyondHard, ...]  # where the heaviest truck would pass the hard limit
    plan: Plan | None
    questions: tuple[Question, ...]
    blanks: tuple[str, ...]
    trucks: tuple[str, ...]  # names of the study's truck classes; untrusted text
    planning_limit_c: float
    hard_limit_c: float
    observance: float  # in the search
    emergency_use: float  # there, of those who obey
    worth_people_passes: float  # what the study asks a zone to spare
    roads_left_out: tuple[str, ...]  # too many roads to search them all
    coarse: bool  # the terrain is too coarse to know the grade inside a zone


def decide(base: Base, zones: Sequence[ZoneResult], searches: Sequence[SearchResult]) -> Decision:
    """Weigh what the searches propose, in the order of their gain, and take the first that holds.

    A proposal is taken only where the full weighing, intervals included, calls it worth
    signing as well.
    """
    proposals: list[Candidate] = []
    for found in sorted(searches, key=_best_gain, reverse=True):
        if found.recommended is not None:
            proposals += [found.candidates[i] for i in (found.recommended, *found.runners_up)]
    held: list[tuple[Candidate, ZoneResult]] = []
    for number, candidate in enumerate(proposals, start=1):
        result = weigh_zone(base, replace(candidate.zone, name=f"Found by search {number}"))
        if result.verdict == WORTH:
            held.append((candidate, result))
    if held:
        candidate, result = held[0]
        return Decision(result, candidate, tuple(one for _, one in held[1:]), result.zone)
    return Decision(None, None, (), subject_without(zones, searches))


def _best_gain(found: SearchResult) -> float:
    return 0.0 if found.recommended is None else found.candidates[found.recommended].leading


def subject_without(zones: Sequence[ZoneResult], searches: Sequence[SearchResult]) -> Zone | None:
    """Zone to compare alternatives on where none is recommended."""
    if zones:
        refused = "refused for brakes"
        return max(
            zones,
            key=lambda one: (one.verdict != refused, one.people_passes[LEADING_LEVEL].best),
        ).zone
    every = [one for found in searches for one in found.candidates]
    if not every:
        return None
    best = max(every, key=lambda one: (one.keeps_limits, one.leading))
    return replace(best.zone, name="Largest gain of the search")


def why_none(searches: Sequence[SearchResult], worth: float) -> tuple[str, ...]:
    """Why no zone is defensible, in sentences with counts."""
    if not searches:
        return ("No truck uses a compression-release brake on any road that was searched.",)
    every = [one for found in searches for one in found.candidates]
    sound = [one for one in every if one.normal_margin >= 0.0]
    worn = [one for one in sound if one.cautious_margin >= 0.0]
    sentences = [
        f"Of {len(every):,} zones weighed exactly, {len(every) - len(sound):,} take normal brakes "
        "over the planning limit.",
        f"Of the other {len(sound):,}, {len(sound) - len(worn):,} do so with degraded brakes, a "
        "grade at its upper bound, or both at the heavy weights.",
    ]
    if worn:
        best = max(one.leading for one in worn)
        sentences.append(
            f"The best that keeps every limit spares {best:.1f} people times passes a night above "
            f"{LEADING_LEVEL} dB; the study asks for {worth:,.10g}."
        )
    return tuple(sentences)
