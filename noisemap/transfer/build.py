"""Building the transfer store tile by tile, reusing what is already there."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.atmosphere import absorption_coefficient
from noisemap.errors import StudyError
from noisemap.levels import from_energy
from noisemap.propagation.kernel import PathBlock, Reading, Surface, pairs_within, propagate
from noisemap.scene.model import Scene
from noisemap.storage import sha256_json, write_json
from noisemap.transfer.store import (
    FORMAT,
    MANIFEST,
    TransferStore,
    divided,
    encode,
    read_store,
    tile_is_whole,
    write_tile,
)
from noisemap.transfer.terrain_error import height_noise, terrain_sigma

FloatArray = npt.NDArray[np.float64]

SOURCE_HEIGHTS = (0.5, 3.7)
"""Source heights above the road [m]: tyres, engine and low outlets; stack outlets."""

PATHS_PER_TILE = 200_000
BYTES_PER_PATH = 160  # resident, with the twin and the decoded transfers
TWIN_SEED = 7

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Air:
    """The air and the reading that a store is built for."""

    temperature: float  # [°C]
    relative_humidity: float  # [%]
    pressure: float  # [kPa]
    c0: float = 0.0  # [dB]
    screening_reading: Reading = "literal"
    sides: bool = True  # whether paths around the sides of obstacles are added


def surface_of(scene: Scene) -> Surface:
    """The arrays that the kernel reads."""
    terrain, ground, obstacles = scene.terrain, scene.ground, scene.obstacles
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
    )


def build_store(
    folder: Path,
    scene: Scene,
    receivers: FloatArray,
    air: Air,
    max_distance: float,
    *,
    memory_gb: float = 2.0,
    progress: Progress | None = None,
) -> TransferStore:
    """Transfers from every sounding stretch to every receiver within a distance.

    `receivers` holds x, y and the height above the ground, one row each.  The
    folder's name under `folder` is the hash of everything that enters, so a
    changed input never meets an old store, and a killed run finds its tiles.  The
    ends of zones divide stretches only afterwards: the parts of a stretch share its
    paths.
    """
    if scene.whole is not None:
        whole = build_store(
            folder,
            replace(scene, stretches=scene.whole, whole=None),
            receivers,
            air,
            max_distance,
            memory_gb=memory_gb,
            progress=progress,
        )
        return divided(whole, scene.part_of)
    surface = surface_of(scene)
    sources = np.column_stack([scene.stretches.x, scene.stretches.y, scene.stretches.z])
    open_air = np.flatnonzero(scene.stretches.sounding)
    pointer, local = pairs_within(receivers, sources[open_air], max_distance)
    stretch = open_air[local]
    _refuse_too_large(len(stretch), memory_gb)

    key = _key(surface, scene, receivers, stretch, pointer, air)
    place = folder / key[:16]
    tiles = _tiles(pointer)
    done = 0
    builder = _Builder(scene, surface, sources, receivers, pointer, stretch, air)
    for number, (first, last) in enumerate(tiles):
        if not tile_is_whole(place, number):
            write_tile(place, number, builder.tile(first, last))
        done += int(pointer[last] - pointer[first])
        if progress:
            progress(done, len(stretch))
    write_json(
        place / MANIFEST,
        {"format": FORMAT, "key": key, "tiles": len(tiles), "heights_m": list(SOURCE_HEIGHTS)},
    )
    return read_store(place)


class _Builder:
    """What every tile of one store shares."""

    def __init__(
        self,
        scene: Scene,
        surface: Surface,
        sources: FloatArray,
        receivers: FloatArray,
        pointer: npt.NDArray[np.int64],
        stretch: npt.NDArray[np.int64],
        air: Air,
    ) -> None:
        self.scene, self.surface, self.sources = scene, surface, sources
        self.receivers, self.pointer, self.stretch = receivers, pointer, stretch
        self.air = air
        self.absorption = absorption_coefficient(
            temperature=air.temperature,
            relative_humidity=air.relative_humidity,
            pressure=air.pressure,
        )
        terrain = scene.terrain
        noise = height_noise(
            (terrain.height.shape[0], terrain.height.shape[1]),
            terrain.cell,
            terrain.native_cell,
            terrain_sigma(terrain.native_cell),
            TWIN_SEED,
        )
        self.twin_surface = replace(surface, height=surface.height + noise)
        lift = _bilinear(noise, terrain.x0, terrain.y0, terrain.cell, sources)
        self.twin_sources = sources + np.column_stack([np.zeros((len(lift), 2)), lift])

    def tile(self, first: int, last: int) -> dict[str, npt.NDArray[Any]]:
        """The arrays of the receivers from `first` up to `last`."""
        points = self.receivers[first:last]
        begin, end = self.pointer[first], self.pointer[last]
        pointer = self.pointer[first : last + 1] - begin
        stretch = self.stretch[begin:end]
        block = self._propagate(self.surface, self.sources, points, pointer, stretch)
        twin = self._propagate(self.twin_surface, self.twin_sources, points, pointer, stretch)
        with np.errstate(divide="ignore", invalid="ignore"):
            change = from_energy(twin.t.sum(axis=2, dtype=float)) - from_energy(
                block.t.sum(axis=2, dtype=float)
            )
        owner = np.repeat(np.arange(len(points)), np.diff(pointer))
        return {
            "count": np.diff(pointer).astype(np.int64),
            "stretch": stretch.astype(np.int32),
            "attenuation": encode(block.t),
            "cmet": block.cmet_factor,
            "distance": block.distance,
            "nearest": self._nearest(points[owner], stretch, block),
            "flags": block.flags,
            "grazing": block.grazing_z,
            "twin": np.nan_to_num(change, nan=0.0, posinf=0.0, neginf=0.0).astype(np.float32),
        }

    def _propagate(
        self,
        surface: Surface,
        sources: FloatArray,
        points: FloatArray,
        pointer: npt.NDArray[np.int64],
        stretch: npt.NDArray[np.int64],
    ) -> PathBlock:
        return propagate(
            surface,
            points,
            sources,
            np.array(SOURCE_HEIGHTS),
            pointer,
            stretch,
            self.absorption,
            c0=self.air.c0,
            reading=self.air.screening_reading,
            sides=self.air.sides,
        )

    def _nearest(
        self, points: FloatArray, stretch: npt.NDArray[np.int64], block: PathBlock
    ) -> npt.NDArray[np.float32]:
        """Distance to the nearest point of each stretch [m], at least the minimum distance."""
        ends = self.scene.stretches.ends[stretch]
        start, along = ends[:, :2], ends[:, 2:] - ends[:, :2]
        square = np.maximum((along**2).sum(axis=1), 1e-9)
        share = np.clip(((points[:, :2] - start) * along).sum(axis=1) / square, 0.0, 1.0)
        plan = np.hypot(*(points[:, :2] - start - share[:, None] * along).T)
        middle = self.sources[stretch, :2]
        plan_middle = np.hypot(*(points[:, :2] - middle).T)
        rise_squared = np.maximum(block.distance.astype(float) ** 2 - plan_middle**2, 0.0)
        nearest = np.sqrt(plan**2 + rise_squared)
        return np.asarray(np.minimum(nearest, block.distance), dtype=np.float32)


def _bilinear(
    grid: FloatArray, x0: float, y0: float, cell: float, points: FloatArray
) -> FloatArray:
    column = np.clip((points[:, 0] - x0) / cell, 0.0, grid.shape[1] - 1.001)
    row = np.clip((points[:, 1] - y0) / cell, 0.0, grid.shape[0] - 1.001)
    i, j = row.astype(int), column.astype(int)
    v, u = row - i, column - j
    low = grid[i, j] * (1.0 - u) + grid[i, j + 1] * u
    high = grid[i + 1, j] * (1.0 - u) + grid[i + 1, j + 1] * u
    return np.asarray(low * (1.0 - v) + high * v)


def _tiles(pointer: npt.NDArray[np.int64]) -> list[tuple[int, int]]:
    """Runs of receivers with about the same number of paths."""
    receivers = len(pointer) - 1
    cuts = [0]
    while cuts[-1] < receivers:
        goal = pointer[cuts[-1]] + PATHS_PER_TILE
        cuts.append(max(cuts[-1] + 1, int(np.searchsorted(pointer, goal, side="right")) - 1))
    return list(pairwise(cuts))


def strips(receivers: int, sources: int, memory_gb: float) -> list[tuple[int, int]]:
    """Runs of receivers whose stores fit in memory even if every source reaches every receiver.

    A grid of receivers is computed run by run, and only its levels are kept.
    """
    most = int(memory_gb * 1e9 / (BYTES_PER_PATH * max(sources, 1)))
    cuts = [*range(0, max(receivers, 1), max(most, 1)), receivers]
    return list(pairwise(cuts))


def _refuse_too_large(paths: int, memory_gb: float) -> None:
    need = paths * BYTES_PER_PATH / 1e9
    if need > memory_gb:
        raise StudyError(
            f"the study needs about {need:.1f} GB for {paths:,} paths, over run.memory_gb = "
            f"{memory_gb:g}; raise it, shorten run.max_distance_m, "
            'or use homes.placement = "centre"'
        )


@cache
def program_digest() -> str:
    """Digest of the programs and coefficients that make a transfer."""
    digest = hashlib.sha256()
    for folder in ("propagation", "transfer"):
        root = files("noisemap").joinpath(folder)
        for file in sorted(Path(str(root)).rglob("*")):
            if file.suffix in (".py", ".csv", ".toml"):
                digest.update(file.name.encode() + file.read_bytes())
    digest.update(files("noisemap").joinpath("atmosphere.toml").read_bytes())
    digest.update(files("noisemap").joinpath("atmosphere.py").read_bytes())
    return digest.hexdigest()


def _key(
    surface: Surface,
    scene: Scene,
    receivers: FloatArray,
    stretch: npt.NDArray[np.int64],
    pointer: npt.NDArray[np.int64],
    air: Air,
) -> str:
    """Hash of geometry, ground and air; no truck, traffic or zone is in it."""
    digest = hashlib.sha256()
    plain: dict[str, Any] = {
        "format": FORMAT,
        "program": program_digest(),
        "twin": [TWIN_SEED, terrain_sigma(scene.terrain.native_cell)],
        "heights": SOURCE_HEIGHTS,
        "air": vars(air),
    }
    plain["native_cell"] = scene.terrain.native_cell
    for name, value in sorted(vars(surface).items()):
        if isinstance(value, np.ndarray):
            digest.update(name.encode() + str(value.shape).encode())
            digest.update(np.ascontiguousarray(value).tobytes())
        else:
            plain[name] = float(value)
    places = scene.stretches
    for array in (receivers, pointer, stretch, places.x, places.y, places.z, places.ends):
        digest.update(np.ascontiguousarray(array).tobytes())
    digest.update(sha256_json(plain).encode())
    return digest.hexdigest()
