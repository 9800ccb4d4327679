"""What the tags of a road mean; values that are not understood are said to be so."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from noisemap.data_tables import table_rows
from noisemap.scene.model import BRIDGE, ON_GROUND, TUNNEL
from noisemap.scene.truck_tags import TruckLimits, truck_limits

MILE_KM = 1.609344
UNLIMITED_KMH = 130.0
WALKING_KMH = 7.0
LARGEST_AADT = 500_000.0
MOST_LANES = 20.0
LONGEST_SURFACE = 40
TRUCK_MASS_T = 7.5

NOTHING_TAGGED = TruckLimits()

_SPEED = re.compile(r"^(\d{1,3}(?:\.\d+)?)\s*(km/h|kmh|kph|mph)?$", re.IGNORECASE)
_TONNES = re.compile(r"^(\d+(?:\.\d+)?)\s*(t|st)?$", re.IGNORECASE)


@dataclass(frozen=True)
class RoadTags:
    """Attributes of one road way."""

    road_class: str
    ref: str
    name: str
    speed_kmh: float
    speed_assumed: bool
    structure: int
    direction: int  # 0 both, 1 with the points, -1 against them
    trucks: bool  # trucks may drive here
    roundabout: bool
    grade_pct: float | None  # surveyed grade with the points [%]
    odd: tuple[str, ...]  # values that were not understood, in words
    limits: TruckLimits = NOTHING_TAGGED
    aadt: float | None = None  # vehicles of an average day, both directions drawn by the line
    truck_pct: float | None = None  # heavy trucks among them [%]
    surface: str = ""  # of what the road is made; untrusted text, blank where not given
    lanes: float | None = None  # in both directions drawn by the line
    layer: int = 0  # which of two roads that cross without meeting lies above


def class_rows() -> dict[str, dict[str, str]]:
    """Rows of the table of road classes by class."""
    rows = table_rows("noisemap.scene", "road_classes.csv")
    return {row["road_class"]: row for row in rows}


def parse_speed(text: str) -> float | None:
    """Speed limit in km/h of a plain value, None when it is no plain value.

    >>> parse_speed("50"), round(parse_speed("45 mph"), 3), parse_speed("none")
    (50.0, 72.42, 130.0)
    >>> parse_speed("walk"), parse_speed("90;30;90"), parse_speed("US:urban")
    (7.0, None, None)
    """
    text = text.strip().lower()
    if text == "none":
        return UNLIMITED_KMH
    if text == "walk":
        return WALKING_KMH
    match = _SPEED.match(text)
    if match is None:
        return None
    value = float(match[1]) * (MILE_KM if (match[2] or "").lower() == "mph" else 1.0)
    return value if value > 0.0 else None


def parse_direction(text: str, roundabout: bool) -> int | None:
    """Driving direction: 1 with the points, -1 against them, 0 both, None if unclear.

    County files write it from node to node: FT, TF, B.

    >>> [parse_direction(value, False) for value in ("yes", "true", "1", "-1", "no", "", "maybe")]
    [1, 1, 1, -1, 0, 0, None]
    >>> [parse_direction(value, False) for value in ("Y", "FT", "TF", "N", "B")]
    [1, 1, -1, 0, 0]
    """
    text = text.strip().lower()
    if text in ("yes", "y", "true", "1", "ft"):
        return 1
    if text in ("-1", "reverse", "tf"):
        return -1
    if text in ("no", "n", "false", "0", "b", "both"):
        return 0
    if text in ("", "alternating", "reversible"):
        return 1 if roundabout and not text else 0
    return None


def structure_of(bridge: str, tunnel: str) -> int:
    """ON_GROUND, BRIDGE or TUNNEL; a passage under a building is on the ground.

    >>> structure_of("yes", ""), structure_of("", "yes"), structure_of("", "building_passage")
    (1, 2, 0)
    """
    no = ("", "no", "false", "0")
    if tunnel.strip().lower() not in (*no, "building_passage", "culvert"):
        return TUNNEL
    return BRIDGE if bridge.strip().lower() not in no else ON_GROUND


def trucks_allowed(tags: Mapping[str, str]) -> bool:
    """Whether heavy trucks may drive on the way.

    >>> trucks_allowed({"hgv": "no"}), trucks_allowed({"maxweight": "3.5"}), trucks_allowed({})
    (False, False, True)
    """
    hgv = tags.get("hgv", "").strip().lower()
    if hgv in ("no", "false", "0"):
        return False
    if hgv in ("yes", "true", "1", "designated", "destination", "delivery"):
        return True
    match = _TONNES.match(tags.get("maxweight", "").strip())
    if match is not None and float(match[1]) < TRUCK_MASS_T:
        return False
    return all(tags.get(key, "").strip().lower() != "no" for key in ("access", "motor_vehicle"))


def road_tags(tags: Mapping[str, str]) -> RoadTags:
    """Attributes of a way from its tags, with defaults by class."""
    odd: list[str] = []
    rows = class_rows()
    road_class = tags.get("highway", "").strip().lower() or "unknown"
    speed, assumed = float(rows[road_class]["speed_kmh"]), True
    for key in ("maxspeed:hgv", "maxspeed"):
        value = tags.get(key, "").strip()
        if not value:
            continue
        parsed = parse_speed(value)
        if parsed is not None:
            speed, assumed = parsed, False
            break
        odd.append(f"{key}={value!r} is not one speed: the default of the class is used")
    roundabout = tags.get("junction", "").strip().lower() in ("roundabout", "circular")
    direction = parse_direction(tags.get("oneway", ""), roundabout)
    if direction is None:
        odd.append(f"oneway={tags['oneway']!r} is not understood: taken as both directions")
    return RoadTags(
        road_class=road_class,
        ref=tags.get("ref", "").strip(),
        name=tags.get("name", "").strip(),
        speed_kmh=speed,
        speed_assumed=assumed,
        structure=structure_of(tags.get("bridge", ""), tags.get("tunnel", "")),
        direction=direction or 0,
        trucks=trucks_allowed(tags),
        roundabout=roundabout,
        grade_pct=_grade(tags.get("grade_pct", "").strip(), odd),
        aadt=_count(tags, "aadt", LARGEST_AADT, odd),
        truck_pct=_count(tags, "truck_pct", 100.0, odd),
        surface=tags.get("surface", "").strip()[:LONGEST_SURFACE],
        lanes=_count(tags, "lanes", MOST_LANES, odd),
        layer=_layer(tags.get("layer", "").strip()),
        odd=tuple(odd),
        limits=truck_limits(tags),
    )


def _layer(text: str) -> int:
    """Layer of a way; 0 where none or no whole number is given.

    >>> _layer("-1"), _layer(""), _layer("x")
    (-1, 0, 0)
    """
    return int(text) if re.fullmatch(r"-?\d", text) else 0


def _count(tags: Mapping[str, str], key: str, largest: float, odd: list[str]) -> float | None:
    """Number of a column, None where it is blank or no such number."""
    text = tags.get(key, "").strip()
    if not text:
        return None
    try:
        value = float(text.removesuffix("%"))
    except ValueError:
        value = float("nan")
    if not 0.0 <= value <= largest:
        odd.append(f"{key}={text!r} is not a number from 0 to {largest:,.0f}: left out")
        return None
    return value


def _grade(text: str, odd: list[str]) -> float | None:
    """Surveyed grade in per cent, None when none is given."""
    if not text:
        return None
    try:
        value = float(text.removesuffix("%"))
    except ValueError:
        value = float("nan")
    if not abs(value) <= 40.0:
        odd.append(f"grade_pct={text!r} is not a grade in per cent: the terrain decides")
        return None
    return value
