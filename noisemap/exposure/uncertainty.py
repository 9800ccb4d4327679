"""How sure a figure is: paired draws of what is unknown, and the 90 % intervals.

Common errors (source, method) are one draw a sample for every home and every
rule; errors of the receiver and its terrain are drawn for each home apart.
Pairing the rules by the same draws takes out what they share, never what is
unknown about their difference: the shares, the difference between exhausts,
the sound that stays with the retarder silent, and the observance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from noisemap.data_tables import toml_table
from noisemap.exposure.after_treatment import AfterTreatmentShare
from noisemap.exposure.results import Interval
from noisemap.levels import to_energy
from noisemap.propagation.compiled import compiled, compiled_parallel
from noisemap.states import EXHAUST_STATES, UNMUFFLED, ExhaustState

FloatArray = npt.NDArray[np.float64]
Array = npt.NDArray[Any]

BLOCK = 2000
"""Receivers sampled at once."""

LOW_PER_CENT, HIGH_PER_CENT = 5.0, 95.0
_TABLE_STEP = 0.02
_TABLE_END = 6.0
_SAME_DB = 1e-4


def spread(name: str) -> float:
    """One of the stated spreads and errors, see `uncertainty.toml`."""
    return float(toml_table("noisemap.exposure", "uncertainty.toml")[name]["value"])


@dataclass(frozen=True)
class Draws:
    """One row a sample of everything that is common to all homes."""

    exhaust: Mapping[ExhaustState, FloatArray]  # (samples,) error of a state's level [dB]
    silent: FloatArray  # (samples,) error with the retarder silent [dB]
    traffic: FloatArray  # (samples,) error of the whole traffic [dB]
    observance: FloatArray  # (samples,) added to the stated share [1]
    unmuffled_factor: FloatArray  # (samples,) times the stated number of unmuffled trucks [1]
    emergency_factor: FloatArray  # (samples,) times the stated share of use in emergencies [1]
    duty_factor: FloatArray  # (samples,) times the share of time with the retarder on [1]
    background: FloatArray  # (samples,) standard normal draws of the background's error [1]
    home: FloatArray  # (samples, homes) standard normal draws [1]
    after_treatment_factor: FloatArray  # (samples,) times the number with after-treatment [1]
    muffled_factor: FloatArray  # (samples,) times the number with a muffler alone [1]

    @property
    def samples(self) -> int:
        """Number of samples."""
        return len(self.silent)

    def number(self, state: ExhaustState) -> FloatArray:
        """Factor on the number of trucks with one exhaust state, over (samples,) [1]."""
        if state in UNMUFFLED:
            return self.unmuffled_factor
        return self.after_treatment_factor if state == "after_treatment" else self.muffled_factor

    def silent_share(self, observance: float, emergency_use: float) -> FloatArray:
        """Share of the bound passes with the retarder silent, over (samples,) [1]."""
        obey = np.clip(observance + self.observance, 0.0, 1.0)
        return np.asarray(obey * (1.0 - np.minimum(emergency_use * self.emergency_factor, 1.0)))


def draw(
    samples: int, homes: int, seed: int, after_treatment: AfterTreatmentShare | None = None
) -> Draws:
    """Draws of everything unknown.

    Parameters
    ----------
    samples : int
        Number of samples. [1] Valid 1000 and above.
    homes : int
        Number of homes. [1]
    seed : int
        Seed; the same seed gives the same draws. [1]
    after_treatment : AfterTreatmentShare, optional
        Share of the working exhausts with after-treatment; default: known exactly.

    Returns
    -------
    Draws
        Common errors and standard normal home errors.

    References
    ----------
    own-assumption : uncertainty.toml
    iso9613-2 : Table 5, read as 95 %
    """
    rng, later = np.random.default_rng(seed), np.random.default_rng([seed, 1])
    known = after_treatment or AfterTreatmentShare(0.0, 0.0, 0.0)
    with_filter, muffled = known.numbers(known.draw(samples, np.random.default_rng([seed, 2])))
    method = rng.normal(0.0, spread("method"), samples)
    straight = rng.normal(0.0, spread("straight_source"), samples)
    difference = rng.normal(0.0, spread("muffled_difference"), samples)
    exhaust: dict[ExhaustState, FloatArray] = {
        "straight": method + straight,
        "worn": method + straight + spread("worn_difference") * difference,
        "muffled": method + straight + difference,
        "after_treatment": method + straight + difference,
    }
    return Draws(
        exhaust=exhaust,
        silent=method + rng.normal(0.0, spread("retarder_off_source"), samples),
        traffic=method + rng.normal(0.0, spread("traffic_source"), samples),
        observance=rng.normal(0.0, spread("observance"), samples),
        unmuffled_factor=np.exp(rng.normal(0.0, spread("unmuffled_share_factor"), samples)),
        emergency_factor=np.exp(later.normal(0.0, spread("emergency_use_factor"), samples)),
        duty_factor=np.exp(later.normal(0.0, spread("duty_factor"), samples)),
        background=later.standard_normal(samples),
        home=rng.standard_normal((samples, homes)),
        after_treatment_factor=with_filter,
        muffled_factor=muffled,
    )


def certain(samples: int, homes: int) -> Draws:
    """Draws in which everything stands at its best figure."""
    zero, one = np.zeros(samples), np.ones(samples)
    return Draws(
        exhaust={state: zero for state in EXHAUST_STATES},
        silent=zero,
        traffic=zero,
        observance=zero,
        unmuffled_factor=one,
        emergency_factor=one,
        duty_factor=one,
        background=zero,
        home=np.zeros((samples, homes)),
        after_treatment_factor=one,
        muffled_factor=one,
    )


def interval(best: float, samples: FloatArray) -> Interval:
    """A figure with the 5th and 95th percentile of its samples, as they are."""
    low, high = np.percentile(samples, [LOW_PER_CENT, HIGH_PER_CENT])
    return Interval(best, float(low), float(high))


@dataclass(frozen=True)
class ZonePasses:
    """The passes that a zone binds, at each receiver, over (receiver, class)."""

    free: FloatArray  # maxima with the retarder [dB]
    free_exhaust: FloatArray  # share of the exhaust in them [1]
    silent: FloatArray  # maxima with the retarder silent in the zone [dB]
    silent_exhaust: FloatArray
    counts: FloatArray  # (class,) bound passes a night within the zone's hours [1]
    exhaust: Sequence[ExhaustState]  # (class,)


def people_passes_spared(
    passes: ZonePasses,
    people: FloatArray,
    home: npt.NDArray[np.int64],
    home_sigma: FloatArray,
    silent_share: FloatArray,
    level: float,
    draws: Draws,
) -> FloatArray:
    """Samples of people times passes a night above a level that a zone spares [1].

    The exhaust's part of a maximum moves with the error of its exhaust state, the
    rest with the error of running noise, so that where a zone changes nothing no
    draw makes it change something.  `silent_share` is that of the bound passes in each
    sample.  `people` stands at each receiver, `home`
    names its home, `home_sigma` is the error of each home's level [dB].
    """
    fleet = spread("fleet_spread")
    gain = np.stack([to_energy(draws.exhaust[state]) for state in passes.exhaust], axis=1)
    factor = np.stack([draws.number(state) for state in passes.exhaust], axis=1)
    differs = (passes.free > passes.silent + _SAME_DB).any(axis=1)
    kept = np.flatnonzero((people > 0.0) & differs)
    out = np.zeros(draws.samples)
    _spared(
        passes.free[kept],
        passes.free_exhaust[kept],
        passes.silent[kept],
        passes.silent_exhaust[kept],
        people[kept],
        home[kept],
        draws.home * home_sigma,
        gain,
        to_energy(draws.silent),
        factor * passes.counts,
        level + 0.05 * np.log(10.0) * fleet**2,
        fleet,
        normal_table(),
        out,
    )
    return out * silent_share


@compiled_parallel
def _spared(
    free: Array,
    free_exhaust: Array,
    silent: Array,
    silent_exhaust: Array,
    people: Array,
    home: Array,
    home_error: Array,
    gain: Array,
    silent_gain: Array,
    counts: Array,
    level: float,
    fleet: float,
    table: Array,
    out: Array,
) -> None:
    for sample in prange(len(out)):
        rest = silent_gain[sample]
        total = 0.0
        for r in range(len(people)):
            error = home_error[sample, home[r]] - level
            passes = 0.0
            for c in range(free.shape[1]):
                if not free[r, c] > silent[r, c]:
                    continue
                w, q = free_exhaust[r, c], silent_exhaust[r, c]
                loud = free[r, c] + 10.0 * np.log10(w * gain[sample, c] + (1.0 - w) * rest)
                quiet = silent[r, c] + 10.0 * np.log10(q * gain[sample, c] + (1.0 - q) * rest)
                if quiet < loud:
                    passes += counts[sample, c] * (
                        exceeds(loud + error, fleet, table) - exceeds(quiet + error, fleet, table)
                    )
            total += people[r] * passes
        out[sample] = total


@compiled
def exceeds(excess: float, fleet: float, table: Array) -> float:
    """Share of the passes over a level by the excess of their mean, from `normal_table` [1]."""
    place = (excess / fleet + 6.0) * 50.0
    if place <= 0.0:
        return 0.0
    if place >= 600.0:
        return 1.0
    i = int(place)
    return float(table[i] + (table[i + 1] - table[i]) * (place - i))


def normal_table() -> FloatArray:
    """Normal distribution function from -6 to 6 in steps of 0.02."""
    from scipy.special import ndtr

    return np.asarray(ndtr(np.arange(-_TABLE_END, _TABLE_END + 2 * _TABLE_STEP, _TABLE_STEP)))


def people_over(
    levels: FloatArray,
    exhaust: FloatArray,
    limit: float,
    people: FloatArray,
    home: npt.NDArray[np.int64],
    home_sigma: FloatArray,
    draws: Draws,
    background: FloatArray | None = None,
    background_sigma: float = 0.0,
) -> FloatArray:
    """Samples of the people at or over a limit [1].

    `exhaust` is the share of each exhaust state in the energy behind each level
    (receiver, state); it moves with its state's error, the rest with the traffic's, and
    the share of the background (receiver,) with its own, `background_sigma` [dB].
    """
    kept = np.flatnonzero(people > 0.0)
    gain = np.stack([to_energy(draws.exhaust[state]) for state in EXHAUST_STATES], axis=1)
    out = np.zeros(draws.samples)
    for first in range(0, len(kept), BLOCK):
        rows = kept[first : first + BLOCK]
        share = exhaust[rows]
        there = np.zeros(len(rows)) if background is None else background[rows]
        energy = gain @ share.T + to_energy(background_sigma * draws.background)[:, None] * there
        traffic = np.maximum(1.0 - share.sum(axis=1) - there, 0.0)
        energy += to_energy(draws.traffic)[:, None] * traffic
        error = 10.0 * np.log10(energy) + (draws.home * home_sigma)[:, home[rows]]
        out += (levels[rows] + error >= limit) @ people[rows]
    return out
