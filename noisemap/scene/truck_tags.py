"""What the tags of a road say about heavy trucks; what they do not say stays unknown."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from noisemap.units import FOOT_M, POUND_KG

Leave = Literal["yes", "no", "local", "unknown"]

SHORT_TON_T = 2000.0 * POUND_KG / 1000.0

_METRES = re.compile(r"^(\d+(?:[.,]\d+)?)\s*m?$", re.IGNORECASE)
_FEET = re.compile(
    r"^(\d+(?:\.\d+)?)\s*(?:'|ft)\s*(?:(\d+(?:\.\d+)?)\s*(?:\"|'')?)?$", re.IGNORECASE
)
_MASS = re.compile(r"^(\d+(?:[.,]\d+)?)\s*(t|kg|lbs?|st)?$", re.IGNORECASE)
_TONNES_OF = {
    "t": 1.0,
    "kg": 1e-3,
    "lb": POUND_KG * 1e-3,
    "lbs": POUND_KG * 1e-3,
    "st": SHORT_TON_T,
}


@dataclass(frozen=True)
class TruckLimits:
    """What a road allows; not a number where nothing is tagged, infinite where no limit is."""

    height_m: float = math.nan
    mass_t: float = math.nan
    access: Leave = "unknown"  # for heavy trucks; local: only to a place on it
    hazmat: Leave = "unknown"


def parse_height(text: str) -> float:
    r"""Height in metres; not a number where the text is no height.

    >>> parse_height("4.2 m"), parse_height("none"), round(parse_height("13'6\""), 3)
    (4.2, inf, 4.115)
    >>> parse_height("default"), round(parse_height("12 ft"), 3)
    (nan, 3.658)
    """
    text = text.strip()
    if text.lower() in ("none", "no"):
        return math.inf
    metres, feet = _METRES.match(text), _FEET.match(text)
    if metres:
        return float(metres[1].replace(",", "."))
    if feet:
        return (float(feet[1]) + float(feet[2] or 0.0) / 12.0) * FOOT_M
    return math.nan


def parse_mass(text: str) -> float:
    """Mass in tonnes; not a number where the text is no mass.

    >>> parse_mass("7.5"), parse_mass("3500 kg"), round(parse_mass("80000 lbs"), 2)
    (7.5, 3.5, 36.29)
    >>> parse_mass("none"), parse_mass("bridge")
    (inf, nan)
    """
    text = text.strip()
    if text.lower() in ("none", "no"):
        return math.inf
    match = _MASS.match(text)
    if match is None:
        return math.nan
    return float(match[1].replace(",", ".")) * _TONNES_OF[(match[2] or "t").lower()]


def parse_leave(*values: str) -> Leave:
    """Permission by the first value that says something.

    >>> parse_leave("", "private"), parse_leave("destination"), parse_leave("designated", "no")
    ('no', 'local', 'yes')
    >>> parse_leave("", "sometimes")
    'unknown'
    """
    for value in values:
        word = value.strip().lower()
        if word in ("yes", "true", "1", "designated", "permissive"):
            return "yes"
        if word in ("no", "false", "0", "private", "agricultural", "forestry"):
            return "no"
        if word in ("destination", "delivery", "customers"):
            return "local"
    return "unknown"


def truck_limits(tags: Mapping[str, str]) -> TruckLimits:
    """Limits of a way for heavy trucks.

    >>> truck_limits({"hgv": "no"}).access, truck_limits({}).access
    ('no', 'unknown')
    """

    def first(*keys: str) -> str:
        return next((tags[key] for key in keys if tags.get(key, "").strip()), "")

    return TruckLimits(
        height_m=parse_height(first("maxheight:physical", "maxheight")),
        mass_t=parse_mass(first("maxweight:hgv", "maxweight")),
        access=parse_leave(first("hgv"), first("motor_vehicle"), first("vehicle"), first("access")),
        hazmat=parse_leave(first("hazmat")),
    )
