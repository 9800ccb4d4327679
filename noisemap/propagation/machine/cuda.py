"""The loop over all paths on a CUDA device, from the same source as the compiled loop.

One thread computes one pair at a time.  What a path writes on its way lies in columns of
wide arrays, one column a thread, so that neighbouring threads touch neighbouring memory.
A path that meets more obstacles than a column has room for is left to the processor.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.errors import MissingProgramError
from noisemap.propagation.machine.bands import BANDS
from noisemap.propagation.machine.cuda_scratch import Columns, Sizes
from noisemap.propagation.machine.job import (
    Answer,
    Cover,
    FloatArray,
    Ground,
    IntArray,
    Mirrors,
    Model,
    Obstacles,
    Terrain,
)
from noisemap.propagation.machine.path_kernel import all_receivers
from noisemap.propagation.machine.sides import KEPT, MOST_CORNERS, MOST_GROUPS

ROOM = 48
"""Obstacles on a path for which a thread has room."""

THREADS_PER_BLOCK = 128
MOST_THREADS = 132 * 1024
SCRATCH_BYTES = 4_000_000_000
PAIRS_AT_ONCE = 2_000_000


@cache
def device_kernel() -> Any:
    """The kernel for the device, and the module that runs it.

    Raises
    ------
    MissingProgramError
        When there is no CUDA device or no compiler for it.
    """
    cure = 'install noisemap with the extra "gpu" on a machine with a CUDA device, or use the cpu'
    try:
        from numba import cuda
    except ImportError as error:
        raise MissingProgramError(f"device cuda: {error}; {cure}") from error
    if not cuda.is_available():
        raise MissingProgramError(f"device cuda: no CUDA device or driver was found; {cure}")

    from noisemap.propagation.machine.cuda_kernel import all_pairs

    return cuda, all_pairs


def _sizes(
    farthest: float,
    heights: int,
    terrain: Terrain,
    ground: Ground,
    cover: Cover,
    obstacles: Obstacles,
    mirrors: Mirrors,
) -> Sizes:
    """Lengths that paths up to `farthest` need [m]."""
    steps, pieces = int(farthest / terrain.cell) + 2, int(farthest / (0.5 * ground.cell)) + 2
    reflects = len(mirrors.item) > 0
    longest = farthest + 2.0 * mirrors.reach
    return Sizes(
        points=steps + 1,
        readings=max(steps, pieces) + 1,
        pieces=pieces,
        room=ROOM if len(obstacles.edges) else 1,
        cover=pieces if cover.any_cover else 1,
        heights=heights,
        echo_points=int(longest / terrain.cell) + 4 if reflects else 1,
        echo_pieces=int(longest / (0.5 * ground.cell)) + 3 if reflects else 1,
        echo_room=ROOM if reflects else 1,
        most=max(mirrors.most, 1) if reflects else 1,
    )


def _rows(sizes: Sizes) -> tuple[int, int, int, int]:
    """Rows of the columns of doubles, long and short whole numbers, and marks."""
    points, room, far, echo = sizes.points, sizes.room, sizes.echo_points, sizes.echo_room
    real = 9 * points + 2 * sizes.readings + 7 * room + 7 * BANDS
    real += 4 * (MOST_CORNERS + 2) + KEPT
    real += 9 * far + 14 * echo + 8
    whole = 2 * points + sizes.pieces + 1 + 3 * room + MOST_GROUPS
    whole += 2 * far + sizes.echo_pieces + 1 + 6 * echo + 2 + sizes.heights
    short = 2 * sizes.readings + sizes.cover + 2 * sizes.echo_pieces
    return real, whole, short, 2 * room + points + 4 * echo + 2 + far


def _columns(cuda: Any, sizes: Sizes, threads: int) -> Columns:
    """Scratch on the device."""
    real, whole, short, mark = _rows(sizes)
    size = max(sizes.readings, sizes.points, sizes.echo_points)
    ramp = np.arange(size + 1).astype(np.float64)
    inverse = np.zeros_like(ramp)
    inverse[1:] = 1.0 / ramp[1:]
    exponential = cuda.device_array((2 * BANDS, threads), np.float64)
    return Columns(
        cuda.device_array((real, threads), np.float64),
        cuda.device_array((whole, threads), np.int64),
        cuda.device_array((short, threads), np.int32),
        cuda.device_array((mark, threads), np.bool_),
        exponential,
        exponential.view(np.int64),
        cuda.device_array((2, sizes.heights, BANDS, threads), np.float64),
        cuda.device_array((sizes.heights, sizes.most, BANDS, threads), np.float64),
        cuda.device_array((sizes.heights, sizes.most, threads), np.float64),
        cuda.to_device(ramp),
        cuda.to_device(inverse),
    )


def _threads(sizes: Sizes, pairs: int) -> int:
    """Threads whose scratch fits, in whole blocks."""
    real, whole, short, mark = _rows(sizes)
    each = 8 * (real + whole) + 4 * short + mark
    each += 8 * sizes.heights * BANDS * (2 + 2 * sizes.most)
    blocks = min(MOST_THREADS, SCRATCH_BYTES // each, pairs + THREADS_PER_BLOCK - 1)
    return max(blocks // THREADS_PER_BLOCK, 1) * THREADS_PER_BLOCK


def _to_device(cuda: Any, group: Any) -> Any:
    """A group of numbers and arrays with its arrays on the device."""
    return type(group)(
        *(
            cuda.to_device(np.ascontiguousarray(part)) if isinstance(part, np.ndarray) else part
            for part in group
        )
    )


class DeviceJob:
    """A job's inputs and scratch on the device."""

    def __init__(
        self,
        receivers: FloatArray,
        sources: FloatArray,
        heights: FloatArray,
        farthest: float,
        pairs: int,
        terrain: Terrain,
        ground: Ground,
        cover: Cover,
        obstacles: Obstacles,
        mirrors: Mirrors,
        model: Model,
    ) -> None:
        self.cuda, self.kernel = device_kernel()
        count = len(heights)
        self.sizes = _sizes(farthest, count, terrain, ground, cover, obstacles, mirrors)
        self.threads = _threads(self.sizes, pairs)
        self.columns = _columns(self.cuda, self.sizes, self.threads)
        groups = (terrain, ground, cover, obstacles, mirrors, model)
        self.groups = tuple(_to_device(self.cuda, group) for group in groups)
        self.places = tuple(self.cuda.to_device(part) for part in (receivers, sources, heights))

    def run(self, owner: Any, source: Any, answer: Answer, needed: Any) -> None:
        """Fill an answer that lies on the device."""
        block = min(THREADS_PER_BLOCK, self.threads)
        self.kernel[self.threads // block, block](
            *self.places, owner, source, *self.groups, self.columns, self.sizes, answer, needed
        )

    def empty_answer(self, pairs: int) -> tuple[Answer, Any]:
        """Room on the device for the answers of some pairs, and for the room they needed."""
        heights = self.sizes.heights
        new = self.cuda.device_array
        answer = Answer(
            new((pairs, heights, BANDS), np.float32),
            new((pairs, heights), np.float32),
            new(pairs, np.float32),
            new(pairs, np.uint8),
            new((pairs, heights), np.float32),
            new((pairs, heights), np.float32),
        )
        return answer, new(pairs, np.int32)


