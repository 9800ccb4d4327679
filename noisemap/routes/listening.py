"""How much the homes hear of each stretch: people times transfer, summed once.

The burden of a pass is the sum over homes of people times sound exposure outdoors.
It is additive over the stretches, so one weight a stretch, source height and band
says everything that a search has to know about the homes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.bands import A_WEIGHT
from noisemap.descent.quiet_moves import Listening
from noisemap.exposure.driving import TruckClass
from noisemap.exposure.passes import OUTLET_HEIGHT_INDEX
from noisemap.levels import to_energy
from noisemap.routes.choices import choice
from noisemap.scene.runs import runs
from noisemap.source.emission import emission_table, exhaust_sound_power
from noisemap.source.propulsion import vehicle_sound_power
from noisemap.states import ExhaustState
from noisemap.transfer.store import TransferStore

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SPEED_NODES_MS: FloatArray = np.arange(2.0, 36.1, 0.5, dtype=np.float64)
ENGINE_SPEED_STEP_RPM = 20.0


@dataclass(frozen=True)
class Source:
    """What a truck sounds like: its exhaust, the air and the study's calibration."""

    truck: TruckClass
    exhaust: ExhaustState
    temperature_c: float
    calibration_db: float


def stretch_weights(store: TransferStore, people: FloatArray, stretches: int) -> FloatArray:
    """People times transfer over (stretch, height, band): what one watt there burdens.

    `people` holds the people at each receiver.
    """
    receiver = np.repeat(np.arange(store.receivers), np.diff(store.pointer))
    heads = people[receiver]
    heights, bands = store.t.shape[1:]
    weights = np.empty((stretches, heights, bands))
    for height in range(heights):
        for band in range(bands):
            weights[:, height, band] = np.bincount(
                store.stretch, heads * store.t[:, height, band], minlength=stretches
            )
    return weights


def running_energy(
    speed_ms: FloatArray, temperature_c: float, grade: FloatArray | float = 0.0
) -> FloatArray:
    """A-weighted sound power of tyres and engine of a heavy truck, bands last [1].

    The gradient term counts uphill only: downhill it stands for engine braking, which
    has its own source.
    """
    climb = np.maximum(grade, 0.0)
    level = vehicle_sound_power("heavy", speed_ms, grade=climb, temperature_c=temperature_c)
    return to_energy(level + A_WEIGHT)


def listening(
    weights: FloatArray,
    rows: IntArray,
    grade: FloatArray,
    source: Source,
    switch_cylinders: tuple[int, ...],
) -> Listening:
    """Burden a second of a truck on stretches, by speed, engine speed and switch position.

    `grade` is that of each stretch in the driving direction.
    """
    at = weights[rows]
    model = source.truck.model
    nodes = emission_table(model.engine, source.exhaust).engine_speed_rpm
    low, high = float(nodes[0]), min(float(nodes[-1]), model.highest_speed_rpm)
    rpm = np.linspace(low, high, 1 + round((high - low) / ENGINE_SPEED_STEP_RPM))
    braking = np.zeros((len(rows), len(rpm), len(switch_cylinders)))
    if source.truck.retarder == "compression_release":
        outlet = at[:, OUTLET_HEIGHT_INDEX[model.outlet]]
        for place, cylinders in enumerate(switch_cylinders):
            level = exhaust_sound_power(
                model.engine,
                rpm,
                np.full(rpm.shape, cylinders),
                source.exhaust,
                calibration_db=source.calibration_db,
            )
            braking[:, :, place] = outlet @ to_energy(level + A_WEIGHT).T
    power = running_energy(SPEED_NODES_MS[None], source.temperature_c, grade[:, None])
    running = (at[:, None, 0] * power).sum(axis=2)
    return Listening(SPEED_NODES_MS, running, rpm, braking)


def loud_spots(
    chainage_m: FloatArray, amount: FloatArray
) -> tuple[tuple[float, float, float], ...]:
    """Where most of an amount by piece comes from: from, to [m], share of the whole [1].

    The densest pieces that together hold half of it, near ones joined.
    """
    total = float(amount.sum())
    if total <= 0.0:
        return ()
    order = np.argsort(-amount / np.diff(chainage_m), kind="stable")
    wanted = choice("descent", "heard_share") * total
    enough = int(np.searchsorted(np.cumsum(amount[order]), wanted))
    chosen = np.zeros(len(amount), np.bool_)
    chosen[order[: enough + 1]] = True
    spots: list[list[float]] = []
    for first, last in runs(chosen):
        begin, end = float(chainage_m[first]), float(chainage_m[last])
        share = float(amount[first:last].sum()) / total
        if spots and begin - spots[-1][1] <= choice("descent", "joined_gap_m"):
            spots[-1][1], spots[-1][2] = end, spots[-1][2] + share
        else:
            spots.append([begin, end, share])
    return tuple((begin, end, share) for begin, end, share in spots)
