"""Classes in which the map and the pictures show levels, with their colours and sizes.

The colours are our own.  A level is shown on one hue, blue, from pale to nearly
black, and by the size of the mark, so that no colour has to be told from
another: the picture works in grey, in print and with any colour vision.  A
difference has its own hue, violet, so that nobody takes it for a level.  Ochre
stands for the retarder, magenta for a zone; both differ from the blues in
lightness and are also told by width, dashes and words.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

LEVEL_RAMP = ("#dbe7f3", "#6f9cc9", "#23538f", "#071d3d")
DIFFERENCE_RAMP = ("#f4eef8", "#b48ccd", "#6a358f", "#35094f")
RETARDER_RAMP = ("#f0d9a8", "#d9a441", "#a8690a", "#6b3d00")
GRADE_RAMP = ("#9a9a9a", "#5f5f5f", "#262626")
ZONE_COLOUR = "#a3006b"
SMALLEST_MARK, LARGEST_MARK = 3.5, 9.0  # radius [px]


@dataclass(frozen=True)
class Band:
    """One class: from `low` up to but not including `high`."""

    low: float
    high: float
    label: str
    colour: str
    radius: float


def classes(
    edges: Sequence[float], unit: str, ramp: Sequence[str], lowest: str = "", highest: str = ""
) -> tuple[Band, ...]:
    """Classes between edges, open at both ends, darker and larger upwards."""
    bounds = [-math.inf, *edges, math.inf]
    last = len(bounds) - 2
    bands = []
    for index, (low, high) in enumerate(pairwise(bounds)):
        if index == 0:
            label = lowest or f"under {edges[0]:g} {unit}"
        elif index == last:
            label = highest or f"{edges[-1]:g} {unit} and more"
        else:
            label = f"{low:g} to {high:g} {unit}"
        share = index / last
        radius = SMALLEST_MARK + share * (LARGEST_MARK - SMALLEST_MARK)
        bands.append(Band(low, high, label, ramp_colour(ramp, share), round(radius, 1)))
    return tuple(bands)


def ramp_colour(ramp: Sequence[str], share: float) -> str:
    """Colour at a share 0 to 1 of a ramp.

    >>> ramp_colour(("#000000", "#ffffff"), 0.5)
    '#808080'
    """
    at = share * (len(ramp) - 1)
    low = min(int(at), len(ramp) - 2)
    parts = []
    for channel in (1, 3, 5):
        start, end = (int(ramp[low + k][channel : channel + 2], 16) for k in (0, 1))
        parts.append(round(start + (end - start) * (at - low)))
    return "#" + "".join(f"{part:02x}" for part in parts)


def band_of(bands: Sequence[Band], value: float) -> Band:
    """Class of a value; no sound at all belongs to the lowest."""
    if math.isnan(value):
        return bands[0]
    return next((band for band in bands if band.low <= value < band.high), bands[-1])


PEAK_BANDS = classes((50, 55, 60, 65, 70, 75, 80), "dB", LEVEL_RAMP, "under 50 dB or none")
NIGHT_BANDS = classes((35, 40, 45, 50, 55, 60), "dB", LEVEL_RAMP, "under 35 dB or none")
PASS_BANDS = classes((0.1, 1, 3, 10, 30), "a night", LEVEL_RAMP, "none or fewer than 0.1")
QUIETER_BANDS = classes((1, 3, 5, 10), "dB", DIFFERENCE_RAMP, "less than 1 dB")
FEWER_BANDS = classes((0.1, 1, 3, 10), "a night", DIFFERENCE_RAMP, "none or fewer than 0.1")
DUTY_BANDS = classes((0.05, 0.25, 0.5, 0.75), "", RETARDER_RAMP)[1:]
GRADE_BANDS = classes((2, 4, 6), "%", GRADE_RAMP)
DUTY_LABELS = (
    "up to a quarter of the time",
    "a quarter to a half",
    "a half to three quarters",
    "over three quarters",
)
