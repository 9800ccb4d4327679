"""How much each home's levels move when the stretches of road are halved.

A run asks this of its own result: at the loudest facade of every home the paths that
carry nearly all of its sound are computed again from both halves of their stretches.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.exposure.product import PassLevels, PassSound, pass_levels
from noisemap.exposure.rules import rule
from noisemap.propagation.kernel import Device
from noisemap.scene.model import Scene, Stretches
from noisemap.scene.stretches import split_stretches
from noisemap.transfer.build import surface_of
from noisemap.transfer.job import Air, tile_job
from noisemap.transfer.store import TransferStore, decode

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

CARRIED = rule("halving_carried")
PEAK_FACTOR = 10.0 ** (-0.1 * rule("halving_peak_db"))
LEVEL_DB, MAXIMUM_DB = rule("halving_level_db"), rule("halving_maximum_db")
PATHS_AT_ONCE = 200_000


@dataclass(frozen=True)
class Movement:
    """Change of each home's levels when stretches are halved, at its loudest facade."""

    level: FloatArray  # (homes,) of the mean level of braking trucks [dB]
    maximum: FloatArray  # (homes,) of their loudest pass [dB]
    paths: int  # computed for it


def movement(
    scene: Scene,
    store: TransferStore,
    passes: PassLevels,
    sound: PassSound,
    per_hour: FloatArray,
    hours: frozenset[int],
    facade: IntArray,
    receivers: FloatArray,
    air: Air,
    device: Device = "cpu",
) -> Movement:
    """Change of every home's levels when its stretches are halved; not a number without sound.

    Parameters
    ----------
    scene : Scene
        Terrain, roads, obstacles.
    store : TransferStore
        The paths of the run.
    passes : PassLevels
        What one pass of each class leaves at each receiver.
    sound : PassSound
        What one pass of each class leaves at the road.
    per_hour : ndarray
        Passes of each class in the 24 hours [1/h].
    hours : frozenset of int
        Hours of the mean level; the whole day where no truck brakes in them.
    facade : ndarray
        The receiver of each home that is looked at.
    receivers : ndarray
        x, y and height above the ground of all receivers [m].
    air : Air
        The air and the reading of the store.
    device : {"cpu", "cuda"}
        Where paths are computed.
    """
    level, maximum = np.full((2, len(facade)), np.nan)
    occurs = per_hour.sum(axis=1) > 0.0
    if not occurs.any():
        return Movement(level, maximum, 0)
    weights = per_hour[:, sorted(hours)].sum(axis=1)
    if not weights.any():
        weights = per_hour.sum(axis=1)
    halves = _Halves(scene, sound, replace(air, twin=False), device)
    emission = np.tensordot(weights.astype(np.float32), sound.energy, axes=(0, 0))
    loudest = sound.peak[occurs].max(axis=0)
    count = np.diff(store.pointer)[facade]
    runs = np.cumsum(count) // PATHS_AT_ONCE
    for number in np.unique(runs).tolist():
        own = np.flatnonzero(runs == number)
        some = _paths_of(store, facade[own])
        matters = _that_matter(some, emission, loudest)
        rest = pass_levels(_rows_of(some, ~matters), sound)
        fine = pass_levels(halves.of(_rows_of(some, matters), receivers[facade[own]]), halves.sound)
        with np.errstate(divide="ignore", invalid="ignore"):
            before = passes.energy[facade[own]] @ weights
            after = (rest.energy.astype(np.float64) + fine.energy) @ weights
            level[own] = 10.0 * np.log10(after / before)
            top = np.maximum(rest.maximum, fine.maximum)[:, occurs].max(axis=1, initial=-np.inf)
            held = passes.maximum[facade[own]][:, occurs].max(axis=1, initial=-np.inf)
            maximum[own] = top - held
    level[~np.isfinite(level)] = np.nan
    maximum[~np.isfinite(maximum)] = np.nan
    return Movement(level, maximum, halves.paths)


def movers(moved: Movement) -> BoolArray:
    """Homes whose mean level or loudest pass moves by more than is allowed."""
    level = np.abs(np.nan_to_num(moved.level)) > LEVEL_DB
    return level | (np.abs(np.nan_to_num(moved.maximum)) > MAXIMUM_DB)


