"""The invented land of Brindle Gap: a surface shaped to the designed roads, and its land use.

A thin-plate spline through the designed road heights and a few landscape points
gives the broad shape; a spur stands over the tunnel, a ravine under the bridge,
the creek has its bed, seeded noise roughens what lies away from the roads, and
the road bench is carved last, its slopes the wider the deeper the cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from design_roads import BRIDGE, TUNNEL, Designed, Line
from scipy.interpolate import RBFInterpolator, RectBivariateSpline
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

FloatArray = npt.NDArray[np.float64]

WEST, EAST, SOUTH, NORTH = -1250.0, 6900.0, -450.0, 5450.0  # edges of the file [m]
CELL = 10.0
NODATA = -9999.0
VOIDS = ((2950.0, 3400.0, 3), (5200.0, 3100.0, 2), (-800.0, 5250.0, 2))  # x, y, cells wide

BENCH_HALF_WIDTH = 14.0  # ground stands at the road's height this far from its axis [m]
WIDTH_PER_CUT = 5.0  # the slope beside a cut or fill is this many times its depth
NARROWEST_SLOPE = 40.0  # [m]
FARTHEST_SLOPE = 300.0  # no road shapes the ground farther away [m]
QUIET_REACH = 360.0  # noise is at its full height this far from every road [m]

CREEK = (  # x, y, level of the banks
    (-1250.0, 2050.0, 990.0),
    (0.0, 2000.0, 940.0),
    (1000.0, 1950.0, 905.0),
    (2000.0, 1830.0, 873.0),
    (2900.0, 1760.0, 857.0),
    (3600.0, 1770.0, 850.5),
    (4400.0, 1650.0, 846.5),
    (5200.0, 1590.0, 842.0),
    (6000.0, 1380.0, 838.5),
    (6900.0, 1120.0, 834.0),
)
RAVINE = (  # x, y, depth
    (2580.0, 3600.0, 0.0),
    (2530.0, 3150.0, 12.0),
    (2475.0, 2780.0, 20.0),
    (2460.0, 2690.0, 20.0),
    (2435.0, 2600.0, 20.0),
    (2310.0, 2400.0, 14.0),
    (2130.0, 2150.0, 7.0),
    (1990.0, 1840.0, 0.0),
)
RAVINE_HALF_WIDTH = 92.0
LANDSCAPE = (  # x, y, height
    (-1250.0, 5450.0, 1262.0),
    (600.0, 5450.0, 1275.0),
    (2200.0, 5450.0, 1238.0),
    (3900.0, 5450.0, 1165.0),
    (5500.0, 5450.0, 1105.0),
    (6900.0, 5450.0, 1060.0),
    (-1250.0, 4300.0, 1240.0),
    (-1250.0, 3300.0, 1200.0),
    (-1250.0, 2600.0, 1090.0),
    (150.0, 2500.0, 1025.0),
    (1200.0, 2350.0, 962.0),
    (2100.0, 3600.0, 1118.0),
    (3000.0, 3600.0, 1068.0),
    (3900.0, 3500.0, 1022.0),
    (4700.0, 3400.0, 985.0),
    (3800.0, 2750.0, 916.0),
    (4500.0, 2750.0, 905.0),
    (5200.0, 2700.0, 893.0),
    (3700.0, 2320.0, 860.0),
    (4500.0, 2260.0, 856.0),
    (5200.0, 2190.0, 852.0),
    (6900.0, 4200.0, 985.0),
    (6900.0, 3000.0, 905.0),
    (6900.0, 2000.0, 848.0),
    (4200.0, 1500.0, 850.0),
    (5200.0, 1330.0, 848.0),
    (6200.0, 1050.0, 850.0),
    (3400.0, 1480.0, 862.0),
    (2000.0, 1150.0, 928.0),
    (2600.0, 1100.0, 926.0),
    (3100.0, 1090.0, 922.0),
    (3500.0, 1120.0, 912.0),
    (4100.0, 1150.0, 890.0),
    (1100.0, 1200.0, 968.0),
    (0.0, 1200.0, 1020.0),
    (-1250.0, 1200.0, 1075.0),
    (-1250.0, -450.0, 1120.0),
    (600.0, 200.0, 1070.0),
    (1800.0, 300.0, 1030.0),
    (2900.0, 400.0, 1005.0),
    (4100.0, 350.0, 985.0),
    (5400.0, 200.0, 960.0),
    (6900.0, 0.0, 930.0),
    (2500.0, -450.0, 1010.0),
    (5000.0, -450.0, 975.0),
    (6900.0, -450.0, 940.0),
)


@dataclass(frozen=True)
class Grid:
    """Cell centres of the terrain file; row 0 is the northern row."""

    x: FloatArray
    y: FloatArray

    @classmethod
    def whole(cls) -> Grid:
        """The grid of the whole file."""
        x = np.arange(WEST + CELL / 2, EAST, CELL, dtype=np.float64)
        y = np.arange(NORTH - CELL / 2, SOUTH, -CELL, dtype=np.float64)
        return cls(x, y)

    def points(self) -> FloatArray:
        """All cell centres, row by row."""
        xx, yy = np.meshgrid(self.x, self.y)
        return np.column_stack([xx.ravel(), yy.ravel()])

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return len(self.y), len(self.x)


def on_ground(main: Line) -> npt.NDArray[np.bool_]:
    """Where SR 77 lies on the ground: not in the tunnel, not on the bridge."""
    inside = np.zeros(main.s.shape, dtype=bool)
    for start, end in (TUNNEL, BRIDGE):
        inside |= (main.s > start) & (main.s < end)
    return ~inside


def broad_shape(grid: Grid, designed: list[FloatArray]) -> FloatArray:
    """Thin-plate spline through roads (x, y, z rows), creek banks and landscape points."""
    known = np.vstack([*(d[::70] for d in designed), np.array(CREEK), np.array(LANDSCAPE)])
    spline = RBFInterpolator(known[:, :2], known[:, 2], kernel="thin_plate_spline", smoothing=5.0)
    cx = np.arange(WEST - 40.0, EAST + 41.0, 40.0)
    cy = np.arange(SOUTH - 40.0, NORTH + 41.0, 40.0)
    xx, yy = np.meshgrid(cx, cy)
    coarse = spline(np.column_stack([xx.ravel(), yy.ravel()])).reshape(xx.shape)
    fine: FloatArray = RectBivariateSpline(cy, cx, coarse)(grid.y[::-1], grid.x)[::-1]
    return fine


def _nearest(
    points: FloatArray, line: tuple[tuple[float, float, float], ...]
) -> tuple[FloatArray, FloatArray]:
    """Distance to a line of x, y, value rows and the value at the nearest place on it."""
    rows = np.array(line)
    run = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(rows[:, :2], axis=0).T))))
    fine = np.arange(0.0, run[-1], 4.0)
    dense = np.column_stack([np.interp(fine, run, rows[:, k]) for k in range(3)])
    distance, index = cKDTree(dense[:, :2]).query(points)
    return distance, dense[index, 2]


def _bowl(distance: FloatArray, half_width: float) -> FloatArray:
    """1 on the axis, falling smoothly to 0 at the half width and beyond."""
    t = np.clip(1.0 - distance / half_width, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def _spur(points: FloatArray, main: Line) -> FloatArray:
    """The hill over the tunnel: a spur that runs down across the road's line."""
    middle = sum(TUNNEL) / 2.0
    centre, ahead = np.array(main.at(middle)), np.array(main.at(middle + 1.0))
    along = (points - centre) @ (ahead - centre)
    across = (points - centre) @ np.array([-(ahead - centre)[1], (ahead - centre)[0]])
    hill: FloatArray = 27.0 * np.exp(-((along / 62.0) ** 2) - (across / 190.0) ** 2)
    return hill


