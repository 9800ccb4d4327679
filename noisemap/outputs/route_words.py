"""What is said of routes in words, the same on every sheet."""

from __future__ import annotations

from dataclasses import dataclass

from noisemap.outputs.route_driver import truck_words
from noisemap.outputs.route_page import Occasion
from noisemap.outputs.wording import along_road, both_temperatures, people_shown, plain
from noisemap.routes.choices import clock
from noisemap.routes.choose import Alternative, Answer
from noisemap.routes.evaluate import Route, Setting
from noisemap.routes.network import Vehicle

SECONDS_OF_A_MINUTE = 60.0


@dataclass(frozen=True)
class Told:
    """An answer and everything that its sheets name."""

    occasion: Occasion
    setting: Setting
    vehicle: Vehicle
    answer: Answer
    ends: tuple[str, str]
    moved: tuple[tuple[tuple[str, float, float], ...], ...]  # by alternative

    @property
    def units(self) -> str:
        """The reader's units."""
        return self.occasion.units


def title_of(number: int, route: Route) -> str:
    """Number and main roads of a route."""
    lengths: dict[str, float] = {}
    for name, length in route.roads:
        lengths[name] = lengths.get(name, 0.0) + length
    main = sorted(lengths, key=lambda name: -lengths[name])[:3]
    named = [name for name in lengths if name in main]
    return f"Route {number}: {', '.join(plain(name, 40) for name in named)}"


def standing(one: Alternative, number: int, units: str, limit_c: float) -> str:
    """What speaks for and against a route."""
    parts = []
    if one.over_limit:
        peak = both_temperatures(one.route.drive.peak_c, units)
        parts.append(
            f"Over the planning limit in this screening: brakes {peak}, limit "
            f"{both_temperatures(limit_c, units)}"
        )
    if one.worse:
        parts.append(f"Merely quieter, never first: {'; '.join(one.worse)}")
    if one.ordinary:
        parts.append("The ordinary route: the fastest lawful one")
    elif one.may_be_first and number == 1:
        parts.append("Told first: within the planning limit, and the quietest of such routes")
    if not parts:
        parts.append("Within the planning limit in this screening")
    return ". ".join(parts) + "."


def sentence(told: Told, number: int) -> str:
    """One route in a sentence or two."""
    one = told.answer.alternatives[number - 1]
    route, units = one.route, told.units
    minutes = route.drive.duration_s / SECONDS_OF_A_MINUTE
    side = "quieter" if one.quieter_db >= 0.0 else "louder"
    against = (
        "" if one.ordinary else f", {abs(one.quieter_db):.1f} dB {side} by people-weighted sound"
    )
    text = (
        f"{title_of(number, route)}: {along_road(route.length_m, units)}, {minutes:.1f} min, "
        f"{people_shown(route.people_reached)} people reached{against}; brakes "
        f"{both_temperatures(route.drive.peak_c, units)}. "
    )
    text += standing(one, number, units, told.setting.planning_limit_c)
    moved = told.moved[number - 1]
    if moved:
        name, people, change = moved[0]
        shown = f"by {change:.1f} dB" if change < 100.0 else "where little was heard"
        text += (
            f" Noise moves to {plain(name)}: louder {shown} for {people_shown(people)} people"
            f"{_more(len(moved) - 1)}."
        )
    return text


def _more(count: int) -> str:
    """That further places get louder too."""
    if count == 0:
        return ""
    return f", and to {count} more place{'s' if count > 1 else ''}"


def verdict_words(told: Told) -> str:
    """The answer before the routes."""
    answer = told.answer
    if answer.verdict == "no route":
        return f"No route: {plain(answer.cut, 300)}."
    if answer.verdict != "routes":
        return (
            "No route that may be told first: every one is over the planning limit in this "
            "screening, or merely quieter and steeper or hotter."
        )
    count = len(answer.alternatives)
    return f"{count} route{'s' if count > 1 else ''} of {answer.front} that no other beats."


def asked_words(told: Told) -> str:
    """What was asked for."""
    setting = told.setting
    when = (
        "at any hour" if setting.depart_s is None else f"departing {clock(setting.depart_s, 0.0)}"
    )
    return (
        f"From {plain(told.ends[0])} to {plain(told.ends[1])}, "
        f"{truck_words(setting.source.truck, told.units)}, exhaust "
        f"{setting.source.exhaust.replace('_', ' ')}, {told.vehicle.height_m:.2f} m high, {when}."
    )
