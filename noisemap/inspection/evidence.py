"""The chain of evidence of one row: what is recorded, what is missing or at fault."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from noisemap.inspection import rule
from noisemap.inspection.conditions import Condition
from noisemap.inspection.rows import Reading

SUFFICIENT = "evidence recorded in full"
NOT_SUFFICIENT = "not sufficient for enforcement"

_TEXTS = (
    ("vehicle", "vehicle"),
    ("carrier", "carrier"),
    ("plate", "plate"),
    ("officer", "officer"),
    ("training", "training of the officer"),
    ("site", "site"),
    ("lane", "lane"),
    ("target_point", "target and microphone points"),
    ("time", "time of day"),
    ("meter_serial", "serial number of the meter"),
    ("calibrator_serial", "serial number of the calibrator"),
    ("retarder_heard_by", "retarder heard by"),
)
_EVIDENCE_COLUMNS = frozenset(
    (
        "date", "time", "lab_calibration_date", "field_check_before", "field_check_after",
        "exhaust_condition", "tyres", "tyres_original", "posted_speed_level_dba",
        "inside_zone", "emergency_seen",
    )
)  # fmt: skip
_SHA256 = re.compile(r"^[0-9a-fA-F]{64}$")


@dataclass(frozen=True)
class Evidence:
    """One link of the chain."""

    name: str
    state: Literal["recorded", "missing", "at fault"]
    text: str


def evidence(reading: Reading, conditions: tuple[Condition, ...]) -> tuple[Evidence, ...]:
    """Every link of the chain, the rule's unrecorded conditions included."""
    links = [_text_link(reading, column, name) for column, name in _TEXTS]
    links += [_date(reading), _laboratory(reading), _field_check(reading), _recording(reading)]
    links += [
        Evidence(f"{item.name} ({item.clause})", "missing", f"asked: {item.asked}")
        for item in conditions
        if item.state == "not recorded" and not item.decides
    ]
    links += _gusts(reading)
    links += [
        Evidence("cell not readable", "at fault", fault)
        for fault in reading.faults
        if bears_on_evidence_only(fault)
    ]
    return tuple(links)


def bears_on_evidence_only(fault: str) -> bool:
    """Whether an unreadable cell touches the evidence and the visual rules, not the level.

    >>> bears_on_evidence_only("tyres: 'x' is not one of: ribbed")
    True
    >>> bears_on_evidence_only("wind_mph: 'x' is not a number")
    False
    """
    return fault.partition(":")[0] in _EVIDENCE_COLUMNS


def sufficiency(links: tuple[Evidence, ...]) -> str:
    """Whether the chain is whole."""
    whole = all(link.state == "recorded" for link in links)
    return SUFFICIENT if whole else NOT_SUFFICIENT


def field_check_drift(before: float, after: float) -> float:
    """Change of the meter's reading of its calibrator over the session [dB].

    >>> round(field_check_drift(94.0, 94.3), 2)
    0.3
    """
    return after - before


def _text_link(reading: Reading, column: str, name: str) -> Evidence:
    text = reading.text(column)
    return Evidence(name, "recorded" if text else "missing", text)


def _date(reading: Reading) -> Evidence:
    date = reading.dates.get("date")
    return Evidence("date", "recorded" if date else "missing", date.isoformat() if date else "")


def _laboratory(reading: Reading) -> Evidence:
    name, calibrated = "laboratory calibration", reading.dates.get("lab_calibration_date")
    measured, days = reading.dates.get("date"), rule.number("laboratory_calibration_days")
    if calibrated is None:
        return Evidence(name, "missing", "")
    if measured is None:
        return Evidence(name, "at fault", f"{calibrated}; the reading has no date to compare")
    age = (measured - calibrated).days
    if age < 0:
        return Evidence(name, "at fault", f"{calibrated} lies after the reading")
    if age > days:
        return Evidence(name, "at fault", f"{calibrated}, {age} days before (practice: {days:.0f})")
    return Evidence(name, "recorded", f"{calibrated}, {age} days before")


def _field_check(reading: Reading) -> Evidence:
    name = "field check before and after"
    before, after = reading.value("field_check_before"), reading.value("field_check_after")
    if before is None or after is None:
        return Evidence(name, "missing", "")
    drift, bound = field_check_drift(before, after), rule.number("field_check_drift_db")
    text = f"{before:g} and {after:g} dB, drift {drift:+.1f} dB (practice: {bound:g})"
    return Evidence(name, "recorded" if abs(drift) <= bound + 1e-6 else "at fault", text)


def _gusts(reading: Reading) -> list[Evidence]:
    """A gust below the wind it belongs to makes both entries doubtful."""
    wind, gust = reading.value("wind"), reading.value("gust")
    if wind is None or gust is None or gust >= wind:
        return []
    told = f"{reading.as_recorded('gust')} under a wind of {reading.as_recorded('wind')}"
    return [Evidence("wind and gusts", "at fault", told)]


def _recording(reading: Reading) -> Evidence:
    name, text = "hash of the recording", reading.text("recording_sha256")
    if not text:
        return Evidence(name, "missing", "")
    if not _SHA256.match(text):
        return Evidence(name, "at fault", "not 64 hexadecimal digits of SHA-256")
    return Evidence(name, "recorded", text.lower())
