"""One row of a record sheet: a pass or a stationary run, with its units turned into the rule's.

A cell that cannot be read never stops the sheet and is never guessed: the row
keeps the fault, and its verdict is *not valid*.  A column that is not known, an
id that stands twice or a decimal comma stops the file, because then every row
may be misread.
"""

from __future__ import annotations

import datetime
import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from noisemap.data_tables import table_rows
from noisemap.errors import BadDataError, UsageError
from noisemap.inspection.rule import PACKAGE, Run, Surface
from noisemap.readers.tables import TextTable, read_table
from noisemap.readers.workbooks import read_workbook
from noisemap.units import FOOT_M, MILE_M, POUND_KG

FEET = {"ft": 1.0, "m": 1.0 / FOOT_M}
MILES_PER_HOUR = {"mph": 1.0, "kmh": 1000.0 / MILE_M, "ms": 3600.0 / MILE_M}
POUNDS = {"lb": 1.0, "kg": 1.0 / POUND_KG}

QUANTITIES: dict[str, tuple[Mapping[str, float], float, float]] = {
    "distance": (FEET, 0.0, 2000.0),
    "microphone_height": (FEET, 0.0, 100.0),
    "microphone_above_surface": (FEET, 0.0, 100.0),
    "observer_distance": (FEET, 0.0, 1000.0),
    "open_radius": (FEET, 0.0, 10_000.0),
    "tunnel_distance": (FEET, 0.0, 1_000_000.0),
    "outlet_to_target": (FEET, 0.0, 1000.0),
    "speed_limit": (MILES_PER_HOUR, 1.0, 120.0),
    "wind": (MILES_PER_HOUR, 0.0, 200.0),
    "gust": (MILES_PER_HOUR, 0.0, 250.0),
    "gross_weight": (POUNDS, 100.0, 500_000.0),
}
"""Quantity: its units with the factor to the rule's unit, and its limits in that unit."""

NUMBERS: dict[str, tuple[float, float]] = {
    "reading_dba": (20.0, 140.0),
    "ambient_before": (10.0, 140.0),
    "ambient_after": (10.0, 140.0),
    "rise_db": (0.0, 100.0),
    "fall_db": (0.0, 100.0),
    "model_year": (1900.0, 2100.0),
    "posted_speed_level_dba": (20.0, 140.0),
    "field_check_before": (60.0, 130.0),
    "field_check_after": (60.0, 130.0),
    "maximum_1_dba": (20.0, 140.0),
    "maximum_2_dba": (20.0, 140.0),
    "maximum_3_dba": (20.0, 140.0),
    "maximum_4_dba": (20.0, 140.0),
}
MAXIMA = ("maximum_1_dba", "maximum_2_dba", "maximum_3_dba", "maximum_4_dba")

CHOICES: dict[str, tuple[str, ...]] = {
    "run": ("highway", "stationary"),
    "site_surface": ("hard", "soft"),
    "exhaust_condition": tuple(
        row["condition"] for row in table_rows(PACKAGE, "exhaust_conditions.csv")
    ),
    "tyres": tuple(row["condition"] for row in table_rows(PACKAGE, "tyre_conditions.csv")),
    "tyres_original": ("yes", "no"),
    "interstate": ("yes", "no"),
    "governor": ("yes", "no"),
    "windscreen": ("yes", "no"),
    "lane_dry": ("yes", "no"),
    "inside_zone": ("yes", "no"),
    "emergency_seen": ("yes", "no"),
    "exempt": ("none", "horn or siren", "emergency vehicle", "snow plow", "auxiliary equipment"),
}
DATES = ("date", "lab_calibration_date")
TEXTS = (
    "reading_id", "time", "site", "state", "lane", "target_point", "precipitation", "vehicle",
    "carrier", "plate", "officer", "training", "meter_type", "meter_serial", "calibrator_serial",
    "recording_sha256", "retarder_heard_by", "note",
)  # fmt: skip

KNOWN: tuple[str, ...] = (
    *TEXTS,
    *DATES,
    *CHOICES,
    *NUMBERS,
    *(f"{name}_{unit}" for name, (units, _, _) in QUANTITIES.items() for unit in units),
)
MOST_ROWS = 20_000

_CLOCK = re.compile(r"^([01]?\d|2[0-3]):[0-5]\d(:[0-5]\d)?$")
_DECIMAL_COMMA = re.compile(r"^[+-]?\d+,\d+$")


@dataclass(frozen=True)
class Reading:
    """One row: every value in the rule's unit or None, as recorded, and the cells not read."""

    line: int
    reading_id: str
    run: Run
    numbers: Mapping[str, float]
    choices: Mapping[str, str]
    dates: Mapping[str, datetime.date]
    texts: Mapping[str, str]
    recorded: Mapping[str, str]
    faults: tuple[str, ...]

    def value(self, name: str) -> float | None:
        """A number in the rule's unit (ft, mph, lb, dB, year), None when not recorded."""
        return self.numbers.get(name)

    def text(self, name: str) -> str:
        """A text or a choice, empty when not recorded."""
        return self.choices.get(name) or self.texts.get(name, "")

    def as_recorded(self, name: str) -> str:
        """A quantity as it stands in the sheet, with its unit; empty when not recorded."""
        return self.recorded.get(name, "")

    @property
    def surface(self) -> Surface | None:
        """Kind of the site."""
        word = self.choices.get("site_surface")
        return "hard" if word == "hard" else "soft" if word == "soft" else None

    @property
    def maxima(self) -> tuple[float, ...]:
        """Maxima of the run-ups in their order."""
        return tuple(self.numbers[name] for name in MAXIMA if name in self.numbers)


