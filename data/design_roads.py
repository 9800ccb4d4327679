"""The invented roads of Brindle Gap: plan, grade table, streets, and what is wrong on purpose.

Everything here is invented.  SR 77 is drawn first, as pieces of a given length
and turn; its heights follow a table of grades.  The land is shaped to it later
(design_ground.py), so its true profile is known exactly.

Local coordinates are metres east and north of ORIGIN in EPSG:32606.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline
from scipy.ndimage import uniform_filter1d
from shapely.geometry import LineString

FloatArray = npt.NDArray[np.float64]

CRS = "EPSG:32606"  # UTM zone 6N; the town lies in open ocean
ORIGIN = (496_000.0, 4_313_500.0)  # near 39 N 147 W

SR77_START = (1350.0, 3760.0)
SR77_HEADING = 268.0  # compass degrees at the first point
SR77_PIECES = (  # length [m], turn to the right [deg]
    (300.0, 0.0),  # the pass, going west
    (200.0, -6.0),
    (370.0, 4.0),
    (430.0, -161.0),  # round the shoulder, now going east
    (420.0, 0.0),  # first group of switchbacks
    (131.0, 150.0),
    (470.0, 0.0),
    (131.0, -150.0),
    (300.0, -5.0),
    (300.0, -5.0),
    (248.0, 0.0),
    (300.0, 5.0),  # the traverse with the tunnel and the high bridge
    (500.0, 0.0),
    (300.0, -10.0),
    (500.0, 0.0),
    (160.0, 12.0),  # second group of switchbacks
    (133.5, 153.0),
    (400.0, 0.0),
    (122.0, -140.0),
    (484.5, 0.0),
    (300.0, -20.0),
    (2100.0, 0.0),  # into the town and along its main street
    (500.0, 15.0),
    (820.0, 0.0),  # out along the valley floor
)
SR77_LENGTH = 9920.0
START_HEIGHT = 1180.0
SR77_GRADES = (  # from chainage [m], grade [%]
    (0.0, 1.0),
    (700.0, -3.0),
    (1300.0, -6.0),
    (3300.0, -7.0),
    (4300.0, -4.5),
    (4900.0, -6.5),
    (6200.0, -2.0),
    (6900.0, -0.5),
)
SMOOTHING = 220  # window over which the table's steps are rounded [m]

TUNNEL = (3660.0, 3840.0)  # chainage [m]
BRIDGE = (4440.0, 4620.0)
ESCAPE_RAMP = 5594.0
OLD_GRADE_TOP, OLD_GRADE_FOOT = 350.0, 8700.0  # where it leaves and joins SR 77
OLD_GRADE_WAYPOINTS = (
    (1230.0, 4000.0),
    (1800.0, 4400.0),
    (2450.0, 4230.0),
    (3100.0, 4690.0),
    (3750.0, 4290.0),
    (4450.0, 4720.0),
    (5250.0, 4480.0),
    (5800.0, 3980.0),
    (5430.0, 3400.0),
    (6000.0, 2950.0),
    (6080.0, 2420.0),
    (5700.0, 2110.0),
)
MILL_LEAVES, MILL_JOINS = 6600.0, 9150.0
BENCH_FORK, RIDGE_FORK = 90.0, 1040.0  # chainage on Bench Lane and on Mill Road
CROSS_STREETS = (
    (7160.0, "Alder Street"),
    (7320.0, "Birch Street"),
    (7480.0, "Cedar Street"),
    (7640.0, "Dogwood Street"),
    (7800.0, "Elder Street"),
    (7960.0, "Fir Street"),
)
LONG_STREETS = (  # offset to the left (north) of the main street
    (110.0, "First Street"),
    (220.0, "Second Street"),
    (330.0, "Third Street"),
    (440.0, "Fourth Street"),
    (-110.0, "Water Street"),
)


@dataclass(frozen=True)
class Line:
    """A road's driving line at about every metre."""

    s: FloatArray
    x: FloatArray
    y: FloatArray

    def at(self, chainage: float, left: float = 0.0) -> tuple[float, float]:
        """Point at a chainage, offset to the left of the driving direction [m]."""
        x, y = np.interp(chainage, self.s, self.x), np.interp(chainage, self.s, self.y)
        dx = np.interp(chainage + 1, self.s, self.x) - np.interp(chainage - 1, self.s, self.x)
        dy = np.interp(chainage + 1, self.s, self.y) - np.interp(chainage - 1, self.s, self.y)
        norm = np.hypot(dx, dy)
        return float(x - left * dy / norm), float(y + left * dx / norm)

    def part(self, start: float, end: float, forced: tuple[float, ...] = ()) -> LineString:
        """The line between two chainages, thinned to 5 cm, with vertices at `forced`."""
        inside = [c for c in forced if start < c < end]
        stops = np.unique(np.concatenate(([start, *inside, end], self.s)))
        stops = stops[(stops >= start) & (stops <= end)]
        xy = list(
            zip(np.interp(stops, self.s, self.x), np.interp(stops, self.s, self.y), strict=True)
        )
        kept = set(LineString(xy).simplify(0.05).coords)
        must = set(np.searchsorted(stops, inside).tolist())
        return LineString([p for i, p in enumerate(xy) if p in kept or i in must])


