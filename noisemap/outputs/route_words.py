"""What is said of routes in words, the same on every sheet."""

from __future__ import annotations

from dataclasses import dataclass

from noisemap.outputs.route_driver import truck_words
from noisemap.outputs.route_page import Occasion
from noisemap.outputs.wording import along_road, both_temperatures, people_shown, plain
from noisemap.routes.choices import clock
from noisemap.routes.choose import Alternative, Answer
from noisemap.routes.energy import Fuel, WheelWork, fuel_assumptions
from noisemap.routes.evaluate import Route, Setting
from noisemap.routes.network import Vehicle
from noisemap.units import FOOT_M

SECONDS_OF_A_MINUTE = 60.0
LITRE_US_GAL = 3.785411784


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


def fuel_words(estimate: Fuel, units: str) -> str:
    """Fuel with its range in the reader's unit.

    >>> fuel_words(Fuel(4.0, 3.5, 5.0), "metric")
    '4.0 L (3.5 to 5.0)'
    """
    per, unit = (LITRE_US_GAL, "gal") if units == "us" else (1.0, "L")
    low, middle, high = (amount / per for amount in (estimate.low, estimate.middle, estimate.high))
    return f"{middle:.1f} {unit} ({low:.1f} to {high:.1f})"


def work_words(work: WheelWork) -> str:
    """Where the energy at the wheels goes."""
    parts = (
        (work.air, "against air"),
        (work.rolling, "rolling"),
        (work.lifting, "lifting the truck"),
        (work.speeding, "changes of speed"),
    )
    shown = ", ".join(f"{joule / 1e6:.1f} {words}" for joule, words in parts)
    return f"{work.total / 1e6:.1f} MJ at the wheels: {shown}; descents give nothing back"


def fuel_method() -> str:
    """How fuel is estimated."""
    table = fuel_assumptions()
    share, rate = table["efficiency"], table["not_pulling_l_h"]
    return (
        "Fuel is an estimate from the energy at the wheels against air, tyres, height and "
        f"changes of speed, of which diesel delivers {share['value']:.0%} ({share['low']:.0%} to "
        f"{share['high']:.0%}) and holds {table['energy_mj_l']['value']:g} MJ a litre, and "
        f"{rate['value']:g} L/h ({rate['low']:g} to {rate['high']:g}) while the engine does not "
        "pull: assumed figures. Descents give nothing back. Traffic, wind, weather and stops are "
        "not in it."
    )


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


def height_words(metres: float, units: str) -> str:
    """Height of a truck.

    >>> height_words(4.115, "us"), height_words(4.115, "metric")
    ('13.5 ft (4.12 m)', '4.12 m')
    """
    return f"{metres / FOOT_M:.1f} ft ({metres:.2f} m)" if units == "us" else f"{metres:.2f} m"


def asked_words(told: Told) -> str:
    """What was asked for."""
    setting = told.setting
    when = (
        "at any hour" if setting.depart_s is None else f"departing {clock(setting.depart_s, 0.0)}"
    )
    return (
        f"From {plain(told.ends[0])} to {plain(told.ends[1])}, "
        f"{truck_words(setting.source.truck, told.units)}, exhaust "
        f"{setting.source.exhaust.replace('_', ' ')}, "
        f"{height_words(told.vehicle.height_m, told.units)} high, {when}."
    )
