"""Where a zone's signs would stand, and what trucks have chosen when they reach it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from noisemap.data_tables import toml_table
from noisemap.exposure.arrivals import HillsAbove
from noisemap.exposure.driving import Practice, TruckClass, drive_road, in_zone, road_rows
from noisemap.scene.descents import descents
from noisemap.scene.model import Road, Scene
from noisemap.states import Zone
from noisemap.units import FOOT_M, MILE_M, mph

CLOSE_HOME_M = 300.0
"""Homes within this distance of the road are reached by its noise first [m]."""


@dataclass(frozen=True)
class SignPoint:
    """One place on the road where a sign would stand, or that decides where it does."""

    kind: str
    direction: int
    chainage_m: float
    x: float
    y: float
    text: str


@dataclass(frozen=True)
class EntryRow:
    """What one truck does where the zone begins: computed, not advised."""

    truck: str
    mass_kg: float
    direction: int
    speed_ms: float
    gear: int
    engine_speed_rpm: float
    engine_speed_in_zone_rpm: float  # highest in the zone
    brake_c: float
    onsets_free: int  # times the retarder comes on over the whole road, no zone
    onsets_zone: int  # the same with the zone


@dataclass(frozen=True)
class Beginning:
    """Where the zone begins beside the crest, in one direction."""

    direction: int
    crest_m: float  # chainage where the descent begins
    begin_m: float  # chainage where the zone begins
    past_crest_m: float  # how far down the descent the zone begins, 0 where it begins before

    @property
    def before_choice(self) -> bool:
        """Whether drivers still choose their gear when they read the sign."""
        return self.past_crest_m <= 0.0


def downhill_directions(scene: Scene, road: int, zone: Zone) -> list[int]:
    """Directions in which the road falls through a zone and trucks may drive."""
    stretches = scene.stretches
    rows = road_rows(stretches, road)
    inside = rows[in_zone(stretches, rows, zone)]
    fall = -float(stretches.grade[inside] @ stretches.length[inside])
    allowed = scene.roads[road].one_way
    return [d for d in (1, -1) if allowed in (0, d) and d * fall > 0.0]


def beginning(scene: Scene, road: int, zone: Zone, direction: int) -> Beginning:
    """Where a zone begins beside the crest of the descent it lies on."""
    begin = zone.from_m if direction > 0 else zone.to_m
    found = [
        one
        for one in descents(scene.roads[road], road, native_cell=scene.terrain.native_cell)
        if one.direction == direction and one.from_m < zone.to_m and one.to_m > zone.from_m
    ]
    if not found:
        return Beginning(direction, begin, begin, 0.0)
    crest = min(one.from_m for one in found) if direction > 0 else max(one.to_m for one in found)
    return Beginning(direction, crest, begin, max(direction * (begin - crest), 0.0))


def entry_rows(
    scene: Scene,
    road: int,
    zone: Zone,
    direction: int,
    trucks: Sequence[TruckClass],
    practice: Practice,
    hills: HillsAbove,
) -> tuple[EntryRow, ...]:
    """Speed, gear and engine speed of every truck where the zone begins."""
    inside = in_zone(scene.stretches, road_rows(scene.stretches, road), zone)[::direction]
    if not inside.any():
        return ()
    first = int(np.argmax(inside))
    out = []
    for truck in trucks:
        arriving = hills.practice(road, direction, truck, practice)
        free = drive_road(scene.stretches, road, direction, truck, arriving)
        drive = drive_road(scene.stretches, road, direction, truck, arriving, silent=zone)
        out.append(
            EntryRow(
                truck=truck.name,
                mass_kg=truck.mass,
                direction=direction,
                speed_ms=float(drive.node_speed_ms[first]),
                gear=int(drive.gear[first]),
                engine_speed_rpm=float(drive.engine_speed_rpm[first]),
                engine_speed_in_zone_rpm=float(drive.engine_speed_rpm[inside].max()),
                brake_c=float(drive.temperature_c[first]),
                onsets_free=free.onsets,
                onsets_zone=drive.onsets,
            )
        )
    return tuple(out)


def placement_distance_m(kind: str, speed_ms: float) -> float:
    """Distance before a place, by posted speed: `advance` of a sign or `decision` sight [m].

    Between the printed speeds linear, beyond them the end values.

    >>> round(placement_distance_m("advance", 24.587)), round(placement_distance_m("advance", 5.0))
    (99, 53)
    """
    rows = toml_table("noisemap.zones", "hill_signs.toml")[kind]
    speeds = [float(row["value"]) for row in rows]
    return float(np.interp(mph(speed_ms), speeds, [row["distance_ft"] for row in rows])) * FOOT_M


def sign_points(scene: Scene, road: int, zone: Zone) -> tuple[SignPoint, ...]:
    """Zone begin and end, advance signs, repeats, the crest and the first home reached."""
    line = scene.roads[road]
    points: list[SignPoint] = []
    for direction in downhill_directions(scene, road, zone):
        begin, end = (zone.from_m, zone.to_m)[::direction]
        speed = _posted(scene, road, begin)
        advance = placement_distance_m("advance", speed)
        decision = placement_distance_m("decision", speed)
        start = beginning(scene, road, zone, direction)
        place = [
            ("zone begins", begin, "sign where the restriction begins"),
            ("zone ends", end, "sign where the restriction ends"),
            (
                "advance sign",
                begin - direction * advance,
                f"{_both(advance)} before the zone, by posted speed; recalled table",
            ),
            (
                "decision sight",
                begin - direction * decision,
                f"from {_both(decision)} before the zone its sign must be seen; recalled table",
            ),
        ]
        if not start.before_choice:
            place.append(
                (
                    "advance sign before the crest",
                    start.crest_m - direction * advance,
                    f"the zone begins {_both(start.past_crest_m)} past the crest, where gears are "
                    "chosen already: announce it before the crest",
                )
            )
        spacing = float(toml_table("noisemap.zones", "hill_signs.toml")["repeat_mi"]["value"])
        spacing *= MILE_M
        for number in range(1, int(abs(end - begin) / spacing) + 1):
            if number * spacing < abs(end - begin) - 1.0:
                place.append(("repeat", begin + direction * number * spacing, "repeated sign"))
        home = first_home(scene, road, begin, end, direction)
        if home is not None:
            place.append(
                (
                    "first home reached",
                    home,
                    f"nearest point to the first home within {_both(CLOSE_HOME_M)} of the road, "
                    f"{_both(abs(home - begin))} after the zone begins",
                )
            )
        points += [_point(line, kind, direction, at, text) for kind, at, text in place]
    return tuple(points)


def _both(metres: float) -> str:
    return f"{metres / FOOT_M:,.0f} ft ({metres:,.0f} m)"


def first_home(scene: Scene, road: int, begin: float, end: float, direction: int) -> float | None:
    """Chainage abeam of the first home near the road inside a zone [m]."""
    line = scene.roads[road]
    low, high = sorted((begin, end))
    inside = (line.chainage >= low) & (line.chainage <= high)
    if not inside.any():
        return None
    dx = scene.homes.x[:, None] - line.x[inside][None, :]
    dy = scene.homes.y[:, None] - line.y[inside][None, :]
    distance = np.hypot(dx, dy)
    near = distance.min(axis=1) <= CLOSE_HOME_M
    if not near.any():
        return None
    abeam = line.chainage[inside][distance.argmin(axis=1)][near]
    return float(abeam.min() if direction > 0 else abeam.max())


def _posted(scene: Scene, road: int, chainage: float) -> float:
    rows = road_rows(scene.stretches, road)
    place = int(np.searchsorted(scene.stretches.to_m[rows], chainage, side="right"))
    return float(scene.stretches.speed_limit_kmh[rows[min(place, len(rows) - 1)]]) / 3.6


def _point(line: Road, kind: str, direction: int, at: float, text: str) -> SignPoint:
    place = float(np.clip(at, line.chainage[0], line.chainage[-1]))
    if place != at:
        text += "; beyond the road's end, shown at its end"
    return SignPoint(
        kind,
        direction,
        place,
        float(np.interp(place, line.chainage, line.x)),
        float(np.interp(place, line.chainage, line.y)),
        text,
    )
