"""What the report must say about a scene, collected while it is built."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from noisemap.scene.grades import WARN_GRADE, check_steepness, is_coarse
from noisemap.scene.model import BRIDGE, ON_GROUND, TUNNEL, Repair, Road
from noisemap.scene.rules import rule
from noisemap.scene.runs import runs

LOOKS_LIKE_FEET_GRADE = rule("grades", "looks_like_feet_grade")
LOOKS_LIKE_FEET_SHARE = rule("grades", "looks_like_feet_share")
NEAR_M = rule("grades", "steep_apart_m")


@dataclass
class Notes:
    """Repairs, assumptions, warnings and counts."""

    repairs: list[Repair] = field(default_factory=list)
    assumptions: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    facts: dict[str, float] = field(default_factory=dict)


def emitting_length(roads: Sequence[Road]) -> float:
    """Length of road that carries trucks [m]."""
    return float(sum(np.diff(road.chainage)[road.emits].sum() for road in roads))


def steep_pieces(road: Road) -> list[Repair]:
    """One entry for each piece of truck road that comes out steeper than 15 %.

    Pieces less than 100 m apart are one.
    """
    grade = np.abs(np.diff(road.surface) / np.diff(road.chainage))
    pieces: list[tuple[int, int]] = []
    for first, last in runs((grade > WARN_GRADE) & road.emits):
        near = pieces and road.chainage[first] - road.chainage[pieces[-1][1]] < NEAR_M
        if near:
            pieces[-1] = (pieces[-1][0], last)
        else:
            pieces.append((first, last))
    found = []
    for first, last in pieces:
        kinds = set(road.structure[first:last].tolist())
        where = {frozenset({BRIDGE}): " on a bridge", frozenset({TUNNEL}): " in a tunnel"}
        middle = (first + last) // 2
        what = (
            f"comes out up to {100.0 * grade[first:last].max():.0f} % steep over "
            f"{road.chainage[last] - road.chainage[first]:.0f} m"
            f"{where.get(frozenset(kinds), '')}: left as it is, the terrain is in doubt"
        )
        item = f"{road.road_id} from {road.chainage[first]:.0f} m"
        found.append(Repair("roads", item, what, float(road.x[middle]), float(road.y[middle])))
    return found


def road_notes(roads: Sequence[Road], native_cell: float, notes: Notes) -> None:
    """Gates and warnings about grades, limits and structures of the truck roads."""
    trucks = [road for road in roads if road.emits.any()]
    length = np.concatenate([np.diff(road.chainage)[road.emits] for road in trucks])
    grade = np.concatenate(
        [(np.diff(road.surface) / np.diff(road.chainage))[road.emits] for road in trucks]
    )
    notes.facts["steep_share"] = check_steepness(length, grade, native_cell)
    steep_part = float(length[np.abs(grade) > LOOKS_LIKE_FEET_GRADE].sum())
    if steep_part > LOOKS_LIKE_FEET_SHARE * float(length.sum()):
        notes.warnings.append(
            f"{100.0 * steep_part / float(length.sum()):.0f} % of the truck roads come out steeper "
            f"than {100.0 * LOOKS_LIKE_FEET_GRADE:.0f} %, which is rare: if the terrain's heights "
            "are in feet, its grades are 3.28 times too steep; check vertical_unit in [terrain]."
        )
    steep_places = [place for road in trucks for place in steep_pieces(road)]
    notes.repairs.extend(steep_places)
    notes.facts["steep_places"] = float(len(steep_places))
    structure = np.concatenate([road.structure[road.emits] for road in trucks])
    steep = np.abs(grade) > WARN_GRADE
    on_structures = float(length[steep & (structure != ON_GROUND)].sum())
    on_ground = float(length[steep & (structure == ON_GROUND)].sum())
    if on_structures:
        notes.warnings.append(
            f"{on_structures:.0f} m of truck road on bridges or in tunnels come out steeper than "
            f"{100.0 * WARN_GRADE:.0f} %: the terrain at their ends is in doubt; the repairs list "
            "each place."
        )
    if on_ground:
        notes.warnings.append(
            f"{on_ground:.0f} m of truck road come out steeper than {100.0 * WARN_GRADE:.0f} %: "
            "more than trucks are given, the terrain is in doubt there; the repairs list each "
            "place."
        )
    assumed = float(
        sum((np.diff(r.chainage) * (r.speed_limit_assumed & r.emits)).sum() for r in trucks)
    )
    if assumed:
        notes.assumptions.append(
            f"{100.0 * assumed / max(float(length.sum()), 1.0):.0f} % of the truck roads have no "
            "speed limit in the file: the default of their class is used."
        )
    if is_coarse(native_cell):
        notes.warnings.append(
            f"The terrain has cells of {native_cell:.0f} m: a descent is known by its mean "
            "grade only, no steepest grade is stated, and short zones cannot be placed."
        )
