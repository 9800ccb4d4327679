"""What runs on a CUDA device: scratch in columns, one thread a pair.

This module is imported only where a device, or its simulator, is used.
"""

from __future__ import annotations

from typing import Any

from numba import cuda

from noisemap.propagation.machine.bands import BANDS, HeightFactors, Spectrum, fill_factors
from noisemap.propagation.machine.compiled import compiled
from noisemap.propagation.machine.crossings import Meeting
from noisemap.propagation.machine.cuda_scratch import Columns, Sizes
from noisemap.propagation.machine.even_profile import EvenProfile
from noisemap.propagation.machine.job import (
    Answer,
    Cover,
    FloatArray,
    Ground,
    Mirrors,
    Model,
    Obstacles,
    Terrain,
)
from noisemap.propagation.machine.path_kernel import Scratch, one_pair
from noisemap.propagation.machine.reflections import Echo
from noisemap.propagation.machine.sampling import Reading, terrain_height
from noisemap.propagation.machine.sides import KEPT, MOST_CORNERS, MOST_GROUPS, Sides


@compiled
def one_path(
    pair: int,
    receiver: int,
    receivers: FloatArray,
    sources: FloatArray,
    heights: FloatArray,
    source: int,
    terrain: Terrain,
    ground: Ground,
    cover: Cover,
    obstacles: Obstacles,
    mirrors: Mirrors,
    model: Model,
    scratch: Scratch,
    answer: Answer,
) -> int:
    """All paths of one pair, whatever pair came before; returns the room needed or 0."""
    x, y, hr = receivers[receiver, 0], receivers[receiver, 1], receivers[receiver, 2]
    fill_factors(hr, heights, model.table3, scratch.factors)
    return one_pair(
        pair,
        source,
        sources.shape[0] + receiver,
        x,
        y,
        hr,
        terrain_height(terrain, x, y),
        sources,
        heights,
        terrain,
        ground,
        cover,
        obstacles,
        mirrors,
        model,
        scratch,
        answer,
    )


@cuda.jit(device=True)  # type: ignore[untyped-decorator]
def profile_of(columns: Columns, real: int, whole: int, points: int, t: int) -> EvenProfile:
    """A thread's scratch for a terrain profile, from the given rows on."""
    block = columns.real
    return EvenProfile(
        block[real : real + points, t],
        columns.ramp,
        columns.inverse,
        columns.whole[whole : whole + points, t],
        block[real + points : real + 2 * points, t],
        block[real + 2 * points : real + 3 * points, t],
        block[real + 3 * points : real + 4 * points, t],
        block[real + 4 * points : real + 5 * points, t],
    )


@cuda.jit(device=True)  # type: ignore[untyped-decorator]
def meeting_of(
    columns: Columns, real: int, whole: int, mark: int, room: int, points: int, t: int
) -> Meeting:
    """A thread's scratch for `room` obstacles on a profile of `points`."""
    block, count = columns.real, columns.whole
    bare = real + 5 * room
    both = bare + 2 * points
    size = room + points
    return Meeting(
        block[real : real + room, t],
        count[whole : whole + room, t],
        columns.mark[mark : mark + room, t],
        block[real + room : real + 2 * room, t],
        block[real + 2 * room : real + 3 * room, t],
        count[whole + room : whole + 2 * room, t],
        block[bare : bare + points, t],
        block[bare + points : both, t],
        block[real + 3 * room : real + 4 * room, t],
        block[real + 4 * room : bare, t],
        block[both : both + size, t],
        block[both + size : both + 2 * size, t],
        columns.mark[mark + room : mark + room + size, t],
        count[whole + 2 * room : whole + 2 * room + size, t],
    )


