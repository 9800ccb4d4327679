"""Rolling and propulsion noise. The coefficients are recalled: the printed levels check
that they are read and summed as the formulas say, not that they are the law's."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from noisemap.errors import OutOfDomainError
from noisemap.exposure.passes import OUTLET_HEIGHT_INDEX
from noisemap.levels import a_weighted, energy_sum
from noisemap.source.heights import OUTLETS, source_height
from noisemap.source.pass_by import level_at_15_m
from noisemap.source.propulsion import (
    gradient_term,
    propulsion_sound_power,
    vehicle_sound_power,
)
from noisemap.source.rolling import (
    coefficients,
    rolling_sound_power,
    speed_kmh,
    temperature_correction,
)
from noisemap.states import VEHICLE_CLASSES
from noisemap.transfer.job import SOURCE_HEIGHTS

VERIFICATION = Path(__file__).parent / "verification" / "source"


def rows(name: str) -> list[dict[str, str]]:
    with (VERIFICATION / name).open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("row", rows("vehicle_levels.csv"))
def test_heavy_levels_agree_with_a_second_computation(row):
    # COMPUTED: independent arithmetic on the same recalled coefficients
    speed = float(row["speed_kmh"]) / 3.6
    revision = row["revision"]
    rolling = a_weighted(rolling_sound_power("heavy", speed, revision=revision))
    propulsion = a_weighted(propulsion_sound_power("heavy", speed, revision=revision))
    total = a_weighted(vehicle_sound_power("heavy", speed, revision=revision))
    expected = [float(row[name]) for name in ("rolling_db", "propulsion_db", "total_db")]
    np.testing.assert_allclose([rolling, propulsion, total], expected, atol=0.0051)


@pytest.mark.parametrize("row", rows("gradient.csv"))
def test_gradient_term_agrees_with_a_second_computation(row):
    # COMPUTED from the recalled formula (MEMORY-H)
    rise = gradient_term(
        "heavy", float(row["speed_kmh"]) / 3.6, -float(row["grade_percent"]) / 100.0
    )
    assert rise == pytest.approx(float(row["rise_db"]), abs=1e-9)


def test_gradient_term_is_zero_between_its_thresholds_and_constant_beyond_twelve_per_cent():
    assert gradient_term("heavy", 20.0, [-0.04, -0.02, 0.0]).tolist() == [0.0, 0.0, 0.0]
    assert gradient_term("light", 20.0, [-0.06, 0.0, 0.02]).tolist() == [0.0, 0.0, 0.0]
    for vehicle_class in VEHICLE_CLASSES:
        at_end = gradient_term(vehicle_class, 20.0, [-0.12, 0.12])
        beyond = gradient_term(vehicle_class, 20.0, [-0.20, 0.20])
        np.testing.assert_array_equal(at_end, beyond)
        assert (at_end > 0.0).all()


def test_the_gradient_moves_propulsion_only_and_every_band_alike():
    flat = propulsion_sound_power("heavy", 70 / 3.6)
    steep = propulsion_sound_power("heavy", 70 / 3.6, grade=-0.06)
    np.testing.assert_allclose(steep - flat, 2.4, atol=1e-12)
    both = vehicle_sound_power("heavy", 70 / 3.6, grade=-0.06)
    by_hand = energy_sum(np.stack([rolling_sound_power("heavy", 70 / 3.6), steep]), axis=0)
    np.testing.assert_allclose(both, by_hand, atol=1e-12)


def test_speeds_below_twenty_kilometres_an_hour_count_as_twenty():
    # FOUND (rd1513-2005, annex II)
    np.testing.assert_array_equal(
        vehicle_sound_power("heavy", 5 / 3.6), vehicle_sound_power("heavy", 20 / 3.6)
    )
    assert speed_kmh(20.1 / 3.6) > 20.0


def test_temperature_acts_on_rolling_alone_by_the_printed_slope():
    # FOUND (rd1513-2005, annex II): 0.04 dB a degree for heavy vehicles, 20 °C
    assert temperature_correction("heavy", 20.0) == 0.0
    assert temperature_correction("heavy", -5.0) == pytest.approx(1.0, abs=1e-12)
    cold = rolling_sound_power("heavy", 20.0, temperature_c=-5.0)
    np.testing.assert_allclose(cold - rolling_sound_power("heavy", 20.0), 1.0, atol=1e-12)


@pytest.mark.parametrize("part", ["rolling", "propulsion"])
def test_the_amended_medium_class_is_the_first_one_raised_as_the_heavy_class_was(part):
    # ASSUMED: the printed table could not be seen
    raised = coefficients("heavy", f"{part}_a/2021") - coefficients("heavy", f"{part}_a/2015")
    expected = coefficients("medium", f"{part}_a/2015") + raised
    np.testing.assert_allclose(coefficients("medium", f"{part}_a/2021"), expected, atol=1e-9)


def test_a_heavy_vehicle_is_louder_than_a_medium_one_and_that_than_a_light_one():
    for speed in (30.0, 50.0, 80.0):
        light, medium, heavy = (
            float(a_weighted(vehicle_sound_power(c, speed / 3.6))) for c in VEHICLE_CLASSES
        )
        assert light < medium < heavy


def test_level_rises_with_speed():
    for vehicle_class in VEHICLE_CLASSES:
        level = a_weighted(vehicle_sound_power(vehicle_class, np.arange(21, 131) / 3.6))
        assert (np.diff(level) > 0.0).all()


def test_label_at_fifteen_metres():
    # COMPUTED: 2021, 80 km/h, 80.0 dB(A) over hard ground
    assert level_at_15_m(vehicle_sound_power("heavy", 80 / 3.6)) == pytest.approx(80.0, abs=0.05)


def test_shapes_broadcast_with_the_bands_last():
    speed = np.array([[10.0, 20.0, 30.0]])
    grade = np.array([[-0.05], [0.05]])
    assert rolling_sound_power("heavy", speed).shape == (1, 3, 8)
    level = vehicle_sound_power("heavy", speed, grade=grade)
    assert level.shape == (2, 3, 8)
    one = vehicle_sound_power("heavy", 20.0, grade=0.05)
    np.testing.assert_allclose(level[1, 1], one, atol=1e-12)


@pytest.mark.parametrize("speed", [0.0, -3.0, np.nan, 131 / 3.6])
def test_speeds_outside_the_range_are_refused(speed):
    with pytest.raises(OutOfDomainError, match="speed"):
        rolling_sound_power("heavy", [20.0, speed])


def test_unknown_classes_and_revisions_are_refused():
    with pytest.raises(OutOfDomainError, match="light, medium, heavy"):
        rolling_sound_power("tram", 20.0)
    with pytest.raises(OutOfDomainError, match="rolling_a/2019"):
        rolling_sound_power("heavy", 20.0, revision="2019")


def test_heights_of_the_parts():
    assert source_height("rolling") == source_height("propulsion") == 0.5
    assert source_height("exhaust", "stack") == 3.7
    assert source_height("exhaust", "under_chassis") == 0.5
    # the heights of the sound paths, and the one that each outlet takes there
    assert source_height("rolling") == SOURCE_HEIGHTS[0]
    for outlet in OUTLETS:
        assert source_height("exhaust", outlet) == SOURCE_HEIGHTS[OUTLET_HEIGHT_INDEX[outlet]]
    with pytest.raises(OutOfDomainError, match="stack, under_chassis"):
        source_height("exhaust", "roof")


def test_rolling_is_its_printed_law_at_both_ends_of_its_range():
    a, b = coefficients("heavy", "rolling_a/2021"), coefficients("heavy", "rolling_b")
    for speed, counted in ((130.0, 130.0), (70.0, 70.0), (20.0, 20.0), (0.1, 20.0)):
        found = rolling_sound_power("heavy", speed / 3.6)
        np.testing.assert_allclose(found, a + b * np.log10(counted / 70.0), atol=1e-9)
    for wrong in (130.001 / 3.6, -0.001, np.inf):
        with pytest.raises(OutOfDomainError, match="above 0 to 130 km/h"):
            rolling_sound_power("heavy", wrong)
    assert temperature_correction("heavy", 20.0) == 0.0
    assert temperature_correction("heavy", 30.0) == pytest.approx(-0.4)
    with pytest.raises(OutOfDomainError, match="light, medium, heavy"):
        temperature_correction("tram", 20.0)
