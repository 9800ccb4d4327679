"""What the tiles of one store are computed from: plain arrays, in memory or in files."""

from __future__ import annotations

import hashlib
import json
import socket
from dataclasses import asdict, dataclass, fields, replace
from functools import cache, cached_property, lru_cache, partial
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.atmosphere import absorption_coefficient
from noisemap.errors import BadDataError, MissingInputError, MissingProgramError
from noisemap.execution.tasks import Task
from noisemap.levels import from_energy
from noisemap.propagation.kernel import Device, PathBlock, Reading, Surface, propagate
from noisemap.scene.model import Scene
from noisemap.scene.stretches import nearest_distance
from noisemap.storage import atomic_path, is_own_file, sha256_file, write_json
from noisemap.transfer.store import encode, tile_is_whole, write_tile
from noisemap.transfer.terrain_error import height_noise, terrain_sigma

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SOURCE_HEIGHTS = (0.5, 3.7)
"""Source heights above the road [m]: tyres, engine and low outlets; stack outlets."""

TWIN_SEED = 7
JOB = "job"

PROCESS_BYTES = 230_000_000  # the libraries and the compiled kernels
PLACE_FACTOR = (
    2.5  # of the bytes of the place's arrays: as they are handed over, and as they are read
)
EDGE_BYTES = 600  # of an edge of a wall or building, with the indices that find it
PATH_BYTES = 650  # of a path of the tile that is computed


@dataclass(frozen=True)
class Air:
    """The air and the reading that a store is built for."""

    temperature: float  # [°C]
    relative_humidity: float  # [%]
    pressure: float  # [kPa]
    c0: float = 0.0  # [dB]
    screening_reading: Reading = "literal"
    sides: bool = True  # whether paths around the sides of obstacles are added
    reflection_order: int = 1  # 0 or 1
    clearance: float = 0.0  # terrain that rises into the sight line by no more is no screen [m]
    twin: bool = True  # whether the paths over the top are computed with the terrain's error, too


@dataclass(frozen=True)
class TileJob:
    """What every tile of one store shares."""

    surface: Surface
    twin_height: FloatArray  # (rows, columns) of the twin's terrain [m]
    sources: FloatArray  # (stretches, 3) x, y, z of the middles [m]
    twin_sources: FloatArray
    ends: FloatArray  # (stretches, 4) x, y of both ends [m]
    receivers: FloatArray  # (receivers, 3) x, y, height above the ground [m]
    pointer: IntArray  # (receivers + 1,)
    stretch: IntArray  # (paths,)
    tiles: IntArray  # (tiles, 2) first receiver and the one after the last
    air: Air
    device: Device = "cpu"

    @property
    def memory_bytes(self) -> float:
        """Most that a process holds that computes these tiles one at a time [B].

        The list of the paths is mapped from its file, so the system may take it back; it counts
        once all the same.
        """
        place = (self.surface, self)
        arrays = [getattr(part, field.name) for part in place for field in fields(part)]
        size = sum(array.nbytes for array in arrays if isinstance(array, np.ndarray))
        paths = self.pointer[self.tiles[:, 1]] - self.pointer[self.tiles[:, 0]]
        return float(
            PROCESS_BYTES
            + PLACE_FACTOR * (size - self.stretch.nbytes)
            + self.stretch.nbytes
            + EDGE_BYTES * len(self.surface.edges)
            + PATH_BYTES * int(paths.max(initial=0))
        )

    def arrays(self, tile: int) -> dict[str, npt.NDArray[Any]]:
        """The arrays of the receivers of a tile."""
        first, last = (int(end) for end in self.tiles[tile])
        points = self.receivers[first:last]
        begin, end = self.pointer[first], self.pointer[last]
        pointer = self.pointer[first : last + 1] - begin
        stretch = self.stretch[begin:end]
        block = self._propagate(self.surface, self.sources, points, pointer, stretch)
        change: FloatArray = np.zeros(block.cmet_factor.shape)
        if self.air.twin:
            twin = self._propagate(
                self._twin_surface, self.twin_sources, points, pointer, stretch, over_the_top=True
            )
            with np.errstate(divide="ignore", invalid="ignore"):
                change = from_energy(twin.top.astype(float)) - from_energy(block.top.astype(float))
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

    def write(self, place: Path, tile: int) -> None:
        """Compute a tile and write it, unless it is there and whole."""
        if not tile_is_whole(place, tile):
            write_tile(place, tile, self.arrays(tile))

    def saved(self, place: Path) -> Task:
        """Write the job into files beside its tiles; gives the task that reads it there."""
        folder = place / JOB
        plain: dict[str, Any] = {
            "air": asdict(self.air),
            "device": self.device,
            "program": program_digest(),
            "surface": {},
            "arrays": {},
        }
        parts: dict[str, TileJob | Surface] = {"job": self, "surface": self.surface}
        for owner, part in parts.items():
            for field in fields(part):
                value = getattr(part, field.name)
                if isinstance(value, np.ndarray):
                    name = f"{owner}-{field.name}.npy"
                    with atomic_path(folder / name) as temporary, temporary.open("wb") as stream:
                        np.save(stream, np.ascontiguousarray(value), allow_pickle=False)
                    plain["arrays"][name] = sha256_file(folder / name)
                elif owner == "surface":
                    plain["surface"][field.name] = value
        write_json(folder / "job.json", plain)
        return partial(write_saved, str(place), sha256_file(folder / "job.json"))

    @cached_property
    def _twin_surface(self) -> Surface:
        return replace(self.surface, height=self.twin_height)

    @cached_property
    def _absorption(self) -> FloatArray:
        return np.asarray(
            absorption_coefficient(
                temperature=self.air.temperature,
                relative_humidity=self.air.relative_humidity,
                pressure=self.air.pressure,
            )
        )

    def _propagate(
        self,
        surface: Surface,
        sources: FloatArray,
        points: FloatArray,
        pointer: npt.NDArray[np.int64],
        stretch: npt.NDArray[np.int64],
        over_the_top: bool = False,
    ) -> PathBlock:
        return propagate(
            surface,
            points,
            sources,
            np.array(SOURCE_HEIGHTS),
            pointer,
            stretch,
            self._absorption,
            c0=self.air.c0,
            reading=self.air.screening_reading,
            sides=self.air.sides and not over_the_top,
            reflection_order=0 if over_the_top else self.air.reflection_order,
            clearance=self.air.clearance,
            device=self.device,
        )

    def _nearest(
        self, points: FloatArray, stretch: npt.NDArray[np.int64], block: PathBlock
    ) -> npt.NDArray[np.float32]:
        """Distance to the nearest point of each stretch [m]."""
        nearest = nearest_distance(
            points[:, :2],
            self.ends[stretch],
            self.sources[stretch, :2],
            block.distance.astype(float),
        )
        return nearest.astype(np.float32)


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


