"""Where along a road the sight from a near home changes: stretches are cut there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from noisemap.bands import N_BANDS
from noisemap.propagation.kernel import Surface, propagate
from noisemap.scene.model import Obstacles, Receivers, Road, Stretches, Terrain
from noisemap.scene.rules import rule

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

NEAR = rule("stretches", "sight_near")  # times the distance to a home's nearest stretch
HEIGHTS = (rule("stretches", "sight_low_m"), rule("stretches", "sight_high_m"))
SHORTEST_M = rule("stretches", "sight_shortest_m")
PROBES = 5  # along a stretch, its ends included


def sight_cuts(
    whole: Stretches,
    roads: Sequence[Road],
    receivers: Receivers,
    terrain: Terrain,
    obstacles: Obstacles,
) -> dict[int, list[float]]:
    """Chainages [m] by index of the road between places that a near home sees and does not see.

    A home is near to the stretches within twice the distance of its nearest one; it
    looks from its receiver nearest to a road, to tyres and to stacks.

    Parameters
    ----------
    whole : Stretches
        Stretches cut by distance.
    roads : sequence of Road
        Their roads.
    receivers : Receivers
        Where levels are computed.
    terrain : Terrain
        The ground.
    obstacles : Obstacles
        Walls and buildings.
    """
    wanted = np.flatnonzero(whole.sounding & (whole.length >= SHORTEST_M))
    if not len(wanted) or not len(receivers.x):
        return {}
    looking, pointer, stretch = _near_pairs(whole, wanted, receivers)
    stretch, position = np.unique(stretch, return_inverse=True)
    share = np.linspace(0.0, 1.0, PROBES)
    place = whole.from_m[stretch, None] + share * whole.length[stretch, None]
    probes = _on_roads(roads, whole.road[stretch], place)
    seen = _seen(looking, pointer, position, probes, receivers, terrain, obstacles)
    changes = np.zeros((len(stretch), PROBES - 1), np.bool_)
    np.logical_or.at(changes, position, (seen[:, 1:] != seen[:, :-1]).any(axis=2))
    cuts: dict[int, list[float]] = {}
    middle = (place[:, 1:] + place[:, :-1]) / 2.0
    for row, gap in np.argwhere(changes).tolist():
        cuts.setdefault(int(whole.road[stretch[row]]), []).append(float(middle[row, gap]))
    return cuts


def _near_pairs(
    whole: Stretches, wanted: IntArray, receivers: Receivers
) -> tuple[IntArray, IntArray, IntArray]:
    """Receivers that look, and the stretches near to each as a compressed list."""
    middles = np.column_stack([whole.x, whole.y])
    sounding = np.flatnonzero(whole.sounding)
    places = np.column_stack([receivers.x, receivers.y])
    nearest = cKDTree(middles[sounding]).query(places)[0]
    order = np.lexsort((nearest, receivers.home))
    _, first = np.unique(receivers.home[order], return_index=True)
    looking = order[first]
    found = cKDTree(middles[wanted]).query_ball_point(
        places[looking], NEAR * nearest[looking], return_sorted=True
    )
    pointer = np.concatenate([[0], np.cumsum([len(own) for own in found])]).astype(np.int64)
    listed = np.concatenate([np.asarray(own, np.int64) for own in found])
    return looking, pointer, wanted[listed]


def _on_roads(roads: Sequence[Road], owner: IntArray, chainage: FloatArray) -> FloatArray:
    """Place and road surface at chainages (stretches, probes, 3) [m]."""
    out = np.zeros((*chainage.shape, 3))
    for index in np.unique(owner).tolist():
        road, own = roads[index], owner == index
        for column, values in enumerate((road.x, road.y, road.surface)):
            out[own, :, column] = np.interp(chainage[own], road.chainage, values)
    return out


def _seen(
    looking: IntArray,
    pointer: IntArray,
    position: IntArray,
    probes: FloatArray,
    receivers: Receivers,
    terrain: Terrain,
    obstacles: Obstacles,
) -> npt.NDArray[np.bool_]:
    """Whether each probe is seen, (pairs of receiver and stretch, probes, heights)."""
    hard = np.zeros(terrain.height.shape)
    surface = Surface(
        terrain.x0, terrain.y0, terrain.cell, terrain.height, terrain.filled,
        terrain.x0, terrain.y0, terrain.cell, hard, np.zeros(hard.shape, np.bool_), 0.0,
        obstacles.edges, obstacles.height, obstacles.block,
    )  # fmt: skip
    points = np.column_stack([receivers.x, receivers.y, receivers.height])[looking]
    source = (position[:, None] * PROBES + np.arange(PROBES)).ravel()
    block = propagate(
        surface, points, probes.reshape(-1, 3), HEIGHTS, pointer * PROBES, source,
        np.zeros(N_BANDS), sides=False,
    )  # fmt: skip
    return np.asarray(block.grazing_z <= 0.0).reshape(-1, PROBES, len(HEIGHTS))
