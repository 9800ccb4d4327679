"""The sound level meter against the printed tables: weightings, time constants, bursts, bands."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from noisemap.inspection.band_filters import (
    band_edges,
    band_filter,
    band_means,
    exact_mid_band,
    halvings,
)
from noisemap.inspection.meter import TimeWeighting, WeightingFilter, level_db, weighting_db

FloatArray = npt.NDArray[np.float64]

# IEC 61672-1:2013, Table 3 as restated (FOUND-2nd): octave values and class 1 limits.
A_OCTAVES = (-26.2, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1)
CLASS_1 = {
    31.5: (1.5, 1.5), 63.0: (1.0, 1.0), 125.0: (1.0, 1.0), 250.0: (1.0, 1.0), 500.0: (1.0, 1.0),
    1000.0: (0.7, 0.7), 2000.0: (1.0, 1.0), 4000.0: (1.0, 1.0), 5000.0: (1.5, 1.5),
    6300.0: (1.5, 2.0), 8000.0: (1.5, 2.5), 10000.0: (2.0, 3.0), 12500.0: (2.0, 5.0),
}  # fmt: skip
# Fast burst response re the steady level, 4 kHz (FOUND-2nd); slow COMPUTED by the same law.
FAST = {1000: 0.0, 500: -0.1, 200: -1.0, 100: -2.6, 50: -4.8, 20: -8.3, 10: -11.1, 5: -14.1,
        2: -18.0, 1: -21.0}  # fmt: skip
SLOW = {1000: -2.0, 500: -4.1, 200: -7.4, 100: -10.2, 50: -13.1, 20: -17.0, 10: -20.0, 5: -23.0,
        2: -27.0}  # fmt: skip
SEL = {1000: 0, 500: -3, 200: -7, 100: -10, 50: -13, 20: -17, 10: -20}


def exact(nominal: float) -> float:
    return float(1000.0 * 10.0 ** (np.round(10.0 * np.log10(nominal / 1000.0)) / 10.0))


def test_a_weighting_formula_meets_the_printed_table() -> None:
    shown = weighting_db([exact_mid_band(k, 1) for k in range(-4, 4)], "A")
    assert np.abs(shown - A_OCTAVES).max() <= 0.05


def test_weightings_agree_with_an_independent_library() -> None:
    from acoustics.standards import iec_61672_1_2013 as iec

    f = 1000.0 * 10.0 ** (np.arange(-17, 14) / 10.0)
    for weighting, oracle in (
        ("A", iec.weighting_function_a),
        ("C", iec.weighting_function_c),
    ):
        shown = weighting_db(f, weighting) - weighting_db([1000.0], weighting)  # type: ignore[arg-type]
        expected = oracle(f) - oracle(np.array([1000.0]))
        assert np.abs(shown - expected).max() < 0.005  # it rounds the poles to 0.1 Hz


@pytest.mark.parametrize("rate", [32_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("weighting", ["A", "C", "Z"])
def test_digital_weighting_is_class_1_and_far_within(rate: int, weighting: str) -> None:
    frequencies = np.array([exact(f) for f in CLASS_1 if exact(f) < 0.45 * rate])
    filtered = WeightingFilter(weighting, rate)  # type: ignore[arg-type]
    t = np.arange(rate) / rate
    for frequency in frequencies:
        tone = np.sin(2 * np.pi * frequency * t)
        kept = filtered(tone)[rate // 2 :]
        gain = 10 * np.log10(np.mean(kept**2) / np.mean(tone[rate // 2 :] ** 2))
        wanted = weighting_db([frequency], weighting)[0]  # type: ignore[arg-type]
        assert abs(gain - wanted) < 0.05, frequency


def test_weighting_in_blocks_is_the_same_as_whole() -> None:
    sound = np.random.default_rng(1).standard_normal(48_000)
    whole = WeightingFilter("A", 48_000)(sound)
    streamed = WeightingFilter("A", 48_000)
    parts = np.concatenate([streamed(part) for part in np.array_split(sound, 7)])
    assert np.abs(parts - whole).max() < 1e-12


def burst(milliseconds: int, rate: int = 48_000) -> FloatArray:
    sound = np.zeros(3 * rate)
    count = round(rate * milliseconds / 1000)
    sound[1000 : 1000 + count] = np.sqrt(2) * np.sin(2 * np.pi * 4000 * np.arange(count) / rate)
    return sound


@pytest.mark.parametrize(("milliseconds", "expected"), FAST.items())
def test_fast_tone_bursts(milliseconds: int, expected: float) -> None:
    shown = 10 * np.log10(TimeWeighting("fast", 48_000)(burst(milliseconds) ** 2).max())
    law = 10 * np.log10(1 - np.exp(-milliseconds / 125.0))
    assert shown == pytest.approx(expected, abs=0.06)  # 0.05 for the printed digit, 0.01 own
    assert shown == pytest.approx(law, abs=0.03)


@pytest.mark.parametrize(("milliseconds", "expected"), SLOW.items())
def test_slow_tone_bursts(milliseconds: int, expected: float) -> None:
    shown = 10 * np.log10(TimeWeighting("slow", 48_000)(burst(milliseconds) ** 2).max())
    assert shown == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize(("milliseconds", "expected"), SEL.items())
def test_exposure_of_bursts(milliseconds: int, expected: float) -> None:
    energy = (burst(milliseconds) ** 2).sum() / 48_000
    assert 10 * np.log10(energy) == pytest.approx(expected, abs=0.05)  # printed to whole dB
    assert 10 * np.log10(energy) == pytest.approx(10 * np.log10(milliseconds / 1000), abs=0.01)


@pytest.mark.parametrize(
    ("speed", "rate_db_s", "low", "high"), [("fast", 34.7, 31.0, 38.5), ("slow", 4.3, 3.6, 5.1)]
)
def test_decay(speed: str, rate_db_s: float, low: float, high: float) -> None:
    weigh = TimeWeighting(speed, 8_000)  # type: ignore[arg-type]
    weigh(np.ones(80_000))
    after = 10 * np.log10(weigh(np.zeros(8_000)))
    slope = (after[0] - after[4_000]) / 0.5
    assert low < slope < high
    assert slope == pytest.approx(rate_db_s, abs=0.05)


def test_us_rule_burst() -> None:
    """40 CFR 205.54-2: a 1 kHz burst of 0.2 s reads 0 to 2 dB under the steady level."""
    rate = 48_000
    sound = np.zeros(rate)
    count = rate // 5
    sound[:count] = np.sqrt(2) * np.sin(2 * np.pi * 1000 * np.arange(count) / rate)
    assert -2.0 <= 10 * np.log10(TimeWeighting("fast", rate)(sound**2).max()) <= 0.0


# IEC 61260-1 class 1, octaves, attenuation at a distance of G^x (FOUND-2nd): least, most.
OCTAVE_MASK = {
    0.0: (-0.4, 0.4), 0.125: (-0.4, 0.5), 0.25: (-0.4, 0.7), 0.375: (-0.4, 1.4),
    0.4999: (-0.4, 5.3), 0.5001: (1.2, np.inf), 1.0: (16.6, np.inf), 2.0: (40.5, np.inf),
    3.0: (60.0, np.inf), 4.0: (70.0, np.inf),
}  # fmt: skip


@pytest.mark.parametrize("rate", [32_000, 44_100, 48_000])
@pytest.mark.parametrize("index", range(-5, 4))
def test_octave_filters_are_class_1(rate: int, index: int) -> None:
    from scipy import signal

    mid = exact_mid_band(index, 1)
    if band_edges(mid, 1)[1] >= 0.45 * rate:
        pytest.skip("the rate does not carry the band")
    own_rate = rate / 2 ** halvings(mid, 1, rate)
    sections = band_filter(mid, 1, own_rate)
    for x, (least, most) in OCTAVE_MASK.items():
        for sign in (-1, 1):
            frequency = mid * 10 ** (0.3 * sign * x)
            if frequency >= 0.499 * own_rate:
                continue
            _, response = signal.sosfreqz(sections, [frequency], fs=own_rate)
            attenuation = -20 * np.log10(max(abs(response[0]), 1e-12))
            assert least <= attenuation <= most, (x, sign)


@pytest.mark.parametrize("fraction", [1, 3])
def test_effective_bandwidth(fraction: int) -> None:
    """Class 1: within 0.4 dB of the ideal band."""
    from scipy import signal

    for index in range(-5 * fraction, 3 * fraction + 1):
        mid = exact_mid_band(index, fraction)  # type: ignore[arg-type]
        rate = 48_000 / 2 ** halvings(mid, fraction, 48_000)  # type: ignore[arg-type]
        f = np.linspace(rate / 2e5, rate / 2, 100_000, endpoint=False)
        _, response = signal.sosfreqz(band_filter(mid, fraction, rate), f, fs=rate)  # type: ignore[arg-type]
        low, high = band_edges(mid, fraction)  # type: ignore[arg-type]
        width = np.sum(np.abs(response) ** 2) * (f[1] - f[0])
        assert abs(10 * np.log10(width / (high - low))) < 0.4


@pytest.mark.parametrize("rate", [32_000, 48_000])
def test_a_tone_reads_in_its_third_and_noise_adds_up(rate: int) -> None:
    rng = np.random.default_rng(2)
    t = np.arange(6 * rate) / rate
    for nominal in (31.5, 63.0, 250.0, 1000.0, 4000.0):
        means = band_means(np.sqrt(2) * np.sin(2 * np.pi * exact(nominal) * t), rate, 3)
        assert level_db(means[nominal]) == pytest.approx(93.98, abs=0.15)
        others = [value for band, value in means.items() if band not in (nominal,)]
        assert max(others) < 0.02
    sound = rng.standard_normal(8 * rate)
    means = band_means(sound, rate, 3)
    share = sum(means.values()) / (band_edges(exact(max(means)), 3)[1] / (rate / 2))
    assert 10 * np.log10(share) == pytest.approx(0.0, abs=0.25)
