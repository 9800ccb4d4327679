"""Curves: radius from a road's line, and the speed they leave to trucks."""

from __future__ import annotations

from dataclasses import replace

import hill
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from noisemap.descent.curves import curve_speed, side_friction
from noisemap.errors import OutOfDomainError
from noisemap.exposure.driving import drive_road, wished_speed
from noisemap.exposure.passes import traffic_emission
from noisemap.exposure.traffic import Flow
from noisemap.outputs.curve_words import curve_sentences
from noisemap.outputs.tables import _curve_columns
from noisemap.routes.arcs import road_pieces
from noisemap.routes.quiet_descent import Trip, road_profile
from noisemap.scene.curvature import line_curvature, stretch_radius, with_curves
from noisemap.states import Zone
from noisemap.zones.engineer_tables import highest_speed_screened
from noisemap.zones.ways import Slower

STRAIGHT = 600.0


def bend(radius, turn_deg, spacing=10.0, noise=0.0, seed=0):
    """Points of a straight, an arc to the left and a straight; their distances."""
    arc = radius * np.radians(turn_deg)
    length = 2.0 * STRAIGHT + arc
    fine = np.arange(0.0, length + 0.05, 0.1)
    heading = np.clip((fine - STRAIGHT) / radius, 0.0, np.radians(turn_deg))
    x = np.concatenate([[0.0], np.cumsum(0.1 * np.cos(heading))])[:-1]
    y = np.concatenate([[0.0], np.cumsum(0.1 * np.sin(heading))])[:-1]
    at = np.append(np.arange(0.0, length - 0.5 * spacing, spacing), fine[-1])
    draw = np.random.default_rng(seed)
    x, y = (
        np.interp(at, fine, values) + noise * draw.standard_normal(len(at)) for values in (x, y)
    )
    return x, y, np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])


def sharpest(x, y, chainage):
    _, curvature = line_curvature(x, y, chainage)
    most = np.abs(curvature).max()
    return 1.0 / most if most else np.inf


def curved_hill(radius=60.0, turn_deg=150.0, grade=-0.06, speed_kmh=80.0):
    """The small scene with its road bent; curves count."""
    x, y, chainage = bend(radius, turn_deg)
    place = hill.scene(grade=grade, length=float(np.floor(chainage[-1] / 20.0)) * 20.0,
                       speed_kmh=speed_kmh)  # fmt: skip
    nodes = place.roads[0].chainage
    road = replace(place.roads[0], x=np.interp(nodes, chainage, x), y=np.interp(nodes, chainage, y))
    return with_curves(replace(place, roads=(road,)), 0.04)


def test_the_speed_solves_the_point_mass_formula() -> None:
    radius = np.array([12.0, 30.0, 80.0, 200.0, 400.0])
    for superelevation in (0.0, 0.04, 0.08):
        kmh = 3.6 * curve_speed(radius, superelevation)
        held = 127.0 * radius * (superelevation + side_friction(kmh / 3.6))
        np.testing.assert_allclose(kmh**2, held, rtol=2e-4)


def test_trucks_use_no_more_than_half_of_what_rolls_them_over() -> None:
    speed = np.linspace(1.0, 40.0, 60)
    friction = side_friction(speed)
    assert friction.max() == pytest.approx(0.5 * 0.35)
    assert (np.diff(friction) <= 0.0).all()
    assert friction[-1] == pytest.approx(0.10)


def test_speed_grows_with_radius_and_superelevation() -> None:
    radius = np.geomspace(8.0, 2000.0, 50)
    flat, banked = curve_speed(radius, 0.0), curve_speed(radius, 0.08)
    assert (np.diff(flat) >= 0.0).all()
    assert (banked[np.isfinite(flat)] > flat[np.isfinite(flat)]).all()
    assert curve_speed(np.inf, 0.04) == np.inf


@pytest.mark.parametrize(("radius", "superelevation"), [(0.0, 0.04), (-5.0, 0.04), (50.0, 0.2)])
def test_what_is_no_curve_is_refused(radius: float, superelevation: float) -> None:
    with pytest.raises(OutOfDomainError, match="curve_speed"):
        curve_speed(radius, superelevation)


