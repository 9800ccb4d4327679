"""How much quieter a zone makes the night at each home, in paired samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.exposure.uncertainty import Draws
from noisemap.levels import to_energy
from noisemap.states import EXHAUST_STATES, ExhaustState

FloatArray = npt.NDArray[np.float64]

BLOCK = 2000
"""Receivers sampled at once."""


@dataclass(frozen=True)
class NightEnergy:
    """Mean night energy at receivers, by exhaust state (receiver, state) [1]."""

    exhaust: FloatArray  # exhausts of all braking trucks, nobody obeying
    running: FloatArray  # tyres and engines of the same trucks
    bound: FloatArray  # exhausts of the passes that the zone binds, in its hours
    silent: FloatArray  # the same with the retarder silent in the zone
    other: FloatArray  # (receiver,) all other modelled traffic

    def rows(self, first: int, last: int) -> NightEnergy:
        """Some of the receivers."""
        parts = (self.exhaust, self.running, self.bound, self.silent, self.other)
        return NightEnergy(*(part[first:last] for part in parts))

    def at(self, place: npt.NDArray[np.int64]) -> NightEnergy:
        """Chosen receivers, in their order."""
        parts = (self.exhaust, self.running, self.bound, self.silent, self.other)
        return NightEnergy(*(part[place] for part in parts))

    def fall_bounds(self, share: FloatArray, draws: Draws) -> tuple[FloatArray, FloatArray]:
        """90 % interval of the fall of each receiver's night level [dB]."""
        low, high = np.zeros(len(self.other)), np.zeros(len(self.other))
        for first in range(0, len(low), BLOCK):
            fall = relief_samples(self.rows(first, first + BLOCK), share, draws)
            found = np.percentile(fall, (5.0, 95.0), axis=0)
            low[first : first + BLOCK], high[first : first + BLOCK] = found
        return low, high


def by_state(
    energy: FloatArray, counts: FloatArray, states: Sequence[ExhaustState], seconds: float
) -> FloatArray:
    """Mean energy by state from exposures of single passes (receiver, class) and counts [1]."""
    out = np.zeros((energy.shape[0], len(EXHAUST_STATES)))
    for index, state in enumerate(EXHAUST_STATES):
        rows = np.array([one == state for one in states], dtype=bool)
        out[:, index] = energy[:, rows] @ (counts[rows] / seconds)
    return out


@dataclass(frozen=True)
class Background:
    """The level without the modelled traffic, and how well it is known."""

    level: float  # [dB]
    sigma: float = 0.0  # standard deviation of its error [dB]


def relief_samples(
    night: NightEnergy,
    silent_share: FloatArray,
    draws: Draws,
    background: Background | None = None,
) -> FloatArray:
    """Samples of the fall of the night level, over (sample, receiver) [dB].

    Of braking trucks alone, or of the total with a background.  `silent_share` is that
    of the bound passes in each sample.
    """
    obey = silent_share[:, None]
    gain = np.stack([to_energy(draws.exhaust[state]) for state in EXHAUST_STATES], axis=1)
    number = np.stack([draws.number(state) for state in EXHAUST_STATES], axis=1)
    running = to_energy(draws.silent)[:, None] * (number @ night.running.T)
    number = number * draws.duty_factor[:, None]
    before = (gain * number) @ night.exhaust.T + running
    spared = np.maximum(night.bound - night.silent, 0.0)
    after = before - obey * ((gain * number) @ spared.T)
    if background is not None:
        there = to_energy(background.level + background.sigma * draws.background)
        rest = to_energy(draws.traffic)[:, None] * night.other + there[:, None]
        before, after = before + rest, after + rest
    heard = (before > 0.0) & (after > 0.0)
    ratio = np.divide(before, after, out=np.ones_like(before), where=heard)
    return np.asarray(10.0 * np.log10(ratio))


def people_relief(
    night: NightEnergy,
    people: FloatArray,
    silent_share: FloatArray,
    draws: Draws,
    helped_from: float,
    background: Background | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Samples of the people quieter by `helped_from` [dB] or more, and of the mean fall [dB].

    Receivers are taken in blocks, so that memory stays bounded.
    """
    helped = np.zeros(draws.samples)
    total = np.zeros(draws.samples)
    for first in range(0, len(people), BLOCK):
        last = min(first + BLOCK, len(people))
        fall = relief_samples(night.rows(first, last), silent_share, draws, background)
        helped += (fall >= helped_from) @ people[first:last]
        total += fall @ people[first:last]
    return helped, total / max(float(people.sum()), 1e-12)


def level_spread(night: NightEnergy, draws: Draws) -> FloatArray:
    """Standard deviation of each receiver's night level from the common errors [dB]."""
    gain = np.stack([to_energy(draws.exhaust[state]) for state in EXHAUST_STATES], axis=1)
    out = np.zeros(len(night.other))
    for first in range(0, len(out), BLOCK):
        part = night.rows(first, first + BLOCK)
        energy = (gain * draws.duty_factor[:, None]) @ part.exhaust.T + to_energy(draws.silent)[
            :, None
        ] * part.running.sum(axis=1)
        heard = energy.min(axis=0) > 0.0
        out[first : first + BLOCK][heard] = (10.0 * np.log10(energy[:, heard])).std(axis=0)
    return out
