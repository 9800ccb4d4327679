"""Intervals of the people whom many zones on one road make quieter, from the same draws."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from noisemap.exposure.relief import by_state
from noisemap.exposure.uncertainty import HIGH_PER_CENT, LOW_PER_CENT
from noisemap.levels import to_energy
from noisemap.states import EXHAUST_STATES
from noisemap.zones.weigh import HELPED_DB, Base

FloatArray = npt.NDArray[np.float64]

GONE = 1.0 - 10.0 ** (-HELPED_DB / 10.0)
"""Share of a night's energy that has to go for a fall by that much [1]."""


class PeopleQuieter:
    """Samples of the people whose night level falls far enough, gathered receiver by receiver.

    A fall by that much is a share of the energy, so that every sample is a product of
    energies by exhaust state; the figures are those of `people_relief` zone by zone.
    """

    def __init__(self, base: Base, intervals: int, rules: int, silent_share: FloatArray) -> None:
        self.base = base
        draws = base.draws
        gain = np.stack([to_energy(draws.exhaust[state]) for state in EXHAUST_STATES], axis=1)
        self._number = np.stack([draws.number(state) for state in EXHAUST_STATES], axis=1)
        self._weight = gain * self._number * draws.duty_factor[:, None]
        self._obeying = self._weight * silent_share[:, None]
        self._helped = np.zeros((draws.samples, intervals, rules))

    def add(self, part: slice, spared: FloatArray) -> None:
        """Take in some receivers; `spared` is the exposure that obedience takes from them a night.

        Over (receiver, interval, rule, state) [s].
        """
        base = self.base
        place = np.flatnonzero(base.people[part] > 0.0)
        receivers = place + part.start
        people, spared = base.people[receivers], spared[place]
        exhaust, running = self._night(receivers)
        need = GONE * (self._weight @ exhaust.T)
        need += GONE * to_energy(base.draws.silent)[:, None] * (self._number @ running.T)
        for k in range(spared.shape[1]):
            for v in range(spared.shape[2]):
                one = spared[:, k, v]
                near = ((one > 0.0) & (one >= GONE * exhaust)).any(axis=1)
                if near.any():
                    gone = self._obeying @ one[near].T
                    self._helped[:, k, v] += (gone >= need[:, near]) @ people[near]

    def limits(self) -> FloatArray:
        """5th and 95th percentile over (interval, rule, 2) [people]."""
        found = np.percentile(self._helped, [LOW_PER_CENT, HIGH_PER_CENT], axis=0)
        return np.asarray(np.moveaxis(found, 0, -1))

    def _night(self, receivers: npt.NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
        """Exposure of exhausts and of the rest of braking trucks a night, by state [s]."""
        base, night = self.base, sorted(self.base.periods.night)
        states = [one.exhaust_state for one in base.classes]
        counts = np.array([one.per_hour[night].sum() for one in base.classes])
        running = base.passes.running_energy[receivers].astype(float)
        exhaust = base.passes.energy[receivers].astype(float) - running
        return by_state(exhaust, counts, states, 1.0), by_state(running, counts, states, 1.0)


def counts_by_state(counts: FloatArray, states: Sequence[str]) -> FloatArray:
    """Counts (rule, class) taken apart by exhaust state, over (rule times state, class).

    >>> counts_by_state(np.array([[2.0, 3.0]]), ["straight", "muffled"]).sum(axis=0)
    array([2., 3.])
    """
    of_state = np.array([[one == state for one in states] for state in EXHAUST_STATES])
    return np.asarray((counts[:, None, :] * of_state[None]).reshape(-1, counts.shape[1]))