def read_readings(path: Path, sheet: str | None = None) -> tuple[Reading, ...]:
    """Rows of a record sheet, CSV or XLSX.

    Raises
    ------
    BadDataError
        When the file, its header or its numbers' form cannot be trusted, or a
        `reading_id` stands twice.
    UsageError
        When a sheet is named for a file that has none.
    """
    if path.suffix.lower() in (".xlsx", ".xlsm"):
        table = read_workbook(path, sheet=sheet)
    elif sheet is not None:
        raise UsageError(f"{path.name}: a sheet is named, but only XLSX workbooks have sheets")
    else:
        table = read_table(path)
    _check_columns(table)
    if len(table.rows) > MOST_ROWS:
        raise BadDataError(f"{table.name}: {len(table.rows):,} rows; split it at {MOST_ROWS:,}")
    columns = {name: table.text(name) for name in table.header}
    readings = tuple(
        _reading(table.name, line, {name: cells[place] for name, cells in columns.items()})
        for place, line in enumerate(table.lines)
    )
    _check_ids(table.name, readings)
    return readings


def _check_columns(table: TextTable) -> None:
    strange = []
    for name in table.header:
        if name not in KNOWN:
            close = difflib.get_close_matches(name, KNOWN, n=1)
            strange.append(f"{name!r}" + (f" (did you mean {close[0]!r}?)" if close else ""))
    if strange:
        raise BadDataError(
            f"{table.name}:1: column not known: {', '.join(strange)}; "
            f"rename or delete it (allowed: {', '.join(sorted(KNOWN))})"
        )


def _check_ids(name: str, readings: tuple[Reading, ...]) -> None:
    lines: dict[str, list[int]] = {}
    for reading in readings:
        lines.setdefault(reading.reading_id, []).append(reading.line)
    double = {key: where for key, where in lines.items() if len(where) > 1}
    if double:
        told = "; ".join(f"{key!r} on lines {', '.join(map(str, v))}" for key, v in double.items())
        raise BadDataError(f"{name}: reading_id stands twice: {told}; number the rows apart")


def _reading(file: str, line: int, cells: Mapping[str, str]) -> Reading:
    faults: list[str] = []
    numbers: dict[str, float] = {}
    recorded: dict[str, str] = {}
    for name, (low, high) in NUMBERS.items():
        value = _number(file, line, name, cells.get(name, ""), low, high, faults)
        if value is not None:
            numbers[name] = value
    for name, (units, low, high) in QUANTITIES.items():
        given = [f"{name}_{unit}" for unit in units if cells.get(f"{name}_{unit}")]
        if len(given) > 1:
            faults.append(f"{name}: {' and '.join(given)} are both given; keep one")
            continue
        for unit, factor in units.items():
            column = f"{name}_{unit}"
            cell = cells.get(column, "")
            value = _number(file, line, column, cell, low / factor, high / factor, faults)
            if value is not None:
                numbers[name] = value * factor
                recorded[name] = f"{cell} {'km/h' if unit == 'kmh' else unit}"
    choices = {}
    for name, allowed in CHOICES.items():
        cell = cells.get(name, "").lower()
        if cell in allowed:
            choices[name] = cell
        elif cell:
            faults.append(f"{name}: {cells[name]!r} is not one of: {', '.join(allowed)}")
    dates = {}
    for name in DATES:
        cell = cells.get(name, "")
        try:
            if cell:
                dates[name] = datetime.date.fromisoformat(cell[:10])
        except ValueError:
            faults.append(f"{name}: {cell!r} is not a date; write 2026-04-30")
    if cells.get("time") and not _CLOCK.match(cells["time"]):
        faults.append(f"time: {cells['time']!r} is not a time of day; write 22:05")
    if "model_year" in numbers and numbers["model_year"] % 1:
        faults.append(f"model_year: {cells['model_year']!r} is not a whole year")
        del numbers["model_year"]
    run: Run = "stationary" if choices.get("run") == "stationary" else "highway"
    faults += _misplaced(run, numbers)
    texts = {name: cells[name] for name in TEXTS if cells.get(name)}
    own_id = cells.get("reading_id", "") or f"line {line}"
    return Reading(line, own_id, run, numbers, choices, dates, texts, recorded, tuple(faults))


def _misplaced(run: Run, numbers: Mapping[str, float]) -> list[str]:
    """Levels that belong to the other kind of run."""
    if run == "stationary" and "reading_dba" in numbers:
        return ["reading_dba: belongs to a highway pass; write the maxima of the run-ups"]
    if run == "highway":
        names = [name for name in MAXIMA if name in numbers]
        return [f"{name}: belongs to a run that is 'stationary'" for name in names]
    return []


def _number(
    file: str, line: int, column: str, cell: str, low: float, high: float, faults: list[str]
) -> float | None:
    """The cell's number, None when it is blank or at fault."""
    if not cell:
        return None
    if _DECIMAL_COMMA.match(cell):
        raise BadDataError(
            f"{file}:{line}: {column}: {cell} has a decimal comma; write "
            f"{cell.replace(',', '.')} with a point throughout the file"
        )
    try:
        value = float(cell)
    except ValueError:
        faults.append(f"{column}: {cell!r} is not a number")
        return None
    if not (math.isfinite(value) and low <= value <= high):
        faults.append(f"{column}: {cell!r} lies outside {low:g} to {high:g}")
        return None
    return value
