"""Sentences about a decision on zones, in the reader's units; the same on screen and on paper."""

from __future__ import annotations

from collections.abc import Sequence

from noisemap.exposure.results import Findings, ZoneResult
from noisemap.outputs.curve_words import curve_sentences
from noisemap.outputs.wording import (
    BINDS_WORDS,
    along_road,
    both_lengths,
    both_temperatures,
    count,
    decibels,
    hours_text,
    people_interval,
    plain,
    with_interval,
    zone_place,
)
from noisemap.scene.model import Scene
from noisemap.units import MILE_M, mph
from noisemap.zones.conditions import NORMAL, setting
from noisemap.zones.engineer_tables import BeyondHard
from noisemap.zones.search import Candidate, SearchResult
from noisemap.zones.signs import Beginning
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weighed import WORTH, Weighed, why_none

COARSE = (
    "The terrain is too coarse to know the grade inside a zone: a surveyed profile or finer "
    "terrain has to come first."
)
PASSES = (
    f"loud passes a night (louder than {LEADING_LEVEL} dB outdoors), each counted once for every "
    "resident who would hear it,"
)


def answer_sentences(weighed: Weighed, findings: Findings) -> tuple[str, ...]:
    """The answer: the recommended zone beside the best drawn by hand, or why there is none."""
    units = findings.units
    chosen = weighed.decision.recommended
    own = best_of(weighed.zones)
    if chosen is None:
        return (
            "None of the zones that were searched is defensible in this screening.",
            *((COARSE,) if weighed.coarse else ()),
            *why_none(weighed.searches, weighed.worth_people_passes),
            *_own_sentences(own),
            *_other_own_sentences(weighed, own, units),
            *_without_sign(weighed),
        )
    zone = chosen.zone
    sentences = [
        f"The zone to take further: {zone_place(zone, units)}, {hours_text(zone.hours)}, binding "
        f"{BINDS_WORDS[zone.binds]}.",
        f"It spares {with_interval(chosen.people_passes[LEADING_LEVEL])} {PASSES} and makes the "
        f"night quieter by 1 dB or more for {people_interval(chosen.people_helped)} people. In "
        "brackets stands the range that holds in 9 cases of 10.",
    ]
    candidate = weighed.decision.candidate
    if candidate is not None:
        sentences.append(
            "In this screening the hottest brakes in normal condition stay "
            f"{degrees(candidate.normal_margin, units)} below the planning limit; degraded ones, "
            "on a grade at its upper bound and with a full stop, "
            f"{degrees(candidate.cautious_margin, units)} below it."
        )
    sentences += [
        *_own_sentences(own, chosen),
        *_other_own_sentences(weighed, own, units),
        *_without_sign(weighed),
    ]
    return tuple(sentences)


def _without_sign(weighed: Weighed) -> list[str]:
    """What can be had without any sign and without asking anything of a brake."""
    return [
        f"Without any sign, {plain(one.name, 80)} would spare {with_interval(one.spared)} and ask "
        "nothing of the brakes."
        for one in weighed.alternatives
        if one.group == "enforce" and one.zone is None and one.spared and one.spared.best > 0.0
    ]


def _own_sentences(own: ZoneResult | None, chosen: ZoneResult | None = None) -> list[str]:
    if own is None:
        return ["No zone drawn by hand in the study is worth a sign in this screening."]
    gain = own.people_passes[LEADING_LEVEL].best
    text = (
        f"The best zone drawn by hand that is worth a sign, {plain(own.zone.name, 60)}, spares "
        f"{count(gain)}"
    )
    if chosen is not None and gain > 0.0:
        ratio = chosen.people_passes[LEADING_LEVEL].best / gain
        text += f": the zone found by search spares {ratio:.1f} times as much"
    return [text + "."]


def _other_own_sentences(weighed: Weighed, own: ZoneResult | None, units: str) -> list[str]:
    """Why each other zone drawn by hand is not the answer, in the order of the verdicts."""
    return [
        f"{plain(one.zone.name, 60)}: {one.verdict}{_reason(one, units)}."
        for one in weighed.zones
        if one is not own
    ]


