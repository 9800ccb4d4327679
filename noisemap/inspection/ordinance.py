"""What an ordinance asks to be shown, by family of language, with the evidence or the gap."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from noisemap.data_tables import table_rows
from noisemap.inspection import rule
from noisemap.inspection.rows import Reading
from noisemap.inspection.visual import Finding

State = Literal["shown", "gap", "against"]

ELEMENTS = {
    "retarder_in_use": "retarder in use",
    "defect": "defect of the exhaust",
    "place": "inside the restricted stretch",
    "time": "at a restricted time",
    "no_emergency": "no emergency",
}


@dataclass(frozen=True)
class Element:
    """One element that an ordinance may ask for, with its evidence or the gap."""

    key: str
    name: str
    state: State
    text: str


@dataclass(frozen=True)
class Family:
    """One family of ordinances and the elements it needs."""

    key: str
    title: str
    needs: tuple[str, ...]
    note: str


def families() -> tuple[Family, ...]:
    """Families of ordinance language, from the package's table."""
    rows = table_rows(rule.PACKAGE, "ordinance_families.csv")
    return tuple(
        Family(
            row["family"],
            row["title"],
            tuple(key for key in ELEMENTS if row[key] == "yes"),
            row["note"],
        )
        for row in rows
    )


def elements(reading: Reading, exhaust: Finding) -> tuple[Element, ...]:
    """Evidence or gap of each element."""
    found = {
        "retarder_in_use": _retarder(reading),
        "defect": _defect(exhaust),
        "place": _place(reading),
        "time": _time(reading),
        "no_emergency": _emergency(reading),
    }
    return tuple(Element(key, name, *found[key]) for key, name in ELEMENTS.items())


def _retarder(reading: Reading) -> tuple[State, str]:
    if reading.run == "stationary":
        return "gap", "the stationary run-up does not exercise the retarder"
    heard = reading.text("retarder_heard_by")
    return ("shown", f"heard by: {heard}") if heard else ("gap", "nobody named who heard it")


def _defect(exhaust: Finding) -> tuple[State, str]:
    states: dict[str, State] = {"fails": "shown", "no defect seen": "against"}
    return states.get(exhaust.outcome, "gap"), exhaust.text


def _place(reading: Reading) -> tuple[State, str]:
    site = reading.text("site") or "no site named"
    inside = reading.text("inside_zone")
    if inside == "yes":
        return "shown", site
    if inside == "no":
        return "against", f"{site}: outside"
    return "gap", f"{site}: whether it lies inside is not recorded"


def _time(reading: Reading) -> tuple[State, str]:
    date, hour = reading.dates.get("date"), reading.text("time")
    told = f"{date.isoformat() if date else 'no date'}, {hour or 'no time'}"
    return ("shown" if date and hour else "gap"), f"{told}; compare with the posted hours"


def _emergency(reading: Reading) -> tuple[State, str]:
    seen = reading.text("emergency_seen")
    if seen == "no":
        return "shown", "none seen"
    return ("against", "an emergency was seen") if seen == "yes" else ("gap", "not recorded")
