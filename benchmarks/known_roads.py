"""Roads whose heights are known, with the ground around them: made ones and a surveyed one."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.interpolate import LinearNDInterpolator
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.spatial import cKDTree

from noisemap.readers.rasters import lattice_of, read_heights
from noisemap.scene.crs import project

FloatArray = npt.NDArray[np.float64]

BENCH_M, BANK_M = 6.0, 6.0  # half width of the level road, and of the bank beside it
SWITCHBACK_GRADES = (0.05, 0.08, 0.06, 0.09, 0.07, 0.08, 0.055)
VALLEY_ROADS = 5


@dataclass(frozen=True)
class KnownRoad:
    """A road with known heights, and the terrain around it on a fine grid."""

    name: str
    x: FloatArray  # (n,) [m]
    y: FloatArray
    chainage: FloatArray
    height: FloatArray  # true height [m]
    ground: FloatArray  # (rows, columns) fine terrain [m]
    origin: tuple[float, float]  # centre of ground[0, 0] [m]
    step: float  # spacing of the fine terrain [m]


def switchbacks() -> KnownRoad:
    """Seven legs of 350 m joined by bends of 25 m radius, on a bench cut into a hillside."""
    radius, leg = 25.0, 350.0
    xs, ys, at_leg = [], [], []
    for number in range(len(SWITCHBACK_GRADES)):
        along = np.arange(0.0, leg, 5.0)
        forward = number % 2 == 0
        xs.append(along if forward else leg - along)
        ys.append(np.full(len(along), 2.0 * radius * number))
        at_leg.append(np.full(len(along), number))
        if number + 1 < len(SWITCHBACK_GRADES):
            turn = np.linspace(-np.pi / 2, np.pi / 2, 17)[:-1]
            side = 1.0 if forward else -1.0
            xs.append((leg if forward else 0.0) + side * radius * np.cos(turn))
            ys.append(2.0 * radius * number + radius + radius * np.sin(turn))
            at_leg.append(np.full(len(turn), number))
    x, y = np.concatenate(xs), np.concatenate(ys)
    chainage = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    grade = np.array(SWITCHBACK_GRADES)[np.concatenate(at_leg).astype(int)][:-1]
    height = 500.0 + np.concatenate([[0.0], np.cumsum(grade * np.diff(chainage))])
    step = 2.0
    grid_x = np.arange(-150.0, leg + 150.0, step)
    grid_y = np.arange(-150.0, y.max() + 150.0, step)
    far_x, far_y = np.meshgrid(np.linspace(-200.0, leg + 200.0, 12), [-200.0, y.max() + 200.0])
    slope = (height[-1] - height[0]) / (y.max() - y.min())
    far = height[0] + slope * far_y.ravel()
    hill = LinearNDInterpolator(
        np.column_stack([np.append(x, far_x.ravel()), np.append(y, far_y.ravel())]),
        np.append(height, far),
    )
    ground = hill(*np.meshgrid(grid_x, grid_y))
    mesh = np.column_stack([part.ravel() for part in np.meshgrid(grid_x, grid_y)])
    distance, nearest = cKDTree(np.column_stack([x, y])).query(mesh)
    share = np.clip((BENCH_M + BANK_M - distance) / BANK_M, 0.0, 1.0).reshape(ground.shape)
    ground = ground + share * (height[nearest].reshape(ground.shape) - ground)
    return KnownRoad(
        "made switchbacks", x, y, chainage, height, ground, (grid_x[0], grid_y[0]), step
    )


def surveyed_climb(survey: Path, tile: Path) -> KnownRoad:
    """A surveyed road and the terrain tile under it."""
    with survey.open(encoding="utf-8") as stream:
        rows = np.array([[float(cell) for cell in row] for row in csv.reader(stream)])
    crs = f"EPSG:{32600 + int((rows[0, 0] + 180.0) // 6.0) + 1}"
    place = project("EPSG:4326", crs, rows[:, 0], rows[:, 1])
    chainage = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(place, axis=0).T))])
    lattice = lattice_of(tile)
    (terrain,) = read_heights([lattice], [lattice.bounds])
    step = 4.0
    grid_x = np.arange(place[:, 0].min() - 400.0, place[:, 0].max() + 400.0, step)
    grid_y = np.arange(place[:, 1].min() - 400.0, place[:, 1].max() + 400.0, step)
    mesh_x, mesh_y = np.meshgrid(grid_x, grid_y)
    own = project(crs, lattice.crs, mesh_x.ravel(), mesh_y.ravel())
    ground = terrain.sample(own[:, 0], own[:, 1]).reshape(mesh_x.shape)
    return KnownRoad(
        "surveyed climb", place[:, 0], place[:, 1], chainage, rows[:, 2], ground,
        (float(grid_x[0]), float(grid_y[0])), step,
    )  # fmt: skip


def valley_road(seed: int) -> KnownRoad:
    """A winding road of 4 km with changing grades along a rough hillside of changing slope."""
    rng = np.random.default_rng(seed)
    spacing, count, step = 10.0, 401, 6.0
    turn = gaussian_filter1d(rng.standard_normal(count), 12.0)
    heading = turn[:-1] * np.radians(30.0) / turn.std()
    x = np.concatenate([[0.0], np.cumsum(spacing * np.cos(heading))])
    y = np.concatenate([[0.0], np.cumsum(spacing * np.sin(heading))])
    pieces = rng.integers(25, 70, 16)  # of 250 to 700 m
    table = np.repeat(rng.uniform(-0.02, 0.08, len(pieces)), pieces)[: count - 1]
    grade = gaussian_filter1d(table, 4.0, mode="nearest")  # vertical curves of some 150 m
    height = 500.0 + np.concatenate([[0.0], np.cumsum(spacing * grade)])
    slope = gaussian_filter1d(rng.standard_normal(count), 25.0)
    slope = np.clip(0.25 * slope / slope.std(), -0.6, 0.6)
    grid_x = np.arange(x.min() - 300.0, x.max() + 300.0, step)
    grid_y = np.arange(y.min() - 300.0, y.max() + 300.0, step)
    mesh_x, mesh_y = np.meshgrid(grid_x, grid_y)
    place = np.column_stack([mesh_x.ravel(), mesh_y.ravel()])
    distance, near = cKDTree(np.column_stack([x, y])).query(place)
    ahead = np.column_stack([np.gradient(x), np.gradient(y)])[near]
    away = place - np.column_stack([x, y])[near]
    side = np.sign(ahead[:, 0] * away[:, 1] - ahead[:, 1] * away[:, 0])
    hill = (height[near] + slope[near] * side * distance).reshape(mesh_x.shape)
    hill = gaussian_filter(hill, 8.0 / step)
    for size, rough in ((30.0, 1.0), (90.0, 3.0)):
        bumps = gaussian_filter(rng.standard_normal(hill.shape), size / step)
        hill += rough * bumps / bumps.std()
    share = np.clip((BENCH_M + 15.0 - distance) / 15.0, 0.0, 1.0).reshape(hill.shape)
    ground = hill + share * (height[near].reshape(hill.shape) - hill)
    chainage = spacing * np.arange(count)
    return KnownRoad(
        "made valley roads", x, y, chainage, height, ground, (grid_x[0], grid_y[0]), step
    )


def valley_roads() -> list[KnownRoad]:
    """Several such roads."""
    return [valley_road(seed) for seed in range(VALLEY_ROADS)]