def _noise(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    total = np.zeros(shape)
    for cells, metres in ((32.0, 9.0), (11.0, 2.6), (4.0, 0.5)):
        layer = gaussian_filter(rng.standard_normal(shape), cells)
        total += metres * layer / layer.std()
    return total


def terrain(
    grid: Grid, main: Designed, carved: list[Designed], quiet: list[Line], rng: np.random.Generator
) -> FloatArray:
    """Ground heights [m], rows from north to south.

    `carved` are further roads with designed heights, `quiet` roads that follow
    the land and only keep the noise away.
    """
    lies = on_ground(main)
    rows = [main.rows()[lies], *(line.rows() for line in carved)]
    points = grid.points()
    base = broad_shape(grid, rows).ravel() + _spur(points, main)
    distance, depth = _nearest(points, RAVINE)
    base -= depth * _bowl(distance, RAVINE_HALF_WIDTH)
    base -= 3.0 * _bowl(_nearest(points, CREEK)[0], 22.0)
    everywhere = np.vstack(
        [*(r[:, :2] for r in rows), *([np.column_stack([q.x, q.y]) for q in quiet])]
    )
    away = cKDTree(everywhere).query(points, distance_upper_bound=QUIET_REACH)[0]
    away = np.minimum(away, QUIET_REACH)
    base += _noise(grid.shape, rng).ravel() * (
        1.0 - _bowl(np.maximum(away - 40.0, 0.0), QUIET_REACH - 40.0)
    )
    return _carve(points, base, grid, np.vstack(rows)).reshape(grid.shape)


def _carve(points: FloatArray, base: FloatArray, grid: Grid, road: FloatArray) -> FloatArray:
    """Set the ground to the road's height beside it and blend back to the land."""
    surface = RectBivariateSpline(grid.y[::-1], grid.x, base.reshape(grid.shape)[::-1], kx=1, ky=1)
    depth = np.abs(road[:, 2] - surface.ev(road[:, 1], road[:, 0]))
    distance, nearest = cKDTree(road[:, :2]).query(points, distance_upper_bound=FARTHEST_SLOPE)
    near = np.isfinite(distance)
    nearest = nearest[near]
    width = np.maximum(NARROWEST_SLOPE, WIDTH_PER_CUT * depth[nearest])
    share = _bowl(np.maximum(distance[near] - BENCH_HALF_WIDTH, 0.0), width)
    carved = base.copy()
    carved[near] += share * (road[nearest, 2] - base[near])
    return carved


def void_mask(grid: Grid) -> npt.NDArray[np.bool_]:
    """Cells that the file leaves without a height, on purpose."""
    void = np.zeros(grid.shape, dtype=bool)
    for x, y, wide in VOIDS:
        row, column = int(np.argmin(abs(grid.y - y))), int(np.argmin(abs(grid.x - x)))
        void[row : row + wide, column : column + wide] = True
    return void
