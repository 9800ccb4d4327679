"""The conditions of a lawful measurement, each with its clause and what was found."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from noisemap.inspection import rule
from noisemap.inspection.rows import Reading
from noisemap.units import FOOT_M

State = Literal["met", "broken", "not recorded"]

_DUST = 1e-6


@dataclass(frozen=True)
class Condition:
    """One condition: what the rule asks, what the sheet says.

    `decides` tells whether a missing entry makes the reading *not valid*; a
    broken condition always does.  The others are asked of the site and the
    instrument; when they are not recorded, the evidence has a gap.
    """

    name: str
    clause: str
    asked: str
    found: str
    state: State
    decides: bool

    @property
    def spoils(self) -> bool:
        """Whether it makes the reading not valid."""
        return self.state == "broken" or (self.state == "not recorded" and self.decides)


def conditions(reading: Reading) -> tuple[Condition, ...]:
    """Every condition of the rule for this kind of run."""
    return tuple(
        condition
        for group in (_scope, _level, _place, _weather, _microphone, _site)
        for condition in group(reading)
    )


def ambient_limit(reading: Reading) -> float | None:
    """Highest ambient level allowed: 10 dB below the applicable Table 1 value [dB(A)]."""
    limit = applicable_limit(reading)
    return None if limit is None else limit - rule.number("ambient_below_db")


def applicable_limit(reading: Reading) -> float | None:
    """Value of Table 1 for the row's distance, site and speed limit [dB(A)], if they are known."""
    distance, surface = reading.value("distance"), reading.surface
    speed = reading.value("speed_limit")
    if distance is None or surface is None or (reading.run == "highway" and speed is None):
        return None
    return rule.table_1_limit(distance, reading.run, surface, speed)


def _scope(reading: Reading) -> Iterator[Condition]:
    weight, least = reading.value("gross_weight"), rule.number("gross_weight_lb")
    yield _condition(
        reading,
        "gross_weight",
        "weight rating of vehicle or combination",
        rule.clause("gross_weight_lb"),
        f"over {least:,.0f} lb",
        None if weight is None else weight > least,
        False,
    )
    exempt = reading.text("exempt")
    yield _condition(
        reading,
        "exempt",
        "exempt sound or vehicle",
        "49 CFR 325.1",
        "none",
        None if not exempt else exempt == "none",
        False,
    )
    interstate = reading.text("interstate")
    yield _condition(
        reading,
        "interstate",
        "motor carrier in interstate commerce",
        "49 CFR 325.1",
        "yes; for others look at the State's own rules",
        None if not interstate else interstate == "yes",
        False,
    )


def _level(reading: Reading) -> Iterator[Condition]:
    if reading.run == "stationary":
        bound, maxima = rule.number("agreement_db"), reading.maxima
        yield Condition(
            "two maxima of run-ups",
            rule.clause("agreement_db"),
            f"two within {bound:g} dB(A)",
            ", ".join(f"{value:g}" for value in maxima) or "not recorded",
            "not recorded"
            if len(maxima) < 2
            else "met"
            if rule.agreeing_mean(maxima) is not None
            else "broken",
            True,
        )
        governor = reading.text("governor")
        yield _condition(
            reading,
            "governor",
            "engine speed governor",
            "40 CFR 202.21",
            "fitted",
            None if not governor else governor == "yes",
            False,
        )
        return
    level = reading.value("reading_dba")
    yield _condition(
        reading,
        "reading_dba",
        "highest reading of the pass",
        "49 CFR 325.39",
        "recorded",
        None if level is None else True,
        True,
    )
    for name, words in (("rise_db", "rise before"), ("fall_db", "fall after")):
        change, least = reading.value(name), rule.number(name)
        yield _condition(
            reading,
            name,
            f"level {words} the maximum",
            rule.clause(name),
            f"{least:g} dB(A) or more",
            None if change is None else change >= least - _DUST,
            True,
        )


def _place(reading: Reading) -> Iterator[Condition]:
    low, high = rule.number("smallest_distance_ft"), rule.number("largest_distance_ft")
    distance = reading.value("distance")
    yield _condition(
        reading,
        "distance",
        "microphone to target point",
        rule.clause("smallest_distance_ft", reading.run),
        f"{low:g} to {high:g} ft",
        None if distance is None else low - _DUST <= distance <= high + _DUST,
        True,
    )
    row = None if distance is None else rule.distance_row("table_1.csv", distance)
    if distance is not None and low - _DUST <= distance <= high + _DUST:
        yield Condition(
            "row of Table 1 for the distance",
            "49 CFR 325.7",
            f"{low:g} ft or more and less than {high:g} ft",
            reading.as_recorded("distance"),
            "met" if row else "broken",
            True,
        )
    surface = reading.text("site_surface")
    yield _condition(
        reading,
        "site_surface",
        "kind of site",
        "49 CFR 325.5(c)",
        "hard or soft",
        None if not surface else True,
        True,
    )
    if reading.run == "highway":
        yield _condition(
            reading,
            "speed_limit",
            "speed limit of the site",
            "49 CFR 325.7, note 1",
            "recorded",
            None if reading.value("speed_limit") is None else True,
            True,
        )


