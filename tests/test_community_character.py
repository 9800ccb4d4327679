"""Adjustments for the character of a sound: steps as printed, recalled formulas read right."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from noisemap.community.character import (
    character_adjustment,
    class_adjustment,
    difference_adjustment,
    onset_adjustment,
    onset_prominence,
    prominent_tone,
    tonal_adjustment,
    tone_excess,
    tone_margin,
)
from noisemap.community.impulse import impulse_weighted, onsets
from noisemap.errors import OutOfDomainError
from noisemap.source.radiation import NOMINAL_THIRDS, c_weighting

HZ = np.array([float(name) for name in NOMINAL_THIRDS])


def spectrum(place: int, excess: float) -> np.ndarray:
    level = np.full(HZ.size, 50.0)
    level[place] += excess
    return level


@pytest.mark.parametrize(
    ("difference", "adjustment"), [(0, 0), (10, 0), (10.01, 3), (15, 3), (15.01, 6), (40, 6)]
)
def test_steps_of_impulses_and_low_frequencies(difference, adjustment):
    # FOUND (rd1367-2007): up to 10 dB nothing, up to 15 dB 3, above 6
    assert difference_adjustment(60.0 + difference, 60.0) == adjustment


def test_tones_of_many_spectra_are_told_one_by_one():
    margin = [[0.0, 16.0, 0.0], [0.0, 14.0, 0.0], [np.nan, np.nan, 15.0], [7.0, 7.0, 7.0]]
    assert prominent_tone(margin, [80.0, 100.0, 125.0]).tolist() == [True, False, True, False]


@pytest.mark.parametrize("step_s", [0.0, -0.01])
def test_a_course_without_a_step_is_refused(step_s):
    with pytest.raises(OutOfDomainError):
        impulse_weighted(np.ones(5), step_s)
    with pytest.raises(OutOfDomainError):
        onsets(np.ones(5), step_s)


@pytest.mark.parametrize(
    ("hz", "low", "high"),
    [(31.5, 8, 12), (125, 8, 12), (160, 5, 8), (400, 5, 8), (500, 3, 5), (8000, 3, 5)],
)
def test_steps_of_tones_by_range(hz, low, high):
    # FOUND (rd1367-2007): 8/12 to 125 Hz, 5/8 from 160 to 400 Hz, 3/5 from 500 Hz
    place = int(np.flatnonzero(hz == HZ)[0])
    for excess, adjustment in ((low - 0.1, 0), (low, 3), (high, 3), (high + 0.1, 6)):
        assert tonal_adjustment(tone_excess(spectrum(place, excess)), HZ) == adjustment


def test_the_sum_is_capped():
    # FOUND (rd1367-2007): capped at 9 dB
    assert character_adjustment([0, 3, 6, 6], [3, 3, 3, 6], [0, 3, 0, 6]).tolist() == [3, 9, 9, 9]


def test_the_excess_is_over_both_neighbours_and_knows_no_silent_one():
    assert tone_excess([40.0, 60.0, 50.0])[1] == 15.0
    assert np.isnan(tone_excess([-np.inf, 60.0, 50.0])).all()
    assert tonal_adjustment(tone_excess([-np.inf, 60.0, -np.inf]), HZ[:3]) == 0.0


@given(st.lists(st.floats(20.0, 100.0), min_size=27, max_size=27), st.floats(-40.0, 40.0))
def test_tones_do_not_depend_on_the_level(level, shift):
    moved = tone_excess(np.array(level) + shift)
    np.testing.assert_allclose(moved, tone_excess(level), atol=1e-9)


def test_the_onset_formula_is_read_right():
    # MEMORY-H (nt-acou-112); DERIVED: 100 dB/s and 20 dB give P 8.60 and 6.48 dB
    prominence = onset_prominence(100.0, 20.0)
    assert prominence == pytest.approx(8.60206, abs=1e-5)
    assert onset_adjustment(prominence) == pytest.approx(6.48, abs=0.005)
    # FOUND: the adjustment lies between 0.0 and 9.0 dB
    assert onset_adjustment([2.0, 5.0, 30.0]).tolist() == [0.0, 0.0, 9.0]


def test_classes_of_sound():
    # MEMORY-H (iso1996-1): regular impulsive 5 dB, prominent tones 3 to 6 dB
    assert class_adjustment(False, False) == (0.0, 0.0)
    assert class_adjustment(True, True) == (8.0, 11.0)
    assert prominent_tone(tone_margin(spectrum(12, 8.0)), HZ)  # 400 Hz, MEMORY-H: 8 dB
    assert not prominent_tone(tone_margin(spectrum(12, 7.9)), HZ)
    assert not prominent_tone(tone_margin(spectrum(6, 14.9)), HZ)  # 100 Hz, MEMORY-H: 15 dB


@pytest.mark.parametrize("milliseconds", [100, 20, 5, 2])
def test_impulse_weighting_of_bursts(milliseconds):
    # COMPUTED: 10 lg(1 - e^(-T / 35 ms))
    step = 1e-4
    burst = np.zeros(20_000)
    burst[: round(milliseconds / 1000 / step)] = 1.0
    found = 10.0 * np.log10(impulse_weighted(burst, step).max())
    assert found == pytest.approx(10.0 * np.log10(1.0 - np.exp(-milliseconds / 35.0)), abs=0.01)


def test_impulse_weighting_falls_slowly_and_holds_a_steady_sound():
    step = 0.001
    square = np.r_[np.ones(500), np.zeros(2000)]
    level = 10.0 * np.log10(impulse_weighted(square, step))
    # COMPUTED: 10 lg e / 1.5 s = 2.9 dB/s
    assert level[500] - level[1500] == pytest.approx(10.0 * np.log10(np.e) / 1.5, abs=0.01)
    assert level[499] == pytest.approx(0.0, abs=1e-5)


@given(st.lists(st.floats(0.0, 1e6), min_size=1, max_size=200))
def test_impulse_weighting_is_never_below_its_own_rise(square):
    share = -np.expm1(-0.001 / 0.035)
    mean, rise = 0.0, []
    for value in square:
        mean += share * (value - mean)
        rise.append(mean)
    assert np.all(impulse_weighted(square, 0.001) >= np.array(rise) * (1.0 - 1e-9))


def test_onsets_are_the_steep_rises_only():
    slow = np.linspace(50.0, 55.0, 101)  # 5 dB/s in steps of 10 ms
    fast = np.linspace(55.0, 75.0, 21)[1:]  # 100 dB/s
    found = onsets(np.r_[slow, fast, np.full(50, 75.0)], 0.01)
    np.testing.assert_allclose(found, [[100.0, 20.0]], rtol=1e-9)
    assert onsets(slow, 0.01).shape == (0, 2)


def test_c_weighting():
    # FOUND-2nd (iec61672-1, table 3): -3.0 dB at 31.5 Hz and 8 kHz, -0.8 at 63 Hz and 4 kHz
    found = c_weighting([31.6228, 63.0957, 1000.0, 3981.07, 7943.28])
    np.testing.assert_allclose(found, [-3.0, -0.8, 0.0, -0.8, -3.0], atol=0.05)


@pytest.mark.parametrize(
    "call",
    [
        lambda: difference_adjustment(np.nan, 60.0),
        lambda: tone_excess([1.0, 2.0]),
        lambda: tonal_adjustment([1.0, 2.0, 3.0], [8000.0, 10_000.0, 12_500.0]),
        lambda: onset_prominence(0.0, 10.0),
        lambda: onsets([1.0, np.inf], 0.1),
        lambda: impulse_weighted([-1.0], 0.001),
        lambda: impulse_weighted([1.0], 0.02),
    ],
)
def test_what_cannot_be_is_refused(call):
    with pytest.raises(OutOfDomainError, match="allowed"):
        call()
