"""Each condition of a measurement site with its figure, its bound and its clause."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from noisemap.inspection import rule
from noisemap.inspection.rule import Surface
from noisemap.inspection.sites import (
    FloatArray,
    Places,
    Surroundings,
    choice,
    clear_radius_ft,
    ground_profile,
    hard_share,
    nearest_road_share,
    on_structure,
    rise_and_fall_db,
    tunnel_distance_ft,
    under_trees,
)
from noisemap.scene.model import Scene
from noisemap.units import mph

State = Literal["met", "not met", "look at the place"]
MET, NOT_MET, LOOK = 0, 1, 2
STATES: tuple[State, ...] = ("met", "not met", "look at the place")
StateArray = npt.NDArray[np.int64]

PRACTICE = "practice, not the rule"


@dataclass(frozen=True)
class Criterion:
    """One condition over all places."""

    key: str
    name: str
    asked: str
    clause: str
    unit: str
    figure: FloatArray  # (n,)
    state: StateArray  # (n,) index into STATES


def surfaces(scene: Scene, places: Places, width_m: float) -> tuple[list[Surface], FloatArray]:
    """Kind of each site (49 CFR 325.5(c)), and the share of hard ground behind it [1].

    Hard over more than half of the way; soft over half or more.
    """
    share = hard_share(scene, places, width_m)
    return ["hard" if value > 0.5 else "soft" for value in share.tolist()], share


def limits_db(scene: Scene, places: Places, kinds: list[Surface]) -> FloatArray:
    """Limit of Table 1 at each place by the road's own speed limit [dB(A)]; nan without a row."""
    found = []
    for row, (road, at) in enumerate(zip(places.road.tolist(), places.at_m, strict=True)):
        limit = rule.table_1_limit(
            float(places.distance_ft[row]),
            "highway",
            kinds[row],
            speed_limit_mph(scene, road, float(at)),
        )
        found.append(np.nan if limit is None else limit)
    return np.array(found)


def speed_limit_mph(scene: Scene, road: int, at: float) -> float:
    """Speed limit of the site, to the whole mile an hour it is posted in [mph]."""
    line = scene.roads[road]
    step = int(np.clip(np.searchsorted(line.chainage, at, "right") - 1, 0, len(line.x) - 2))
    return float(round(mph(float(line.speed_limit_kmh[step]) / 3.6)))


def geometry_criteria(
    scene: Scene, places: Places, around: Surroundings, share_hard: FloatArray
) -> list[Criterion]:
    """Conditions that follow from roads, ground, buildings and walls."""
    low, high = rule.number("smallest_distance_ft"), rule.number("largest_distance_ft")
    feet = places.distance_ft
    clear = clear_radius_ft(places, around)
    clear = np.where(under_trees(scene, places), 0.0, clear)
    tunnel = tunnel_distance_ft(scene, places, around)
    structure = on_structure(scene, places)
    rise, fall = rise_and_fall_db(scene, places)
    nearest = nearest_road_share(scene, places)
    least = rule.number("tunnel_distance_ft")
    return [
        _one(
            "distance", "microphone to target point", f"{low:g} to less than {high:g} ft",
            f"{rule.clause('smallest_distance_ft')}, 325.7", "ft", feet,
            (feet >= low - 1e-6) & (feet < high - 1e-6),
        ),
        _one(
            "surface", "share of hard ground on the way", "hard over half: hard site, else soft",
            "49 CFR 325.5(c)", "1", share_hard, np.ones(len(places), dtype=bool),
        ),
        _one(
            "open_radius", "open around microphone and target point",
            "as far as the microphone is away", f"{rule.clause('open_radius_ft')}, 325.77", "ft",
            clear, clear >= feet - 1e-6,
        ),
        _one(
            "tunnel", "tunnel or road overhead", f"{least:g} ft away or more",
            rule.clause("tunnel_distance_ft"), "ft", tunnel, tunnel >= least,
        ),
        _one(
            "structure", "target point on the ground, not on a bridge", "on the ground",
            PRACTICE, "1", structure.astype(float), ~structure,
        ),
        *_ground_criteria(scene, places),
        _one(
            "rise_fall", "rise and fall of the level by spreading",
            f"{rule.number('rise_db'):g} dB(A) or more on either side", rule.clause("rise_db"),
            "dB", np.minimum(rise, fall),
            (rise >= rule.number("rise_db")) & (fall >= rule.number("fall_db")),
        ),
        _one(
            "nearest", "no other part of a road nearer than the target point's",
            f"{choice('nearest_share'):g} of that distance or more", PRACTICE, "1",
            nearest,
            nearest >= choice("nearest_share"),
        ),
    ]  # fmt: skip