def _weather(reading: Reading) -> Iterator[Condition]:
    most = ambient_limit(reading)
    levels = [reading.value("ambient_before"), reading.value("ambient_after")]
    known = [level for level in levels if level is not None]
    fault = _fault(reading, "ambient_before") or _fault(reading, "ambient_after")
    yield Condition(
        "ambient before and after",
        rule.clause("ambient_below_db", reading.run),
        f"{rule.number('ambient_below_db'):g} dB(A) or more below the Table 1 value"
        + (f": {most:g} or less" if most is not None else ""),
        fault or " and ".join(f"{level:g}" for level in known) or "not recorded",
        "not recorded"
        if most is None or len(known) < 2
        else "met"
        if max(known) <= most + _DUST
        else "broken",
        True,
    )
    for name, key, words in (("wind", "wind_mph", "wind"), ("gust", "gust_mph", "gusts")):
        speed, limit = reading.value(name), rule.number(key)
        yield _condition(
            reading,
            name,
            words,
            rule.clause(key, reading.run),
            f"{limit:g} mph or less",
            None if speed is None else speed <= limit + _DUST,
            True,
        )
    rain = reading.text("precipitation").lower()
    yield _condition(
        reading,
        "precipitation",
        "precipitation and standing water",
        rule.clause("precipitation", reading.run),
        "none; snow lying on the ground is allowed",
        None if not rain else rain in ("none", "snow on ground"),
        True,
    )


def _microphone(reading: Reading) -> Iterator[Condition]:
    low, high = rule.span("microphone_height_ft")
    height = reading.value("microphone_height")
    yield _condition(
        reading,
        "microphone_height",
        "microphone above the road plane",
        rule.clause("microphone_height_ft", reading.run),
        f"{low:g} to {high:g} ft",
        None if height is None else low - _DUST <= height <= high + _DUST,
        True,
    )
    for name, key, words in (
        ("microphone_above_surface", "microphone_above_surface_ft", "microphone above its ground"),
        ("observer_distance", "observer_ft", "observer from the microphone"),
    ):
        value, least = reading.value(name), rule.number(key)
        yield _condition(
            reading,
            name,
            words,
            rule.clause(key, reading.run),
            f"{least:g} ft or more",
            None if value is None else value >= least - _DUST,
            False,
        )
    meter = reading.text("meter_type")
    yield _condition(
        reading,
        "meter_type",
        "sound level meter",
        rule.clause("meter"),
        ", ".join(rule.words("meter")) + ", A-weighted, fast",
        None if not meter else meter.lower() in [word.lower() for word in rule.words("meter")],
        False,
    )
    screen = reading.text("windscreen")
    yield _condition(
        reading,
        "windscreen",
        "windscreen",
        rule.clause("windscreen"),
        "fitted",
        None if not screen else screen == "yes",
        False,
    )


def _site(reading: Reading) -> Iterator[Condition]:
    distance, radius = reading.value("distance"), reading.value("open_radius")
    if distance is not None:
        yield _condition(
            reading,
            "open_radius",
            "open around microphone and target point",
            f"{rule.clause('open_radius_ft', reading.run)}, 325.77",
            f"{distance:.4g} ft",
            None if radius is None else radius >= distance - _DUST,
            False,
        )
    if reading.run == "highway":
        dry = reading.text("lane_dry")
        yield _condition(
            reading,
            "lane_dry",
            "travelled lane",
            rule.clause("tunnel_distance_ft"),
            "dry",
            None if not dry else dry == "yes",
            False,
        )
        away, least = reading.value("tunnel_distance"), rule.number("tunnel_distance_ft")
        yield _condition(
            reading,
            "tunnel_distance",
            "tunnel or underpass",
            rule.clause("tunnel_distance_ft"),
            f"{least:g} ft away or more",
            None if away is None else away >= least - _DUST,
            False,
        )
        return
    offset, most = reading.value("outlet_to_target"), rule.number("outlet_to_target_ft")
    yield _condition(
        reading,
        "outlet_to_target",
        "exhaust outlet from the target point",
        rule.clause("outlet_to_target_ft"),
        f"{most:g} ft or less",
        None if offset is None else offset <= most + _DUST,
        False,
    )


def _condition(
    reading: Reading,
    column: str,
    name: str,
    clause: str,
    asked: str,
    holds: bool | None,
    decides: bool,
) -> Condition:
    """A condition on one column; a cell that could not be read always spoils the reading."""
    fault = _fault(reading, column)
    if fault:
        return Condition(name, clause, asked, fault, "broken", decides)
    state: State = "not recorded" if holds is None else "met" if holds else "broken"
    return Condition(name, clause, asked, _found(reading, column), state, decides)


def _fault(reading: Reading, column: str) -> str:
    for fault in reading.faults:
        name = fault.partition(":")[0]
        if name == column or name.startswith(f"{column}_"):
            return fault
    return ""


def _found(reading: Reading, column: str) -> str:
    """What the sheet says, in the sheet's unit and in feet where it is in metres."""
    told = reading.as_recorded(column)
    value = reading.value(column)
    if told.endswith(" m") and value is not None:
        return f"{told} ({value:.2f} ft)"
    if column == "distance" and told and value is not None:
        return f"{told} ({value * FOOT_M:.2f} m)"
    if told:
        return told
    if value is not None:
        return f"{value:g}"
    return reading.text(column) or "not recorded"
