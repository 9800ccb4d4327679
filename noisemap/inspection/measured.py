"""Measured levels at listed points: what, where, when, and the sound without it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from noisemap.errors import BadDataError, UsageError
from noisemap.readers.tables import TextTable, read_table
from noisemap.readers.workbooks import read_workbook
from noisemap.states import EXHAUST_STATES, ExhaustState

Quantity = Literal["traffic", "braking_maximum"]
QUANTITIES: tuple[Quantity, ...] = ("traffic", "braking_maximum")

NEEDED = ("point", "lon", "lat", "measured_dba", "residual_dba")
OPTIONAL = ("height_m", "quantity", "date", "time", "until", "road", "exhaust_state", "note")
LEVELS = (0.0, 140.0)
HEIGHT_M = 1.5
"""Microphone over the ground where the file gives none [m]."""

_CLOCK = re.compile(r"^([01]?\d|2[0-3]):([0-5]\d)(:[0-5]\d)?$")


@dataclass(frozen=True)
class Measured:
    """One row: a level with its residual at a point."""

    line: int
    point: str  # untrusted text
    lon: float
    lat: float
    height_m: float
    quantity: Quantity
    hours: tuple[int, ...]  # hours of the day that the measurement touches
    road: str  # of the pass; empty for the loudest there
    exhaust_state: ExhaustState | None
    measured: float  # [dB(A)]
    residual: float  # [dB(A)]

    @property
    def name(self) -> str:
        """Point with its hours, as tables show it."""
        clock = f" {self.hours[0]:02d}:00" if self.quantity == "traffic" else ""
        state = f" {self.exhaust_state}".replace("_", "-") if self.exhaust_state else ""
        return f"{self.point}{clock}{state}"


def read_measured(path: Path, sheet: str | None = None) -> tuple[Measured, ...]:
    """Rows of measured levels, CSV or XLSX.

    Columns: point, lon, lat [deg], measured_dba, residual_dba; optional height_m, quantity
    (traffic or braking_maximum), date, time and until (08:00), road, exhaust_state, note.

    Raises
    ------
    BadDataError
        With the faults of the file: columns, cells, rows that stand twice.
    UsageError
        When a sheet is named for a file that has none.
    """
    if path.suffix.lower() in (".xlsx", ".xlsm"):
        table = read_workbook(path, sheet=sheet)
    elif sheet is not None:
        raise UsageError(f"{path.name}: a sheet is named, but only XLSX workbooks have sheets")
    else:
        table = read_table(path)
    strange = [name for name in table.header if name not in (*NEEDED, *OPTIONAL)]
    missing = [name for name in NEEDED if name not in table.header]
    if strange or missing:
        told = [f"column not known: {', '.join(map(repr, strange))}"] if strange else []
        told += [f"no column {', '.join(missing)}"] if missing else []
        allowed = ", ".join((*NEEDED, *OPTIONAL))
        raise BadDataError(f"{table.name}: {'; '.join(told)} (allowed: {allowed})")
    return _rows(table)


def _rows(table: TextTable) -> tuple[Measured, ...]:
    low, high = LEVELS
    lon = table.number("lon", minimum=-180.0, maximum=180.0)
    lat = table.number("lat", minimum=-90.0, maximum=90.0)
    height = table.number("height_m", minimum=0.3, maximum=100.0, default=HEIGHT_M)
    measured = table.number("measured_dba", minimum=low, maximum=high)
    residual = table.number("residual_dba", minimum=low, maximum=high)
    quantity = table.choice("quantity", ("", *QUANTITIES), "")
    state = table.choice("exhaust_state", ("", *EXHAUST_STATES), "")
    points, roads = table.text("point"), table.text("road", "")
    starts, ends = table.text("time", ""), table.text("until", "")
    found: list[Measured] = []
    faults: list[str] = []
    for row, line in enumerate(table.lines):
        kind: Quantity = "braking_maximum" if quantity[row] == "braking_maximum" else "traffic"
        where = f"{table.name}:{line}"
        try:
            hours = _hours(starts[row], ends[row], kind)
        except ValueError as error:
            faults.append(f"{where}: {error}")
            continue
        exhaust = next((one for one in EXHAUST_STATES if one == state[row]), None)
        if kind == "braking_maximum" and exhaust is None:
            faults.append(f"{where}: exhaust_state: a braking maximum needs the state of its truck")
        if kind == "traffic" and exhaust is not None:
            faults.append(f"{where}: exhaust_state: leave it empty for the level of all traffic")
        if not points[row]:
            faults.append(f"{where}: point: empty; name the place")
        found.append(
            Measured(
                line, points[row], float(lon[row]), float(lat[row]), float(height[row]), kind,
                hours, roads[row], exhaust, float(measured[row]), float(residual[row]),
            )
        )  # fmt: skip
    if faults:
        raise BadDataError("\n".join(faults))
    return tuple(found)


def _hours(start: str, end: str, kind: Quantity) -> tuple[int, ...]:
    """Hours of the day that a measurement touches.

    >>> _hours("22:30", "01:00", "traffic"), _hours("08:15", "", "traffic")
    ((22, 23, 0), (8,))
    >>> _hours("", "", "braking_maximum")
    ()
    """
    if not start:
        if kind == "traffic":
            raise ValueError("time: the level of all traffic needs its time of day; write 08:00")
        return ()
    clocks = []
    for name, text in (("time", start), ("until", end)):
        match = _CLOCK.match(text) if text else None
        if text and match is None:
            raise ValueError(f"{name}: {text!r} is not a time of day; write 08:00")
        clocks.append(int(match[1]) * 60 + int(match[2]) if match else None)
    first, last = clocks
    assert first is not None
    if last is None:
        last = first + 1
    minutes = (last - first) % (24 * 60) or 24 * 60
    touched = np.arange(first // 60, (first + minutes - 1) // 60 + 1) % 24
    return tuple(dict.fromkeys(touched.tolist()))
