"""Verification files and random places shared by the propagation tests."""

from __future__ import annotations

import csv
from pathlib import Path as File
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.atmosphere import absorption_coefficient
from noisemap.bands import COLUMNS
from noisemap.propagation.attenuation import Path
from noisemap.propagation.ground import GroundStrips
from noisemap.propagation.kernel import Surface

FloatArray = npt.NDArray[np.float64]
FOLDER = File(__file__).parent / "verification" / "iso9613-2"
ALPHA = absorption_coefficient(10.0, 70.0)


def rows(name: str) -> list[dict[str, str]]:
    with (FOLDER / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def bands(row: dict[str, str]) -> FloatArray:
    return np.array([float(row[band]) for band in COLUMNS])


def case(**changes: Any) -> dict[str, Any]:
    """A flat open path of 100 m."""
    base: dict[str, Any] = {
        "x": [0, 100],
        "ground": [0, 0],
        "hs": 0.5,
        "hr": 4,
        "G": [[0, changes.get("x", [0, 100])[-1], 0.5]],
    }
    return {**base, **changes}


def place(
    height: FloatArray | None = None,
    factor: FloatArray | float = 0.5,
    *,
    cell: float = 10.0,
    edges: npt.ArrayLike = (),
    edge_height: npt.ArrayLike = (),
    edge_block: npt.ArrayLike = (),
    foliage: npt.NDArray[np.bool_] | None = None,
    foliage_height: float = 12.0,
    filled: npt.NDArray[np.bool_] | None = None,
) -> Surface:
    """A surface whose rasters share their cells; 60 x 60 cells of flat ground by default."""
    if height is None:
        height = np.zeros((60, 60))
    if not isinstance(factor, np.ndarray):
        factor = np.full(height.shape, factor)
    return Surface(
        0.0,
        0.0,
        cell,
        height,
        np.zeros(height.shape, dtype=bool) if filled is None else filled,
        0.0,
        0.0,
        cell,
        factor.astype(np.float32),
        np.zeros(factor.shape, dtype=bool) if foliage is None else foliage,
        foliage_height,
        np.asarray(edges, dtype=float).reshape(-1, 4),
        np.asarray(edge_height, dtype=float),
        np.asarray(edge_block, dtype=np.int64),
    )


def bilinear(surface: Surface, x: FloatArray, y: FloatArray) -> FloatArray:
    """Height of the terrain, written apart from the kernel."""
    u = (np.asarray(x) - surface.x0) / surface.cell
    v = (np.asarray(y) - surface.y0) / surface.cell
    i = np.clip(np.floor(u).astype(int), 0, surface.height.shape[1] - 2)
    j = np.clip(np.floor(v).astype(int), 0, surface.height.shape[0] - 2)
    fu, fv = u - i, v - j
    h = surface.height
    return np.asarray(
        h[j, i] * (1 - fu) * (1 - fv)
        + h[j, i + 1] * fu * (1 - fv)
        + h[j + 1, i] * (1 - fu) * fv
        + h[j + 1, i + 1] * fu * fv
    )


def tops_on(surface: Surface, s: FloatArray, r: FloatArray) -> list[tuple[float, float]]:
    """Tops of walls and convex buildings by brute force over every edge."""
    d = r - s
    dp = float(np.hypot(*d))
    met: dict[int, list[tuple[float, float]]] = {}
    walls = 0
    for (x1, y1, x2, y2), high, block in zip(
        surface.edges, surface.edge_height, surface.edge_block, strict=True
    ):
        a, b = np.array([x1, y1]), np.array([x2, y2])
        matrix = np.array([d, a - b]).T
        if abs(np.linalg.det(matrix)) < 1e-12:
            continue
        t, u = np.linalg.solve(matrix, a - s)
        if 0.0 < t < 1.0 and 0.0 <= u <= 1.0:
            if block < 0:
                walls += 1
            met.setdefault(int(block) if block >= 0 else -walls, []).append((t * dp, high))
    tops = []
    for crossings in met.values():
        along = sorted(x for x, _ in crossings)
        if len(along) > 2:
            raise AssertionError("the brute force knows convex buildings only")
        middle = s + np.mean(along) / dp * d
        foot = float(bilinear(surface, middle[0], middle[1]))
        tops += [(x, foot + crossings[0][1]) for x in along]
    return sorted(tops)


def reference_path(
    surface: Surface,
    receiver: FloatArray,
    source: FloatArray,
    hs: float,
    alpha: FloatArray = ALPHA,
    **changes: Any,
) -> Path:
    """The path that the kernel should see, built without the kernel's code."""
    s, r = source[:2], receiver[:2]
    dp = float(np.hypot(*(r - s)))
    steps = max(1, int(np.ceil(dp / surface.cell)))
    share = np.arange(steps + 1) / steps
    x = share * dp
    x[-1] = dp
    ground = bilinear(surface, s[0] + share * (r[0] - s[0]), s[1] + share * (r[1] - s[1]))
    ground[0] = source[2]
    pieces = max(1, int(np.ceil(dp / (0.5 * surface.gcell))))
    rim = np.arange(pieces + 1) / pieces * dp
    rim[-1] = dp
    middle = (np.arange(pieces) + 0.5) / pieces
    i = np.floor((s[0] + middle * (r[0] - s[0]) - surface.gx0) / surface.gcell + 0.5)
    j = np.floor((s[1] + middle * (r[1] - s[1]) - surface.gy0) / surface.gcell + 0.5)
    factor = surface.factor[j.astype(int), i.astype(int)].astype(float)
    tops = np.array(tops_on(surface, s, r), dtype=float).reshape(-1, 2)
    return Path(
        x=x,
        ground=ground,
        hs=hs,
        hr=float(receiver[2]),
        strips=GroundStrips(rim[:-1], rim[1:], factor),
        absorption=alpha,
        object_x=tops[:, 0],
        object_top=tops[:, 1],
        **changes,
    )


def random_place(seed: int) -> tuple[Surface, FloatArray, FloatArray]:
    """One of five kinds of random places, with one receiver and one source."""
    rng = np.random.default_rng(seed)
    kind = seed % 5
    n = 60
    yy, xx = np.mgrid[0:n, 0:n] * 10.0
    rough = rng.uniform(0.0, 25.0) if kind != 0 else 0.0
    phase = rng.uniform(0.0, 6.3, 4)
    height = rough * (
        np.sin(xx / rng.uniform(60, 300) + phase[0]) * np.cos(yy / rng.uniform(60, 300) + phase[1])
    )
    height += rough * 0.3 * np.sin(xx / 40.0 + phase[2]) * np.sin(yy / 35.0 + phase[3])
    factor = np.where(rng.random((n, n)) < 0.5, rng.integers(0, 2, (n, n)), rng.random((n, n)))
    s = rng.uniform(20, 570, 2)
    r = rng.uniform(20, 570, 2)
    while np.hypot(*(r - s)) < 30.0:
        r = rng.uniform(20, 570, 2)
    edges: list[tuple[float, float, float, float]] = []
    high: list[float] = []
    block: list[int] = []
    tall = (2.0, 12.0) if kind in (2, 3) else (0.2, 2.5)
    for number in range(rng.integers(1, 4) if kind >= 2 else 0):
        along = rng.uniform(0.15, 0.85)
        middle = s + along * (r - s)
        angle = np.arctan2(r[1] - s[1], r[0] - s[0]) + np.pi / 2 + rng.uniform(-0.6, 0.6)
        across = np.array([np.cos(angle), np.sin(angle)]) * rng.uniform(5, 30)
        if kind == 3:
            deep = np.array([-across[1], across[0]]) * rng.uniform(0.1, 0.4)
            deep *= min(1.0, 3.0 / np.hypot(*deep))  # never reaches an end of the path
            ring = [middle - across - deep, middle + across - deep, middle + across + deep,
                    middle - across + deep]  # fmt: skip
            h = rng.uniform(*tall)
            for a, b in zip(ring, ring[1:] + ring[:1], strict=True):
                edges.append((*a, *b))
                high.append(h)
                block.append(number)
        else:
            edges.append((*(middle - across), *(middle + across)))
            high.append(rng.uniform(*tall))
            block.append(-1)
    surface = place(height, factor, edges=edges, edge_height=high, edge_block=block)
    receiver = np.array([*r, rng.uniform(1.5, 12.0)])
    foot = float(bilinear(surface, s[0], s[1])) + rng.uniform(-0.5, 1.5)
    return surface, receiver, np.array([*s, foot])
