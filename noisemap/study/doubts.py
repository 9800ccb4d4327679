"""What may be a slip in a study that is otherwise in order: said, never changed."""

from __future__ import annotations

import re

import numpy as np

from noisemap.exposure.traffic import matching_roads
from noisemap.scene.model import Scene
from noisemap.study.defaults import default
from noisemap.study.prepare import Prepared
from noisemap.units import POUND_KG


def doubts(prepared: Prepared, scene: Scene) -> list[str]:
    """Sentences about values that are allowed and unusual."""
    study = prepared.study
    said = []
    for truck in study.truck:
        if truck.mass > default("doubts", "heaviest_usual_kg"):
            said.append(
                f"Truck “{truck.name}” weighs {_both(truck.mass)}: are these pounds in mass_kg?"
            )
        elif _differs(truck.name, truck.mass):
            said.append(
                f"Truck “{truck.name}” weighs {_both(truck.mass)}, which its name does not say."
            )
    if study.descent.entry_temperature_c > default("doubts", "warmest_usual_entry_c"):
        said.append(
            f"The brakes enter the hill at {study.descent.entry_temperature_c:g} °C: "
            "are these °F in entry_temperature_c?"
        )
    said += _cut_roads(scene)
    said += _other_pieces(prepared, scene)
    return said


def _both(mass: float) -> str:
    return f"{mass:,.0f} kg ({mass / POUND_KG:,.0f} lb)"


def _differs(name: str, mass: float) -> bool:
    """Whether a name states a weight in pounds that is not the mass."""
    match = re.search(r"(\d[\d,]*)\s*lb", name)
    if not match:
        return False
    stated = float(match[1].replace(",", "")) * POUND_KG
    return abs(stated - mass) > default("doubts", "name_slack") * mass


def _cut_roads(scene: Scene) -> list[str]:
    """Modelled roads that end where the terrain ends."""
    terrain = scene.terrain
    rows, columns = terrain.height.shape
    margin = 3.0 * max(terrain.cell, terrain.native_cell)
    east = terrain.x0 + (columns - 1) * terrain.cell - margin
    north = terrain.y0 + (rows - 1) * terrain.cell - margin
    said: list[str] = []
    if not any("cut off" in row.what for row in scene.repairs if row.layer == "roads"):
        return said
    for index in np.unique(scene.stretches.road):
        road = scene.roads[index]
        for place, end in ((0, "upper"), (-1, "lower")):
            x, y = float(road.x[place]), float(road.y[place])
            if not (terrain.x0 + margin < x < east and terrain.y0 + margin < y < north):
                said.append(
                    f"{road.name or road.road_id} is cut at its {end} end, where the terrain or "
                    "the window ends: trucks start there, and distances count from there."
                )
    return said


def _other_pieces(prepared: Prepared, scene: Scene) -> list[str]:
    """Zones on a road of which other pieces carry the same name."""
    said = []
    for zone in prepared.zones:
        own = matching_roads(zone.road, scene.roads)
        names = {scene.roads[index].name for index in own}
        others = [
            road.road_id
            for index, road in enumerate(scene.roads)
            if road.name in names and index not in own and road.emits.any()
        ]
        if others:
            shown = ", ".join(others[:6]) + (", ..." if len(others) > 6 else "")
            said.append(
                f"Zone “{zone.name}” lies on {scene.roads[own[0]].road_id} only; "
                f"other pieces carry the same name: {shown}."
            )
    return said
