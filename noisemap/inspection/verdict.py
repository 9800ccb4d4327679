"""From one row to its verdict: visual rule first, conditions, arithmetic, tolerance, evidence."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from noisemap.inspection import rule
from noisemap.inspection.conditions import Condition, applicable_limit, conditions
from noisemap.inspection.evidence import (
    Evidence,
    bears_on_evidence_only,
    evidence,
    sufficiency,
)
from noisemap.inspection.ordinance import Element, elements
from noisemap.inspection.rows import Reading
from noisemap.inspection.rule import NOT_VALID, Verdict
from noisemap.inspection.visual import Finding, exhaust_finding, tyre_finding
from noisemap.units import FOOT_M

STATIONARY_CONFLICT = (
    "The rule disagrees with itself for stationary runs: Table 1 allows 2 dB(A) more than "
    "325.75(b) and 325.79 with 40 CFR 202.21. Both are shown; the verdict is by Table 1, "
    "the laxer of the two."
)
MISPRINT = (
    "325.7 prints 17.1 m for 58 ft, 325.73 prints 17.7 m (58 ft are 17.68 m). By the printed "
    "metre the next row of Table 1 would apply; both are shown and the verdict is by feet."
)
STATIONARY_RETARDER = "The stationary run-up does not exercise the retarder."
OLDER_TRUCK = (
    "Table 1 prints only the limits of model year 1986 and later. The limit of an older truck "
    "is derived from 40 CFR 202.20(a) and 202.21(a): 3 dB(A) more."
)


@dataclass(frozen=True)
class Comparison:
    """One way to hold the level against a limit, with its arithmetic and clauses."""

    name: str
    level: float
    limit: float
    verdict: Verdict
    arithmetic: str
    clauses: str

    @property
    def excess(self) -> float:
        """Level over the limit [dB]."""
        return self.level - self.limit


@dataclass(frozen=True)
class Inspection:
    """Everything that is said of one row."""

    reading: Reading
    exhaust: Finding
    tyres: Finding
    verdict: Verdict
    reasons: tuple[str, ...]
    comparisons: tuple[Comparison, ...]
    conditions: tuple[Condition, ...]
    evidence: tuple[Evidence, ...]
    elements: tuple[Element, ...]
    notes: tuple[str, ...]

    @property
    def sufficiency(self) -> str:
        """Whether the chain of evidence is whole."""
        return sufficiency(self.evidence)


def inspect(reading: Reading) -> Inspection:
    """Verdict of one row with all that it rests on."""
    found = conditions(reading)
    exhaust = exhaust_finding(reading)
    spoiled = tuple(_reason(item) for item in found if item.spoils)
    unread = tuple(
        f"not readable: {fault}"
        for fault in reading.faults
        if not bears_on_evidence_only(fault) and not any(fault in reason for reason in spoiled)
    )
    verdict, reasons, ways = (
        (NOT_VALID, spoiled + unread, ()) if spoiled or unread else _compare(reading)
    )
    return Inspection(
        reading,
        exhaust,
        tyre_finding(reading),
        verdict,
        reasons,
        ways,
        found,
        evidence(reading, found),
        elements(reading, exhaust),
        tuple(_notes(reading, ways)),
    )


def measured_level(reading: Reading) -> float | None:
    """The level of the row: a pass's highest reading, or the mean of two agreeing run-ups."""
    if reading.run == "stationary":
        return rule.agreeing_mean(reading.maxima)
    return reading.value("reading_dba")


def _compare(reading: Reading) -> tuple[Verdict, tuple[str, ...], tuple[Comparison, ...]]:
    """Verdict of a row whose conditions are all met."""
    year = reading.value("model_year")
    if year is not None:
        ways = tuple(_comparisons(reading, int(year)))
        return ways[0].verdict, (_sentence(ways[0]),), ways
    older = tuple(_comparisons(reading, rule.TABLE_BASIS_YEAR - 1))
    newer = tuple(_comparisons(reading, rule.TABLE_BASIS_YEAR))
    ways = newer[:1] + older[:1]
    if newer[0].verdict == older[0].verdict:
        note = "the model year is not recorded; the verdict is the same for both generations"
        return newer[0].verdict, (_sentence(newer[0]), note), ways
    reason = (
        "40 CFR 202.20, 202.21: the model year is not recorded, and the limits of before 1986 "
        "and of 1986 and later give different verdicts"
    )
    return NOT_VALID, (reason,), ways