def _parts(answer: Answer) -> tuple[Any, ...]:
    return tuple(answer)


def all_receivers_on_device(
    receivers: FloatArray,
    sources: FloatArray,
    heights: FloatArray,
    pair_pointer: IntArray,
    pair_source: IntArray,
    terrain: Terrain,
    ground: Ground,
    cover: Cover,
    obstacles: Obstacles,
    mirrors: Mirrors,
    model: Model,
    answer: Answer,
) -> int:
    """Fill the answer for every receiver; returns how many pairs the processor computed."""
    groups = (terrain, ground, cover, obstacles, mirrors, model)
    owner = np.repeat(np.arange(len(receivers), dtype=np.int64), np.diff(pair_pointer))
    pairs = len(pair_source)
    if pairs == 0:
        device_kernel()
        return 0
    plan = receivers[owner, :2] - sources[pair_source, :2]
    farthest = max(float(np.hypot(plan[:, 0], plan[:, 1]).max()), model.minimum_distance)
    at_once = min(pairs, PAIRS_AT_ONCE)
    work = DeviceJob(receivers, sources, heights, farthest, at_once, *groups)
    needed = np.empty(pairs, dtype=np.int32)
    for first in range(0, pairs, PAIRS_AT_ONCE):
        part = slice(first, min(first + PAIRS_AT_ONCE, pairs))
        found, room = work.empty_answer(part.stop - part.start)
        to = work.cuda.to_device
        work.run(to(owner[part]), to(pair_source[part]), found, room)
        for whole, piece in zip(_parts(answer), _parts(found), strict=True):
            whole[part] = piece.copy_to_host()
        needed[part] = room.copy_to_host()
    left = np.flatnonzero(needed)
    if len(left):
        _on_processor(left, owner, receivers, sources, heights, pair_source, groups, answer)
    return len(left)


def _on_processor(
    left: npt.NDArray[np.int64],
    owner: IntArray,
    receivers: FloatArray,
    sources: FloatArray,
    heights: FloatArray,
    pair_source: IntArray,
    groups: Any,
    answer: Answer,
) -> None:
    """Compute some pairs with the compiled loop."""
    pointer = np.searchsorted(owner[left], np.arange(len(receivers) + 1)).astype(np.int64)
    own = Answer(*(np.empty((len(left), *part.shape[1:]), part.dtype) for part in _parts(answer)))
    job: tuple[Any, ...] = (receivers, sources, heights, pointer, pair_source[left], *groups, own)
    all_receivers(*job)
    for whole, piece in zip(_parts(answer), _parts(own), strict=True):
        whole[left] = piece
