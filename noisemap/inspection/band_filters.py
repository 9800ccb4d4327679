"""Octave and third-octave filters of our own: Butterworth, causal, at a fitting rate.

Exact mid-bands to base ten (IEC 61260-1).  A band is filtered at the lowest
rate, halved from the recording's, at which it lies well below half that rate.
"""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import signal

FloatArray = npt.NDArray[np.float64]
Fraction = Literal[1, 3]

ORDER = 4
HIGHEST_SHARE = 0.18
"""Upper band edge, as a share of the rate, above which the rate is not halved again."""

NOMINAL_THIRDS_HZ: tuple[float, ...] = (
    25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000,
    1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000,
)  # fmt: skip
"""Names of the thirds from 25 Hz to 10 kHz [Hz]."""


def exact_mid_band(index: int, fraction: Fraction) -> float:
    """Exact mid-band frequency, 1 kHz at index 0 (IEC 61260-1, 5.4) [Hz].

    >>> round(exact_mid_band(-4, 1), 3), round(exact_mid_band(3, 1), 2), round(exact_mid_band(9, 3))
    (63.096, 7943.28, 7943)
    """
    return float(1000.0 * 10.0 ** (0.3 * index / fraction))


def band_edges(mid_band: float, fraction: Fraction) -> tuple[float, float]:
    """Lower and upper edge of a band (IEC 61260-1, 5.9) [Hz].

    >>> [round(v, 1) for v in band_edges(1000.0, 1)]
    [707.9, 1412.5]
    """
    half = 10.0 ** (0.15 / fraction)
    return mid_band / half, mid_band * half


def band_filter(mid_band: float, fraction: Fraction, rate_hz: float) -> FloatArray:
    """Second-order sections of one band at the given rate.

    >>> band_filter(1000.0, 3, 8000.0).shape
    (4, 6)
    """
    edges = band_edges(mid_band, fraction)
    if edges[1] >= 0.48 * rate_hz:
        raise ValueError(f"the band at {mid_band:g} Hz does not fit {rate_hz:g} samples a second")
    return np.asarray(signal.butter(ORDER, edges, "bandpass", output="sos", fs=rate_hz))


_kept_filter = cache(band_filter)


def halvings(mid_band: float, fraction: Fraction, rate_hz: float) -> int:
    """How often the rate is halved before the band is filtered.

    >>> halvings(1000.0, 3, 48000.0), halvings(8000.0, 3, 48000.0)
    (2, 0)
    """
    upper, times = band_edges(mid_band, fraction)[1], 0
    while upper <= HIGHEST_SHARE * rate_hz / 2.0:
        rate_hz, times = rate_hz / 2.0, times + 1
    return times


def band_means(sound: FloatArray, rate_hz: float, fraction: Fraction) -> dict[float, float]:
    """Mean square of a sound in every band from 25 Hz to 10 kHz that its rate carries.

    Thirds are keyed by nominal mid-band [Hz], octaves by the rounded exact one.
    """
    indices = range(-16, 11) if fraction == 3 else range(-5, 4)
    at_rate, means = {0: sound}, {}
    for index in reversed(indices):
        mid_band = exact_mid_band(index, fraction)
        if band_edges(mid_band, fraction)[1] >= 0.45 * rate_hz:
            continue
        times = halvings(mid_band, fraction, rate_hz)
        while times not in at_rate:
            last = max(at_rate)
            at_rate[last + 1] = signal.decimate(at_rate[last], 2, ftype="fir", zero_phase=True)
        sections = _kept_filter(mid_band, fraction, rate_hz / 2**times)
        filtered = signal.sosfilt(sections, at_rate[times])
        name = NOMINAL_THIRDS_HZ[index + 16] if fraction == 3 else round(mid_band, 1)
        means[name] = float(np.mean(filtered**2))
    return dict(sorted(means.items()))