@cuda.jit(device=True)  # type: ignore[untyped-decorator]
def scratch_of(columns: Columns, sizes: Sizes, t: int) -> Scratch:
    """All scratch of a thread, in the order in which `cuda` counts its rows."""
    points, room, readings = sizes.points, sizes.room, sizes.readings
    real, whole, short, mark = 0, 0, 0, 0
    profile = profile_of(columns, real, whole, points, t)
    real += 5 * points
    whole += points
    reading = Reading(
        columns.ramp,
        columns.short[short : short + readings, t],
        columns.real[real : real + readings, t],
        columns.real[real + readings : real + 2 * readings, t],
        columns.short[short + readings : short + 2 * readings, t],
    )
    real += 2 * readings
    short += 2 * readings
    running = columns.whole[whole : whole + sizes.pieces + 1, t]
    whole += sizes.pieces + 1
    cell = columns.short[short : short + sizes.cover, t]
    short += sizes.cover
    meeting = meeting_of(columns, real, whole, mark, room, points, t)
    real += 7 * room + 4 * points
    whole += 3 * room + points
    mark += 2 * room + points
    corners = MOST_CORNERS + 2
    sides = Sides(
        columns.whole[whole : whole + MOST_GROUPS, t],
        columns.real[real : real + corners, t],
        columns.real[real + corners : real + 2 * corners, t],
        columns.real[real + 2 * corners : real + 3 * corners, t],
        columns.real[real + 3 * corners : real + 4 * corners, t],
        columns.real[real + 4 * corners : real + 4 * corners + KEPT, t],
    )
    whole += MOST_GROUPS
    real += 4 * corners + KEPT
    factors = HeightFactors(
        columns.real[real : real + BANDS, t],
        columns.real[real + BANDS : real + 2 * BANDS, t],
        columns.factor[0, :, :, t],
        columns.factor[1, :, :, t],
        columns.real[real + 2 * BANDS : real + 3 * BANDS, t],
    )
    real += 3 * BANDS
    spectrum = Spectrum(
        columns.real[real : real + 2 * BANDS, t],
        columns.exponential[:, t],
        columns.bits[:, t],
        columns.real[real + 2 * BANDS : real + 3 * BANDS, t],
        columns.real[real + 3 * BANDS : real + 4 * BANDS, t],
    )
    real += 4 * BANDS
    points, room, pieces = sizes.echo_points, sizes.echo_room, sizes.echo_pieces
    echo_profile = profile_of(columns, real, whole, points, t)
    real += 5 * points
    whole += points
    echo_running = columns.whole[whole : whole + pieces + 1, t]
    whole += pieces + 1
    echo_cell = columns.short[short : short + pieces, t]
    echo_wood = columns.short[short + pieces : short + 2 * pieces, t]
    leg = meeting_of(columns, real, whole, mark, room, 2, t)
    real += 7 * room + 8
    whole += 3 * room + 2
    mark += 2 * room + 2
    both = meeting_of(columns, real, whole, mark, room, points, t)
    whole += 3 * room + points
    echo = Echo(
        echo_profile,
        echo_running,
        echo_cell,
        echo_wood,
        leg,
        both,
        columns.strength[:, :, t],
        columns.energy[:, :, :, t],
        columns.whole[whole : whole + sizes.heights, t],
    )
    return Scratch(profile, reading, running, cell, meeting, sides, factors, spectrum, echo)


@cuda.jit  # type: ignore[untyped-decorator]
def all_pairs(
    receivers: Any,
    sources: Any,
    heights: Any,
    owner: Any,
    source: Any,
    terrain: Any,
    ground: Any,
    cover: Any,
    obstacles: Any,
    mirrors: Any,
    model: Any,
    columns: Any,
    sizes: Any,
    answer: Any,
    needed: Any,
) -> None:
    """Fill the answers of all pairs, and the room that a pair lacked."""
    t = cuda.grid(1)
    scratch = scratch_of(columns, sizes, t)
    for pair in range(t, needed.shape[0], cuda.gridsize(1)):
        needed[pair] = one_path(
            pair,
            owner[pair],
            receivers,
            sources,
            heights,
            source[pair],
            terrain,
            ground,
            cover,
            obstacles,
            mirrors,
            model,
            scratch,
            answer,
        )
