"""The store on disk: CSR pointers and checked tiles of plain `.npy` arrays.

`t[path, height, band] = 10 ** (-A / 10)` for favourable propagation.  Levels are
kept as attenuations in whole hundredths of a decibel (an error of 0.005 dB at
most); the paths of one receiver lie together, ordered by stretch.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.bands import N_BANDS
from noisemap.errors import BadDataError
from noisemap.propagation import path_flags
from noisemap.storage import atomic_path, is_own_file, sha256_file, write_json

FORMAT = 2
MANIFEST = "manifest.json"
CENTI_DB_LIMIT = 32767
ARRAYS = (
    "count",
    "stretch",
    "attenuation",
    "cmet",
    "distance",
    "nearest",
    "flags",
    "grazing",
    "twin",
)

SHAPES: Mapping[str, tuple[type, tuple[int | None, ...]]] = {
    "count": (np.int64, ()),
    "stretch": (np.int32, ()),
    "attenuation": (np.int16, (None, N_BANDS)),
    "cmet": (np.float32, (None,)),
    "distance": (np.float32, ()),
    "nearest": (np.float32, ()),
    "flags": (np.uint8, ()),
    "grazing": (np.float32, (None,)),
    "twin": (np.float32, (None,)),
}
"""Kind of number of each array, and its axes beyond the paths; None stands for the heights."""

BEYOND_1000_M, HIGH_PATH, NEAR_GRAZING, FILLED_TERRAIN = 1, 2, 4, 8
INSIDE_BUILDING, FOLIAGE_COUNTED, MINIMUM_DISTANCE = 16, 32, 64
FLAG_WORDS: Mapping[int, str] = {
    BEYOND_1000_M: path_flags.BEYOND_1000_M,
    HIGH_PATH: path_flags.ABOVE_30_M,
    NEAR_GRAZING: path_flags.NEAR_GRAZING,
    FILLED_TERRAIN: "crosses filled terrain",
    INSIDE_BUILDING: "an end point lies inside a building, which was left out",
    FOLIAGE_COUNTED: "dense trees counted",
    MINIMUM_DISTANCE: path_flags.MINIMUM_DISTANCE,
}


@dataclass(frozen=True)
class TransferStore:
    """All paths of a scene in memory."""

    heights: tuple[float, ...]  # source heights above the road [m]
    pointer: npt.NDArray[np.int64]  # (receivers + 1,)
    stretch: npt.NDArray[np.int32]  # (paths,)
    t: npt.NDArray[np.float32]  # (paths, heights, 8)
    cmet_factor: npt.NDArray[np.float32]  # (paths, heights) 10^(-Cmet/10)
    distance: npt.NDArray[np.float32]  # (paths,) to the stretch's middle [m]
    nearest: npt.NDArray[np.float32]  # (paths,) to the stretch's nearest point [m]
    flags: npt.NDArray[np.uint8]  # (paths,)
    grazing: npt.NDArray[np.float32]  # (paths, heights) [m]
    twin: npt.NDArray[np.float32]  # (paths, heights) level change of the perturbed twin [dB]

    @property
    def receivers(self) -> int:
        """Number of receivers."""
        return len(self.pointer) - 1

    @property
    def paths(self) -> int:
        """Number of paths."""
        return len(self.stretch)


def divided(store: TransferStore, part_of: npt.NDArray[np.int64]) -> TransferStore:
    """The store over stretches that are parts of those it was built for, in the same order.

    The parts of a stretch lie where it lies and share its paths.
    """
    parts = np.bincount(part_of)
    if (parts == 1).all():
        return store
    first = np.concatenate([[0], np.cumsum(parts)])
    times = parts[store.stretch]
    row = np.repeat(np.arange(store.paths), times)
    step = np.arange(len(row)) - np.repeat(np.cumsum(times) - times, times)
    owned = np.concatenate([[0], np.cumsum(times)])
    return TransferStore(
        heights=store.heights,
        pointer=owned[store.pointer].astype(np.int64),
        stretch=(first[store.stretch[row]] + step).astype(np.int32),
        t=store.t[row],
        cmet_factor=store.cmet_factor[row],
        distance=store.distance[row],
        nearest=store.nearest[row],
        flags=store.flags[row],
        grazing=store.grazing[row],
        twin=store.twin[row],
    )


def tile_array(tile: int, name: str) -> str:
    """File name of one array of a tile.

    >>> tile_array(3, "count")
    'tile-00003-count.npy'
    """
    return f"tile-{tile:05d}-{name}.npy"


def write_tile(folder: Path, tile: int, arrays: Mapping[str, npt.NDArray[Any]]) -> dict[str, str]:
    """Write one tile's arrays; returns file name -> SHA-256."""
    sums = {}
    for name in ARRAYS:
        target = folder / tile_array(tile, name)
        with atomic_path(target) as temporary, temporary.open("wb") as stream:
            np.save(stream, np.ascontiguousarray(arrays[name]), allow_pickle=False)
        sums[target.name] = sha256_file(target)
    write_json(folder / f"tile-{tile:05d}.json", sums)
    return sums


