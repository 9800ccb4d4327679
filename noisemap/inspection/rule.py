"""The roadside rule as small functions: limits, corrections, and the verdict's words.

Distances are in feet here, because the rule's tables are: 49 CFR 325.7 prints a
wrong metre (17.1 for 58 ft), so its metres cannot decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from noisemap.data_tables import table_rows, toml_table
from noisemap.units import FOOT_M

PACKAGE = "noisemap.inspection"

Run = Literal["highway", "stationary"]
Surface = Literal["hard", "soft"]
Verdict = Literal[
    "above limit", "above limit but within the tolerance", "not above limit", "not valid"
]

ABOVE: Verdict = "above limit"
WITHIN_TOLERANCE: Verdict = "above limit but within the tolerance"
NOT_ABOVE: Verdict = "not above limit"
NOT_VALID: Verdict = "not valid"

TABLE_BASIS_YEAR = 1986
"""Table 1 rests on the limits of this model year and later (40 CFR 202.20(b), 202.21(b))."""

_FLOAT_DUST = 1e-6  # a distance entered in metres meets its foot mark


def number(name: str) -> float:
    """A single number of the rule, in the rule's own unit.

    >>> number("tolerance_db"), number("wind_mph")
    (2.0, 12.0)
    """
    return float(_entry(name)["value"])


def clause(name: str, run: Run = "highway") -> str:
    """Where the rule says it, for a highway pass or a stationary run.

    >>> clause("wind_mph"), clause("wind_mph", "stationary"), clause("tolerance_db")
    ('49 CFR 325.35', '49 CFR 325.55', '49 CFR 325.9')
    """
    entry = _entry(name)
    return str(entry.get("clause") or entry[f"clause_{run}"])


def words(name: str) -> tuple[str, ...]:
    """The words that satisfy a condition of the rule."""
    return tuple(str(word) for word in _entry(name)["words"])


def span(name: str) -> tuple[float, float]:
    """Lower and upper bound of a condition, in the rule's own unit.

    >>> span("microphone_height_ft")
    (2.0, 6.0)
    """
    low, high = _entry(name)["value"]
    return float(low), float(high)


def preferred(name: str) -> float:
    """Value within a span that the rule prefers, in the rule's own unit.

    >>> preferred("microphone_height_ft")
    4.0
    """
    return float(_entry(name)["preferred"])


def _entry(name: str) -> dict[str, Any]:
    entry: dict[str, Any] = toml_table(PACKAGE, "rule.toml")[name]
    return entry


def distance_row(table: str, distance_ft: float) -> dict[str, str] | None:
    """Row of a distance table (from ... up to, not including), None outside all rows.

    >>> distance_row("table_1.csv", 83.0) is None
    True
    """
    feet = round(distance_ft / _FLOAT_DUST) * _FLOAT_DUST
    for row in table_rows(PACKAGE, table):
        if float(row["from_ft"]) <= feet < float(row["below_ft"]):
            return row
    return None


def is_fast_road(speed_limit_mph: float) -> bool:
    """Whether the site's speed limit is over 35 mph (49 CFR 325.7, note 1).

    >>> is_fast_road(35.0), is_fast_road(36.0)
    (False, True)
    """
    return speed_limit_mph > number("slow_road_limit_mph")


def table_column(run: Run, surface: Surface, speed_limit_mph: float | None) -> str:
    """Column of Table 1 for a run, a site and a speed limit.

    >>> table_column("highway", "hard", 55.0), table_column("stationary", "soft", None)
    ('highway_hard_fast', 'stationary_soft')
    """
    if run == "stationary":
        return f"stationary_{surface}"
    if speed_limit_mph is None:
        raise ValueError("a highway column needs the site's speed limit")
    return f"highway_{surface}_{'fast' if is_fast_road(speed_limit_mph) else 'slow'}"


def table_1_limit(
    distance_ft: float, run: Run, surface: Surface, speed_limit_mph: float | None
) -> float | None:
    """Maximum permissible reading of 49 CFR 325.7, Table 1 [dB(A)]; None without a row.

    >>> table_1_limit(50.0, "highway", "soft", 35.0), table_1_limit(83.0, "highway", "soft", 35.0)
    (83.0, None)
    """
    row = distance_row("table_1.csv", distance_ft)
    return float(row[table_column(run, surface, speed_limit_mph)]) if row else None


def misprint_limit(
    distance_m: float, run: Run, surface: Surface, speed_limit_mph: float | None
) -> float | None:
    """Limit by the metre that 325.7 prints for 58 ft, where it differs; None elsewhere [dB(A)].

    58 ft are 17.68 m; 325.73 prints 17.7 m, 325.7 prints 17.1 m.

    >>> misprint_limit(17.4, "highway", "soft", 35.0), misprint_limit(16.0, "highway", "soft", 35.0)
    (82.0, None)
    """
    rows = table_rows(PACKAGE, "table_1.csv")
    right = distance_row("table_1.csv", distance_m / FOOT_M)
    printed = [
        row
        for row, other in zip(rows, table_rows(PACKAGE, "distance_correction.csv"), strict=True)
        if row["printed_from_m"] != other["printed_from_m"]
    ]
    for row in printed:
        inside = float(row["printed_from_m"]) <= distance_m < float(row["printed_below_m"])
        if inside and row is not right:
            return float(row[table_column(run, surface, speed_limit_mph)])
    return None


def distance_correction(distance_ft: float) -> float | None:
    """What 325.73, Table 2 adds to a reading to bring it to 50 ft [dB]; None without a row.

    >>> distance_correction(60.0), distance_correction(31.0), distance_correction(83.0)
    (1.0, -4.0, None)
    """
    row = distance_row("distance_correction.csv", distance_ft)
    return float(row["correction_db"]) if row else None


def site_correction(run: Run, surface: Surface) -> float:
    """What 325.75 adds: highway on a hard site, stationary on a soft one [dB].

    >>> site_correction("highway", "hard"), site_correction("stationary", "soft")
    (-2.0, 2.0)
    >>> site_correction("highway", "soft"), site_correction("stationary", "hard")
    (0.0, 0.0)
    """
    if run == "highway" and surface == "hard":
        return number("hard_site_highway_db")
    if run == "stationary" and surface == "soft":
        return number("soft_site_stationary_db")
    return 0.0


def level_at_50_ft(level: float, distance_ft: float, run: Run, surface: Surface) -> float | None:
    """Reading corrected for distance and site, cumulative (325.79) [dB(A)].

    >>> level_at_50_ft(86.0, 60.0, "highway", "hard")
    85.0
    >>> level_at_50_ft(88.0, 35.0, "stationary", "soft")
    87.0
    """
    distance = distance_correction(distance_ft)
    return None if distance is None else level + distance + site_correction(run, surface)


def in_use_row(model_year: int) -> dict[str, str]:
    """Generation of in-use limits for a model year (40 CFR 202.12(f), (g)).

    >>> in_use_row(1985)["generation"], in_use_row(1986)["generation"]
    ('before 1986', '1986 and later')
    """
    for row in table_rows(PACKAGE, "in_use_limits.csv"):
        low = int(row["from_model_year"] or 0)
        high = int(row["to_model_year"] or 9999)
        if low <= model_year <= high:
            return row
    raise ValueError(f"no in-use limits for model year {model_year}")


def in_use_limit(model_year: int, run: Run, speed_limit_mph: float | None) -> float:
    """In-use limit at 50 ft (40 CFR 202.20, 202.21) [dB(A)].

    >>> in_use_limit(1985, "highway", 35.0), in_use_limit(1986, "highway", 55.0)
    (86.0, 87.0)
    >>> in_use_limit(1985, "stationary", None), in_use_limit(2010, "stationary", None)
    (88.0, 85.0)
    """
    row = in_use_row(model_year)
    if run == "stationary":
        return float(row["stationary_db"])
    if speed_limit_mph is None:
        raise ValueError("a highway limit needs the site's speed limit")
    return float(row["fast_db" if is_fast_road(speed_limit_mph) else "slow_db"])


def in_use_clause(model_year: int, run: Run) -> str:
    """Where the in-use limit stands.

    >>> in_use_clause(1980, "stationary")
    '40 CFR 202.21(a)'
    """
    return in_use_row(model_year)[f"{run}_clause"]


def model_year_allowance(model_year: int, run: Run, speed_limit_mph: float | None) -> float:
    """What an older truck may have over Table 1 [dB]; derived, Table 1 does not print it.

    >>> model_year_allowance(1985, "highway", 55.0), model_year_allowance(1986, "highway", 55.0)
    (3.0, 0.0)
    """
    older = in_use_limit(model_year, run, speed_limit_mph)
    return older - in_use_limit(TABLE_BASIS_YEAR, run, speed_limit_mph)


def new_truck_limit(made: int) -> float | None:
    """Limit of the type test of a new truck by the year it was made (40 CFR 205.52) [dB(A)].

    >>> new_truck_limit(1978), new_truck_limit(1985), new_truck_limit(2020)
    (None, 83.0, 80.0)
    """
    rows = table_rows(PACKAGE, "new_truck_limits.csv")
    due = [float(row["limit_db"]) for row in rows if int(row["made_from"][:4]) <= made]
    return due[-1] if due else None


def agreeing_mean(maxima: Sequence[float]) -> float | None:
    """Mean of the first two maxima of run-ups that agree within 2 dB(A) (325.59) [dB(A)].

    >>> agreeing_mean([85.0, 88.0, 87.5]), agreeing_mean([85.0, 88.0]), agreeing_mean([85.0])
    (87.75, None, None)
    """
    bound = number("agreement_db")
    for later in range(1, len(maxima)):
        for earlier in range(later):
            if abs(maxima[later] - maxima[earlier]) <= bound + _FLOAT_DUST:
                return (maxima[earlier] + maxima[later]) / 2.0
    return None


def verdict_of(level: float, limit: float) -> Verdict:
    """Verdict of a valid reading against its limit, the tolerance of 325.9 stated apart.

    >>> verdict_of(87.0, 87.0), verdict_of(87.1, 87.0), verdict_of(89.0, 87.0)
    ('not above limit', 'above limit but within the tolerance', 'above limit but within the \
tolerance')
    >>> verdict_of(89.1, 87.0)
    'above limit'
    """
    excess = level - limit
    if excess <= _FLOAT_DUST:
        return NOT_ABOVE
    return WITHIN_TOLERANCE if excess <= number("tolerance_db") + _FLOAT_DUST else ABOVE