@pytest.mark.parametrize("spacing", [5.0, 10.0, 20.0])
@pytest.mark.parametrize("radius", [60.0, 150.0, 400.0])
def test_an_arc_keeps_its_radius(radius: float, spacing: float) -> None:
    assert sharpest(*bend(radius, 110.0, spacing)) == pytest.approx(radius, rel=0.01)


def test_the_same_arc_cut_into_short_pieces_keeps_its_radius() -> None:
    x, y, chainage = bend(100.0, 120.0, 15.0)
    dense = np.arange(0.0, chainage[-1], 4.0)
    cut = np.interp(dense, chainage, x), np.interp(dense, chainage, y), dense
    assert sharpest(*cut) == pytest.approx(100.0, rel=0.05)


def test_a_hairpin_shorter_than_the_smoothing_comes_out_gentler_only() -> None:
    assert 15.0 < sharpest(*bend(15.0, 180.0, 5.0)) < 22.0


@pytest.mark.parametrize("seed", range(25))
def test_digitising_noise_feigns_no_bend_and_keeps_a_true_one(seed: int) -> None:
    noisy = bend(1e9, 0.0, 10.0, noise=0.5, seed=seed)
    assert sharpest(*noisy) == np.inf
    assert sharpest(*bend(60.0, 150.0, 10.0, noise=0.5, seed=seed)) == pytest.approx(60.0, rel=0.1)


def test_a_line_bends_alike_in_both_directions() -> None:
    x, y, chainage = bend(80.0, 90.0)
    _, there = line_curvature(x, y, chainage)
    _, back = line_curvature(x[::-1], y[::-1], (chainage[-1] - chainage)[::-1])
    assert there.max() == pytest.approx(1.0 / 80.0, rel=0.01)
    np.testing.assert_allclose(back[::-1], -there, atol=1e-9)


def test_a_line_shorter_than_the_smoothing_has_one_curvature() -> None:
    angle = np.linspace(0.0, 1.0, 6)
    at, curvature = line_curvature(50.0 * np.sin(angle), -50.0 * np.cos(angle), 50.0 * angle)
    assert np.ptp(curvature) == 0.0
    assert at[-1] == 50.0
    assert 1.0 / curvature[0] == pytest.approx(50.0, rel=0.2)


def test_stretches_carry_the_radius_where_they_bend() -> None:
    place = curved_hill()
    radius = stretch_radius(place.roads, place.stretches)
    middle = 0.5 * (place.stretches.from_m + place.stretches.to_m)
    inside = (middle > STRAIGHT + 20.0) & (middle < STRAIGHT + 137.0)
    np.testing.assert_allclose(radius[inside], 60.0, rtol=0.03)
    assert np.isinf(radius[middle < STRAIGHT - 80.0]).all()
    np.testing.assert_array_equal(place.stretches.curve_radius, radius)


def test_a_truck_slows_down_before_the_curve_and_energy_closes() -> None:
    place = curved_hill()
    for way in (1, -1):
        found = drive_road(place.stretches, 0, way, hill.truck(), hill.PRACTICE)
        allowed = np.minimum(80.0 / 3.6, place.stretches.curve_speed)[::way]
        assert (found.speed_ms <= allowed + 1e-9).all()
        assert found.node_speed_ms.min() == pytest.approx(allowed.min())
        rate = np.diff(found.node_speed_ms**2) / (2.0 * np.diff(found.chainage_m))
        assert rate.min() >= -0.5 * np.hypot(1.0, 0.06) - 1e-9
        energy = found.energy
        turnover = energy.drag + energy.engine + energy.retarder + energy.brakes
        assert abs(energy.residual) <= 1e-3 * turnover
    straight = replace(place.stretches, curve_speed=np.zeros(0))
    free = drive_road(straight, 0, 1, hill.truck(), hill.PRACTICE)
    assert free.duration_s < drive_road(
        place.stretches, 0, 1, hill.truck(), hill.PRACTICE
    ).duration_s  # fmt: skip