class _Halves:
    """The halves of a scene's stretches, and what they emit."""

    def __init__(self, scene: Scene, sound: PassSound, air: Air, device: Device) -> None:
        self.scene, self.air, self.device, self.paths = scene, air, device, 0
        self.surface = surface_of(scene)
        self.fine, parent = _halved(scene)
        parts = np.bincount(parent, minlength=len(scene.stretches.x))
        self.first = np.concatenate([[0], np.cumsum(parts)])
        self.parts = parts
        share = (1.0 / parts[parent]).astype(np.float32)
        self.sound = PassSound(
            energy=sound.energy[:, parent] * share[:, None, None],
            peak=sound.peak[:, parent],
            running=sound.running[:, parent],
            duration=sound.duration[:, parent] * share,
            speed=sound.speed[:, parent],
            first=self.first[sound.first],
            last=self.first[sound.last],
        )

    def of(self, paths: TransferStore, points: FloatArray) -> TransferStore:
        """The paths from the halves of the stretches of some paths."""
        times = self.parts[paths.stretch]
        step = np.arange(times.sum()) - np.repeat(np.cumsum(times) - times, times)
        stretch = np.repeat(self.first[paths.stretch], times) + step
        pointer = np.concatenate([[0], np.cumsum(times)])[paths.pointer].astype(np.int64)
        self.paths += len(stretch)
        fine = self.fine
        job = tile_job(
            replace(self.scene, stretches=fine, whole=None),
            self.surface,
            np.column_stack([fine.x, fine.y, fine.z]),
            points,
            pointer,
            stretch,
            self.air,
            [(0, len(points))],
            self.device,
        )
        arrays = job.arrays(0)
        return TransferStore(
            heights=paths.heights,
            pointer=pointer,
            stretch=arrays["stretch"],
            t=decode(arrays["attenuation"]),
            cmet_factor=arrays["cmet"],
            distance=arrays["distance"],
            nearest=arrays["nearest"],
            flags=arrays["flags"],
            grazing=arrays["grazing"],
            twin=arrays["twin"],
        )


def _halved(scene: Scene) -> tuple[Stretches, IntArray]:
    """Every stretch in two, and for each half the stretch it is a part of."""
    whole = scene.stretches
    cuts: dict[int, list[float]] = {}
    middles = ((whole.from_m + whole.to_m) / 2.0).tolist()
    for road, middle in zip(whole.road.tolist(), middles, strict=True):
        cuts.setdefault(road, []).append(middle)
    return split_stretches(whole, scene.roads, cuts)


def _paths_of(store: TransferStore, receivers: IntArray) -> TransferStore:
    """The paths of some receivers."""
    count = np.diff(store.pointer)[receivers]
    pointer = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    row = np.repeat(store.pointer[receivers] - pointer[:-1], count) + np.arange(pointer[-1])
    return _taken(store, pointer, row)


def _rows_of(store: TransferStore, kept: BoolArray) -> TransferStore:
    """A store with some of its paths left out."""
    pointer = np.concatenate([[0], np.cumsum(kept)])[store.pointer].astype(np.int64)
    return _taken(store, pointer, np.flatnonzero(kept))


def _taken(store: TransferStore, pointer: IntArray, row: IntArray) -> TransferStore:
    return TransferStore(
        heights=store.heights,
        pointer=pointer,
        stretch=store.stretch[row],
        t=store.t[row],
        cmet_factor=store.cmet_factor[row],
        distance=store.distance[row],
        nearest=store.nearest[row],
        flags=store.flags[row],
        grazing=store.grazing[row],
        twin=store.twin[row],
    )


def _that_matter(
    store: TransferStore, emission: npt.NDArray[np.float32], loudest: npt.NDArray[np.float32]
) -> BoolArray:
    """Paths that carry most of each receiver's energy together, or nearly its maximum alone."""
    energy = np.einsum("phb,phb->p", store.t, emission[store.stretch]).astype(np.float64)
    peak = np.einsum("phb,phb->p", store.t, loudest[store.stretch])
    peak = peak * (store.distance / np.maximum(store.nearest, 1e-3)) ** 2
    count = np.diff(store.pointer)
    owner = np.repeat(np.arange(len(count)), count)
    total, top = np.zeros((2, len(count)))
    np.add.at(total, owner, energy)
    np.maximum.at(top, owner, peak)
    order = np.lexsort((-energy, owner))
    running = np.cumsum(energy[order])
    before = np.concatenate([[0.0], running])[store.pointer[:-1]]
    carried = np.empty(len(energy))
    carried[order] = running - energy[order] - before[owner[order]]
    matters = (carried < CARRIED * total[owner]) & (energy > 0.0)
    loud = (peak >= PEAK_FACTOR * top[owner]) & (peak > 0.0)
    return np.asarray(matters | loud)
