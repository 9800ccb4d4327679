"""Ground heights in study coordinates, and the road surface cut into them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely
from scipy import ndimage
from scipy.spatial import cKDTree

from noisemap.errors import BadDataError
from noisemap.readers.lattices import Bounds, Heights, Lattice
from noisemap.readers.rasters import lattice_of, read_heights
from noisemap.readers.voids import SMALL_RADIUS, Filled, fill_voids
from noisemap.scene.crs import move, move_bounds, overlap
from noisemap.scene.grades import COARSEST_CELL_M
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.model import ON_GROUND, Road, Terrain
from noisemap.units import FOOT_M

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

FINEST_CELL_M, COARSEST_GRID_M = 10.0, 30.0
GRID_CAP = 25_000_000
EDGE_POINTS = 21
BLEND_CELLS = 2.0


@dataclass(frozen=True)
class NativeTerrain:
    """Heights on the files' own lattices, voids filled, sampled in study coordinates."""

    crs: str
    files: tuple[tuple[Heights, Filled], ...]
    native_cell: float  # coarsest of the files [m]

    @property
    def voids(self) -> int:
        """Cells without height in the files, inside the study window."""
        return sum(int(filled.filled.sum()) for _, filled in self.files)

    @property
    def large_voids(self) -> int:
        """Cells of voids wider than the trusted radius."""
        return sum(int(filled.large.sum()) for _, filled in self.files)

    def sample(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, BoolArray, BoolArray]:
        """Height [m], whether a filled cell was used, whether one of a large void."""
        height = np.full(len(x), np.nan)
        filled = np.ones(len(x), np.bool_)
        large = np.ones(len(x), np.bool_)
        for heights, voids in self.files:
            open_ = filled.copy()
            if not open_.any():
                break
            px, py = move(self.crs, heights.lattice.crs, x[open_], y[open_]).T
            value = Heights(heights.lattice, voids.height).sample(px, py)
            own_fill = heights.touches(voids.filled, px, py)
            own_large = heights.touches(voids.large, px, py)
            better = np.isfinite(value) & (~own_fill | np.isnan(height[open_]))
            index = np.nonzero(open_)[0][better]
            height[index], filled[index] = value[better], own_fill[better]
            large[index] = own_large[better]
        return height, filled, large

    def heights(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Height alone [m]; not a number where no file has one."""
        return self.sample(x, y)[0]


def open_terrain(inputs: SceneInputs) -> tuple[Lattice, ...]:
    """Lattices of the elevation files, without reading a height.

    Raises
    ------
    BadDataError
        When no file is named, a file is coarser than roads can be fitted to, or two
        files name different vertical systems.
    """
    if not inputs.terrain_files:
        raise BadDataError("[terrain] names no file; give at least one elevation file")
    lattices = tuple(lattice_of(path, inputs.terrain_crs) for path in inputs.terrain_files)
    for lattice in lattices:
        if lattice.native_cell > COARSEST_CELL_M:
            raise BadDataError(
                f"{lattice.path.name}: terrain too coarse, cells of {lattice.native_cell:.0f} m "
                f"(allowed: {COARSEST_CELL_M:.0f} m); give a finer elevation file"
            )
    _require_one_datum(lattices)
    return lattices


def _require_one_datum(lattices: Sequence[Lattice]) -> None:
    """Nothing, unless two files name different vertical systems.

    Raises
    ------
    BadDataError
        Naming one file of each.
    """
    named: dict[str, str] = {}
    for lattice in lattices:
        for part in lattice.crs.sub_crs_list:
            if part.is_vertical:
                datum = part.datum.name if part.datum is not None else part.name
                named.setdefault(datum, lattice.path.name)
    if len(named) > 1:
        listed = ", ".join(f"{file} ({name})" for name, file in named.items())
        raise BadDataError(
            f"[terrain]: the files are in different vertical systems: {listed}; convert them to one"
        )


def coverage(lattices: Sequence[Lattice], crs: str) -> shapely.Geometry:
    """Ground that the elevation files cover, in study coordinates."""
    parts = []
    for lattice in lattices:
        west, south, east, north = lattice.bounds
        ring = shapely.segmentize(
            shapely.box(west, south, east, north), max(east - west, north - south) / EDGE_POINTS
        )
        corners = shapely.get_coordinates(ring)
        moved = move(lattice.crs, crs, corners[:, 0], corners[:, 1])
        if np.isfinite(moved).all():
            parts.append(shapely.Polygon(moved))
    if not parts:
        raise BadDataError(
            f"[terrain]: no file lies where {crs} is defined; check terrain and roads for their crs"
        )
    return shapely.make_valid(shapely.union_all(parts))


def load_terrain(
    inputs: SceneInputs, lattices: Sequence[Lattice], crs: str, bounds: Bounds
) -> NativeTerrain:
    """Heights of all files inside the bounds (study coordinates), voids filled."""
    near: list[Lattice] = []
    windows: list[Bounds] = []
    for lattice in lattices:
        window = move_bounds(crs, lattice.crs, bounds)
        if overlap(window, lattice.bounds):
            near.append(lattice)
            windows.append(window)
    pieces = read_heights(
        near,
        windows,
        nodata=inputs.terrain_nodata,
        vertical_unit=inputs.terrain_vertical_unit,
        finest_cell=FINEST_CELL_M,
    )
    files = tuple((piece, fill_voids(piece.height)) for piece in pieces)
    files = tuple(pair for pair in files if np.isfinite(pair[1].height).all())
    if not files:
        raise BadDataError("[terrain]: the files hold no height inside the study window")
    return NativeTerrain(crs, files, max(piece.lattice.native_cell for piece, _ in files))


def grid_spacing(native_cell: float) -> float:
    """Spacing of the grid used: a third of the file's, within 10..30 m [m].

    >>> grid_spacing(1.0), grid_spacing(12.6), grid_spacing(92.8)
    (10.0, 10.0, 30.0)
    """
    return float(np.clip(native_cell / 3.0, FINEST_CELL_M, COARSEST_GRID_M))


def terrain_grid(native: NativeTerrain, bounds: Bounds) -> Terrain:
    """Heights at the centres of a square grid, bilinear from the files.

    A file that already lies in the study system at the grid's spacing keeps its
    own centres, so that nothing is smoothed.
    """
    cell = grid_spacing(native.native_cell)
    x0, y0 = _phase(native, cell)
    west = x0 + math.ceil((bounds[0] - x0) / cell) * cell
    south = y0 + math.ceil((bounds[1] - y0) / cell) * cell
    columns = max(2, math.floor((bounds[2] - west) / cell) + 1)
    rows = max(2, math.floor((bounds[3] - south) / cell) + 1)
    if columns * rows > GRID_CAP:
        raise BadDataError(
            f"the study area needs {columns * rows:,} terrain cells of {cell:.0f} m "
            f"(allowed: {GRID_CAP:,}); set a smaller window in [study]"
        )
    x = (west + cell * np.arange(columns)).astype(np.float64)
    y = (south + cell * np.arange(rows)).astype(np.float64)
    height = np.empty((rows, columns))
    filled = np.empty((rows, columns), np.bool_)
    for row in range(rows):
        height[row], filled[row], _ = native.sample(x, np.full(columns, float(y[row])))
    outside = ~np.isfinite(height)
    if outside.any():
        nearest = ndimage.distance_transform_edt(
            outside, return_distances=False, return_indices=True
        )
        height, filled = height[tuple(nearest)], filled | outside
    return Terrain(west, south, cell, height, filled, native.native_cell)


def _phase(native: NativeTerrain, cell: float) -> tuple[float, float]:
    lattice = native.files[0][0].lattice
    if lattice.crs == native.crs and abs(lattice.dx - cell) < 1e-6 * cell:
        return lattice.x0, lattice.y0
    return 0.0, 0.0


def height_at(terrain: Terrain, x: FloatArray, y: FloatArray) -> FloatArray:
    """Bilinear height of the grid [m]; beyond its edge the edge's height."""
    row = (np.asarray(y, np.float64) - terrain.y0) / terrain.cell
    column = (np.asarray(x, np.float64) - terrain.x0) / terrain.cell
    return np.asarray(
        ndimage.map_coordinates(terrain.height, [row, column], order=1, mode="nearest")
    )


def burn_roads(terrain: Terrain, roads: Sequence[Road], half_width: float) -> Terrain:
    """Terrain with the fitted road surface in the cells under roads on the ground.

    Cells within the half width (at least 3/4 of a cell) take the surface; over two
    more cells the change fades out, so that no cliff appears.  Bridges and tunnels
    leave the terrain as it is.
    """
    reach = max(half_width, 0.75 * terrain.cell)
    fade = BLEND_CELLS * terrain.cell
    spacing = terrain.cell / 3.0
    points = [_ground_points(road, spacing) for road in roads]
    places = np.concatenate([part for part in points if len(part)] or [np.zeros((0, 6))])
    if not len(places):
        return terrain
    rows, columns = _near_cells(terrain, places, reach + fade)
    centres = np.column_stack(
        [terrain.x0 + columns * terrain.cell, terrain.y0 + rows * terrain.cell]
    )
    distance, nearest = cKDTree(places[:, :2]).query(centres)
    place = places[nearest]
    ahead = ((centres - place[:, :2]) * place[:, 3:5]).sum(axis=1)
    surface = place[:, 2] + place[:, 5] * np.clip(ahead, -spacing, spacing)
    share = np.clip((reach + fade - distance) / fade, 0.0, 1.0)
    share = share * share * (3.0 - 2.0 * share)
    height = terrain.height.copy()
    old = height[rows, columns]
    height[rows, columns] = old + share * (surface - old)
    return replace(terrain, height=height)


def _ground_points(road: Road, spacing: float) -> FloatArray:
    """Points along the parts of a road on the ground: x, y, surface, direction, slope."""
    steps = np.maximum(1, np.ceil(np.diff(road.chainage) / spacing).astype(np.int64))
    at = np.repeat(np.arange(len(steps)), steps)
    first = np.repeat(np.cumsum(steps) - steps, steps)
    share = (np.arange(len(at)) - first) / steps[at]
    keep = road.structure[at] == ON_GROUND
    at, share = at[keep], share[keep]
    places = [v[at] + share * (v[at + 1] - v[at]) for v in (road.x, road.y, road.surface)]
    dx, dy, rise = (np.diff(v)[at] for v in (road.x, road.y, road.surface))
    length = np.maximum(np.hypot(dx, dy), 1e-9)
    return np.column_stack([*places, dx / length, dy / length, rise / length])


def _near_cells(
    terrain: Terrain, places: FloatArray, reach: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Rows and columns of cells that may lie within reach of a place."""
    shape = terrain.height.shape
    mask = np.zeros(shape, np.bool_)
    row = np.round((places[:, 1] - terrain.y0) / terrain.cell).astype(np.int64)
    column = np.round((places[:, 0] - terrain.x0) / terrain.cell).astype(np.int64)
    inside = (row >= 0) & (row < shape[0]) & (column >= 0) & (column < shape[1])
    mask[row[inside], column[inside]] = True
    mask = ndimage.binary_dilation(
        mask, structure=np.ones((3, 3)), iterations=math.ceil(reach / terrain.cell) + 1
    )
    rows, columns = np.nonzero(mask)
    return rows.astype(np.int64), columns.astype(np.int64)


def unit_sentences(inputs: SceneInputs, lattices: Sequence[Lattice]) -> tuple[list[str], list[str]]:
    """Assumptions and warnings about the unit of the heights, as sentences."""
    if inputs.terrain_vertical_unit is not None:
        return [], []
    assumptions, warnings = [], []
    for unit in sorted({lattice.vertical_unit for lattice in lattices} - {""}):
        assumptions.append(f"The heights of the terrain are in {unit}, as its files say.")
    untold = [lattice for lattice in lattices if not lattice.vertical_unit]
    if untold:
        assumptions.append(
            "The terrain's files do not say the unit of their heights: metres are assumed."
        )
    feet = [one for one in untold if one.crs.is_projected and _in_feet(one)]
    if feet:
        warnings.append(
            f"{feet[0].path.name}: its map system is in {feet[0].crs.axis_info[0].unit_name}, "
            "heights of such files mostly are too, but metres are assumed; write "
            'vertical_unit = "us-ft", "ft" or "m" in [terrain].'
        )
    return assumptions, warnings


def _in_feet(lattice: Lattice) -> bool:
    return abs(lattice.crs.axis_info[0].unit_conversion_factor - FOOT_M) < 1e-3


def terrain_sentences(native: NativeTerrain, on_roads: int) -> tuple[list[str], list[str]]:
    """Assumptions and warnings about the terrain, as sentences."""
    assumptions: list[str] = []
    warnings: list[str] = []
    if native.voids:
        assumptions.append(
            f"Terrain cells without height, filled from those around: {native.voids:,}; road "
            f"points on them, without weight in the road heights: {on_roads:,}."
        )
    if native.large_voids:
        warnings.append(
            f"Filled terrain cells in gaps wider than {2.0 * SMALL_RADIUS:.0f} cells, where the "
            f"fill can be off by tens of metres: {native.large_voids:,}."
        )
    return assumptions, warnings
