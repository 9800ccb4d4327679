"""Indicators by clock hour, checked by hand and against a published library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from noisemap.community.indicators import (
    Periods,
    day_evening_night_level,
    day_night_level,
    equivalent_level,
    hourly_energy,
    level_band,
    named_periods,
    night_level,
    people_by_band,
    sound_exposure_level,
    worst_hour,
)
from noisemap.errors import OutOfDomainError
from noisemap.levels import to_energy

DAYS = arrays(float, (3, 24), elements=st.floats(20.0, 90.0))
EU = named_periods("eu")


def by_period(day: float, evening: float, night: float, periods: Periods = EU) -> np.ndarray:
    level = np.full(24, day)
    level[sorted(periods.evening)] = evening
    level[sorted(periods.night)] = night
    return to_energy(level)


def test_named_periods():
    # FOUND (24cfr51): night 22 to 7; recalled (directive-2002-49): 12, 4 and 8 hours
    assert named_periods("us").night == {22, 23, 0, 1, 2, 3, 4, 5, 6}
    assert not named_periods("us").evening
    assert (len(EU.evening), len(EU.night)) == (4, 8)
    with pytest.raises(OutOfDomainError, match="us, eu"):
        named_periods("uk")


def test_printed_day_evening_night_level():
    # COMPUTED with the `acoustics` package: 60/58/55 -> 62.757
    assert day_evening_night_level(by_period(60, 58, 55)) == pytest.approx(62.757, abs=0.0005)


def test_printed_day_night_level():
    # COMPUTED with the `acoustics` package: 60/55, fifteen and nine hours -> 62.579
    us = named_periods("us")
    assert day_night_level(by_period(60, 0, 55, us)) == pytest.approx(62.579, abs=0.0005)


def test_levels_agree_with_the_acoustics_package():
    from acoustics.standards.iso_1996_1_2003 import composite_rating_level
    from acoustics.standards.iso_tr_25417_2007 import equivalent_sound_pressure_level

    level = np.random.default_rng(7).uniform(20.0, 90.0, (50, 24))
    energy = to_energy(level)
    for periods, found in (
        (EU, day_evening_night_level(energy)),
        (named_periods("us"), day_night_level(energy)),
    ):
        penalty = np.zeros(24)
        penalty[sorted(periods.evening)] = 5.0
        penalty[sorted(periods.night)] = 10.0
        expected = composite_rating_level(level, np.ones(24), penalty)
        np.testing.assert_allclose(found, np.squeeze(expected), atol=1e-9)
    # its Leq takes a pressure signal: one sample an hour with that hour's pressure
    expected = equivalent_sound_pressure_level(2e-5 * np.sqrt(energy))
    np.testing.assert_allclose(equivalent_level(energy), expected, atol=1e-9)


def test_exposure_agrees_with_the_acoustics_package():
    from acoustics.standards.iso_tr_25417_2007 import sound_exposure_level as expected

    rate, pressure = 100, np.random.default_rng(8).normal(0.0, 0.1, 1000)
    found = sound_exposure_level((pressure / 2e-5) ** 2 / rate)
    assert found == pytest.approx(float(expected(pressure, rate)), abs=1e-9)


@given(DAYS)
def test_a_day_is_the_mean_of_its_hours_and_night_the_mean_of_its(level):
    energy = to_energy(level)
    np.testing.assert_allclose(equivalent_level(energy), 10 * np.log10(energy.mean(axis=-1)))
    np.testing.assert_allclose(
        night_level(energy), 10 * np.log10(energy[:, [23, 0, 1, 2, 3, 4, 5, 6]].mean(axis=-1))
    )
    loudest, hour = worst_hour(energy)
    np.testing.assert_allclose(loudest, level.max(axis=-1))
    np.testing.assert_array_equal(hour, energy.argmax(axis=-1))
    assert (day_evening_night_level(energy) >= equivalent_level(energy) - 1e-9).all()
    assert (day_night_level(energy) <= equivalent_level(energy) + 10.0 + 1e-9).all()


def test_penalties_of_a_constant_sound():
    # 10 lg((15 + 9 * 10) / 24) = 6.41 dB; 10 lg((12 + 4 * 10^0.5 + 8 * 10) / 24) = 6.40 dB
    energy = np.full(24, to_energy(60.0))
    assert day_night_level(energy) == pytest.approx(60 + 10 * np.log10(105 / 24), abs=1e-9)
    expected = 60 + 10 * np.log10((12 + 4 * 10**0.5 + 80) / 24)
    assert day_evening_night_level(energy) == pytest.approx(expected, abs=1e-9)


def test_one_hour_counts_by_the_period_it_lies_in():
    for hour in range(24):
        energy = np.zeros(24)
        energy[hour] = 24e6
        us = 10.0 if hour in (22, 23, 0, 1, 2, 3, 4, 5, 6) else 0.0
        eu = 10.0 if hour in (23, 0, 1, 2, 3, 4, 5, 6) else 5.0 if 19 <= hour < 23 else 0.0
        assert day_night_level(energy) == pytest.approx(60.0 + us)
        assert day_evening_night_level(energy) == pytest.approx(60.0 + eu)


def test_own_hours_move_the_night():
    energy = np.where(np.arange(24) == 21, 1e7, 1e4)
    late = Periods(night=frozenset({21, 22, 23}))
    assert night_level(energy, late) > night_level(energy)
    assert day_night_level(energy, late) > day_night_level(energy)


def test_passes_make_an_hour_as_exposures_add():
    # 36 passes of SEL 80 in an hour: 80 + 10 lg 36 - 10 lg 3600 = 60 dB
    exposure = np.full(36, to_energy(80.0))
    assert sound_exposure_level(exposure) == pytest.approx(80 + 10 * np.log10(36))
    energy = np.zeros(24)
    energy[3] = float(hourly_energy(exposure.sum()))
    assert equivalent_level(energy, {3}) == pytest.approx(60.0)


def test_silence_is_minus_infinity():
    assert equivalent_level(np.zeros(24)) == -np.inf
    assert day_night_level(np.zeros(24)) == -np.inf
    assert worst_hour(np.zeros(24))[0] == -np.inf


@pytest.mark.parametrize("energy", [np.ones(23), 1.0, np.full(24, -1.0), np.full(24, np.nan)])
def test_energies_that_are_none_are_refused(energy):
    for indicator in (equivalent_level, day_night_level, day_evening_night_level, worst_hour):
        with pytest.raises(OutOfDomainError, match="energ"):
            indicator(energy)


def test_hours_that_are_none_are_refused():
    with pytest.raises(OutOfDomainError, match="at least one"):
        equivalent_level(np.ones(24), [])
    with pytest.raises(OutOfDomainError, match="0 to 23"):
        equivalent_level(np.ones(24), {24})
    with pytest.raises(OutOfDomainError, match="hour"):
        Periods(night=frozenset({-1}))
    with pytest.raises(OutOfDomainError, match="both"):
        Periods(night=frozenset({1, 2}), evening=frozenset({2}))


def test_bands_hold_their_lower_bound():
    # FOUND (rd1513-2005, annex VI): 55-59, 60-64, ... , 75 and over
    assert level_band([54.999, 55.0, 59.999, 60.0]).tolist() == [50, 55, 55, 60]
    labels = list(people_by_band([60.0], [1.0], 55, 75))
    assert labels == ["below 55", "55-59", "60-64", "65-69", "70-74", "75 and over"]


@given(st.lists(st.tuples(st.floats(-50, 120), st.floats(0, 20)), max_size=40))
def test_everyone_stands_in_exactly_one_band(homes):
    level = np.array([home[0] for home in homes])
    people = np.array([home[1] for home in homes])
    bands = people_by_band(level, people, 45, 75)
    assert sum(bands.values()) == pytest.approx(people.sum())
    assert bands["55-59"] == pytest.approx(people[(level >= 55) & (level < 60)].sum())
    assert bands["75 and over"] == pytest.approx(people[level >= 75].sum())


def test_homes_in_silence_stand_below_all_bands():
    assert people_by_band([-np.inf], [2.0], 45, 75)["below 45"] == 2.0
    for lowest, highest in ((46, 75), (75, 75)):
        with pytest.raises(OutOfDomainError, match="multiples of 5"):
            people_by_band([60.0], [1.0], lowest, highest)


def test_a_band_holds_homes_at_its_lower_bound_exactly():
    level = [44.999, 45.0, 49.999, 50.0, 74.999, 75.0, 90.0]
    found = people_by_band(level, [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0], 45, 75)
    assert found == {
        "below 45": 1.0, "45-49": 6.0, "50-54": 8.0, "55-59": 0.0, "60-64": 0.0, "65-69": 0.0,
        "70-74": 16.0, "75 and over": 96.0,
    }  # fmt: skip
    assert people_by_band([55.0], [3.0], 55, 60) == {
        "below 55": 0.0, "55-59": 3.0, "60 and over": 0.0,
    }  # fmt: skip
    for lowest, highest in ((45, 76), (75, 45)):
        with pytest.raises(OutOfDomainError, match="multiples of 5"):
            people_by_band([60.0], [1.0], lowest, highest)


def test_a_night_may_last_the_whole_day_and_an_evening_is_no_night():
    energy = np.full(24, 1e6)
    assert night_level(energy, Periods(frozenset(range(24)))) == pytest.approx(60.0)
    assert day_night_level(energy, Periods(frozenset(range(24)))) == pytest.approx(70.0)
    evening = Periods(frozenset(), frozenset(range(24)))
    assert day_evening_night_level(energy, evening) == pytest.approx(65.0)
    assert day_night_level(energy, evening) == pytest.approx(60.0)
    for wrong in (
        {"evening": frozenset({24})},
        {"own": (("school", frozenset({8, 24})),)},
    ):
        with pytest.raises(OutOfDomainError, match="0 to 23"):
            Periods(night=frozenset({0}), **wrong)


def test_an_hour_named_twice_counts_once_and_rows_stand_apart():
    energy = np.full((2, 24), 1e4)
    energy[0, 3], energy[1, 4] = 3e6, 3e6
    level = equivalent_level(energy, [3, 3, 5])
    np.testing.assert_allclose(level, 10 * np.log10([(3e6 + 1e4) / 2, 1e4]))
    loudest, hour = worst_hour(energy)
    np.testing.assert_allclose(loudest, 10 * np.log10(3e6))
    assert hour.tolist() == [3, 4]
    assert int(worst_hour(np.full(24, 7.0))[1]) == 0


@pytest.mark.parametrize("least", [-1.0, -0.5, -1e-9])
def test_the_least_negative_energy_is_refused(least):
    energy = np.ones(24)
    energy[23] = least
    with pytest.raises(OutOfDomainError, match="negative"):
        equivalent_level(energy)


def test_hours_stand_on_the_last_axis():
    with pytest.raises(OutOfDomainError, match="24 hours on the last axis"):
        day_evening_night_level(np.ones((24, 3)))
    with pytest.raises(OutOfDomainError, match="24 hours on the last axis"):
        day_evening_night_level(1.0)
    assert day_evening_night_level(np.ones((3, 24))).shape == (3,)
