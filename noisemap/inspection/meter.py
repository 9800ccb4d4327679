"""A sound level meter in software: A, C and Z weighting, fast and slow, all streaming.

The high-pass poles of the weightings are small against the sampling rate and
take the bilinear transform.  The pair at 12.2 kHz is not: transformed alone it
reads 0.5 dB low at 8 kHz and 48 kHz sampling, and worse above.  Its magnitude
is smooth, so a short symmetric filter takes it, and with it what little the
other poles are off.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import signal

from noisemap.data_tables import toml_table

FloatArray = npt.NDArray[np.float64]
Weighting = Literal["A", "C", "Z"]
Speed = Literal["fast", "slow"]

REFERENCE_PA = 2e-5
TAPS = 127
"""Length of the symmetric filter; it delays by half of it."""

_GRID = 1025


def weighting_db(frequency: npt.ArrayLike, weighting: Weighting) -> FloatArray:
    """Frequency weighting by the standard's formula (IEC 61672-1, annex E) [dB].

    >>> [round(float(v), 1) for v in weighting_db([63.0957, 1000.0, 7943.28], "A")]
    [-26.2, 0.0, -1.1]
    """
    shown = np.asarray(frequency, dtype=float)
    with np.errstate(divide="ignore"):
        level: FloatArray = 20.0 * np.log10(
            _analogue(shown, weighting) / _analogue(np.array(1000.0), weighting)
        )
    return level


def _pole(number: int) -> float:
    return float(toml_table("noisemap.inspection", "meter.toml")[f"pole_{number}_hz"]["value"])


def _low_poles(weighting: Weighting) -> tuple[float, ...]:
    """Poles below 1 kHz; the weighting has as many zeros at 0 Hz."""
    if weighting == "A":
        return (_pole(1), _pole(1), _pole(2), _pole(3))
    return (_pole(1), _pole(1)) if weighting == "C" else ()


def _analogue(frequency: FloatArray, weighting: Weighting) -> FloatArray:
    if weighting == "Z":
        return np.ones_like(frequency)
    size = 1.0 / (1.0 + (frequency / _pole(4)) ** 2)
    for pole in _low_poles(weighting):
        size = size * frequency / np.hypot(frequency, pole)
    return np.asarray(size)


class WeightingFilter:
    """Frequency weighting of a stream of blocks; exact at 1 kHz."""

    def __init__(self, weighting: Weighting, rate_hz: float) -> None:
        self.weighting = weighting
        poles = [-2.0 * np.pi * pole for pole in _low_poles(weighting)]
        self._sections = signal.zpk2sos(
            *signal.bilinear_zpk([0.0] * len(poles), poles, 1.0, rate_hz)
        )
        self._taps = self._symmetric(rate_hz)
        self._taps /= abs(self.response(np.array([1000.0]), rate_hz)[0])
        self._section_state = np.zeros((len(self._sections), 2))
        self._tap_state = np.zeros(TAPS - 1)

    def _symmetric(self, rate_hz: float) -> FloatArray:
        grid = np.linspace(0.0, rate_hz / 2.0, _GRID)
        wanted = _analogue(grid, self.weighting) / _analogue(np.array(1000.0), self.weighting)
        _, given = signal.sosfreqz(self._sections, grid, fs=rate_hz)
        ratio = np.ones(_GRID)
        high = grid > 300.0  # below, the low poles are exact and the ratio is flat
        ratio[high] = wanted[high] / np.abs(given[high])
        ratio[~high] = ratio[high][0]
        return np.asarray(signal.firwin2(TAPS, grid, ratio, fs=rate_hz))

    def response(self, frequency: FloatArray, rate_hz: float) -> npt.NDArray[np.complex128]:
        """Complex response of the whole filter."""
        _, low = signal.sosfreqz(self._sections, frequency, fs=rate_hz)
        _, high = signal.freqz(self._taps, 1.0, frequency, fs=rate_hz)
        return np.asarray(low * high)

    def __call__(self, block: FloatArray) -> FloatArray:
        """Weighted block; the state carries over to the next."""
        if self.weighting == "Z":
            return block
        out, self._section_state = signal.sosfilt(self._sections, block, zi=self._section_state)
        out, self._tap_state = signal.lfilter(self._taps, [1.0], out, zi=self._tap_state)
        return np.asarray(out)


class TimeWeighting:
    """Exponential averaging of a squared signal, fast or slow (IEC 61672-1, 5.8)."""

    def __init__(self, speed: Speed, rate_hz: float) -> None:
        constant = float(toml_table("noisemap.inspection", "meter.toml")[f"{speed}_s"]["value"])
        self._share = 1.0 - np.exp(-1.0 / (constant * rate_hz))
        self._state = np.zeros(1)

    def __call__(self, squared: FloatArray) -> FloatArray:
        """Averaged block; the state carries over to the next."""
        out, self._state = signal.lfilter(
            [self._share], [1.0, self._share - 1.0], squared, zi=self._state
        )
        return np.asarray(out)


def slow_levels(mean_square: FloatArray, step_s: float) -> FloatArray:
    """Slow level at the end of each step, from mean squares of steps short against a second [dB].

    >>> round(float(slow_levels(np.ones(100), 0.01)[-1]), 2)  # 10 lg(1 - 1/e) below 93.98
    91.99
    """
    return level_db(TimeWeighting("slow", 1.0 / step_s)(mean_square))


def level_db(squared_pa: npt.ArrayLike) -> FloatArray:
    """Level of a mean square pressure re 20 µPa [dB]; silence is minus infinity.

    >>> round(float(level_db(1.0)), 2)
    93.98
    """
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(squared_pa, dtype=float) / REFERENCE_PA**2))