def tile_is_whole(folder: Path, tile: int) -> bool:
    """Whether a tile was written to its end and its files still have their checksums.

    A link counts as no file.
    """
    note = folder / f"tile-{tile:05d}.json"
    try:
        sums = json.loads(note.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return False
    if not isinstance(sums, dict) or set(sums) != {tile_array(tile, name) for name in ARRAYS}:
        return False
    return all(
        is_own_file(folder / name) and sha256_file(folder / name) == digest
        for name, digest in sums.items()
    )


def read_store(folder: Path) -> TransferStore:
    """Read a finished store into memory."""
    manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    parts: dict[str, list[npt.NDArray[Any]]] = {name: [] for name in ARRAYS}
    for tile in range(manifest["tiles"]):
        for name in ARRAYS:
            parts[name].append(_array(folder / tile_array(tile, name)))
    whole = {name: np.concatenate(blocks) for name, blocks in parts.items()}
    _require_shapes(folder, whole, len(manifest["heights_m"]))
    pointer = np.concatenate([[0], np.cumsum(whole["count"], dtype=np.int64)])
    return TransferStore(
        heights=tuple(manifest["heights_m"]),
        pointer=pointer.astype(np.int64),
        stretch=whole["stretch"],
        t=decode(whole["attenuation"]),
        cmet_factor=whole["cmet"],
        distance=whole["distance"],
        nearest=whole["nearest"],
        flags=whole["flags"],
        grazing=whole["grazing"],
        twin=whole["twin"],
    )


def _array(path: Path) -> npt.NDArray[Any]:
    """One array of a tile; never an object that would run when it is read."""
    try:
        found = np.load(path, mmap_mode="r", allow_pickle=False)
    except (ValueError, EOFError) as error:
        raise BadDataError(
            f"{path}: holds no plain numbers; remove the folder and run again"
        ) from error
    return np.asarray(found)


def _require_shapes(folder: Path, whole: Mapping[str, npt.NDArray[Any]], heights: int) -> None:
    """Nothing, when every array has a row a path and the kind of numbers that we write."""
    paths = int(whole["count"].sum()) if whole["count"].dtype == np.int64 else -1
    for name, (kind, tail) in SHAPES.items():
        rows = whole[name].shape[:1] if name == "count" else (paths,)
        wanted = (*rows, *(heights if size is None else size for size in tail))
        if whole[name].dtype != kind or whole[name].shape != wanted:
            raise BadDataError(
                f"{folder}: {name} is not what a run writes; remove the folder and run again"
            )


def encode(t: npt.NDArray[np.float32]) -> npt.NDArray[np.int16]:
    """Attenuation [0.01 dB] of a transfer; beyond 327.67 dB it stays there, on purpose."""
    with np.errstate(divide="ignore"):
        centi = -1000.0 * np.log10(t.astype(np.float64))
    return np.rint(np.clip(centi, -CENTI_DB_LIMIT, CENTI_DB_LIMIT)).astype(np.int16)


def decode(attenuation: npt.NDArray[np.int16]) -> npt.NDArray[np.float32]:
    """Transfer of an attenuation [0.01 dB]; the saturated value is no sound at all."""
    t = np.power(np.float32(10.0), attenuation.astype(np.float32) / np.float32(-1000.0))
    return np.where(attenuation >= CENTI_DB_LIMIT, np.float32(0.0), t)