def _comparisons(reading: Reading, year: int) -> Iterator[Comparison]:
    level, distance, surface = measured_level(reading), reading.value("distance"), reading.surface
    speed, table = reading.value("speed_limit"), applicable_limit(reading)
    assert level is not None
    assert distance is not None
    assert surface is not None
    assert table is not None
    allowance = rule.model_year_allowance(year, reading.run, speed)
    own_clause = rule.in_use_clause(year, reading.run)
    yield _comparison(
        "reading against Table 1",
        level,
        table + allowance,
        _table_arithmetic(reading, level, table, allowance),
        "49 CFR 325.7, Table 1" + (f"; {own_clause}" if allowance else ""),
    )
    corrected = rule.level_at_50_ft(level, distance, reading.run, surface)
    assert corrected is not None
    yield _comparison(
        "reading brought to 50 ft against the in-use limit",
        corrected,
        rule.in_use_limit(year, reading.run, speed),
        _correction_arithmetic(reading, level, distance, corrected),
        f"49 CFR 325.73, 325.75, 325.79; {own_clause}",
    )
    printed = rule.misprint_limit(distance * FOOT_M, reading.run, surface, speed)
    if printed is not None:
        yield _comparison(
            "reading against Table 1 by its printed metre",
            level,
            printed + allowance,
            f"{distance * FOOT_M:.2f} m lies beyond the printed 17.1 m: {printed:g} dB(A)"
            + (f" + {allowance:g} for the model year" if allowance else ""),
            "49 CFR 325.7, Table 1 (misprint)",
        )


def _comparison(name: str, level: float, limit: float, text: str, clauses: str) -> Comparison:
    return Comparison(name, level, limit, rule.verdict_of(level, limit), text, clauses)


def _table_arithmetic(reading: Reading, level: float, table: float, allowance: float) -> str:
    row = rule.distance_row("table_1.csv", reading.value("distance") or 0.0)
    assert row is not None
    speed = reading.value("speed_limit")
    road = ""
    if reading.run == "highway" and speed is not None:
        road = ", over 35 mph" if rule.is_fast_road(speed) else ", 35 mph or less"
    limit = f"{table:g}" + (f" + {allowance:g} = {table + allowance:g}" if allowance else "")
    return (
        f"{level:g} dB(A) at {reading.as_recorded('distance')}; row {row['from_ft']} to less than "
        f"{row['below_ft']} ft, {reading.surface} site{road}: limit {limit}"
    )


def _correction_arithmetic(
    reading: Reading, level: float, distance: float, corrected: float
) -> str:
    surface = reading.surface
    assert surface is not None
    by_distance = rule.distance_correction(distance)
    by_site = rule.site_correction(reading.run, surface)
    assert by_distance is not None
    return f"{level:g} {_signed(by_distance)} (distance) {_signed(by_site)} (site) = {corrected:g}"


def _signed(value: float) -> str:
    """Summand with its sign.

    >>> _signed(1.0), _signed(-2.0), _signed(0.0)
    ('+ 1', '- 2', '+ 0')
    """
    return f"{'-' if value < 0 else '+'} {abs(value):g}"


def _sentence(way: Comparison) -> str:
    tolerance = rule.number("tolerance_db")
    return (
        f"{way.clauses}: {way.level:g} against {way.limit:g} dB(A), {way.excess:+.1f} dB; "
        f"the rule allows a tolerance of up to {tolerance:g} dB ({rule.clause('tolerance_db')})"
    )


def _reason(item: Condition) -> str:
    if item.state == "not recorded":
        return f"{item.clause}: {item.name} not recorded (asked: {item.asked})"
    return f"{item.clause}: {item.name}: {item.found} (asked: {item.asked})"


def _notes(reading: Reading, ways: tuple[Comparison, ...]) -> Iterator[str]:
    if reading.run == "stationary":
        yield STATIONARY_RETARDER
        if ways:
            yield STATIONARY_CONFLICT
    if any("misprint" in way.clauses for way in ways):
        yield MISPRINT
    year = reading.value("model_year")
    if year is None:
        return
    if year < rule.TABLE_BASIS_YEAR:
        yield OLDER_TRUCK
    new = rule.new_truck_limit(int(year))
    if new is not None:
        yield (
            f"When new it had to keep {new:g} dB(A) in the low-speed type test (40 CFR 205.52), "
            "taking the model year for the year it was made. The in-use section of part 205 is "
            "reserved: no verdict rests on it."
        )