@settings(max_examples=25)
@given(st.floats(30.0, 300.0), st.floats(40.0, 170.0), st.integers(0, 40), st.integers(0, 40))
def test_in_curves_too_a_wider_zone_is_never_cooler(radius, turn, first, more) -> None:
    place = curved_hill(radius, turn)
    low, high = 20.0 * first, 20.0 * first + 200.0
    narrow = Zone("narrow", "hill", low, high)
    wide = Zone("wide", "hill", max(low - 20.0 * more, 0.0), high + 20.0 * more)
    free, one, two = (
        drive_road(place.stretches, 0, 1, hill.truck(), hill.PRACTICE, silent=zone).peak_c
        for zone in (None, narrow, wide)
    )
    assert free <= one + 1e-9
    assert one <= two + 1e-9


@settings(max_examples=25)
@given(st.floats(30.0, 300.0), st.floats(10_000.0, 36_000.0), st.floats(0.0, 4_000.0))
def test_in_curves_too_heavier_and_steeper_is_never_cooler(radius, mass, extra) -> None:
    place = curved_hill(radius)

    def peak(mass: float, steeper: float) -> float:
        one = hill.truck(mass, "none")
        return drive_road(place.stretches, 0, 1, one, hill.PRACTICE, steeper=steeper).peak_c

    assert peak(mass, 0.0) <= peak(mass + extra, 0.0) + 1e-9
    assert peak(mass, 0.0) <= peak(mass, 0.01) + 1e-9


def test_curve_speeds_stay_in_force_whatever_is_assumed() -> None:
    place = curved_hill()
    rows = np.arange(len(place.stretches.road))
    cap = place.stretches.curve_speed
    fast = replace(hill.PRACTICE, assumed_speed=40.0)
    assert (wished_speed(place.stretches, rows, fast) <= cap).all()
    zone = Zone("", "hill", 500.0, 900.0)
    slower = Slower(0.95)(place.stretches, 0, 1, hill.truck(), hill.PRACTICE, zone)
    assert (slower.speed_ms <= cap + 1e-9).all()
    profile = road_profile(place.stretches, Trip(0, 1, None, frozenset()), hill.PRACTICE, 190.0)
    assert (profile.cap_ms <= cap).all()
    assert (road_pieces(place, hill.PRACTICE).cap_ms <= cap).all()
    screened = highest_speed_screened(place.stretches, 0, 1, hill.truck(), hill.PRACTICE, 400.0)
    assert screened == pytest.approx(80.0 / 3.6)  # elsewhere; the curve keeps its own


def test_trucks_roll_more_quietly_through_a_curve_and_cars_as_posted() -> None:
    place = curved_hill()
    hours = np.full(24, 10.0)
    straight = replace(place.stretches, curve_speed=np.zeros(0))
    for kind, changes in (("heavy", True), ("light", False)):
        flow = [Flow(0, 1, kind, None, hours)]
        bent = traffic_emission(flow, place.stretches, 10.0, hill.PRACTICE)
        plain = traffic_emission(flow, straight, 10.0, hill.PRACTICE)
        assert np.array_equal(bent, plain) is not changes


def test_the_report_says_where_a_curve_rules() -> None:
    (text,) = curve_sentences(curved_hill(), "metric")
    assert "200 m (656 ft) of Hill Road (smallest radius 60 m (197 ft), at 0." in text
    (text,) = curve_sentences(hill.scene(), "us")
    assert text.startswith("Curves are not looked at")
    (text,) = curve_sentences(with_curves(hill.scene(), 0.04), "us")
    assert text.startswith("No curve")


def test_the_table_of_stretches_has_the_radius_where_it_bends() -> None:
    columns = dict(_curve_columns(curved_hill().stretches))
    radius = columns["curve radius [m]"]
    assert radius[0] is None
    assert min(value for value in radius if value is not None) == pytest.approx(60.0, rel=0.02)
    assert _curve_columns(hill.scene().stretches) == []
