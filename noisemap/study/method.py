"""Sentences of the report about what the propagation counts."""

from __future__ import annotations

from noisemap.propagation.reflection import reflection_coefficient
from noisemap.propagation.terms import number
from noisemap.scene.model import Obstacles
from noisemap.transfer.build import Air


def terrain_rule(air: Air) -> str:
    """Which terrain screens."""
    if air.clearance == 0.0:
        return (
            "All terrain that cuts the line of sight screens; near-grazing paths are flagged, and "
            "each home shows what the terrain's stated error can do."
        )
    return (
        f"Clearance rule: terrain that rises into the line of sight by {air.clearance:g} m or "
        "less screens nothing, so that the terrain's own error makes no quiet."
    )


def other_paths(air: Air, obstacles: Obstacles) -> str:
    """Which paths besides that over the top are in the map."""
    sides = (
        "Paths round the sides of walls and buildings are in the map where these, and not the "
        "terrain, cut the line of sight."
        if air.sides
        else "Paths round the sides of walls and buildings are switched off."
    )
    if air.reflection_order == 0:
        return f"{sides} Reflections are switched off."
    wall, building = obstacles.wall_reflection, obstacles.building_reflection
    wall = reflection_coefficient("hard_wall") if wall is None else wall
    building = reflection_coefficient("building") if building is None else building
    return (
        f"{sides} Reflections of first order are in the map: the "
        f"{number('reflection', 'most_per_path'):g} strongest a path, from surfaces within "
        f"{number('reflection', 'reach_m'):g} m of source or receiver, without the receiver's own "
        f"facade; walls throw back {wall:g} and facades {building:g} of the energy."
    )
