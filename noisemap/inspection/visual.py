"""The visual rules, which come first: the exhaust system and the tyres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from noisemap.data_tables import table_rows
from noisemap.inspection import rule
from noisemap.inspection.rows import Reading

Outcome = Literal["fails", "no defect seen", "not inspected", "excused", "fails unless excused"]


@dataclass(frozen=True)
class Finding:
    """What was seen, what the rule says of it, and where."""

    outcome: Outcome
    clause: str
    text: str


def exhaust_finding(reading: Reading) -> Finding:
    """Finding on the exhaust system (49 CFR 325.91, 40 CFR 202.22)."""
    row = _row("exhaust_conditions.csv", reading.text("exhaust_condition"))
    return Finding(_outcome(row["finding"]), f"{row['clause']}, 40 CFR 202.22", row["meaning"])


def tyre_finding(reading: Reading) -> Finding:
    """Finding on the tyres with the rule's two excuses (49 CFR 325.93, 40 CFR 202.23)."""
    row = _row("tyre_conditions.csv", reading.text("tyres"))
    clause = f"{row['clause']}, 40 CFR 202.23"
    if row["finding"] != "fails":
        return Finding(_outcome(row["finding"]), clause, row["meaning"])
    most = rule.number("tyre_excuse_db")
    level = reading.value("posted_speed_level_dba")
    if reading.text("tyres_original") == "no":
        return Finding("excused", clause, f"{row['meaning']}; not the original tread")
    if level is not None and level <= most:
        told = f"{level:g} dB(A) at 50 ft at the posted speed, {most:g} or less"
        return Finding("excused", clause, f"{row['meaning']}; {told}")
    if reading.text("tyres_original") == "yes" and level is not None:
        return Finding("fails", clause, f"{row['meaning']}; {level:g} dB(A) at the posted speed")
    return Finding(
        "fails unless excused",
        clause,
        f"{row['meaning']}; excused if it is not the original tread, or if the vehicle stays "
        f"within {most:g} dB(A) at 50 ft at the posted speed on a road over 35 mph: not recorded",
    )


def exhaust_group(reading: Reading) -> str:
    """Group of the exhaust for the fleet picture: quiet, worn, straight, or unknown (empty)."""
    return _row("exhaust_conditions.csv", reading.text("exhaust_condition"))["exhaust_group"]


def _row(table: str, condition: str) -> dict[str, str]:
    wanted = condition or "not inspected"
    return next(row for row in table_rows(rule.PACKAGE, table) if row["condition"] == wanted)


def _outcome(text: str) -> Outcome:
    if text == "fails":
        return "fails"
    return "no defect seen" if text == "no defect seen" else "not inspected"