def _ground_criteria(scene: Scene, places: Places) -> list[Criterion]:
    """Flatness, and whether a lawful microphone height can be had where the ground lies."""
    over, uneven = ground_profile(scene, places)
    above, (low, high) = (
        rule.number("microphone_above_surface_ft"),
        rule.span("microphone_height_ft"),
    )
    highest, lowest = high - above, low - choice("tripod_ft")
    fine = scene.terrain.native_cell <= choice("fine_terrain_m")
    cells = f"terrain of {scene.terrain.native_cell:.0f} m cells"
    flat = _one(
        "flat", "ground between lane and microphone off a straight line",
        f"{choice('uneven_ft'):g} ft or less", "49 CFR 325.5(c)", "ft", uneven,
        uneven <= choice("uneven_ft") + 1e-6,
    )  # fmt: skip
    level = _one(
        "microphone", "ground at the microphone over the lane",
        f"{lowest:g} to {highest:g} ft, for a microphone {low:g} to {high:g} ft over the road "
        f"and {above:g} ft or more over the ground",
        rule.clause("microphone_height_ft"), "ft", over,
        np.asarray((over >= lowest - 1e-6) & (over <= highest + 1e-6)),
    )  # fmt: skip
    if fine:
        return [flat, level]
    return [_to_look_at(flat, cells), _to_look_at(level, cells)]


def _to_look_at(item: Criterion, why: str) -> Criterion:
    """A condition that the data can refuse but not confirm."""
    state = np.where(item.state == MET, LOOK, item.state)
    asked = f"{item.asked}; {why} cannot confirm it"
    return Criterion(
        item.key, item.name, asked, item.clause, item.unit, item.figure, state.astype(np.int64)
    )


def ambient_criterion(
    ambient: FloatArray, limit: FloatArray, hours: tuple[int, ...]
) -> tuple[Criterion, npt.NDArray[np.bool_]]:
    """Predicted ambient against the limit less 10 dB(A), and in which of the hours it fits.

    Parameters
    ----------
    ambient : ndarray
        Level at each place by hour of the day, (n, 24). [dB(A)]
    limit : ndarray
        Limit of Table 1 at each place. [dB(A)]
    hours : tuple of int
        Hours in which the programme measures. [h]
    """
    below = limit[:, None] - ambient[:, list(hours)]
    fits = below >= rule.number("ambient_below_db")
    best = below.max(axis=1, initial=-np.inf)
    item = _one(
        "ambient", "predicted ambient below the limit, in its quietest hour",
        f"{rule.number('ambient_below_db'):g} dB(A) or more", rule.clause("ambient_below_db"),
        "dB", best, np.asarray(fits.any(axis=1)),
    )  # fmt: skip
    return item, fits


def retarder_criteria(share: FloatArray, grade: FloatArray) -> list[Criterion]:
    """Whether retarders work at the target point; the grade stands beside it.

    Parameters
    ----------
    share : ndarray
        Trucks with a compression-release retarder whose cylinders brake there. [1]
    grade : ndarray
        Grade in driving order. [1]
    """
    least = choice("retarders_share")
    return [
        _one(
            "retarders", "trucks with a compression-release retarder that use it here",
            f"{least:g} of them or more", PRACTICE, "1", share,
            np.asarray(share >= least - 1e-9),
        ),
        _one(
            "grade", "grade in driving order", "downhill", PRACTICE, "%", 100.0 * grade,
            np.asarray(grade < 0.0),
        ),
    ]  # fmt: skip


def whole_state(criteria: list[Criterion]) -> StateArray:
    """Whether each place is refused, fits, or must be looked at."""
    states = np.stack([item.state for item in criteria])
    refused, look = (states == NOT_MET).any(axis=0), (states == LOOK).any(axis=0)
    return np.asarray(np.where(refused, NOT_MET, np.where(look, LOOK, MET)), dtype=np.int64)


def counts_of_refusals(criteria: list[Criterion]) -> Mapping[str, tuple[int, int]]:
    """Places that fail each condition, and those that fail it alone."""
    failed = np.stack([item.state == NOT_MET for item in criteria])
    alone = failed & (failed.sum(axis=0) == 1)
    return {
        item.key: (int(failed[row].sum()), int(alone[row].sum()))
        for row, item in enumerate(criteria)
    }


def _one(
    key: str, name: str, asked: str, clause: str, unit: str, figure: FloatArray,
    met: npt.NDArray[np.bool_],
) -> Criterion:  # fmt: skip
    state = np.where(met, MET, NOT_MET).astype(np.int64)
    return Criterion(key, name, asked, clause, unit, figure, state)
