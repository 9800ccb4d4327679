"""The what-if's table as the page reads it: plain JSON beside one compressed block of bytes."""

from __future__ import annotations

import base64
import gzip
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.community.criteria import Criterion
from noisemap.community.passes import MEAN_SHIFT
from noisemap.exposure.levels import INDICATORS
from noisemap.exposure.rules import rule
from noisemap.exposure.uncertainty import spread
from noisemap.levels import from_energy, to_energy
from noisemap.outputs.geometry import thinned
from noisemap.outputs.wording import BINDS_WORDS, plain
from noisemap.scene.grades import is_coarse
from noisemap.scene.model import Road
from noisemap.states import EXHAUST_STATES, Zone
from noisemap.units import show_mass
from noisemap.zones.conditions import CONDITIONS
from noisemap.zones.verdict import CONDITION_WORDS, LEADING_LEVEL
from noisemap.zones.weigh import Base, criterion_label
from noisemap.zones.what_if import Way, WhatIf
from noisemap.zones.what_if_brakes import RoadBrakes
from noisemap.zones.what_if_packing import differences, from_first
from noisemap.zones.what_if_rows import GAIN_FROM_DB, NOTHING, STEP_DB

FloatArray = npt.NDArray[np.float64]

CENTI_NONE = -32768
"""Level of nothing among levels in hundredths of a decibel."""


class Block:
    """Arrays laid one behind the other, each at a multiple of four bytes.

    Whole numbers are kept as differences along the last axis.
    """

    def __init__(self) -> None:
        self.parts: list[bytes] = []
        self.places: dict[str, list[Any]] = {}
        self.length = 0

    def add(self, name: str, values: npt.NDArray[Any]) -> None:
        """Put an array under a name."""
        kind = {"uint8": "u1", "int16": "i2", "uint16": "u2", "float32": "f4"}[values.dtype.name]
        laid = values if kind == "f4" else differences(values)
        little = np.ascontiguousarray(laid, dtype=values.dtype.newbyteorder("<")).tobytes()
        self.places[name] = [kind, self.length, list(values.shape)]
        padded = little + b"\0" * (-len(little) % 4)
        self.parts.append(padded)
        self.length += len(padded)

    def text(self) -> str:
        """All of it, compressed and written in letters."""
        return base64.b64encode(gzip.compress(b"".join(self.parts), 6, mtime=0)).decode()


def what_if_data(
    table: WhatIf, corner: tuple[float, float], units: str, zones: Sequence[Zone] = ()
) -> dict[str, Any]:
    """Everything that the page's scripts ask for, in metres from the scene's corner."""
    base, block = table.base, Block()
    stretches = base.scene.stretches
    roads = [one.road for one in table.brakes]
    start = table.columns.stretch[table.columns.first]
    end = table.columns.stretch[np.append(table.columns.first[1:], len(table.columns.stretch)) - 1]
    block.add("attenuation", from_first(table.paths.attenuation))
    block.add("running", table.paths.running)
    block.add("gain", table.paths.gain)
    block.add("home", table.rows.home.astype(np.float32))
    block.add("people", table.rows.people.astype(np.float32))
    block.add("ofHome", table.rows.of_home.astype(np.uint8))
    block.add("light", half_decibels(table.light))
    block.add("heavy", half_decibels(table.heavy))
    if len(table.left_out):
        block.add("otherByHour", half_decibels(table.others.by_hour))
        block.add("otherPeak", centi(table.others.maximum))
        block.add("otherPasses", table.others.passes.astype(np.float32))
        block.add("otherLed", table.others.led.astype(np.float32))
    ways = [_way(block, table, number, way, roads) for number, way in enumerate(table.ways)]
    brakes = [_brakes(block, number, one) for number, one in enumerate(table.brakes)]
    return {
        "version": 1,
        "units": units,
        "homes": len(base.scene.homes.home_id),
        "codes": {"step": STEP_DB, "gainFrom": GAIN_FROM_DB, "nothing": NOTHING},
        "passes": {
            "level": LEADING_LEVEL,
            "spread": spread("fleet_spread"),
            "meanShift": float(MEAN_SHIFT),
            "led": rule("exhaust_led"),
        },
        "states": list(EXHAUST_STATES),
        "night": sorted(base.periods.night),
        "pieces": {
            "from": np.round(stretches.from_m[start], 2).tolist(),
            "to": np.round(stretches.to_m[end], 2).tolist(),
        },
        "ways": ways,
        "roads": [_road(base, road, corner) for road in roads],
        "leftOut": [_name(base.scene.roads[road]) for road in table.left_out],
        "trucks": [
            {"name": plain(t.name, 60), "mass": show_mass(t.mass, units), "share": t.share}
            for t in base.trucks
        ],
        "brakes": brakes,
        "conditions": list(CONDITIONS),
        "conditionWords": dict(CONDITION_WORDS),
        "limits": {"planning": base.planning_limit, "hard": base.hard_limit},
        "worth": base.worth_people_passes,
        "coarse": is_coarse(base.scene.terrain.native_cell),
        "criteria": criteria_lines(base),
        "background": None if base.background is None else to_energy(base.background).tolist(),
        "binds": dict(BINDS_WORDS),
        "note": quantisation_note(table),
        "zones": [one for one in (zone_scenario(zone, table) for zone in zones) if one],
        "arrays": block.places,
        "block": block.text(),
    }