def _reason(one: ZoneResult, units: str) -> str:
    """What decided a zone's verdict, in a few words."""
    if one.verdict == "not worth signing":
        gain = count(one.people_passes[LEADING_LEVEL].best)
        return f" (it spares {gain} of such passes a night)"
    if one.verdict == WORTH:
        return ""
    over = [
        row
        for row in one.brakes
        if row.equipped and row.peak_zone_c > row.planning_limit_c
        if row.condition == NORMAL or one.verdict != "refused for brakes"
    ]
    if not over:
        return ""
    worst = max(over, key=lambda row: row.peak_zone_c)
    return (
        f" (trucks of class “{plain(worst.truck, 40)}” would reach "
        f"{both_temperatures(worst.peak_zone_c, units)}, brakes {worst.condition}; planning limit "
        f"{both_temperatures(worst.planning_limit_c, units)})"
    )


def best_of(zones: Sequence[ZoneResult]) -> ZoneResult | None:
    """The study's own zone that is worth a sign and spares most."""
    fit = [one for one in zones if one.verdict == WORTH]
    return max(fit, key=lambda one: one.people_passes[LEADING_LEVEL].best, default=None)


def degrees(kelvin: float, units: str) -> str:
    """A difference of temperatures in the reader's unit."""
    return f"{kelvin * 1.8:.0f}\u00a0°F" if units == "us" else f"{kelvin:.0f}\u00a0°C"


def speed_text(metres_per_second: float | None, units: str) -> str:
    """A speed of the screening, or that none was found."""
    if metres_per_second is None:
        return "none"
    if units == "us":
        return f"{mph(metres_per_second):.0f} mph"
    return f"{metres_per_second * 3.6:.0f} km/h"


def length_text(metres: float, units: str) -> str:
    """A length of the length table; no limit where the brakes never reach theirs."""
    if metres == float("inf"):
        return "no limit"
    if metres == 0.0:
        return "none"
    return f"{metres / MILE_M:.1f} mi" if units == "us" else f"{metres / 1000.0:.1f} km"


def beginning_sentence(one: Beginning, units: str) -> str:
    """Where the zone begins beside the crest, and what follows for the sign."""
    way = "with the road's distances" if one.direction > 0 else "against the road's distances"
    if one.before_choice:
        return (
            f"Driving {way}, the zone begins at {along_road(one.begin_m, units)}, before the "
            "descent: drivers can choose gear and speed with the sign in view."
        )
    return (
        f"Driving {way}, the zone begins {both_lengths(one.past_crest_m, units)} past the crest at "
        f"{along_road(one.crest_m, units)}: gear and speed are chosen by then, so the sign has to "
        "be announced before the crest."
    )


def brake_sentences(weighed: Weighed, scene: Scene, units: str) -> tuple[str, ...]:
    """What the brakes do: the limits, the whole hill, the night, rain and winter."""
    sentences = [
        f"Planning limit {both_temperatures(weighed.planning_limit_c, units)}, hard limit "
        f"{both_temperatures(weighed.hard_limit_c, units)}; each figure holds the reserve of one "
        "full stop at any point of the descent.",
    ]
    for found in weighed.searches:
        whole = found.candidates[found.whole]
        sentences.append(whole_sentence(whole, found, scene, units))
    sentences += [beyond_sentence(one, units) for one in weighed.beyond_hard]
    sentences += [beginning_sentence(one, units) for one in weighed.beginnings]
    sentences += [
        "A zone at night heats the brakes of each truck that it binds as much as one by day; it "
        "only binds fewer trucks, and those meet the grade in the dark.",
        "In rain and in winter retarders are to be off on slippery roads: nothing is gained then, "
        "and the wheel brakes are as hot as in the rows without a retarder.",
        "Trucks without a retarder run on their wheel brakes already; a zone adds nothing to them.",
        *curve_sentences(scene, units),
        "Curve speeds stay in force; no figure here is a speed to drive.",
    ]
    return tuple(sentences)


def beyond_sentence(one: BeyondHard, units: str) -> str:
    """Where the wheel brakes alone would not be enough for the heaviest truck."""
    trucks = f"trucks of class “{plain(one.truck, 40)}”"
    if one.at_m is None:
        return (
            f"Without any retarder on the whole road, {trucks} would stay below the hard limit at "
            "the speeds assumed."
        )
    return (
        f"Without any retarder on the whole road, {trucks} would pass the hard limit at "
        f"{along_road(one.at_m, units)} at the speeds assumed: where a truck could run away, and "
        "whether a ramp is needed, is a question for a specialist."
    )


