"""The table of the what-if: what a page needs to answer for any zone without the engine.

Sound paths are kept by octave band for the stretches on which trucks brake; everything
that no zone can silence is kept as sums.  Hours, observance, the shares of exhaust
states and the flow of trucks are then plain factors, and a zone is a sum over its part
of the road.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.descent.drive import Drive
from noisemap.exposure.driving import road_rows
from noisemap.exposure.passes import FREE, DriveKey, PassClass, pass_sound
from noisemap.exposure.product import PassLevels, PassSound, pass_levels
from noisemap.levels import from_energy
from noisemap.states import EXHAUST_STATES
from noisemap.zones.weigh import Base
from noisemap.zones.what_if_brakes import RoadBrakes, road_brakes
from noisemap.zones.what_if_rows import Columns, Others, Paths, Rows, rows_of

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

MOST_CELLS = 55_000_000
"""Rows times stretches times bands that a page can carry and decode."""


@dataclass(frozen=True)
class Way:
    """The braking trucks of one road in one direction."""

    road: int
    direction: int
    trucks: tuple[int, ...]
    share: FloatArray  # (truck,) of the passes [1]
    per_hour: FloatArray  # (state, 24) passes an hour as counted [1/h]
    columns: IntArray  # (place,) columns of the table where any of them brakes
    energy: FloatArray  # (state, place, height, band) exhaust of the mean truck, A-weighted [s]
    peak: FloatArray  # (state, truck, place, height, band) exhaust power, A-weighted [1]
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


def what_if(
    base: Base,
    drives: Mapping[DriveKey, Drive],
    heavy_by_hour: npt.NDArray[np.float32],
    ends_m: Sequence[float] = (),
) -> WhatIf | None:
    """The table of a study; None where no truck brakes or no road fits.

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
        columns = _columns(sound)
        if len(columns.stretch) == 0:
            return None
        quiet = pass_levels(base.store, running_only(sound, classes))
        picked = rows_of(base, sound, classes, columns, roads, quiet)
        if picked[1].cells <= MOST_CELLS:
            return _table(
                base, classes, sound, quiet, columns, *picked, heavy_by_hour, roads, wanted, ends_m
            )
        roads.pop()
    return None


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


def _columns(sound: PassSound) -> Columns:
    """Stretches on which the exhaust of any class is heard."""
    exhaust = exhaust_peak(sound)
    stretch = np.flatnonzero(exhaust.any(axis=(0, 2, 3)))
    heights = tuple(np.flatnonzero(exhaust.any(axis=(0, 1, 3))).tolist())
    running = sound.running[:, stretch].astype(float).sum(axis=0)
    total = running.sum(axis=1, keepdims=True)
    on = np.asarray(sound.duration[:, stretch] > 0.0, dtype=float)
    speed = (sound.speed[:, stretch] * on).sum(axis=0) / np.maximum(on.sum(axis=0), 1.0)
    return Columns(
        stretch=stretch.astype(np.int64),
        heights=heights,
        running_shape=np.divide(running, total, out=np.zeros_like(running), where=total > 0.0),
        speed=np.asarray(speed, dtype=float),
    )


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
    rows: Rows,
    paths: Paths,
    others: Others,
    heavy_by_hour: npt.NDArray[np.float32],
    roads: Sequence[int],
    wanted: Sequence[int],
    ends_m: Sequence[float],
) -> WhatIf:
    ways = _ways(base, classes, sound, columns)
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
    base: Base, classes: Sequence[PassClass], sound: PassSound, columns: Columns
) -> tuple[Way, ...]:
    peak, energy = exhaust_peak(sound), exhaust_energy(sound)
    heights = list(columns.heights)
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
        rows = road_rows(base.scene.stretches, road)
        on_road = np.flatnonzero(np.isin(columns.stretch, rows))
        used = peak[mine][:, columns.stretch[on_road]].any(axis=(0, 2, 3))
        places = on_road[used]
        stretch = columns.stretch[places]
        shape = (len(trucks), len(EXHAUST_STATES))
        own_peak = peak[mine][:, stretch][:, :, heights].astype(float)
        own_energy = energy[mine][:, stretch][:, :, heights].astype(float)
        own_peak = own_peak.reshape(*shape, *own_peak.shape[1:]).swapaxes(0, 1)
        own_energy = own_energy.reshape(*shape, *own_energy.shape[1:])
        first = mine[:: len(EXHAUST_STATES)]
        ways.append(
            Way(
                road=road,
                direction=direction,
                trucks=trucks,
                share=share,
                per_hour=np.array(
                    [sum(counted[t, state] for t in trucks) for state in EXHAUST_STATES]
                ),
                columns=places.astype(np.int64),
                energy=np.tensordot(share, own_energy, axes=(0, 0)),
                peak=own_peak,
                running=sound.running[first][:, stretch].astype(float).sum(axis=2),
            )
        )
    return tuple(ways)
