"""Closed forms of a pass, and the fast weighting, to the printed digits."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.signal import lfilter

from noisemap.errors import OutOfDomainError
from noisemap.source.pass_by import (
    FAST_S,
    SLOW_S,
    exact_correction,
    exposure_level,
    exposure_minus_maximum,
    maximum_level,
    time_weighting_correction,
)

VERIFICATION = Path(__file__).parent / "verification" / "source"


def rows(name: str) -> list[dict[str, str]]:
    with (VERIFICATION / name).open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("row", rows("pass_by.csv"))
def test_closed_forms_to_the_printed_digits(row):
    # COMPUTED by an independent derivation
    l_w, speed, distance = (float(row[name]) for name in ("l_w_db", "speed_ms", "distance_m"))
    found = [
        exposure_level(l_w, distance, speed),
        maximum_level(l_w, distance),
        exposure_minus_maximum(distance, speed),
    ]
    expected = [float(row[name]) for name in ("exposure_db", "maximum_db", "difference_db")]
    np.testing.assert_allclose(found, expected, atol=0.00051)


def test_exposure_is_the_integral_over_time():
    # the integral over +-200 d/v stays 0.0138 dB below the endless line
    distance, speed = 15.0, 20.0
    end = 200.0 * distance / speed
    integral = quad(
        lambda t: 1e11 / (4 * np.pi * (distance**2 + (speed * t) ** 2)), -end, end, limit=500
    )[0]
    gap = exposure_level(110.0, distance, speed) - 10 * np.log10(integral)
    assert gap == pytest.approx(-10 * np.log10(1 - 2 / (200 * np.pi)), abs=1e-4)
    assert gap == pytest.approx(0.0138, abs=0.0001)


def test_hard_ground_adds_three_decibels_to_both():
    three = 10 * np.log10(2.0)
    hard = exposure_level(110.0, 15.0, 20.0, "hard_ground") - exposure_level(110.0, 15.0, 20.0)
    assert hard == pytest.approx(three, abs=1e-12)
    hard = maximum_level(110.0, 15.0, "hard_ground") - maximum_level(110.0, 15.0)
    assert hard == pytest.approx(three, abs=1e-12)


@pytest.mark.parametrize("row", rows("time_weighting.csv"))
def test_time_weighting_to_the_printed_digits(row):
    # COMPUTED by an independent script
    s = float(row["s"])
    distance, speed = 10.0, s * 10.0 / FAST_S
    correction = time_weighting_correction(distance, speed)
    assert correction == pytest.approx(float(row["correction_db"]), abs=0.00051)
    exact, delay = exact_correction(np.array([s]))
    assert exact[0] == pytest.approx(float(row["correction_db"]), abs=0.00051)
    assert delay[0] == pytest.approx(float(row["delay"]), abs=0.001)


def test_fast_and_slow_at_twenty_metres_a_second():
    # COMPUTED: F -0.103 dB, S -1.739 dB at 15 m
    assert time_weighting_correction(15.0, 20.0, FAST_S) == pytest.approx(-0.103, abs=0.00051)
    assert time_weighting_correction(15.0, 20.0, SLOW_S) == pytest.approx(-1.739, abs=0.00051)


@pytest.mark.parametrize("s", [0.1, 1.0, 8.0, 40.0])
def test_time_weighting_agrees_with_a_filter_in_the_time_domain(s):
    step = min(s, 1.0) / 2000.0
    u = np.arange(-300.0, 60.0, step)
    a = 1.0 - np.exp(-step / s)
    weighted = lfilter([a], [1.0, a - 1.0], 1.0 / (1.0 + u**2))
    correction = time_weighting_correction(1.0, s / FAST_S)
    # the filter starts at -300 distances: a memory of 40 still misses a little
    assert correction == pytest.approx(10 * np.log10(weighted.max()), abs=0.003)


@given(st.floats(-5.0, 2.99))
def test_table_is_within_a_thousandth_of_the_exact_integral_and_its_series(lg_s):
    s = 10.0**lg_s
    correction = float(time_weighting_correction(1.0, s / FAST_S))
    exact = exact_correction(np.array([s]))[0][0] if s > 0.004 else -10 / np.log(10) * s**2
    assert correction == pytest.approx(exact, abs=0.001)
    assert correction <= 0.0


def test_time_weighting_falls_with_speed_and_keeps_the_shape():
    speed = np.linspace(1.0, 40.0, 500)
    correction = time_weighting_correction(np.full((1, 500), 10.0), speed)
    assert correction.shape == (1, 500)
    assert (np.diff(correction[0]) < 0.0).all()


@pytest.mark.parametrize("bad", [0.0, -1.0, np.nan])
def test_distances_and_speeds_must_be_above_zero(bad):
    with pytest.raises(OutOfDomainError, match="distance"):
        maximum_level(110.0, bad)
    with pytest.raises(OutOfDomainError, match="speed"):
        exposure_level(110.0, 10.0, bad)
    with pytest.raises(OutOfDomainError, match="driving line"):
        time_weighting_correction(1e-3, 20.0)