def zone_scenario(zone: Zone, table: WhatIf) -> dict[str, Any] | None:
    """A zone of the study as the what-if's scenario; None on a road that it leaves out."""
    roads = table.base.scene.roads
    for place, one in enumerate(table.brakes):
        if roads[one.road].answers_to(zone.road):
            return {
                "name": plain(zone.name, 80),
                "road": place,
                "from": zone.from_m,
                "to": zone.to_m,
                "hours": sorted(zone.hours),
                "binds": zone.binds,
                "observance": zone.observance,
                "emergency": zone.emergency_use,
            }
    return None


def criteria_lines(base: Base) -> list[dict[str, Any]]:
    """Criteria that the levels can be held against, as weights of the 24 hours' energies."""
    lines = []
    for one in base.criteria:
        if not _comparable(base, one):
            continue
        indicator = INDICATORS[one.indicator]
        weights = None
        if one.indicator != "l_eq_worst_hour":
            weights = to_energy(indicator(np.eye(24))).tolist()
        lines.append(
            {
                "label": plain(criterion_label(one), 160),
                "limit": one.limit_db,
                "reached": one.counts_when == "reached",
                "total": one.applies_to == "total",
                "weights": weights,
            }
        )
    return lines


def _comparable(base: Base, one: Criterion) -> bool:
    """Whether the study's levels can be held against a criterion, as `weigh_zone` does."""
    known = one.place == "outdoor" and one.indicator in INDICATORS
    return known and (one.applies_to != "total" or base.background is not None)


def centi(levels: FloatArray) -> npt.NDArray[np.int16]:
    """Levels in hundredths of a decibel.

    >>> centi(np.array([12.345, -np.inf])).tolist()
    [1234, -32768]
    """
    heard = np.isfinite(levels) & (levels > CENTI_NONE / 100.0)
    whole = np.rint(100.0 * np.where(heard, levels, 0.0))
    return np.where(heard, whole, CENTI_NONE).astype(np.int16)


def half_decibels(energy: FloatArray) -> npt.NDArray[np.uint8]:
    """Levels of energies in half decibels above 0 dB; what is below is nothing.

    >>> half_decibels(np.array([1e6, 0.0])).tolist()
    [120, 0]
    """
    return np.clip(np.rint(from_energy(energy) / STEP_DB), 0, NOTHING).astype(np.uint8)


def _way(
    block: Block, table: WhatIf, number: int, way: Way, roads: Sequence[int]
) -> dict[str, Any]:
    block.add(f"energy{number}", centi(from_energy(way.energy)))
    block.add(f"peak{number}", centi(from_energy(way.peak)))
    block.add(f"power{number}", centi(from_energy(way.running)))
    block.add(f"quiet{number}", centi(from_energy(table.running_energy[number])))
    block.add(f"floor{number}", centi(table.floors[number]))
    return {
        "road": roads.index(way.road),
        "direction": way.direction,
        "trucks": list(way.trucks),
        "share": way.share.tolist(),
        "perHour": np.round(way.per_hour, 6).tolist(),
        "shape": way.shape.tolist(),
        "pieces": way.pieces.tolist(),
    }


def _brakes(block: Block, number: int, one: RoadBrakes) -> dict[str, Any]:
    if one.grids:
        peaks = np.array([np.nan_to_num(grid.peak_c, nan=0.0) for grid in one.grids])
        block.add(f"peaks{number}", np.rint(10.0 * peaks).astype(np.uint16))
        furthest = np.array([grid.furthest for grid in one.grids])
        block.add(f"furthest{number}", furthest.astype(np.uint16))
    return {
        "ends": np.round(one.ends_m, 2).tolist(),
        "height": np.round(one.height_m, 2).tolist(),
        "grids": [
            {
                "truck": grid.truck,
                "direction": grid.direction,
                "condition": grid.condition,
                "rules": list(grid.rules),
                "free": round(grid.free_c, 2),
                "limit": round(grid.limit_c, 2),
            }
            for grid in one.grids
        ],
        "unequipped": [
            {"truck": row.truck, "direction": row.direction, "peak": round(row.peak_c, 2)}
            for row in one.unequipped
        ],
        "used": [
            {"truck": truck, "direction": direction, "pieces": pieces}
            for (truck, direction), pieces in one.used.items()
        ],
        "linear": one.linear,
    }


def _name(road: Road) -> str:
    return plain(road.name, 60) or plain(road.road_id, 60) or "road without a name"


def _road(base: Base, index: int, corner: tuple[float, float]) -> dict[str, Any]:
    """A road for its handles: the word a study calls it by, and its line."""
    road = base.scene.roads[index]
    rows = np.flatnonzero(base.scene.stretches.road == index)
    alone = sum(one.answers_to(road.name) for one in base.scene.roads) == 1
    points = np.column_stack([road.x - corner[0], road.y - corner[1]])
    kept = thinned(points, 0.5)
    place = {tuple(point): m for point, m in zip(points.tolist(), road.chainage, strict=True)}
    line = [[round(place[tuple(p)], 1), round(p[0], 1), round(p[1], 1)] for p in kept.tolist()]
    return {
        "key": road.name if alone else road.road_id,
        "name": _name(road),
        "length": round(float(base.scene.stretches.to_m[rows].max()), 1),
        "line": line,
    }


def quantisation_note(table: WhatIf) -> str:
    """How fine the table is, for the panel."""
    homes = len(table.base.scene.homes.home_id)
    return (
        f"Recomputed in this page from a table in steps of {STEP_DB:g} dB: "
        f"{len(table.rows.home):,} facades of {homes:,} homes, "
        f"{len(table.columns.first):,} pieces of road where trucks brake. A level can differ "
        "from the program's own by up to half a decibel. No interval is computed here: "
        "intervals are those of the report."
    )