def write_saved(place: str, digest: str, tile: int) -> None:
    """Compute a tile of a job that stands in files, in whatever process this is."""
    _read(Path(place), digest).write(Path(place), tile)


@lru_cache(maxsize=1)
def _read(place: Path, digest: str) -> TileJob:
    """Read a job's files; its arrays are mapped, so that processes of a machine share them.

    Raises
    ------
    MissingInputError
        When the folder is not seen from here.
    MissingProgramError
        When the program here would compute other bits.
    BadDataError
        When a file is not the one that was written.
    """
    folder = place / JOB
    if not is_own_file(folder / "job.json"):
        raise MissingInputError(
            f"{folder}: not seen from {socket.gethostname()}; the results' folder must lie under "
            "the same path on every machine"
        )
    if sha256_file(folder / "job.json") != digest:
        raise BadDataError(f"{folder}: not the job that was handed over; run again")
    plain = json.loads((folder / "job.json").read_text(encoding="utf-8"))
    if plain["program"] != program_digest():
        raise MissingProgramError(
            f"{socket.gethostname()}: another noisemap than the one that asks; install the same "
            "on every machine"
        )
    arrays: dict[str, dict[str, Any]] = {"job": {}, "surface": plain["surface"]}
    for name, expected in plain["arrays"].items():
        if sha256_file(folder / name) != expected:
            raise BadDataError(f"{folder / name}: damaged since it was written; run again")
        owner, field = name.removesuffix(".npy").split("-")
        arrays[owner][field] = np.load(folder / name, mmap_mode="r", allow_pickle=False)
    surface = Surface(**arrays["surface"])
    return TileJob(
        surface=surface, air=Air(**plain["air"]), device=plain["device"], **arrays["job"]
    )


def tile_job(
    scene: Scene,
    surface: Surface,
    sources: FloatArray,
    receivers: FloatArray,
    pointer: IntArray,
    stretch: IntArray,
    air: Air,
    tiles: list[tuple[int, int]],
    device: Device = "cpu",
) -> TileJob:
    """The job of a scene, over its terrain and over a twin with the stated height error."""
    terrain = scene.terrain
    noise = height_noise(
        (terrain.height.shape[0], terrain.height.shape[1]),
        terrain.cell,
        terrain.native_cell,
        terrain_sigma(terrain.native_cell),
        TWIN_SEED,
    )
    lift = _bilinear(noise, terrain.x0, terrain.y0, terrain.cell, sources)
    return TileJob(
        surface=surface,
        twin_height=surface.height + noise,
        sources=sources,
        twin_sources=sources + np.column_stack([np.zeros((len(lift), 2)), lift]),
        ends=scene.stretches.ends,
        receivers=receivers,
        pointer=pointer,
        stretch=stretch,
        tiles=np.asarray(tiles, dtype=np.int64).reshape(-1, 2),
        air=air,
        device=device,
    )


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