def whole_sentence(whole: Candidate, found: SearchResult, scene: Scene, units: str) -> str:
    """The whole hill closed to every compression-release brake, always shown."""
    name = plain(scene.roads[found.screen.road].name, 40) or "the road"
    length = both_lengths(whole.zone.to_m - whole.zone.from_m, units)
    side = "below" if whole.normal_margin >= 0.0 else "over"
    worst = "below" if whole.cautious_margin >= 0.0 else "over"
    text = (
        f"{name}, closed to every compression-release brake on all {length}: normal brakes "
        f"{degrees(abs(whole.normal_margin), units)} {side} their limit, degraded brakes on a "
        f"grade at its upper bound {degrees(abs(whole.cautious_margin), units)} {worst} it"
    )
    if whole.slower_share > 0.0:
        text += (
            f"; {whole.slower_share:.0%} of the trucks that it binds could keep the limit only "
            f"by coming slower than assumed, {whole.delay_s:.0f} s later on average over all bound"
        )
    return text + "."


def search_sentences(weighed: Weighed, scene: Scene) -> tuple[str, ...]:
    """What was screened, what was weighed exactly, and what the screen may have missed."""
    out = []
    for found in weighed.searches:
        name = plain(scene.roads[found.screen.road].name, 40) or "the road"
        text = (
            f"{name}: {found.screened:,} zones screened, {len(found.candidates):,} weighed exactly"
        )
        if found.everything:
            loss = 0.0 if found.screen_loss is None else found.screen_loss
            text += f", which are all; the screen's own first choice would miss {loss:.0%}"
        else:
            text += "; the others are known from the screen alone"
        if not found.screen.linear:
            text += "; screened with the default brakes, weighed with the study's"
        out.append(text + ".")
    if weighed.roads_left_out:
        out.append(
            "Not searched, with fewer braking trucks: "
            + ", ".join(plain(name, 40) for name in weighed.roads_left_out)
            + "."
        )
    return tuple(out)


def gain_sentences(scene: Scene, weighed: Weighed) -> tuple[str, ...]:
    """Who becomes quieter, and what changes against the criteria."""
    sentences = []
    chosen = weighed.decision.recommended
    if chosen is not None:
        sentences.append(
            f"Quieter by 1 dB or more at night: {people_interval(chosen.people_helped)} people of "
            f"{scene.homes.people.sum():,.0f}."
        )
        if chosen.quieter_total is not None:
            sentences.append(
                "All sound there, with the study's background, falls at night by "
                f"{decibels(chosen.quieter_total)} on average over all residents."
            )
        sentences += [
            f"{plain(name, 160)}: {people_interval(before)} people over it before, "
            f"{people_interval(after)} after."
            for name, (before, after) in chosen.people_over.items()
        ]
    return tuple(sentences) or ("Nobody by a sign: no zone is proposed here.",)


def pay_sentences(weighed: Weighed, units: str) -> tuple[str, ...]:
    """Who pays: drivers, homes that become louder, whoever puts up the sign."""
    sentences = []
    candidate = weighed.decision.candidate
    if candidate is not None and candidate.bound_a_day > 0.0:
        rise = degrees(candidate.degrees_a_day / candidate.bound_a_day, units)
        sentences.append(
            f"Drivers and haulers: {candidate.bound_a_day:,.0f} passes a day are bound; the wheel "
            f"brakes take what the retarder leaves and end up {rise} hotter in the mean. Wear is "
            "not computed."
        )
    louder = [(one.name, len(one.louder_homes)) for one in weighed.alternatives if one.louder_homes]
    sentences.append(
        "Homes that become louder, listed one by one in the tables: "
        + "; ".join(f"{plain(name, 120)}: {number}" for name, number in louder)
        + "."
        if louder
        else "No home becomes louder by any measure that was computed."
    )
    sentences.append(
        "Whoever signs the zone pays for the signs, their upkeep and those who watch them; no "
        "money is computed here."
    )
    return tuple(sentences)


def assumption_sentences(weighed: Weighed) -> tuple[str, ...]:
    """What the search takes for granted."""
    return (
        f"{weighed.observance:.0%} of the bound drivers obey, and "
        + (f"{weighed.emergency_use:.0%}" if weighed.emergency_use > 0.0 else "none")
        + " of those use the retarder all the same to keep control, which every rule has to allow; "
        f"the study asks a zone to spare {weighed.worth_people_passes:g} people times passes a "
        "night.",
        "A zone is proposed only if normal brakes, degraded ones, a grade at its upper bound, and "
        "both together at the 95th and 99th percentile of the trucks' weights keep the planning "
        "limit; the last with brakes at 200 °F (93 °C) or more where the zone begins.",
        f"Zones that spare {setting('near_best_share'):.0%} or more of the most count as equal; of "
        "these the shortest that asks about least of the brakes is taken.",
    )
