"""The table of the what-if: what a page needs to answer for any zone without the engine.

Sound paths are kept for the pieces of road on which trucks brake, one number for each
shape of exhaust spectrum; everything that no zone can silence is kept as sums.  Hours,
observance, the shares of exhaust states and the flow of trucks are then plain factors,
and a zone is a sum over its part of the road.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.bands import N_BANDS
from noisemap.descent.drive import Drive
from noisemap.exposure.passes import FREE, DriveKey, PassClass, pass_sound
from noisemap.exposure.product import PassLevels, PassSound, pass_levels
from noisemap.levels import from_energy
from noisemap.states import EXHAUST_STATES, ExhaustState
from noisemap.zones.weigh import Base
from noisemap.zones.what_if_brakes import RoadBrakes, road_brakes
from noisemap.zones.what_if_packing import packed_bytes
from noisemap.zones.what_if_rows import Columns, Others, Paths, Rows, dense_paths, rows_of
from noisemap.zones.what_if_shapes import joined, loudest, pieces, shapes

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

MOST_BYTES = 8_000_000
"""Compressed bytes of the paths that a page can carry: a third more in the file."""

NO_BRAKING = "No zone can be tried in this map: no truck of the study uses a retarder on its roads."
TOO_LARGE = (
    "No zone can be tried in this map: the study has so many homes beside so much braking that "
    "the table would be too large to send. Put the zone into the study and run it."
)

SAMPLE = 200
"""Receivers by whose paths the shapes of exhaust spectra are told apart."""


@dataclass(frozen=True)
class Way:
    """The braking trucks of one road in one direction."""

    road: int
    direction: int
    trucks: tuple[int, ...]
    share: FloatArray  # (truck,) of the passes [1]
    per_hour: FloatArray  # (state, 24) passes an hour as counted [1/h]
    shape: IntArray  # (state, truck) of the exhaust's spectrum
    pieces: IntArray  # (place,) pieces of the table where any of them brakes
    energy: FloatArray  # (state, truck, place) exhaust, A-weighted [s]
    peak: FloatArray  # (state, truck, place) exhaust power, A-weighted [1]
    running: FloatArray  # (truck, place) power of tyres and engine, A-weighted [1]


@dataclass(frozen=True)
class WhatIf:
    """Everything that a page recomputes from."""

    base: Base
    columns: Columns
    ways: tuple[Way, ...]
    rows: Rows
    paths: Paths
    running_energy: FloatArray  # (way, row) exposure of one pass without its exhaust [s]
    floors: tuple[FloatArray, ...]  # by way (truck, row): fast maximum without the exhaust [dB]
    light: FloatArray  # (row, 24) energy of the traffic that is no heavy truck [1]
    heavy: FloatArray  # (row, 24) energy of the heavy trucks that do not brake [1]
    others: Others  # braking trucks on roads that the table leaves out
    brakes: tuple[RoadBrakes, ...]
    left_out: tuple[int, ...]  # roads with braking trucks on which no zone can be tried


@dataclass(frozen=True)
class NoTable:
    """Why a map cannot try zones of its own."""

    reason: str


def what_if(
    base: Base,
    drives: Mapping[DriveKey, Drive],
    heavy_by_hour: npt.NDArray[np.float32],
    ends_m: Sequence[float] = (),
) -> WhatIf | NoTable:
    """The table of a study, or why there is none: no truck brakes, or no road fits.

    `drives` are the free drives of the study; `heavy_by_hour` is the part of the other
    traffic that is heavy trucks, over (receiver, 24); `ends_m` are ends of zones that
    brakes shall be known at exactly.
    """
    wanted = busiest_roads(base.classes)
    roads = list(wanted)
    while roads:
        classes = every_state(base.classes, roads)
        sound = pass_sound(
            classes,
            drives,
            base.scene.stretches,
            base.trucks,
            temperature=base.temperature,
            calibration_offset=base.calibration_offset,
        )
        if not exhaust_peak(sound).any():
            return NoTable(NO_BRAKING)
        columns, shape = _columns(base, sound, classes, ends_m)
        quiet = pass_levels(base.store, running_only(sound, classes))
        picked = rows_of(base, sound, classes, columns, roads, quiet)
        if packed_bytes(picked[1]) <= MOST_BYTES:
            return _table(
                base,
                classes,
                sound,
                quiet,
                columns,
                shape,
                *picked,
                heavy_by_hour,
                roads,
                wanted,
                ends_m,
            )
        roads.pop()
    return NoTable(TOO_LARGE if wanted else NO_BRAKING)


def busiest_roads(classes: Sequence[PassClass]) -> tuple[int, ...]:
    """Roads with braking trucks, most passes first."""
    passes: dict[int, float] = {}
    for one in classes:
        passes[one.road] = passes.get(one.road, 0.0) + float(one.per_hour.sum())
    return tuple(sorted(passes, key=lambda road: (-passes[road], road)))


def every_state(classes: Sequence[PassClass], roads: Sequence[int]) -> list[PassClass]:
    """The braking trucks of some roads with each exhaust state, counted there or not."""
    kinds = dict.fromkeys(
        (one.road, one.direction, one.truck) for one in classes if one.road in roads
    )
    return [
        PassClass(road, direction, truck, state, FREE, np.zeros(24))
        for road, direction, truck in sorted(kinds)
        for state in EXHAUST_STATES
    ]


def _columns(
    base: Base, sound: PassSound, classes: Sequence[PassClass], ends_m: Sequence[float]
) -> tuple[Columns, dict[tuple[int, ExhaustState], int]]:
    """Stretches on which the exhaust of any class is heard, and the shape of each exhaust."""
    exhaust = exhaust_peak(sound)
    stretch = np.flatnonzero(exhaust.any(axis=(0, 2, 3))).astype(np.int64)
    heights = tuple(np.flatnonzero(exhaust.any(axis=(0, 1, 3))).tolist())
    on = np.asarray(sound.duration[:, stretch] > 0.0, dtype=float)
    speed = (sound.speed[:, stretch] * on).sum(axis=0) / np.maximum(on.sum(axis=0), 1.0)
    stretches = base.scene.stretches
    ends = list(
        zip(stretches.from_m[stretch].tolist(), stretches.to_m[stretch].tolist(), strict=True)
    )
    columns = Columns(
        stretch=stretch,
        heights=heights,
        speed=np.asarray(speed, dtype=float),
        running=sound.running[:, stretch].astype(float).sum(axis=0),
        peak=exhaust[:, stretch].astype(float).sum(axis=(2, 3)).max(axis=0, initial=0.0),
        first=pieces(stretch, stretches.road[stretch], ends, ends_m),
        energy=np.zeros((0, len(stretch), len(heights), N_BANDS)),
    )
    energy = exhaust_energy(sound)[:, stretch][:, :, list(heights)].astype(float)
    keys = [(one.truck, one.exhaust_state) for one in classes]
    kinds = sorted(set(keys))
    emitted = np.zeros((len(kinds), *energy.shape[1:]))
    np.add.at(emitted, [kinds.index(key) for key in keys], energy)
    count = len(base.scene.receivers.home)
    sample = np.unique(np.linspace(0, count - 1, min(SAMPLE, count)).astype(np.int64))
    t = dense_paths(base, columns, sample).t[:, :, list(heights)].astype(float)
    shape = shapes(emitted, t)
    whole = np.zeros((int(shape.max(initial=-1)) + 1, *energy.shape[1:]))
    np.add.at(whole, shape, emitted)
    return replace(columns, energy=whole), dict(zip(kinds, shape.tolist(), strict=True))


def exhaust_peak(sound: PassSound) -> npt.NDArray[np.float32]:
    """Power of the exhaust alone over (class, stretch, height, band) [1]."""
    out = sound.peak.copy()
    out[:, :, 0] -= sound.running
    return np.maximum(out, np.float32(0.0))


def exhaust_energy(sound: PassSound) -> npt.NDArray[np.float32]:
    """Power times time of the exhaust alone over (class, stretch, height, band) [s]."""
    out = sound.energy.copy()
    out[:, :, 0] -= sound.running * sound.duration[:, :, None]
    # single precision leaves crumbs of the running noise where no exhaust sounds
    silent = ~exhaust_peak(sound).any(axis=3)
    out[silent] = 0.0
    return np.maximum(out, np.float32(0.0))


def _table(
    base: Base,
    classes: Sequence[PassClass],
    sound: PassSound,
    quiet: PassLevels,
    columns: Columns,
    shape: Mapping[tuple[int, ExhaustState], int],
    rows: Rows,
    paths: Paths,
    others: Others,
    heavy_by_hour: npt.NDArray[np.float32],
    roads: Sequence[int],
    wanted: Sequence[int],
    ends_m: Sequence[float],
) -> WhatIf:
    ways = _ways(base, classes, sound, columns, shape)
    trucks = [(one.road, one.direction, one.truck) for one in classes[:: len(EXHAUST_STATES)]]
    running, floors = [], []
    for way in ways:
        mine = [trucks.index((way.road, way.direction, truck)) for truck in way.trucks]
        running.append(rows.mean(quiet.energy[:, mine].astype(float) @ way.share))
        floor = rows.mean(10.0 ** (0.1 * quiet.maximum[:, mine].astype(float)))
        floors.append(from_energy(floor).T)
    light = np.maximum(base.other_by_hour - heavy_by_hour, 0.0)
    return WhatIf(
        base=base,
        columns=columns,
        ways=ways,
        rows=rows,
        paths=paths,
        running_energy=np.array(running),
        floors=tuple(floors),
        light=rows.mean(light.astype(float)),
        heavy=rows.mean(heavy_by_hour.astype(float)),
        others=others,
        brakes=tuple(road_brakes(base, road, ends_m) for road in roads),
        left_out=tuple(road for road in wanted if road not in roads),
    )


def running_only(sound: PassSound, classes: Sequence[PassClass]) -> PassSound:
    """Passes of each truck without any exhaust, one a road, direction and truck."""
    some = slice(None, len(classes), len(EXHAUST_STATES))
    energy = np.zeros_like(sound.energy[some])
    energy[:, :, 0] = sound.running[some] * sound.duration[some][:, :, None]
    peak = np.zeros_like(energy)
    peak[:, :, 0] = sound.running[some]
    return replace(
        sound,
        energy=energy,
        peak=peak,
        running=sound.running[some],
        duration=sound.duration[some],
        speed=sound.speed[some],
        first=sound.first[some],
        last=sound.last[some],
    )


def _ways(
    base: Base,
    classes: Sequence[PassClass],
    sound: PassSound,
    columns: Columns,
    shape: Mapping[tuple[int, ExhaustState], int],
) -> tuple[Way, ...]:
    stretch, first = columns.stretch, columns.first
    peak = exhaust_peak(sound)[:, stretch].astype(float).sum(axis=(2, 3))
    energy = exhaust_energy(sound)[:, stretch].astype(float).sum(axis=(2, 3))
    running = sound.running[:, stretch].astype(float).sum(axis=2)
    road_of = base.scene.stretches.road[stretch[first]]
    ways = []
    for road, direction in dict.fromkeys((one.road, one.direction) for one in classes):
        mine = [
            i for i, one in enumerate(classes) if (one.road, one.direction) == (road, direction)
        ]
        trucks = tuple(dict.fromkeys(classes[i].truck for i in mine))
        counted = {(truck, state): np.zeros(24) for truck in trucks for state in EXHAUST_STATES}
        for one in base.classes:
            if (one.road, one.direction) == (road, direction):
                counted[one.truck, one.exhaust_state] += one.per_hour
        share = np.array([sum(counted[t, s].sum() for s in EXHAUST_STATES) for t in trucks])
        share = share / share.sum()
        own_peak = loudest(peak[mine], first, 1)
        places = np.flatnonzero((road_of == road) & own_peak.any(axis=0))
        counts = (len(trucks), len(EXHAUST_STATES), len(places))
        own_energy = joined(energy[mine], first, 1)[:, places]
        power = loudest(running[mine[:: len(EXHAUST_STATES)]], first, 1)
        ways.append(
            Way(
                road=road,
                direction=direction,
                trucks=trucks,
                share=share,
                per_hour=np.array(
                    [sum(counted[t, state] for t in trucks) for state in EXHAUST_STATES]
                ),
                shape=np.array(
                    [[shape[truck, state] for truck in trucks] for state in EXHAUST_STATES]
                ),
                pieces=places.astype(np.int64),
                energy=own_energy.reshape(counts).swapaxes(0, 1),
                peak=own_peak[:, places].reshape(counts).swapaxes(0, 1),
                running=power[:, places],
            )
        )
    return tuple(ways)
