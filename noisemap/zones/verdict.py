"""What follows for a zone, in one word, one sentence and the reasons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from noisemap.exposure.results import BrakeRow, Interval
from noisemap.states import Zone
from noisemap.units import show_both
from noisemap.zones.conditions import DEGRADED, NORMAL, STEEPER, WORST, keeps, limit_for

LEADING_LEVEL = 70
"""Outdoor maximum whose spared passes lead the verdict [dB]."""


@dataclass(frozen=True)
class Verdict:
    """A verdict and why."""

    word: str  # one of `exposure.results.VERDICT_ORDER`
    sentence: str
    reasons: tuple[str, ...]


def judge(
    zone: Zone,
    spared: Mapping[int, Interval],
    brakes: Sequence[BrakeRow],
    worth: float,
    *,
    coarse: bool = False,
    units: str = "us",
) -> Verdict:
    """Weigh what a zone spares against what it asks of the brakes.

    Brakes come first: a zone that takes a truck over the planning limit which it
    keeps with its retarder is refused whatever it spares.  A zone that spares
    little is not worth signing.  One that leaves a row no room (degraded brakes, a grade
    at its upper bound, both together at the heavy weights), or whose terrain is too
    `coarse` to know the grade inside it, needs an engineering study.
    """
    gain, name = spared[LEADING_LEVEL], _quoted(zone.name)
    gain_text = (
        f"It spares {_figure(gain.best)} loud passes a night, summed over all residents "
        f"({_figure(gain.low)} to {_figure(gain.high)} in 9 cases of 10; loud: above "
        f"{LEADING_LEVEL} dB outdoors)"
    )
    broken = _forbidding(brakes)
    if broken:
        worst = max(broken, key=lambda row: row.peak_zone_c)
        return Verdict(
            "refused for brakes",
            f"Do not sign {name}: with the retarder silent there, the brakes of trucks of class "
            f"{_quoted(worst.truck)} reach {show_both(worst.peak_zone_c, units)}, over the "
            f"{_broken_limit(worst, units)}, where they stay at "
            f"{show_both(worst.peak_free_c, units)} with it.",
            (
                f"{len(broken)} of the truck classes go over a limit only because of the zone",
                gain_text,
            ),
        )
    if gain.best < worth:
        return Verdict(
            "not worth signing",
            f"{name} is not worth a sign: {gain_text[0].lower()}{gain_text[1:]}, "
            f"below the {_figure(worth)} that the study asks for.",
            (gain_text,),
        )
    weak = _without_room(brakes)
    if weak:
        worst = min(weak, key=room_k)
        return Verdict(
            "needs an engineering study",
            f"{name} helps, but the brakes of trucks of class {_quoted(worst.truck)} would reach "
            f"{show_both(worst.peak_zone_c, units)} ({CONDITION_WORDS[worst.condition]}), over "
            f"the planning limit of {show_both(worst.planning_limit_c, units)}: an "
            "engineering study has to come first.",
            (gain_text, "degraded: two of ten brakes out and a warm entry"),
        )
    if coarse:
        return Verdict(
            "needs an engineering study",
            f"{name} may help, but the terrain is too coarse to know the grade inside it: "
            "a surveyed profile or finer terrain has to come first.",
            (gain_text,),
        )
    equipped = [row for row in brakes if row.equipped and row.condition == NORMAL]
    hottest = max((row.peak_zone_c for row in equipped), default=None)
    margin = (
        ""
        if hottest is None
        else f"; the hottest brakes of trucks that it binds reach {show_both(hottest, units)}, "
        "within the planning limit of this screening"
    )
    return Verdict(
        "worth signing",
        f"{name} is worth a sign in this screening: {gain_text[0].lower()}{gain_text[1:]}{margin}.",
        (gain_text,),
    )


def room_k(row: BrakeRow) -> float:
    """Room below the limit that counts for a row [K]."""
    return limit_for(row.condition, row.peak_free_c, row.planning_limit_c) - row.peak_zone_c


def needs_study(brakes: Sequence[BrakeRow]) -> bool:
    """Whether any row leaves no room below its limit."""
    return bool(_without_room(brakes))


def _forbidding(brakes: Sequence[BrakeRow]) -> list[BrakeRow]:
    return [row for row in brakes if row.condition == NORMAL and row.forbids]


def _without_room(brakes: Sequence[BrakeRow]) -> list[BrakeRow]:
    return [row for row in brakes if row.equipped and not keeps(room_k(row))]


def _broken_limit(row: BrakeRow, units: str) -> str:
    """The limit that the truck keeps with its retarder and breaks without it."""
    if row.peak_free_c <= row.planning_limit_c:
        return f"planning limit of {show_both(row.planning_limit_c, units)}"
    return f"hard limit of {show_both(row.hard_limit_c, units)}"


CONDITION_WORDS = {
    NORMAL: "already over it with its retarder free",
    STEEPER: "the grade at its upper bound",
    DEGRADED: "brakes degraded",
    WORST: "brakes degraded, the grade at its upper bound, warm where the zone begins",
}


def _quoted(name: str) -> str:
    """A name from the study, told apart from the sentence around it."""
    return f"“{name}”"


def _figure(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 10.0 else f"{value:.1f}"
