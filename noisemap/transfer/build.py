"""Building the transfer store tile by tile, reusing what is already there."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from noisemap.errors import BadDataError, BusyError, StudyError
from noisemap.execution.tasks import HERE, Execution
from noisemap.propagation.kernel import Surface, pairs_within
from noisemap.scene.model import Scene
from noisemap.scene.surface import kernel_surface
from noisemap.storage import sha256_json, write_json
from noisemap.transfer.job import SOURCE_HEIGHTS, TWIN_SEED, Air, program_digest, tile_job
from noisemap.transfer.store import (
    FORMAT,
    MANIFEST,
    TransferStore,
    divided,
    read_store,
    tile_is_whole,
)
from noisemap.transfer.terrain_error import terrain_sigma

__all__ = ["BYTES_PER_PATH", "SOURCE_HEIGHTS", "Air", "build_store", "fill_store", "strips"]

FloatArray = npt.NDArray[np.float64]

PATHS_PER_TILE = 200_000
BYTES_PER_PATH = 160  # resident, with the twin and the decoded transfers

Progress = Callable[[int, int], None]


class Filled(NamedTuple):
    """Where a store stands, its key, and how many tiles it has."""

    place: Path
    key: str
    tiles: int


def surface_of(scene: Scene) -> Surface:
    """The arrays that the kernel reads."""
    return kernel_surface(scene.terrain, scene.ground, scene.obstacles)


def build_store(
    folder: Path,
    scene: Scene,
    receivers: FloatArray,
    air: Air,
    max_distance: float,
    *,
    memory_gb: float = 2.0,
    progress: Progress | None = None,
    execution: Execution = HERE,
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
            execution=execution,
        )
        return divided(whole, scene.part_of)
    filled = fill_store(
        folder,
        scene,
        receivers,
        air,
        max_distance,
        memory_gb=memory_gb,
        progress=progress,
        execution=execution,
    )
    manifest = {
        "format": FORMAT,
        "key": filled.key,
        "tiles": filled.tiles,
        "heights_m": list(SOURCE_HEIGHTS),
    }
    write_json(filled.place / MANIFEST, manifest)
    store = read_store(filled.place)
    numbers = store.stretch
    known = len(scene.stretches.x)
    if store.receivers != len(receivers) or not ((numbers >= 0) & (numbers < known)).all():
        raise BadDataError(
            f"{filled.place}: not the paths of this study; remove the folder and run again"
        )
    return store


def fill_store(
    folder: Path,
    scene: Scene,
    receivers: FloatArray,
    air: Air,
    max_distance: float,
    *,
    memory_gb: float = 2.0,
    progress: Progress | None = None,
    execution: Execution = HERE,
) -> Filled:
    """Compute the tiles that are missing, or one share of them."""
    if scene.whole is not None:
        scene = replace(scene, stretches=scene.whole, whole=None)
    surface = surface_of(scene)
    sources = np.column_stack([scene.stretches.x, scene.stretches.y, scene.stretches.z])
    open_air = np.flatnonzero(scene.stretches.sounding)
    pointer, local = pairs_within(receivers, sources[open_air], max_distance)
    stretch = open_air[local]
    _refuse_too_large(len(stretch), memory_gb)

    key = _key(surface, scene, receivers, stretch, pointer, air)
    place = folder / key[:16]
    tiles = _tiles(pointer)
    missing = [number for number in range(len(tiles)) if not tile_is_whole(place, number)]
    if execution.merge and missing:
        raise BusyError(
            f"{place}: {len(missing)} of {len(tiles)} tiles are not there or not whole, the first "
            f"is number {missing[0] + 1}; run the shares that did not end once more, with this "
            "study and these inputs, or run without --merge to compute them here"
        )
    if execution.share is not None:
        missing = execution.share.of(missing)
    if not missing:
        return Filled(place, key, len(tiles))
    job = tile_job(
        scene, surface, sources, receivers, pointer, stretch, air, tiles, execution.device
    )
    execution.backend.require_memory(job.memory_bytes, len(missing))
    task = job.saved(place) if execution.backend.elsewhere else partial(job.write, place)
    paths = [int(pointer[last] - pointer[first]) for first, last in tiles]
    done = sum(paths) - sum(paths[number] for number in missing)

    def told(number: int) -> None:
        nonlocal done
        done += paths[number]
        if progress:
            progress(done, sum(paths))

    execution.backend.run(task, missing, told)
    return Filled(place, key, len(tiles))


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
            plain[name] = None if value is None else float(value)
    places = scene.stretches
    for array in (receivers, pointer, stretch, places.x, places.y, places.z, places.ends):
        digest.update(np.ascontiguousarray(array).tobytes())
    digest.update(sha256_json(plain).encode())
    return digest.hexdigest()
