"""A drive: energy closed, gears and switch positions as stated, zones never cool."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from noisemap.data_tables import table_rows
from noisemap.descent.brake_temperature import Conditions, hard_limit_c
from noisemap.descent.drive import HABITS, Drive, drive
from noisemap.descent.forces import air_force, gravity_force, rolling_force
from noisemap.descent.gears import descent_gear, engine_speed
from noisemap.descent.retarder import (
    driveline_power,
    friction_power,
    model_power,
    published_power,
    retarding_power,
    throttle_power,
)
from noisemap.descent.speeds import node_speeds
from noisemap.descent.truck import packaged_truck, truck_names
from noisemap.errors import OutOfDomainError
from noisemap.units import (
    HORSEPOWER_W,
    MILE_M,
    POUND_KG,
    fahrenheit,
    metres_per_second,
    mph,
)

VERIFICATION = Path(__file__).parent / "verification" / "descent"
TRUCK = packaged_truck("13L")
CHAINAGE = np.linspace(0.0, 6000.0, 121)
GRADE = -np.interp(CHAINAGE[:-1], [0, 1000, 2500, 4000, 6000], [0.0, 0.07, 0.02, 0.08, -0.02])


def rows(name: str) -> list[dict[str, str]]:
    with (VERIFICATION / name).open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def descend(mass: float = 34_000.0, speed: Any = 18.0, **options: Any) -> Drive:
    return drive(CHAINAGE, GRADE, speed, TRUCK, mass, **options)


@pytest.mark.parametrize("row", rows("largest_speed.csv"))
@pytest.mark.parametrize(
    ("column", "preset", "kind"),
    [
        ("modern_drag_mph", "modern_drag", "none"),
        ("federal_mph", "federal", "none"),
        ("with_retarder_mph", "modern_drag", "compression_release"),
    ],
)
def test_peak_crosses_the_hard_limit_where_it_should(row, column, preset, kind):
    # COMPUTED (independent): the last tenth of a mile an hour before the first crossing
    # of 500 °F within 0.1 °F, capped at 65; retarder by the published curve alone
    def peak(speed_mph: float) -> float:
        slope = float(row["grade_percent"]) / 100.0
        run = float(row["miles"]) * MILE_M
        if preset != "federal":  # which knows small angles only
            run /= np.hypot(1.0, slope)
        mass = float(row["weight_lb"]) * POUND_KG
        return drive(
            [0.0, run],
            [-slope],
            metres_per_second(speed_mph),
            TRUCK,
            mass,
            retarder_kind=kind,
            conditions=Conditions(preset),
            power_rule="published",
        ).peak_c

    expected = float(row[column])
    assert peak(expected) <= hard_limit_c() + 0.1 / 1.8
    if expected < 65.0:
        assert peak(expected + 0.1) > hard_limit_c() - 0.1 / 1.8


@pytest.mark.parametrize("row", rows("holdable_speed.csv"))
def test_speed_held_without_any_brake(row):
    # COMPUTED (independent): gears at 2100 rpm, capped at 65 mph, published curve
    mass = float(row["weight_lb"]) * POUND_KG
    slope = float(row["grade_percent"]) / 100.0
    ratios = np.array(TRUCK.gear_ratios) * TRUCK.axle_ratio
    limits = 2100.0 / 60.0 * 2.0 * np.pi * TRUCK.tyre_radius_m / ratios
    speeds = np.append(limits[limits < metres_per_second(65.0)], metres_per_second(65.0))
    force = gravity_force(mass, slope) - rolling_force(mass, slope, TRUCK.rolling_resistance)
    need = (force - air_force(speeds, TRUCK.drag_area_m2)) * speeds
    rpm = engine_speed(speeds, descent_gear(speeds * (1 - 1e-9), TRUCK), TRUCK)
    columns = ("none_mph", "third_mph", "two_thirds_mph", "full_mph")
    for column, cylinders in zip(columns, (0, 2, 4, 6), strict=True):
        held = speeds[need <= published_power(rpm, cylinders, TRUCK)]
        found = str(round(mph(held.max()))) if held.size else ""
        assert found == row[column], column


@pytest.mark.parametrize("row", rows("retarder_power.csv"))
def test_published_curve_of_the_middle_truck(row):
    # COMPUTED by an independent script; it prints 242 hp where its formula gives 241.47
    speed = float(row["engine_speed_rpm"])
    columns = ("none_hp", "third_hp", "two_thirds_hp", "full_hp")
    for column, cylinders in zip(columns, (0, 2, 4, 6), strict=True):
        found = published_power(speed, cylinders, TRUCK) / HORSEPOWER_W
        assert found == pytest.approx(float(row[column]), abs=0.54)


def test_lower_curve_counts_and_the_two_differ_at_low_speed():
    # COMPUTED: at 1200 rpm the prototype lies 28 % below the published range, on the side
    # that is unsafe to overlook; the packaged table, whose boost is higher there, 17 %
    speed = np.array([1200.0, 1500.0, 1800.0, 2100.0])
    published, model = published_power(speed, 6, TRUCK), model_power(speed, 6, TRUCK)
    np.testing.assert_array_equal(retarding_power(speed, 6, TRUCK), np.minimum(published, model))
    assert 1.0 - model[0] / published[0] == pytest.approx(0.17, abs=0.005)
    for rule, expected in (("published", published), ("model", model)):
        np.testing.assert_array_equal(retarding_power(speed, 6, TRUCK, rule), expected)


def test_model_table_by_share_of_cylinders():
    # 15 L, 2100 rpm: 100, 60 and 36 % with friction on 6, 4 and 2 cylinders. COMPUTED by the
    # prototype with one pipe: 100, 58 and 36 %; nominal 1, 2/3 and 1/3
    truck = packaged_truck("15L")
    power = [float(model_power(2100.0, cylinders, truck)) for cylinders in (6, 4, 2)]
    np.testing.assert_allclose(np.array(power) / power[0], [1.0, 0.60, 0.36], atol=0.005)


@pytest.mark.parametrize("name", truck_names())
def test_the_truck_carries_the_source_models_own_powers(name):
    retarder = packaged_truck(name).retarder
    powers = {
        (float(row["engine_speed_rpm"]), int(row["braking_cylinders"])): float(row["retarding_kw"])
        - float(row["friction_kw"])
        for row in table_rows("noisemap.source", "exhaust_cycles.csv")
        if row["engine"] == packaged_truck(name).engine
    }
    assert retarder.model_speed_rpm == tuple(sorted({speed for speed, _ in powers}))
    for cylinders, row in zip(retarder.switch_cylinders, retarder.model_power_kw, strict=True):
        expected = [powers[speed, cylinders] for speed in retarder.model_speed_rpm]
        np.testing.assert_allclose(row, expected, atol=0.051)


@pytest.mark.parametrize("name", truck_names())
def test_retarding_power_rises_with_speed_and_cylinders_and_ends_at_its_lowest_speed(name):
    truck = packaged_truck(name)
    speed = np.linspace(900.0, 2100.0, 400)
    for rule in ("lower", "published", "model"):
        power = [retarding_power(speed, cylinders, truck, rule) for cylinders in (0, 2, 4, 6)]
        assert all((np.diff(p) > 0.0).all() for p in power)
        assert (np.diff(power, axis=0) > 0.0).all()
        below = retarding_power(899.9, 6, truck, rule)
        assert below == friction_power(899.9, truck)
    assert throttle_power(899.9, truck) == friction_power(899.9, truck)
    # FOUND (engine-brake-talk-2008): flap about 3 times friction
    assert throttle_power(2000.0, truck) == pytest.approx(3.0 * friction_power(2000.0, truck))


def test_compression_release_is_about_five_times_friction():
    # FOUND (engine-brake-talk-2008): decompression brake about 5 times friction power
    for name in truck_names():
        truck = packaged_truck(name)
        ratio = retarding_power(2100.0, 6, truck) / friction_power(2100.0, truck)
        assert 4.5 <= ratio <= 6.5


def test_model_power_goes_on_as_a_power_law_beyond_its_table():
    nodes, power = np.array([1800.0, 2100.0]), np.array([184.7e3, 251.3e3])
    exponent = np.log(power[1] / power[0]) / np.log(nodes[1] / nodes[0])
    above = model_power(2200.0, 6, TRUCK) - friction_power(2200.0, TRUCK)
    assert above == pytest.approx(power[1] * (2200.0 / 2100.0) ** exponent, rel=1e-12)
    edge = [float(model_power(n, 6, TRUCK)) for n in (899.9999, 900.0, 2100.0, 2100.0001)]
    assert edge[0] == pytest.approx(edge[1], rel=1e-5)
    assert edge[2] == pytest.approx(edge[3], rel=1e-5)


def test_gear_limits():
    # COMPUTED: 11.0, 14.9, 20.3, 27.7, 37.7 and 51.3 mph at 2100 rpm, printed downwards
    for row in rows("gear_limits.csv"):
        limit = float(row["mph"])
        below, above = descent_gear(
            [metres_per_second(limit), metres_per_second(limit + 0.1)], TRUCK
        )
        assert above == below + 1
    rpm = engine_speed(
        np.linspace(3.0, 30.0, 200), descent_gear(np.linspace(3, 30, 200), TRUCK), TRUCK
    )
    assert rpm.max() <= 2100.0
    with pytest.raises(OutOfDomainError, match="highest gear"):
        descent_gear(45.0, TRUCK)


@settings(max_examples=60)
@given(
    st.lists(st.floats(-0.09, 0.06), min_size=3, max_size=12),
    st.floats(8_000.0, 40_000.0),
    st.floats(4.0, 28.0),
    st.sampled_from(["compression_release", "exhaust_throttle", "driveline", "none"]),
    st.sampled_from(["modern_drag", "federal", "first_principles"]),
    st.sampled_from(HABITS),
)
def test_energy_closes_and_no_power_is_negative(grades, mass, speed, kind, preset, habit):
    target = np.full(len(grades), speed)
    target[len(grades) // 2] = 0.6 * speed
    found = drive(
        np.arange(len(grades) + 1) * 200.0,
        grades,
        target,
        TRUCK,
        mass,
        retarder_kind=kind,
        conditions=Conditions(preset),
        habit=habit,
    )
    energy = found.energy
    turnover = energy.drag + energy.engine + energy.retarder + energy.brakes
    assert abs(energy.residual) <= 1e-9 * turnover
    for power in (found.engine_w, found.retarder_w, found.brake_w, found.drag_w):
        assert (power >= 0.0).all()
    assert ((found.retarder_share >= 0.0) & (found.retarder_share <= 1.0)).all()
    height = -200.0 * sum(grades)
    if preset != "federal":
        assert energy.potential == pytest.approx(mass * 9.80665 * height, abs=1e-3)
    # friction first, then the retarder, then the brakes
    holds = found.need_w <= found.engine_w + 1e-6
    assert (found.retarder_share[holds] < 1e-9).all()
    assert (found.brake_w[holds] <= 1e-6).all()
    if kind != "compression_release":
        assert not found.braking_cylinders.any()


def test_the_lowest_switch_position_that_holds_is_used_for_the_share_needed():
    found = drive([0.0, 100.0, 200.0], [-0.02, -0.04], 20.0, TRUCK, 30_000.0)
    for i in range(2):
        rpm, cylinders = found.engine_speed_rpm[i], int(found.braking_cylinders[i])
        friction = friction_power(rpm, TRUCK)
        rest = found.need_w[i] - friction
        assert rest > 0.0
        smaller = retarding_power(rpm, cylinders - 2, TRUCK) - friction
        own = retarding_power(rpm, cylinders, TRUCK) - friction
        assert smaller < rest
        assert found.retarder_share[i] == pytest.approx(min(rest / own, 1.0))
        assert found.states[i] == ((cylinders, found.retarder_share[i]),)
    assert found.braking_cylinders[0] < found.braking_cylinders[1]


def test_what_six_cylinders_cannot_hold_goes_to_the_brakes():
    found = drive([0.0, 100.0], [-0.09], 20.0, TRUCK, 36_000.0)
    assert found.braking_cylinders[0] == 6
    assert found.retarder_share[0] == 1.0
    full = retarding_power(found.engine_speed_rpm[0], 6, TRUCK)
    assert found.brake_w[0] == pytest.approx(found.need_w[0] - full)


def test_habits_leave_the_switch_where_it_is():
    for habit, cylinders in (("low", 2), ("medium", 4), ("high", 6)):
        found = descend(habit=habit)
        on = found.retarder_share > 0.0
        assert set(found.braking_cylinders[on].tolist()) == {cylinders}
    peaks = [descend(habit=habit).peak_c for habit in ("high", "medium", "low")]
    assert peaks[0] <= peaks[1] <= peaks[2]
    assert descend().peak_c == pytest.approx(peaks[0])  # the choice wastes no power


def test_retarder_rests_on_climbs_and_where_friction_holds():
    found = descend()
    climbing = GRADE >= 0.0
    assert climbing.any()
    assert not found.retarder_share[climbing].any()
    assert (found.need_w[climbing] < 0.0).all()
    assert all(state == () for state, up in zip(found.states, climbing, strict=True) if up)


def test_below_its_lowest_engine_speed_the_retarder_releases():
    slow = drive([0.0, 100.0], [-0.08], 1.0, TRUCK, 36_000.0)
    assert slow.engine_speed_rpm[0] < 900.0
    assert slow.states == ((),)
    assert slow.brake_w[0] > 0.0


def test_onsets_count_how_often_the_retarder_comes_on():
    chainage = np.arange(8) * 200.0
    grade = [-0.06, 0.0, -0.06, -0.06, 0.02, 0.0, -0.06]
    assert drive(chainage, grade, 20.0, TRUCK, 36_000.0).onsets == 3
    assert drive(chainage, grade, 20.0, TRUCK, 36_000.0, retarder_kind="none").onsets == 0


def test_a_zone_is_the_free_drive_outside_it_and_no_retarder_inside():
    free, none = descend(), descend(retarder_kind="none")
    empty = descend(retarder_allowed=np.ones(120, dtype=bool))
    whole = descend(retarder_allowed=False)
    np.testing.assert_array_equal(empty.temperature_c, free.temperature_c)
    np.testing.assert_array_equal(whole.temperature_c, none.temperature_c)
    allowed = np.ones(120, dtype=bool)
    allowed[40:80] = False
    zone = descend(retarder_allowed=allowed)
    assert not zone.retarder_share[~allowed].any()
    np.testing.assert_array_equal(zone.retarder_share[allowed], free.retarder_share[allowed])


@settings(max_examples=40)
@given(st.integers(0, 119), st.integers(0, 119), st.integers(0, 30), st.integers(0, 30))
def test_widening_a_zone_never_lowers_the_peak(a, b, before, after):
    low, high = min(a, b), max(a, b) + 1
    narrow, wide = np.ones(120, dtype=bool), np.ones(120, dtype=bool)
    narrow[low:high] = False
    wide[max(low - before, 0) : high + after] = False
    assert descend(retarder_allowed=wide).peak_c >= descend(retarder_allowed=narrow).peak_c


@settings(max_examples=40)
@given(
    st.floats(10_000.0, 38_000.0),
    st.floats(0.0, 2_000.0),
    st.floats(0.0, 0.01),
    st.floats(0.0, 80.0),
    st.floats(0.0, 15.0),
)
def test_heavier_steeper_and_warmer_is_never_cooler(mass, more, steeper, warmer, air):
    def peak(**changes: Any) -> float:
        options = {"mass": mass, "grade": 0.0, "entry": 60.0, "ambient": 20.0} | changes
        return drive(
            CHAINAGE,
            GRADE - options["grade"],
            18.0,
            TRUCK,
            options["mass"],
            conditions=Conditions(entry_c=options["entry"], ambient_c=options["ambient"]),
        ).peak_c

    base = peak() - 1e-9
    assert peak(mass=mass + more) >= base
    assert peak(grade=steeper) >= base
    assert peak(entry=60.0 + warmer) >= base
    assert peak(ambient=20.0 + air) >= base


def test_slower_is_not_always_cooler_but_stops_colder():
    # FOUND (heat-quantity-2018): the stop's rise grows with speed, brake temperature
    # hardly changes with it. COMPUTED: 80,000 lb, 6 %, 5 mi peaks at 38 mph.
    def long_grade(speed_mph: float) -> Drive:
        run = 5.0 * MILE_M / np.hypot(1.0, 0.06)
        mass = 80_000 * POUND_KG
        speed = metres_per_second(speed_mph)
        return drive([0.0, run], [-0.06], speed, TRUCK, mass, retarder_kind="none")

    ends = {v: fahrenheit(long_grade(v).temperature_c[1]) for v in (20.0, 38.0, 65.0)}
    assert ends[20.0] == pytest.approx(524.0, abs=0.6)
    assert ends[38.0] == pytest.approx(645.0, abs=1.0)
    assert ends[65.0] == pytest.approx(606.0, abs=1.0)
    stops = [long_grade(v).stop_c[1] for v in (10.0, 20.0, 40.0, 60.0)]
    assert (np.diff(stops) > 0.0).all()


@pytest.mark.parametrize(
    ("klb", "speed_mph", "zone", "never"),
    [(40, 45, 190, 289), (60, 45, 246, 413), (80, 45, 353, 543), (80, 25, 256, 496)],
)
def test_a_hill_of_five_grades(klb, speed_mph, zone, never):
    # COMPUTED (independent, its steps unknown: within 2 °F): largest brake temperature
    # without the stop, retarder off from 5.0 to 6.5 km and off everywhere
    chainage = np.arange(0.0, 8001.0, 25.0)
    grade = -np.repeat([0.02, 0.06, 0.04, 0.07, 0.03], [20, 100, 40, 100, 60])
    middle = 0.5 * (chainage[1:] + chainage[:-1])
    allowed = (middle < 5000.0) | (middle > 6500.0)
    for permission, expected in ((allowed, zone), (False, never)):
        found = drive(
            chainage,
            grade,
            metres_per_second(speed_mph),
            TRUCK,
            klb * 1000 * POUND_KG,
            retarder_allowed=permission,
            power_rule="published",
        )
        assert fahrenheit(found.temperature_c.max()) == pytest.approx(expected, abs=2.0)


def test_pieces_may_be_cut_without_changing_the_drive():
    coarse = drive([0.0, 1000.0, 3000.0], [-0.06, -0.04], 15.0, TRUCK, 36_000.0)
    chainage = np.linspace(0.0, 3000.0, 301)
    fine = drive(chainage, np.repeat([-0.06, -0.04], [100, 200]), 15.0, TRUCK, 36_000.0)
    assert fine.temperature_c[-1] == pytest.approx(coarse.temperature_c[-1], abs=1e-9)
    assert fine.duration_s == pytest.approx(coarse.duration_s)
    assert fine.energy.brakes == pytest.approx(coarse.energy.brakes)


def test_the_peak_names_its_place():
    found = descend(retarder_kind="none")
    at = int(np.flatnonzero(found.chainage_m == found.peak_at_m)[0])
    assert found.temperature_c[at] + found.stop_c[at] == found.peak_c
    assert 4000.0 < found.peak_at_m <= 6000.0


def test_speed_changes_count_as_energy_and_start_in_time():
    target = np.where(np.arange(120) < 60, 22.0, 12.0)
    found = drive(CHAINAGE, np.full(120, -0.03), target, TRUCK, 30_000.0)
    assert found.node_speed_ms[59] > 12.0
    assert found.node_speed_ms[60] == pytest.approx(12.0)
    assert found.energy.kinetic == pytest.approx(0.5 * 30_000.0 * (22.0**2 - 12.0**2))
    slowing = np.diff(found.node_speed_ms**2) / (2.0 * np.diff(CHAINAGE))
    assert slowing.min() == pytest.approx(-0.5 * np.hypot(1.0, 0.03), rel=1e-9)


@given(st.lists(st.tuples(st.floats(10.0, 500.0), st.floats(2.0, 30.0)), min_size=1, max_size=30))
def test_node_speeds_keep_to_the_wish_and_to_both_accelerations(pieces):
    length, target = (np.array(values) for values in zip(*pieces, strict=True))
    speed = node_speeds(length, target, 0.5, 0.3)
    assert (speed[1:] <= target + 1e-9).all()
    assert (speed[:-1] <= target + 1e-9).all()
    rate = np.diff(speed**2) / (2.0 * length)
    assert rate.max() <= 0.3 + 1e-9
    assert rate.min() >= -0.5 - 1e-9


def by_steps(length, target, slowing, gaining):
    square = np.append(np.minimum(target, np.insert(target[:-1], 0, np.inf)), target[-1]) ** 2
    for i in range(len(length) - 1, -1, -1):
        square[i] = min(square[i], square[i + 1] + 2.0 * slowing * length[i])
    for i in range(len(length)):
        square[i + 1] = min(square[i + 1], square[i] + 2.0 * gaining * length[i])
    return np.sqrt(square)


@given(st.lists(st.tuples(st.floats(10.0, 500.0), st.floats(2.0, 30.0)), min_size=1, max_size=30))
def test_node_speeds_are_the_highest_allowed_step_by_step(pieces):
    length, target = (np.array(values) for values in zip(*pieces, strict=True))
    expected = by_steps(length, target, 0.5, 0.3)
    np.testing.assert_allclose(node_speeds(length, target, 0.5, 0.3), expected, rtol=1e-9)


def test_an_accelerating_truck_is_pulled_not_braked():
    target = np.array([10.0, 10.0, 20.0, 20.0])
    found = drive(np.arange(5) * 300.0, np.zeros(4), target, TRUCK, 20_000.0)
    assert (found.need_w < 0.0).all()
    assert not found.brake_w.any()
    np.testing.assert_array_equal(found.temperature_c, np.sort(found.temperature_c)[::-1])


def test_a_driveline_retarder_is_held_by_torque_and_by_cooling():
    speed = np.array([1.0, 5.0, 25.0])
    torque_power = 3000.0 * speed / TRUCK.tyre_radius_m * TRUCK.axle_ratio
    np.testing.assert_allclose(
        driveline_power(speed, TRUCK), np.minimum(torque_power, 300e3), rtol=1e-12
    )
    found = descend(retarder_kind="driveline")
    assert found.retarder_share.max() > 0.0
    assert all(state == () for state in found.states)
    assert found.peak_c < descend(retarder_kind="none").peak_c


def test_a_smaller_heat_sink_is_hotter():
    small = replace(TRUCK, brakes=replace(TRUCK.brakes, heat_capacity_kj_k=250.0))
    hot = drive(CHAINAGE, GRADE, 18.0, small, 34_000.0, retarder_kind="none").peak_c
    assert hot > descend(retarder_kind="none").peak_c


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"chainage_m": [0.0]}, "chainage"),
        ({"chainage_m": [0.0, 100.0, 100.0]}, "chainage"),
        ({"grade": [-0.06, np.nan]}, "grade"),
        ({"grade": [-0.06, -0.6]}, "grade"),
        ({"grade": [-0.06] * 3}, "need 2 grades"),
        ({"target_speed_ms": 0.0}, "target_speed"),
        ({"target_speed_ms": [10.0, np.nan]}, "target_speed"),
        ({"mass_kg": 500.0}, "mass"),
        ({"retarder_kind": "parachute"}, "retarder_kind"),
        ({"habit": "never"}, "habit"),
        ({"power_rule": "highest"}, "rule"),
        ({"deceleration_ms2": 0.0}, "deceleration"),
    ],
)
def test_drives_refuse_what_cannot_be(changes, words):
    given_values: dict[str, Any] = {
        "chainage_m": [0.0, 100.0, 200.0],
        "grade": [-0.06, -0.06],
        "target_speed_ms": 15.0,
        "truck": TRUCK,
        "mass_kg": 30_000.0,
    }
    with pytest.raises(OutOfDomainError, match=words):
        drive(**(given_values | changes))


def test_one_grade_stands_for_all_pieces():
    short = drive([0.0, 100.0, 200.0], -0.06, 15.0, TRUCK, 30_000.0)
    assert short.brake_w.shape == (2,)
    np.testing.assert_allclose(short.need_w, short.need_w[0])


def test_cylinders_that_the_switch_does_not_have_are_refused():
    with pytest.raises(OutOfDomainError, match="0, 2, 4, 6"):
        retarding_power(1500.0, 3, TRUCK)


@pytest.mark.parametrize(("slope", "need_kw", "end_f"), [(0.06, 154, 442), (0.07, 183, 524)])
def test_a_long_descent_on_the_brakes_alone(slope, need_kw, end_f):
    # COMPUTED (independent): 36 t, 30 km/h, 6 km
    run = 6000.0 / np.hypot(1.0, slope)
    found = drive([0.0, run], [-slope], 30.0 / 3.6, TRUCK, 36_000.0, retarder_kind="none")
    assert found.need_w[0] / 1e3 == pytest.approx(need_kw, abs=0.5)
    assert fahrenheit(found.temperature_c[-1]) == pytest.approx(end_f, abs=0.5)


def test_a_seven_per_cent_grade_of_ten_miles_calls_for_ten_to_thirty_miles_an_hour():
    # FOUND (a newspaper of 1995 on such a grade): heavy trucks "between 10 and 30 mph"
    for klb in (60, 70, 80):
        speeds = np.arange(5.0, 60.0, 0.5)
        peaks = [
            drive(
                [0.0, 10.0 * MILE_M],
                [-0.07],
                metres_per_second(v),
                TRUCK,
                klb * 1000 * POUND_KG,
                retarder_kind="none",
                conditions=Conditions("federal"),
            ).peak_c
            for v in speeds
        ]
        first_over = speeds[np.argmax(np.array(peaks) > hard_limit_c())]
        assert 10.0 <= first_over <= 30.0


def test_a_stop_at_a_change_of_grade_reckons_with_the_steeper_side():
    found = drive([0.0, 500.0, 1000.0, 1500.0], [0.0, -0.07, 0.03], 18.0, TRUCK, 30_000.0)
    flat, steep = found.stop_c[0], found.stop_c[1]
    assert steep / flat == pytest.approx(1.0 + 9.80665 * np.sin(np.arctan(0.07)) / 3.0)
    assert found.stop_c[2] == pytest.approx(steep)
    assert found.stop_c[3] == pytest.approx(flat)


def test_power_of_each_kind_of_retarder_beyond_friction():
    for kind, own in (
        ("exhaust_throttle", lambda found: throttle_power(found.engine_speed_rpm, TRUCK)
         - friction_power(found.engine_speed_rpm, TRUCK)),
        ("driveline", lambda found: driveline_power(found.speed_ms, TRUCK)),
        ("compression_release", lambda found: retarding_power(found.engine_speed_rpm, 6, TRUCK)
         - friction_power(found.engine_speed_rpm, TRUCK)),
    ):  # fmt: skip
        found = descend(36_000.0, 18.0, retarder_kind=kind, habit="high")
        full = np.maximum(own(found), 0.0)
        rest = np.maximum(found.need_w - friction_power(found.engine_speed_rpm, TRUCK), 0.0)
        np.testing.assert_allclose(found.retarder_w, np.minimum(rest, full), rtol=1e-9, atol=1e-6)
        np.testing.assert_allclose(
            found.retarder_share * full, found.retarder_w, rtol=1e-9, atol=1e-6
        )
        np.testing.assert_allclose(found.brake_w, rest - found.retarder_w, rtol=1e-9, atol=1e-6)
        assert found.retarder_w.max() > 1e4


def test_a_retarder_that_is_not_needed_is_on_for_no_time_at_all():
    """Down 1 % the rolling and the air's drag and the engine's friction hold 30 t by themselves."""
    found = drive(np.arange(4) * 100.0, np.full(3, -0.01), np.full(3, 15.0), TRUCK, 30_000.0)
    assert (found.need_w < friction_power(found.engine_speed_rpm, TRUCK)).all()
    assert found.retarder_share.tolist() == [0.0, 0.0, 0.0]
    assert found.retarder_w.tolist() == [0.0, 0.0, 0.0]
