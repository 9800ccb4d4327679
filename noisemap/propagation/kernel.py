"""The compiled ISO 9613-2 propagation of a whole map: arrays in, arrays out.

For every receiver, source and source height the attenuation of the path over
the top of terrain, walls and buildings is computed in the eight octave bands,
of the paths around the sides of walls and buildings, and by way of surfaces that reflect.
The conventions are those of docs/conventions.md; `attenuation` is the readable
reference and a test holds the two together to 1e-6 dB.

What stands for what:

- the profile is read at one terrain cell a step, bilinear; the source's foot is
  the given road surface (a bridge deck, say), the receiver's foot the terrain;
- a wall is one point at local ground plus its height; a building is flat-topped
  with an entry and an exit point at the ground half-way between plus its height;
- a building that holds an end point is left out of that path, which is flagged;
- the ground factor is the mean over each region of pieces of at most half a
  ground cell;
- a path around a side is added where walls or buildings, but not the terrain, cut
  the sight line; it goes round all that it meets (`machine.sides`);
- foliage, industrial sites and housing count where the straight sight line runs
  below their tops; the housing's loss is that of its built share alone (A1);
- a reflected path is unfolded at the mirror point and counts as a path over the
  top; walls reflect on both sides, facades outwards (`machine.reflections`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from noisemap.bands import N_BANDS
from noisemap.checks import require_between, require_finite, require_positive
from noisemap.errors import BadDataError, OutOfDomainError
from noisemap.propagation import terms
from noisemap.propagation.job_model import model_of
from noisemap.propagation.machine import job, path_kernel
from noisemap.propagation.machine.cuda import all_receivers_on_device, device_kernel
from noisemap.propagation.machine.obstacle_index import (
    ObstacleIndex,
    containing_buildings,
    obstacle_index,
)
from noisemap.propagation.machine.pairs import pairs_within
from noisemap.propagation.machine.reflectors import outer_sides, reflectors_near
from noisemap.propagation.reflection import reflection_coefficient
from noisemap.propagation.screening import READINGS, Reading

__all__ = [
    "DEVICES",
    "REFLECTION_ORDERS",
    "Device",
    "Flag",
    "PathBlock",
    "Reading",
    "Surface",
    "pairs_within",
    "propagate",
    "require_device",
]

REFLECTION_ORDERS = (0, 1)
Device = Literal["cpu", "cuda"]
DEVICES: tuple[Device, ...] = ("cpu", "cuda")

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


class Flag:
    """Bits of `PathBlock.flags`."""

    BEYOND_1000_M = path_kernel.BEYOND_DISTANCE
    ABOVE_30_M = path_kernel.BEYOND_HEIGHT
    NEAR_GRAZING = path_kernel.NEAR_GRAZING
    FILLED_TERRAIN = path_kernel.FILLED_TERRAIN
    INSIDE_BUILDING = path_kernel.INSIDE_BUILDING
    FOLIAGE = path_kernel.FOLIAGE_COUNTED
    MINIMUM_DISTANCE = path_kernel.MINIMUM_DISTANCE


@dataclass(frozen=True)
class Surface:
    """Terrain, ground and obstacles of a place as plain arrays; row 0 is the southern row."""

    x0: float  # centre of cell [0, 0] of the terrain [m]
    y0: float
    cell: float  # [m]
    height: FloatArray  # (rows, columns) [m]
    filled: BoolArray  # (rows, columns) True where a void was filled
    gx0: float  # centre of cell [0, 0] of the ground rasters [m]
    gy0: float
    gcell: float  # [m]
    factor: npt.NDArray[np.floating]  # (rows, columns) 0 hard .. 1 porous [1]
    foliage: BoolArray  # (rows, columns) True where trees are dense enough for Annex A.1
    foliage_height: float  # [m]
    edges: FloatArray  # (k, 4) x1, y1, x2, y2 of walls and buildings [m]
    edge_height: FloatArray  # (k,) above local ground [m]
    edge_block: IntArray  # (k,) building number, -1 for a thin wall
    edge_reflection: FloatArray | None = None  # (k,) [1]; None: as table 4 says for its kind
    site: BoolArray | None = None  # (rows, columns) of the ground: industrial site; None: nowhere
    site_height: float = 0.0  # of the installations [m]
    housing: FloatArray | None = None  # (rows, columns) built share of the plan [1]; None: none
    housing_height: float = 0.0  # mean height of the houses [m]

    def __post_init__(self) -> None:
        """Refuse rasters that the kernel could not read without guessing."""
        for name, raster, twin in (
            ("terrain", self.height, self.filled),
            ("ground", self.factor, self.foliage),
        ):
            if raster.ndim != 2 or raster.shape != twin.shape:
                raise BadDataError(
                    f"{name}: rasters of shape {raster.shape} and {twin.shape}; "
                    "two rasters of the same two-dimensional shape are needed"
                )
        if min(self.height.shape) < 2:
            raise BadDataError(
                f"terrain: {self.height.shape} cells; at least 2 x 2 are needed to interpolate"
            )
        if min(self.factor.shape) < 1:
            raise BadDataError("ground: the raster is empty")
        require_positive("terrain cell", self.cell, "m")
        require_positive("ground cell", self.gcell, "m")
        require_finite("raster origin", [self.x0, self.y0, self.gx0, self.gy0])
        require_finite("terrain height", self.height, "fill or cut the voids before computing")
        require_between("ground factor", self.factor, 0.0, 1.0, "", "0 hard .. 1 porous")
        require_between("foliage height", self.foliage_height, 0.0, 150.0, "m")
        require_between("height of industrial sites", self.site_height, 0.0, 150.0, "m")
        require_between("height of housing", self.housing_height, 0.0, 150.0, "m")
        for name, layer in (("industrial sites", self.site), ("housing", self.housing)):
            if layer is not None and layer.shape != self.factor.shape:
                raise BadDataError(
                    f"{name}: a raster of shape {layer.shape}; it must be that of the ground, "
                    f"{self.factor.shape}"
                )
        if self.housing is not None:
            require_between("built share", self.housing, 0.0, 1.0, "")
        if self.edge_reflection is not None:
            if self.edge_reflection.shape != self.edge_height.shape:
                raise BadDataError(
                    f"reflection: {self.edge_reflection.size} coefficients for "
                    f"{self.edge_height.size} edges"
                )
            require_between("reflection coefficient", self.edge_reflection, 0.0, 1.0, "")

    @cached_property
    def index(self) -> ObstacleIndex:
        """Obstacles by plan cell."""
        return obstacle_index(self.edges, self.edge_height, self.edge_block)

    @cached_property
    def reflection(self) -> FloatArray:
        """Reflection coefficient of each edge [1]."""
        if self.edge_reflection is not None:
            return np.asarray(self.edge_reflection, dtype=np.float64)
        walls, houses = reflection_coefficient("hard_wall"), reflection_coefficient("building")
        return np.where(np.asarray(self.edge_block) < 0, walls, houses)

    @cached_property
    def cover_arrays(self) -> job.Cover:
        """Industrial sites and housing as the compiled loop reads them."""
        if self.site is None and self.housing is None:
            nowhere = np.zeros(1, dtype=np.bool_), np.zeros(1, dtype=np.int32)
            return job.Cover(*nowhere, False, 0.0, 0.0)
        site = np.zeros(self.factor.shape, np.bool_) if self.site is None else self.site
        share = np.zeros(self.factor.shape) if self.housing is None else self.housing
        whole = np.rint(np.asarray(share, dtype=np.float64) * job.GROUND_UNIT).astype(np.int32)
        return job.Cover(
            np.pad(np.asarray(site, dtype=np.bool_), (0, 1), mode="edge").ravel(),
            np.pad(whole, (0, 1), mode="edge").ravel(),
            True,
            float(self.site_height),
            float(self.housing_height),
        )

    @cached_property
    def terrain_arrays(self) -> job.Terrain:
        """Terrain as the compiled loop reads it."""
        around = np.pad(np.asarray(self.filled, dtype=np.bool_), (0, 1), mode="edge")
        around[:-1] |= around[1:].copy()
        around[:, :-1] |= around[:, 1:].copy()
        height = np.pad(np.asarray(self.height, dtype=np.float64), (0, 1), mode="edge")
        return job.Terrain(
            float(self.x0),
            float(self.y0),
            float(self.cell),
            1.0 / float(self.cell),
            height.shape[1],
            height.ravel(),
            around.ravel(),
            bool(around.any()),
        )

    @cached_property
    def ground_arrays(self) -> job.Ground:
        """Ground factor and foliage as the compiled loop reads them."""
        whole = np.rint(np.asarray(self.factor, dtype=np.float64) * job.GROUND_UNIT)
        factor = np.pad(whole.astype(np.int32), (0, 1), mode="edge")
        foliage = np.pad(np.asarray(self.foliage, dtype=np.bool_), (0, 1), mode="edge")
        return job.Ground(
            float(self.gx0) - 0.5 * float(self.gcell),
            float(self.gy0) - 0.5 * float(self.gcell),
            float(self.gcell),
            1.0 / float(self.gcell),
            factor.shape[1],
            factor.ravel(),
            foliage.ravel(),
            bool(foliage.any()) and self.foliage_height > 0.0,
            float(self.foliage_height),
        )


@dataclass(frozen=True)
class PathBlock:
    """What the land does to the sound of each pair, in the order of the pairs."""

    t: Float32Array  # (n_pairs, n_heights, 8) 10^(-A/10), downwind, without Cmet [1]
    cmet_factor: Float32Array  # (n_pairs, n_heights) 10^(-Cmet/10) [1]
    distance: Float32Array  # (n_pairs,) straight distance from source height 0 [m]
    flags: npt.NDArray[np.uint8]  # (n_pairs,) bits of Flag
    grazing_z: Float32Array  # (n_pairs, n_heights) path difference of the closest edge [m]
    top: Float32Array  # (n_pairs, n_heights) sum over bands of t by the path over the top alone [1]


def propagate(
    surface: Surface,
    receivers: npt.ArrayLike,
    sources: npt.ArrayLike,
    source_heights: npt.ArrayLike,
    pair_pointer: npt.ArrayLike,
    pair_source: npt.ArrayLike,
    absorption: npt.ArrayLike,
    *,
    c0: float = 0.0,
    reading: Reading = "literal",
    sides: bool = True,
    reflection_order: int = 0,
    minimum_distance: float = 5.0,
    near_grazing_m: float = 0.3,
    clearance: float = 0.0,
    device: Device = "cpu",
) -> PathBlock:
    """Transfer of sound energy T = 10^(-A/10) for pairs of receiver and source.

    The bits of the answer do not depend on the number of threads, on the order
    of the receivers, or on how a job is cut into calls.

    Parameters
    ----------
    surface : Surface
        Terrain, ground and obstacles.
    receivers : array_like
        x, y and height above local ground (above 0) of each receiver. [m]
    sources : array_like
        x, y and height of the road surface of each source. [m]
    source_heights : array_like
        Heights of the sources above the road surface, above 0. [m]
    pair_pointer : array_like
        Receiver i owns the pairs pair_pointer[i] .. pair_pointer[i + 1]. [1]
    pair_source : array_like
        Source number of each pair. [1]
    absorption : array_like
        Absorption of air in the eight bands, 0 and above. [dB/m]
    c0 : float
        Meteorological constant of Cmet, 0 and above. [dB]
    reading : {"literal", "positive"}
        Abar = Dz - Agr, or Abar = Dz - max(Agr, 0). [1]
    sides : bool
        Whether paths around the sides of walls and buildings are added. [1]
    reflection_order : {0, 1}
        1 adds the four strongest reflections of first order from surfaces within 50 m
        of source or receiver. [1]
    minimum_distance : float
        Shortest plan distance; nearer pairs are computed at it, open, and flagged. [m]
    near_grazing_m : float
        Pairs whose sight line passes the highest point within this are flagged. [m]
    clearance : float
        Terrain that rises above the sight line by no more screens nothing. [m]
    device : {"cpu", "cuda"}
        Where the loop runs; both agree to 0.01 dB. [1]

    Returns
    -------
    PathBlock
        `grazing_z` is positive where the line of sight is cut (the path difference
        used), negative where it is clear (the least detour over a terrain point or
        object below it), minus infinity where nothing lies between.

    Raises
    ------
    OutOfDomainError
        If a number is not finite or outside its range, or a point lies outside
        the terrain or ground raster (then its path would, too).
    BadDataError
        If shapes do not fit together.
    MissingProgramError
        If the device "cuda" is asked for and there is none.

    References
    ----------
    iso9613-2 : 7.1, 7.2, 7.3.1, 7.4, 7.5, 8 and annex A
    """
    places = _table("receivers", receivers, 3)
    feet = _table("sources", sources, 3)
    heights = require_positive("source height", np.atleast_1d(source_heights), "m").copy()
    require_positive("receiver height", places[:, 2], "m", "heights are above local ground")
    alpha = require_between("absorption", absorption, 0.0, 10.0, "dB/m", "dB per metre").copy()
    if alpha.shape != (N_BANDS,):
        raise BadDataError(f"absorption: {alpha.shape} values; one for each of 8 bands is needed")
    require_between("C0", c0, 0.0, 20.0, "dB")
    require_positive("minimum distance", minimum_distance, "m")
    require_between("near-grazing limit", near_grazing_m, 0.0, 1000.0, "m")
    require_between("clearance", clearance, 0.0, 100.0, "m")
    if reading not in READINGS:
        raise OutOfDomainError(
            f"screening reading: {reading!r} is not allowed (allowed: literal, positive)"
        )
    if reflection_order not in REFLECTION_ORDERS:
        raise OutOfDomainError(
            f"reflection order: {reflection_order!r} is not allowed (allowed: 0, 1)"
        )
    pointer, source = _pairs(pair_pointer, pair_source, len(places), len(feet))
    _inside_rasters(surface, "receiver", places)
    _inside_rasters(surface, "source", feet)

    n = len(source)
    answer = job.Answer(
        np.empty((n, len(heights), N_BANDS), dtype=np.float32),
        np.empty((n, len(heights)), dtype=np.float32),
        np.empty(n, dtype=np.float32),
        np.empty(n, dtype=np.uint8),
        np.empty((n, len(heights)), dtype=np.float32),
        np.empty((n, len(heights)), dtype=np.float32),
    )
    if device not in DEVICES:
        raise OutOfDomainError(f"device: {device!r} is not allowed (allowed: cpu, cuda)")
    run = path_kernel.all_receivers if device == "cpu" else all_receivers_on_device
    run(
        places,
        feet,
        heights,
        pointer,
        source,
        surface.terrain_arrays,
        surface.ground_arrays,
        surface.cover_arrays,
        _obstacle_arrays(surface.index, feet, places),
        _mirrors(surface, feet, places, reflection_order),
        model_of(alpha, c0, reading, sides, minimum_distance, near_grazing_m, clearance),
        answer,
    )
    return PathBlock(*answer)


def require_device(device: Device) -> None:
    """Presence of a device, asked for before anything is computed.

    Parameters
    ----------
    device : {"cpu", "cuda"}
        Where the loop is to run. [1]

    Raises
    ------
    MissingProgramError
        If the device is "cuda" and there is no CUDA device or no compiler for it.

    References
    ----------
    iso9613-2 : the device changes no term
    """
    if device == "cuda":
        device_kernel()


def _table(name: str, value: npt.ArrayLike, columns: int) -> FloatArray:
    table = np.array(value, dtype=np.float64).reshape(-1, columns)
    return require_finite(name, table)


def _pairs(
    pair_pointer: npt.ArrayLike, pair_source: npt.ArrayLike, receivers: int, sources: int
) -> tuple[IntArray, IntArray]:
    pointer = np.array(pair_pointer, dtype=np.int64)
    source = np.array(pair_source, dtype=np.int64)
    good = (
        pointer.shape == (receivers + 1,)
        and source.ndim == 1
        and pointer[0] == 0
        and pointer[-1] == len(source)
        and bool((np.diff(pointer) >= 0).all())
    )
    if not good:
        raise BadDataError(
            f"pairs: the pointer must rise from 0 to the number of pairs, {source.size}, "
            f"in {receivers + 1} values"
        )
    if len(source) and (source.min() < 0 or source.max() >= sources):
        raise BadDataError(f"pairs: source numbers must lie within 0..{sources - 1}")
    return pointer, source


def _boxes(surface: Surface) -> dict[str, tuple[float, float, float, float]]:
    """West, south, east and north of where each raster can be read [m]."""
    rows, columns = surface.height.shape
    ground_rows, ground_columns = surface.factor.shape
    half = surface.gcell / 2.0
    return {
        "terrain": (
            surface.x0,
            surface.y0,
            surface.x0 + (columns - 1) * surface.cell,
            surface.y0 + (rows - 1) * surface.cell,
        ),
        "ground cover": (
            surface.gx0 - half,
            surface.gy0 - half,
            surface.gx0 + ground_columns * surface.gcell - half,
            surface.gy0 + ground_rows * surface.gcell - half,
        ),
    }


def _inside_rasters(surface: Surface, what: str, points: FloatArray) -> None:
    """Refuse points outside a raster; a path between two points inside stays inside."""
    x, y = points[:, 0], points[:, 1]
    for name, (west, south, east, north) in _boxes(surface).items():
        outside = ~((x >= west) & (x <= east) & (y >= south) & (y <= north))
        if outside.any():
            first = int(np.flatnonzero(outside)[0])
            raise OutOfDomainError(
                f"{what} {first} at ({x[first]:.1f}, {y[first]:.1f}) m lies outside the {name} "
                f"raster ({west:.1f}..{east:.1f}, {south:.1f}..{north:.1f}) m, and "
                f"{int(outside.sum()) - 1} more do; add {name} data there or shorten the range"
            )


def _obstacle_arrays(
    index: ObstacleIndex, sources: FloatArray, receivers: FloatArray
) -> job.Obstacles:
    points = np.concatenate([sources[:, :2], receivers[:, :2]])
    inside_pointer, inside_item = containing_buildings(index, points)
    return job.Obstacles(
        index.x0,
        index.y0,
        index.cell,
        index.columns,
        index.rows,
        index.edge_pointer,
        index.edge_item,
        index.item_edge,
        index.edges,
        index.height,
        index.block,
        index.group,
        index.corner_pointer,
        index.corner,
        inside_pointer,
        inside_item,
    )


def _mirrors(
    surface: Surface, sources: FloatArray, receivers: FloatArray, order: int
) -> job.Mirrors:
    """Surfaces that may reflect; those that reach out of a raster are left out."""
    index = surface.index
    usable = surface.reflection >= terms.number("reflection", "least_coefficient")
    if order == 0:
        usable = np.zeros(len(usable), dtype=np.bool_)
    ends = index.edges.reshape(-1, 2)
    for west, south, east, north in _boxes(surface).values():
        inside = (ends[:, 0] >= west) & (ends[:, 0] <= east)
        inside &= (ends[:, 1] >= south) & (ends[:, 1] <= north)
        usable = usable & inside.reshape(-1, 2).all(axis=1)
    own = np.zeros(len(sources) + len(receivers))
    own[len(sources) :] = terms.number("reflection", "own_facade_m")
    reach = terms.number("reflection", "reach_m")
    points = np.concatenate([sources[:, :2], receivers[:, :2]])
    return job.Mirrors(
        *reflectors_near(index, usable, points, reach, own),
        outer_sides(index) if usable.any() else np.zeros(len(usable)),
        surface.reflection,
        reach,
        int(terms.number("reflection", "most_per_path")),
        terms.number("reflection", "size_factor"),
    )
