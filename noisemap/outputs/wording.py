"""Words and figures as the reader sees them: one rounding and one unit rule for all outputs."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable

from noisemap.exposure.results import BrakeRow, Interval
from noisemap.states import Binds, Zone
from noisemap.units import FOOT_M, MILE_M, fahrenheit

LONGEST_ANSWER = 2000
"""Signs of a study's answer that are shown."""

FEW_PEOPLE = 5
"""Counts of people below this are not published."""

HIDDEN = frozenset("\u200b\u200c\u200d\u200e\u200f\u061c\ufeff\u2028\u2029")
"""Marks without a shape that could reorder or hide the text around them."""

BINDS_WORDS: dict[Binds, str] = {
    "unmuffled_compression_release": "compression-release brakes without a working muffler",
    "compression_release": "every compression-release brake, muffled or not",
    "every_auxiliary_brake": "every auxiliary brake",
}


def plain(text: str, longest: int = 120) -> str:
    r"""Name from a file as one printable line.

    Control characters, line ends and marks that change the writing direction
    are dropped; a name longer than `longest` is cut.

    >>> plain("Oak\tStreet\n5"), plain("a\u202eb")
    ('Oak Street 5', 'ab')
    """
    kept = []
    for sign in text:
        kind = unicodedata.category(sign)
        if sign in "\t\n\r\v\f\x85":
            kept.append(" ")
        elif kind[0] != "C" and sign not in HIDDEN:
            kept.append(sign)
    line = " ".join("".join(kept).split())
    return line if len(line) <= longest else line[: longest - 1] + "…"


def sentence_start(text: str) -> str:
    """Words with a capital at their start.

    >>> sentence_start("night level")
    'Night level'
    """
    return text[:1].upper() + text[1:]


def tenth(value: float) -> float | None:
    """Level or difference to the tenth that the method can carry; None where there is none [dB].

    >>> tenth(54.26), tenth(float("-inf"))
    (54.3, None)
    """
    return round(float(value), 1) + 0.0 if math.isfinite(value) else None


def count(value: float) -> str:
    """Number of people or passes in words a reader can check.

    >>> count(1234.4), count(3.44), count(0.04), count(0.0)
    ('1,234', '3.4', 'fewer than 0.1', '0')
    """
    if not math.isfinite(value):
        return "not known"
    if 0.0 < abs(value) < 0.05:
        return "fewer than 0.1"
    if abs(value) < 9.95 and abs(value - round(value)) >= 0.05:
        return f"{value:.1f}"
    return f"{value:,.0f}"


def people_shown(value: float) -> str:
    """People of one home or one band, small counts hidden.

    >>> people_shown(2.4), people_shown(0.0), people_shown(41.2)
    ('fewer than 5', '0', '41')
    """
    if 0.0 < value < FEW_PEOPLE:
        return f"fewer than {FEW_PEOPLE}"
    return f"{value:,.0f}"


def people_cell(value: float) -> int | None:
    """People as a number for a table; nothing where the count is too small to publish.

    >>> people_cell(41.2), people_cell(2.4), people_cell(0.0)
    (41, None, 0)
    """
    return None if 0.0 < value < FEW_PEOPLE or not math.isfinite(value) else round(value)


def people_interval(value: Interval) -> str:
    """Whole number of people followed by its 90 % interval, small counts hidden.

    >>> people_interval(Interval(350.2, 7.5, 465.0)), people_interval(Interval(3.0, 0.0, 40.0))
    ('350 (8 to 465)', 'fewer than 5 (0 to 40)')
    """
    low, high = people_shown(value.low), people_shown(value.high)
    return f"{people_shown(value.best)} ({low} to {high})"


def with_interval(value: Interval) -> str:
    """Best figure followed by its 90 % interval.

    >>> with_interval(Interval(3.44, 0.8, 16.0))
    '3.4 (0.8 to 16)'
    """
    return f"{count(value.best)} ({count(value.low)} to {count(value.high)})"


def decibels(value: Interval) -> str:
    """Difference in decibels with its 90 % interval.

    >>> decibels(Interval(3.14, 1.0, 5.26))
    '3.1 dB (1.0 to 5.3)'
    """
    return f"{value.best:.1f} dB ({value.low:.1f} to {value.high:.1f})"


def both_temperatures(celsius_value: float, units: str) -> str:
    r"""Temperature in the reader's unit, the other one behind it.

    Figure and unit are held together by a space that no line breaks at.

    >>> both_temperatures(260.0, "us") == "500\u00a0°F (260\u00a0°C)"
    True
    """
    us = f"{fahrenheit(celsius_value):.0f}\u00a0°F"
    si = f"{celsius_value:.0f}\u00a0°C"
    return f"{us} ({si})" if units == "us" else f"{si} ({us})"


def room_words(row: BrakeRow, units: str) -> str:
    """Room between the zone's hottest brakes and the planning limit, in the reader's unit."""
    margin = row.planning_limit_c - row.peak_zone_c
    shown = margin * 9.0 / 5.0 if units == "us" else margin
    unit = "°F" if units == "us" else "°C"
    return f"{abs(shown):.0f}\u00a0{unit}\u00a0{'below' if margin >= 0.0 else 'above'}"


def temperature_margin(row: BrakeRow, units: str) -> str:
    """Room left below the planning limit with the zone, in words."""
    return f"{room_words(row, units)} the planning limit"


def brake_verdict(row: BrakeRow) -> str:
    """Words for one truck's hottest brakes with the zone in force."""
    if row.peak_zone_c > row.hard_limit_c:
        return "over the hard limit"
    if row.peak_zone_c <= row.planning_limit_c:
        return "within the planning limit"
    if row.forbids:
        return "over the planning limit because of the zone"
    return "over the planning limit even without the zone"


def along_road(metres: float, units: str) -> str:
    """Place along a road, fine enough to find a sign's post.

    >>> along_road(1609.344, "us"), along_road(1234.0, "metric")
    ('1.00 mi', '1.23 km')
    """
    if units == "us":
        return f"{metres / MILE_M:.2f} mi"
    return f"{metres / 1000.0:.2f} km"


def both_lengths(metres: float, units: str) -> str:
    """Length in the reader's unit, the other one behind it.

    >>> both_lengths(914.4, "us"), both_lengths(914.4, "metric")
    ('3,000 ft (914 m)', '914 m (3,000 ft)')
    """
    us, si = f"{metres / FOOT_M:,.0f} ft", f"{metres:,.0f} m"
    return f"{us} ({si})" if units == "us" else f"{si} ({us})"


def zone_place(zone: Zone, units: str) -> str:
    """Where a zone lies, from end to end."""
    low, high = sorted((zone.from_m, zone.to_m))
    return (
        f"{plain(zone.road)}, {along_road(low, units)} to {along_road(high, units)}, "
        f"{both_lengths(high - low, units)} long"
    )


def hours_text(hours: Iterable[int]) -> str:
    """Hours of the day as clock times, runs over midnight joined.

    >>> hours_text(range(24)), hours_text([22, 23, 0, 1, 2, 3, 4, 5, 6]), hours_text([7, 9])
    ('all day and night', '22:00 to 07:00', '07:00 to 08:00, 09:00 to 10:00')
    """
    chosen = set(hours)
    if len(chosen) == 24:
        return "all day and night"
    starts = [hour for hour in sorted(chosen) if (hour - 1) % 24 not in chosen]
    parts = []
    for start in starts:
        end = start
        while end % 24 in chosen:
            end += 1
        parts.append(f"{start:02d}:00 to {(end - 1) % 24 + 1:02d}:00")
    return ", ".join(parts) if parts else "no hour"