@dataclass(frozen=True)
class Designed(Line):
    """A line with designed heights [m] and grades [1]."""

    z: FloatArray
    grade: FloatArray

    def rows(self) -> FloatArray:
        """Rows of x, y, z."""
        return np.column_stack([self.x, self.y, self.z])


def profile(
    grades: tuple[tuple[float, float], ...], length: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Chainage, rise above the start and smoothed grade of a grade table, at every metre."""
    s = np.arange(0.0, length + 0.5, dtype=np.float64)
    starts, values = np.array(grades).T
    table = values[np.searchsorted(starts, s, side="right") - 1] / 100.0
    grade = uniform_filter1d(table, SMOOTHING, mode="nearest")
    rise = np.concatenate(([0.0], np.cumsum((grade[1:] + grade[:-1]) / 2.0)))
    return s, rise, grade


def sr77() -> Designed:
    """The main downgrade, top first."""
    s, rise, grade = profile(SR77_GRADES, SR77_LENGTH)
    lengths, turns = np.array(SR77_PIECES).T
    if abs(lengths.sum() - SR77_LENGTH) > 1e-9:
        raise ValueError(f"the pieces of SR 77 sum to {lengths.sum()} m, not {SR77_LENGTH} m")
    ends = np.concatenate(([0.0], np.cumsum(lengths)))
    headings = SR77_HEADING + np.concatenate(([0.0], np.cumsum(turns)))
    middle = np.radians(np.interp(s[:-1] + 0.5, ends, headings))
    x = SR77_START[0] + np.concatenate(([0.0], np.cumsum(np.sin(middle))))
    y = SR77_START[1] + np.concatenate(([0.0], np.cumsum(np.cos(middle))))
    return Designed(s, x, y, START_HEIGHT + rise, grade)


def curve(points: list[tuple[float, float]]) -> Line:
    """A smooth line through points, resampled to about every metre."""
    p = np.array(points)
    t = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(p, axis=0).T))))
    fine = CubicSpline(t, p)(np.linspace(0.0, t[-1], int(t[-1] * 4)))
    run = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(fine, axis=0).T))))
    s = np.linspace(0.0, run[-1], round(run[-1]) + 1)
    return Line(s, np.interp(s, run, fine[:, 0]), np.interp(s, run, fine[:, 1]))


def straight(points: list[tuple[float, float]]) -> Line:
    """The straight pieces between points, resampled to about every metre."""
    line = LineString(points)
    s = np.linspace(0.0, line.length, round(line.length) + 1)
    xy = np.array([line.interpolate(c).coords[0] for c in s])
    return Line(s, xy[:, 0], xy[:, 1])


def old_grade(main: Designed) -> Designed:
    """The old road round the hill: longer, gentler, with few homes."""
    top, foot = main.at(OLD_GRADE_TOP), main.at(OLD_GRADE_FOOT)
    plan = curve([top, *OLD_GRADE_WAYPOINTS, foot])
    z_top = float(np.interp(OLD_GRADE_TOP, main.s, main.z))
    z_foot = float(np.interp(OLD_GRADE_FOOT, main.s, main.z))
    gentle, level = 1400.0, 700.0  # length of the first and the last piece
    steep = (z_foot - z_top + 0.01 * gentle + 0.004 * level) / (plan.s[-1] - gentle - level)
    table = ((0.0, -1.0), (gentle, steep * 100.0), (plan.s[-1] - level, -0.4))
    _, rise, grade = profile(table, round(plan.s[-1]))
    rise = rise * (z_foot - z_top) / rise[-1]
    return Designed(plan.s, plan.x, plan.y, z_top + rise, grade)


def escape_ramp(main: Designed) -> Designed:
    """Straight on where the last hairpin turns: an uphill bed of gravel."""
    start = main.at(ESCAPE_RAMP)
    back = main.at(ESCAPE_RAMP - 20.0)
    along = np.array(start) - np.array(back)
    end = np.array(start) + along / np.hypot(*along) * 220.0
    plan = straight([start, (float(end[0]), float(end[1]))])
    z = np.interp(ESCAPE_RAMP, main.s, main.z)
    rise = np.interp(plan.s, [0.0, 40.0, plan.s[-1]], [0.0, -1.0, 0.11 * (plan.s[-1] - 40.0)])
    return Designed(plan.s, plan.x, plan.y, z + rise, np.gradient(rise, plan.s))


def _mill_road(main: Line) -> Line:
    return curve(
        [
            main.at(MILL_LEAVES),
            (3450.0, 1900.0),
            (3590.0, 1710.0),
            (3830.0, 1590.0),
            (4300.0, 1520.0),
            (4800.0, 1450.0),
            (5250.0, 1490.0),
            (5600.0, 1620.0),
            main.at(MILL_JOINS),
        ]
    )


def draped(main: Line) -> dict[str, Line]:
    """Roads that follow the land, by name."""
    offsets = sorted([0.0, *(o for o, _ in LONG_STREETS)], reverse=True)
    out = {n: straight([main.at(c, o) for o in offsets]) for c, n in CROSS_STREETS}
    ends = [7090.0, *(c for c, _ in CROSS_STREETS), 8040.0]
    out |= {n: straight([main.at(c, o) for c in ends]) for o, n in LONG_STREETS}
    bench = [main.at(6020.0), main.at(5960.0, 70.0), main.at(5860.0, 115.0), main.at(5800.0, 80.0)]
    out["Bench Lane"] = lane = curve(bench)
    upper = [main.at(6060.0, 150.0), main.at(6150.0, 185.0), main.at(6380.0, 160.0)]
    out["Upper Bench Lane"] = curve([lane.at(BENCH_FORK), *upper])
    hamlet = [main.at(1500.0, -70.0), main.at(1400.0, -105.0), main.at(1210.0, -125.0)]
    out["Hairpin Lane"] = curve([main.at(1560.0), *hamlet])
    summit = [main.at(580.0, 60.0), main.at(660.0, 110.0), main.at(800.0, 120.0)]
    out["Summit Lane"] = curve([main.at(560.0), *summit])
    out["Mill Road"] = mill = _mill_road(main)
    ridge = [(3800.0, 1400.0), (3400.0, 1240.0), (3000.0, 1120.0), (2500.0, 1090.0)]
    out["Ridge Road"] = curve([mill.at(RIDGE_FORK), *ridge, (2120.0, 1120.0)])
    return out
