"""Terrain, ground and obstacles of a scene as the arrays that the propagation reads."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.propagation.kernel import Surface
from noisemap.propagation.reflection import reflection_coefficient
from noisemap.scene.model import GroundCover, Obstacles, Terrain

FloatArray = npt.NDArray[np.float64]


def kernel_surface(terrain: Terrain, ground: GroundCover, obstacles: Obstacles) -> Surface:
    """The arrays that the kernel reads."""
    return Surface(
        x0=terrain.x0,
        y0=terrain.y0,
        cell=terrain.cell,
        height=terrain.height,
        filled=terrain.filled,
        gx0=ground.x0,
        gy0=ground.y0,
        gcell=ground.cell,
        factor=ground.factor,
        foliage=ground.foliage,
        foliage_height=ground.foliage_height,
        edges=obstacles.edges,
        edge_height=obstacles.height,
        edge_block=obstacles.block,
        edge_reflection=_reflection(obstacles),
        site=ground.site,
        site_height=ground.site_height,
        housing=ground.housing,
        housing_height=ground.housing_height,
    )


def _reflection(obstacles: Obstacles) -> FloatArray:
    """Reflection coefficient of each edge [1]."""
    wall, building = obstacles.wall_reflection, obstacles.building_reflection
    return np.where(
        obstacles.block < 0,
        reflection_coefficient("hard_wall") if wall is None else wall,
        reflection_coefficient("building") if building is None else building,
    )
