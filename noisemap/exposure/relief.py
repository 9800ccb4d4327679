"""How much quieter a zone makes the night at each home, in paired samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.exposure.uncertainty import Draws
from noisemap.levels import to_energy
from noisemap.states import EXHAUST_STATES, UNMUFFLED, ExhaustState

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class NightEnergy:
    """Mean night energy at each home's loudest receiver, by exhaust state (home, state) [1]."""

    exhaust: FloatArray  # exhausts of all braking trucks, nobody obeying
    running: FloatArray  # tyres and engines of the same trucks
    bound: FloatArray  # exhausts of the passes that the zone binds, in its hours
    silent: FloatArray  # the same with the retarder silent in the zone
    other: FloatArray  # (home,) all other modelled traffic


def by_state(
    energy: FloatArray, counts: FloatArray, states: Sequence[ExhaustState], seconds: float
) -> FloatArray:
    """Mean energy by exhaust state from exposures of single passes (home, class) and counts [1]."""
    out = np.zeros((energy.shape[0], len(EXHAUST_STATES)))
    for index, state in enumerate(EXHAUST_STATES):
        rows = np.array([one == state for one in states], dtype=bool)
        out[:, index] = energy[:, rows] @ (counts[rows] / seconds)
    return out


def relief_samples(
    night: NightEnergy,
    observance: float,
    draws: Draws,
    background: float | None = None,
) -> FloatArray:
    """Samples of the fall of the night level, over (sample, home) [dB].

    Of braking trucks alone, or of the total with a background level [dB].
    """
    obey = np.clip(observance + draws.observance, 0.0, 1.0)[:, None]
    gain = np.stack([to_energy(draws.exhaust[state]) for state in EXHAUST_STATES], axis=1)
    number = np.ones_like(gain)
    for index, state in enumerate(EXHAUST_STATES):
        if state in UNMUFFLED:
            number[:, index] = draws.unmuffled_factor
    running = to_energy(draws.silent)[:, None] * (number @ night.running.T)
    before = (gain * number) @ night.exhaust.T + running
    spared = np.maximum(night.bound - night.silent, 0.0)
    after = before - obey * ((gain * number) @ spared.T)
    if background is not None:
        rest = to_energy(draws.traffic)[:, None] * night.other + to_energy(background)
        before, after = before + rest, after + rest
    heard = (before > 0.0) & (after > 0.0)
    ratio = np.divide(before, after, out=np.ones_like(before), where=heard)
    return np.asarray(10.0 * np.log10(ratio))
