"""Awakenings, annoyance, criteria and passes. Recalled curves are checked for being read
right, the printed rules for being the printed rules."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from noisemap.community.annoyance import (
    below_annoyance_range,
    people_highly_annoyed,
    percent_highly_annoyed,
)
from noisemap.community.awakening import (
    awakening_curves,
    awakening_probability,
    below_range,
    indoor_level,
    probability_of_any,
)
from noisemap.community.criteria import criteria, criterion, over_limit
from noisemap.community.passes import (
    MEAN_SHIFT,
    exceedance_probability,
    expected_passes,
    probability_of_a_pass,
)
from noisemap.errors import OutOfDomainError
from noisemap.references import MARKS, references

VERIFICATION = Path(__file__).parent / "verification" / "community"


def rows(name: str) -> list[dict[str, str]]:
    with (VERIFICATION / name).open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("row", rows("awakening.csv"))
def test_awakening_curves_are_read_right(row):
    # COMPUTED from recalled coefficients (MEMORY-H); one printed value, 3.42, is 3.415
    # by its own formula, so one unit of the last digit is allowed
    found = awakening_probability(float(row["level_db"]), row["curve"])
    assert 100.0 * found == pytest.approx(float(row["percent"]), abs=0.01)


def test_the_two_versions_of_the_logistic_curve_are_one_family():
    # DERIVED: -7.594 + 0.00336 x 210 min = -6.8884
    probability = awakening_probability(80.0)
    z = float(np.log(probability / (1.0 - probability)))
    assert z - 0.04444 * 80.0 == pytest.approx(-7.594 + 0.00336 * 210.0, abs=1e-9)


def test_the_upper_curve_is_a_power_law():
    # MEMORY-H: 0.0087 (SEL - 30)^1.79 per cent
    found = 100.0 * awakening_probability([60.0, 90.0], "power_1997")
    np.testing.assert_allclose(found, [0.0087 * 30.0**1.79, 0.0087 * 60.0**1.79], rtol=1e-12)


@given(st.sampled_from(sorted(awakening_curves())), st.floats(0.0, 120.0), st.floats(0.0, 10.0))
def test_louder_never_wakes_fewer_and_nothing_counts_below_the_floor(curve, level, more):
    low, high = awakening_probability([level, level + more], curve)
    assert 0.0 <= low <= high <= 1.0
    assert below_range(level, curve) == (level < (33.0 if curve == "quadratic_2006" else 50.0))
    if below_range(level, curve):
        assert low == 0.0
    else:
        assert low > 0.0


def test_silence_and_missing_levels_wake_nobody():
    found = awakening_probability([-np.inf, np.nan])
    assert found.tolist() == [0.0, 0.0]
    assert below_range([-np.inf, np.nan]).all()


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20))
def test_the_joint_rule(probabilities):
    # FOUND (ansi-s12-9-6, as restated): P(at least one) = 1 - prod(1 - P_i)
    joint = float(probability_of_any(probabilities))
    by_hand = 1.0
    for p in probabilities:
        by_hand *= 1.0 - p
    assert joint == pytest.approx(1.0 - by_hand, abs=1e-12)
    assert max(probabilities) - 1e-12 <= joint <= min(1.0, sum(probabilities)) + 1e-12


def test_equal_passes_may_be_counted():
    assert probability_of_any([0.03, 0.01], [10, 4]) == pytest.approx(
        1.0 - 0.97**10 * 0.99**4, abs=1e-12
    )
    assert probability_of_any(np.full((2, 3), 0.1), axis=0).shape == (3,)
    assert probability_of_any([0.5], [0.0]) == 0.0


@pytest.mark.parametrize(("p", "n"), [([1.1], 1), ([-0.1], 1), ([0.1], -1), ([np.nan], 1)])
def test_impossible_probabilities_and_counts_are_refused(p, n):
    with pytest.raises(OutOfDomainError, match="0 to 1"):
        probability_of_any(p, n)


def test_facade_difference_and_its_range():
    # FOUND: 15 dB slightly open (who-1999); medians 10, 16, 28 dB (locher-2018)
    assert indoor_level(70.0) == 55.0
    assert indoor_level([70.0], 28.0).tolist() == [42.0]
    assert indoor_level(70.0, 10.0) == 60.0
    for wrong in (9.9, 28.1, np.nan):
        with pytest.raises(OutOfDomainError, match="10 to 28"):
            indoor_level(70.0, wrong)


def test_unknown_curves_are_refused_with_the_choice():
    with pytest.raises(OutOfDomainError, match="logistic_2008, power_1997, quadratic_2006"):
        awakening_probability(70.0, "dose")
    with pytest.raises(OutOfDomainError, match="eu_2020"):
        percent_highly_annoyed(70.0, "rail")


@pytest.mark.parametrize("row", rows("annoyance.csv"))
def test_annoyance_curves(row):
    # COMPUTED; polynomials FOUND-2nd (directive-2020-367) and MEMORY-H (miedema-2001)
    found = percent_highly_annoyed(float(row["level_db"]), row["curve"])
    assert found == pytest.approx(float(row["percent"]), abs=0.0051)


@given(
    st.sampled_from([("eu_2020", 53.0), ("road_2001", 53.0), ("sleep_eu_2020", 45.0)]),
    st.floats(20.0, 100.0),
    st.floats(0.0, 10.0),
)
def test_annoyance_never_falls_with_level_and_is_zero_below_its_floor(curve, level, more):
    name, floor = curve
    low, high = percent_highly_annoyed([level, level + more], name)
    assert 0.0 <= low <= high <= 100.0
    assert below_annoyance_range(level, name) == (level < floor)
    assert (low == 0.0) == (level < floor)


def test_people_by_band_are_taken_at_its_centre():
    # FOUND (rd1513-2005, annex III): 50-54 stands for 52 dB, which lies below the range
    assert people_highly_annoyed({50: 1000.0}, "eu_2020") == 0.0
    assert people_highly_annoyed({45: 200.0}, "sleep_eu_2020") == pytest.approx(
        200.0 * (19.4312 - 0.9336 * 47 + 0.0126 * 47**2) / 100.0
    )
    both = people_highly_annoyed({55: 10.0, 60: 20.0}, "eu_2020")
    each = [people_highly_annoyed({b: n}, "eu_2020") for b, n in ((55, 10.0), (60, 20.0))]
    assert both == pytest.approx(sum(each))


PRINTED = {
    # FOUND or FOUND-2nd in the named source
    "traffic_abatement_a": ("l_eq_worst_hour", 57.0, "road_traffic", "23cfr772"),
    "traffic_abatement_b": ("l_eq_worst_hour", 67.0, "road_traffic", "23cfr772"),
    "traffic_abatement_c": ("l_eq_worst_hour", 67.0, "road_traffic", "23cfr772"),
    "traffic_abatement_d": ("l_eq_worst_hour", 52.0, "road_traffic", "23cfr772"),
    "traffic_abatement_e": ("l_eq_worst_hour", 72.0, "road_traffic", "23cfr772"),
    "housing_acceptable": ("l_dn", 65.0, "total", "24cfr51"),
    "housing_unacceptable": ("l_dn", 75.0, "total", "24cfr51"),
    "housing_goal_outdoor": ("l_dn", 55.0, "total", "24cfr51"),
    "housing_goal_indoor": ("l_dn", 45.0, "total", "24cfr51"),
    "activity_outdoor": ("l_dn", 55.0, "total", "epa-levels"),
    "activity_indoor": ("l_dn", 45.0, "total", "epa-levels"),
    "hearing": ("l_eq_24h", 70.0, "total", "epa-levels"),
    "health_road_den": ("l_den", 53.0, "road_traffic", "who-2018"),
    "health_road_night": ("l_night", 45.0, "road_traffic", "who-2018"),
    "health_night": ("l_night", 40.0, "total", "who-2009"),
    "health_night_interim": ("l_night", 55.0, "total", "who-2009"),
    "bedroom_outdoor": ("l_night", 45.0, "total", "who-1999"),
    "bedroom_outdoor_max": ("l_a_max", 60.0, "total", "who-1999"),
    "bedroom_indoor": ("l_night", 30.0, "total", "who-1999"),
    "bedroom_indoor_max": ("l_a_max", 45.0, "total", "who-1999"),
}


def test_criteria_are_the_printed_ones():
    assert {
        key: (c.indicator, c.limit_db, c.applies_to, c.source) for key, c in criteria().items()
    } == PRINTED
    for rule in criteria().values():
        assert rule.source in references()
        assert rule.mark in MARKS
        assert rule.place in ("outdoor", "indoor")
        assert rule.counts_when in ("reached", "exceeded")


def test_a_limit_is_reached_or_exceeded_as_its_source_says():
    for rule in criteria().values():
        over = over_limit([rule.limit_db - 0.01, rule.limit_db, rule.limit_db + 0.01], rule)
        assert over.tolist() == [False, rule.counts_when == "reached", True]
    assert not over_limit(-np.inf, criterion("hearing"))
    with pytest.raises(OutOfDomainError, match="traffic_abatement_b"):
        criterion("quiet")


@given(st.floats(40.0, 110.0), st.floats(0.0, 8.0), st.floats(40.0, 110.0))
def test_probability_of_exceeding_is_the_normal_law_about_the_median(mean, spread, threshold):
    found = float(exceedance_probability(mean, spread, threshold))
    assert 0.0 <= found <= 1.0
    louder = float(exceedance_probability(mean + 1.0, spread, threshold))
    assert louder >= found
    median = mean - MEAN_SHIFT * spread**2
    if spread > 0.0:
        assert exceedance_probability(mean, spread, median) == pytest.approx(0.5, abs=1e-9)
    else:
        assert found == float(mean > threshold)


def test_the_median_shift_keeps_the_energy_mean():
    # the energy mean of normal levels lies 0.115 variances above their median
    assert pytest.approx(0.115, abs=0.0005) == MEAN_SHIFT
    level = np.random.default_rng(5).normal(80.0 - MEAN_SHIFT * 36.0, 6.0, 2_000_000)
    assert 10 * np.log10(np.mean(10 ** (level / 10))) == pytest.approx(80.0, abs=0.05)
    share = np.mean(level > 82.0)
    assert exceedance_probability(80.0, 6.0, 82.0) == pytest.approx(share, abs=0.002)


def test_expected_passes_add_over_classes_and_lie_within_their_number():
    level, spread, passes = [90.0, 80.0, 60.0], [6.0, 6.0, 4.0], [3.0, 8.0, 100.0]
    alone = [
        float(expected_passes([mean], [s], [n], 75.0))
        for mean, s, n in zip(level, spread, passes, strict=True)
    ]
    together = float(expected_passes(level, spread, passes, 75.0))
    assert together == pytest.approx(sum(alone))
    assert 0.0 < together < sum(passes)
    assert expected_passes(level, spread, passes, 80.0) < together
    assert expected_passes(np.full((5, 3), 70.0), 6.0, passes, 75.0).shape == (5,)


def test_at_least_one_pass_is_never_likelier_than_expected():
    expected = np.array([0.0, 0.01, 0.5, 1.0, 20.0])
    found = probability_of_a_pass(expected)
    np.testing.assert_allclose(found, 1.0 - np.exp(-expected), atol=1e-15)
    assert (found <= expected).all()
    assert found[0] == 0.0


def test_negative_spreads_and_counts_are_refused():
    with pytest.raises(OutOfDomainError, match="spread"):
        exceedance_probability(80.0, -1.0, 70.0)
    with pytest.raises(OutOfDomainError, match="negative"):
        expected_passes([80.0], 6.0, [-1.0], 70.0)
    with pytest.raises(OutOfDomainError, match="negative"):
        probability_of_a_pass(-0.1)
    with pytest.raises(OutOfDomainError, match="spread"):
        exceedance_probability([80.0, 80.0], [6.0, -1e-9], 70.0)
    with pytest.raises(OutOfDomainError, match="negative"):
        expected_passes([80.0], 6.0, [-1e-9], 70.0)


def test_less_than_one_pass_is_a_number_of_passes():
    assert expected_passes([90.0, 60.0], 0.0, [0.25, 0.5], 75.0) == 0.25
    assert expected_passes([90.0], 0.0, [0.0], 75.0) == 0.0
    # without spread a pass exceeds a level or does not; the level itself is not exceeded
    assert exceedance_probability([75.0, 75.001], 0.0, 75.0).tolist() == [0.0, 1.0]
    both = expected_passes([[90.0, 60.0], [90.0, 90.0]], 0.0, [[0.25, 0.5]], 75.0, axis=0)
    assert both.tolist() == [0.5, 0.5]


@pytest.mark.parametrize("curve", ["eu_2020", "sleep_eu_2020"])
def test_at_most_everybody_is_annoyed(curve):
    assert float(percent_highly_annoyed(200.0, curve)) == 100.0
