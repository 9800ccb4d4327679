"""The engineer's tables against second computations, closed forms and counted runs."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import hill
import numpy as np
import pytest
import zone_cases

from noisemap.descent.brake_temperature import Conditions
from noisemap.descent.drive import drive
from noisemap.descent.truck import packaged_truck
from noisemap.exposure.arrivals import HillsAbove
from noisemap.exposure.driving import Practice, drive_road
from noisemap.states import Zone
from noisemap.units import FOOT_M, MILE_M, POUND_KG, celsius, metres_per_second, mph
from noisemap.zones.engineer_tables import (
    approval_rows,
    balance_speed,
    beyond_hard,
    general_length_table,
    highest_speed_screened,
    hill_sign_rows,
    length_without_retarder,
    speed_table,
    steep_run,
)
from noisemap.zones.signs import (
    beginning,
    downhill_directions,
    entry_rows,
    first_home,
    placement_distance_m,
    sign_points,
)

TRUCK = packaged_truck("13L")

# COMPUTED by an independent prototype of the same heat balance, a cross-check and no
# published table: longest stretch without retarder [mi] at 15, 25, 35, 45 mph, entry 150 °F.
LENGTHS = {
    (40, 6, 500): (np.inf, 18.8, 12.3, 10.3),
    (40, 8, 500): (11.0, 7.4, 6.2, 5.5),
    (60, 4, 500): (np.inf, 26.0, 14.3, 11.4),
    (60, 6, 500): (8.4, 6.1, 5.1, 4.6),
    (80, 4, 500): (16.0, 8.9, 6.9, 5.9),
    (80, 5, 500): (6.8, 5.2, 4.4, 3.8),
    (80, 6, 500): (4.4, 3.7, 3.2, 2.8),
    (80, 8, 500): (2.6, 2.3, 2.1, 1.9),
    (80, 10, 500): (1.9, 1.7, 1.5, 1.4),
    (40, 6, 350): (13.5, 7.3, 5.6, 4.8),
    (60, 6, 350): (3.8, 3.0, 2.6, 2.2),
    (80, 4, 350): (5.8, 4.2, 3.3, 2.7),
    (80, 6, 350): (2.2, 1.9, 1.6, 1.3),
    (80, 8, 350): (1.4, 1.2, 1.0, 0.86),
}


@pytest.mark.parametrize(("key", "miles"), LENGTHS.items(), ids=str)
def test_lengths_against_an_independent_computation(key, miles) -> None:
    weight, per_cent, limit = key
    for speed, expected in zip((15, 25, 35, 45), miles, strict=True):
        found = (
            length_without_retarder(
                TRUCK,
                weight * 1000 * POUND_KG,
                per_cent / 100,
                metres_per_second(speed),
                Conditions(),
                celsius(limit),
            )
            / MILE_M
        )
        half_digit = 0.05 if expected >= 1.0 else 0.005
        # half the last digit, and 0.5 % for the constants that it gives with fewer digits
        assert found == pytest.approx(expected, abs=half_digit + 0.005 * min(expected, 100.0))


def test_a_drive_of_that_length_ends_at_the_limit() -> None:
    length = length_without_retarder(TRUCK, 36_287.0, 0.06, 15.0, Conditions(), 200.0)
    end = drive(
        [0.0, length / np.hypot(1.0, 0.06)], [-0.06], 15.0, TRUCK, 36_287.0, retarder_kind="none"
    )
    assert end.peak_c == pytest.approx(200.0, abs=1e-6)


def test_lengths_fall_with_grade_and_weight() -> None:
    rows = general_length_table(TRUCK, Conditions(), 190.0)
    table = {(round(row.mass_kg), row.grade): row.lengths_m for row in rows}
    masses, grades = sorted({m for m, _ in table}), sorted({g for _, g in table})
    for mass in masses:
        for low, high in pairwise(grades):
            assert all(a >= b for a, b in zip(table[mass, low], table[mass, high], strict=True))
    for grade in grades:
        for low, high in pairwise(masses):
            assert all(a >= b for a, b in zip(table[low, grade], table[high, grade], strict=True))
    assert any(np.isinf(v) for row in rows for v in row.lengths_m)


def test_first_principles_take_the_default_brakes() -> None:
    arguments = (TRUCK, 36_287.0, 0.06, 15.0)
    assert length_without_retarder(
        *arguments, Conditions("first_principles"), 200.0
    ) == length_without_retarder(*arguments, Conditions(), 200.0)


# COMPUTED by the same prototype: speeds held without any brake [mph] at 2,100 rpm by stage.
@pytest.mark.parametrize(
    ("weight", "per_cent", "stages"),
    [
        (40, 6, (11, 28, 65, 65)),
        (40, 8, (8, 20, 38, 51)),
        (60, 6, (6, 20, 28, 51)),
        (60, 8, (None, 15, 20, 28)),
        (80, 4, (8, 20, 38, 65)),
        (80, 6, (None, 15, 20, 28)),
        (80, 8, (None, 11, 15, 20)),
    ],
)
def test_balance_speeds_against_an_independent_computation(weight, per_cent, stages) -> None:
    mass = weight * 1000 * POUND_KG
    for stage, expected in enumerate(stages):
        kind = "compression_release" if stage else "none"
        cylinders = TRUCK.retarder.switch_cylinders[stage - 1] if stage else None
        found = balance_speed(TRUCK, mass, per_cent / 100, kind, cylinders, "published")
        if expected is None:
            assert found is None or mph(found) < 6.5  # below the prototype's lowest gear
        else:
            assert mph(found) == pytest.approx(expected, abs=0.5)


def test_at_the_balance_speed_no_brake_works() -> None:
    speed = balance_speed(TRUCK, 36_287.0, 0.05, "compression_release")
    steady = drive([0.0, 500.0], [-0.05], speed * 0.9999, TRUCK, 36_287.0)
    faster = drive([0.0, 500.0], [-0.05], speed * 1.01, TRUCK, 36_287.0)
    assert steady.brake_w[0] == pytest.approx(0.0, abs=1.0)
    assert faster.brake_w[0] > 1000.0


def test_other_retarders_hold_more_than_none() -> None:
    none = balance_speed(TRUCK, 30_000.0, 0.04)
    for kind in ("exhaust_throttle", "driveline", "compression_release"):
        assert balance_speed(TRUCK, 30_000.0, 0.04, kind) >= none


def test_the_highest_speed_screened_against_drives() -> None:
    place = zone_cases.town(length=6000.0, piece=100.0, grades=(-0.07,), speed_kmh=90.0)
    truck = zone_cases.trucks()[2]
    found = highest_speed_screened(
        place.stretches, 0, 1, truck, hill.PRACTICE, 230.0, retarder="none"
    )

    def at(speed: float) -> float:
        practice = replace(hill.PRACTICE, assumed_speed=speed)
        return drive_road(place.stretches, 0, 1, truck, practice, retarder="none").peak_c

    assert at(found) <= 230.0 < at(found + metres_per_second(1.0))
    assert round(mph(found), 6) == round(mph(found))
    # with the retarder everywhere the posted speed is reached
    assert highest_speed_screened(place.stretches, 0, 1, truck, hill.PRACTICE, 400.0) == 25.0
    assert (
        highest_speed_screened(place.stretches, 0, 1, truck, hill.PRACTICE, 60.0, retarder="none")
        is None
    )


def test_the_speed_table_orders_its_columns() -> None:
    place = zone_cases.town(length=5000.0, piece=100.0, grades=(-0.065,), speed_kmh=80.0)
    zones = (
        Zone("short", "hill", 2000.0, 2600.0),
        Zone("long", "hill", 500.0, 4500.0),
    )
    rows = speed_table(
        place.stretches, 0, 1, zone_cases.trucks()[2:4], Practice(Conditions()), 150.0, zones
    )
    equipped, bare = rows
    by_zone = dict(equipped.screened_zone_ms)
    assert equipped.screened_ms >= by_zone["short"] >= by_zone["long"] >= equipped.screened_none_ms
    assert bare.screened_ms == bare.screened_none_ms == dict(bare.screened_zone_ms)["long"]
    assert bare.balance_ms == bare.balance_none_ms
    assert equipped.assumed_ms == pytest.approx(80.0 / 3.6)


def stretches_with(grades: list[float]):
    place = zone_cases.town(length=100.0 * len(grades), piece=100.0, grades=(-0.05,))
    return replace(place.stretches, grade=np.array(grades))


def test_steep_runs_are_counted_in_their_direction() -> None:
    stretches = stretches_with([-0.06, -0.06, 0.01, -0.06, -0.06, -0.06, 0.07])
    assert steep_run(stretches, 0, 1, 0.05) == (300.0, 300.0, 600.0)
    assert steep_run(stretches, 0, -1, 0.05) == (100.0, 600.0, 700.0)
    assert steep_run(stretches, 0, 1, 0.08)[0] == 0.0
    zone = Zone("z", "hill", 0.0, 250.0)
    assert steep_run(stretches, 0, 1, 0.05, zone)[0] == 200.0


def test_hill_signs_by_length_and_grade() -> None:
    """6 % over 700 m is 2,297 ft: over 2,000 ft of the 6 % row, under 3,000 ft of the 5 % row."""
    rows = hill_sign_rows(stretches_with([-0.06] * 7 + [0.0] * 5), 0, 1)
    assert [row.holds for row in rows] == [False, True, False, False, False]
    assert not any(row.holds for row in hill_sign_rows(stretches_with([-0.06] * 7), 0, -1))
    assert all(row.mark == "MEMORY-H" for row in rows)


def test_approval_rules_on_a_profile() -> None:
    steep, mild = stretches_with([-0.05] * 10), stretches_with([-0.05, -0.03] * 5)
    zone = Zone("z", "hill", 0.0, 1000.0, binds="compression_release")

    def answers(stretches, zone):
        return {
            (row.state, row.text[:14]): row.holds for row in approval_rows(stretches, 0, 1, zone)
        }

    first, second = answers(steep, zone), answers(mild, zone)
    assert first["Pennsylvania", "downhill grade"] is False
    assert second["Pennsylvania", "downhill grade"] is True
    assert first["Pennsylvania", "posted speed n"] is True
    assert first["North Carolina", "sign for unmuf"] is False
    unmuffled = answers(steep, replace(zone, binds="unmuffled_compression_release"))
    assert unmuffled["North Carolina", "sign for unmuf"] is True
    assert None in first.values()
    fast = replace(steep, speed_limit_kmh=np.full(10, 105.0))
    assert answers(fast, zone)["Pennsylvania", "posted speed n"] is False


def test_the_beginning_beside_the_crest() -> None:
    place = hill.scene(grade=-0.06, length=2000.0)
    inside = beginning(place, 0, Zone("z", "hill", 600.0, 1500.0), 1)
    assert inside.crest_m == 0.0
    assert inside.past_crest_m == pytest.approx(600.0)
    assert not inside.before_choice
    assert beginning(place, 0, Zone("z", "hill", 0.0, 1500.0), 1).before_choice
    level = hill.scene(grade=-0.01, length=2000.0)
    assert beginning(level, 0, Zone("z", "hill", 600.0, 1500.0), 1).before_choice


def test_a_zone_is_driven_down_in_one_direction() -> None:
    zone = Zone("z", "hill", 600.0, 1500.0)
    assert downhill_directions(hill.scene(grade=-0.06), 0, zone) == [1]
    assert downhill_directions(hill.scene(grade=0.06), 0, zone) == [-1]
    one_way = hill.scene(grade=0.06)
    one_way = replace(one_way, roads=(replace(one_way.roads[0], one_way=1),))
    assert downhill_directions(one_way, 0, zone) == []


def test_what_a_truck_has_chosen_at_the_zone() -> None:
    place = hill.scene(grade=-0.06, length=2000.0)
    zone = Zone("z", "hill", 600.0, 1500.0)
    truck, hills = hill.truck(), HillsAbove(place)
    (row,) = entry_rows(place, 0, zone, 1, [truck], hill.PRACTICE, hills)
    one = drive_road(place.stretches, 0, 1, truck, hill.PRACTICE, silent=zone)
    assert row.gear == one.gear[30]
    assert row.speed_ms == one.node_speed_ms[30]
    assert (row.onsets_free, row.onsets_zone) == (1, 2)  # the zone's end is an onset of its own
    assert row.engine_speed_rpm <= truck.model.highest_speed_rpm
    beyond = Zone("z", "hill", 3000.0, 3100.0)
    assert entry_rows(place, 0, beyond, 1, [truck], hill.PRACTICE, hills) == ()


def test_signs_stand_in_their_order_down_the_hill() -> None:
    place = hill.scene(grade=-0.06, length=3000.0, speed_kmh=72.4)
    zone = Zone("z", "hill", 700.0, 2700.0)
    points = {point.kind: point for point in sign_points(place, 0, zone)}
    assert points["zone begins"].chainage_m == 700.0
    assert points["zone ends"].chainage_m == 2700.0
    assert points["advance sign"].chainage_m == pytest.approx(700.0 - 175 * FOOT_M, abs=0.1)
    assert points["decision sight"].chainage_m < points["advance sign"].chainage_m
    assert points["advance sign before the crest"].text.startswith(
        "the zone begins 2,297 ft (700 m) past"
    )
    assert points["repeat"].chainage_m == pytest.approx(700.0 + MILE_M)
    assert points["first home reached"].chainage_m == pytest.approx(1500.0)
    assert points["zone begins"].x == pytest.approx(700.0)
    assert "shown at its end" in points["advance sign before the crest"].text


def test_signs_against_the_points_of_the_road() -> None:
    place = hill.scene(grade=0.06, length=3000.0)
    points = {
        point.kind: point for point in sign_points(place, 0, Zone("z", "hill", 700.0, 2000.0))
    }
    assert points["zone begins"].chainage_m == 2000.0
    assert points["advance sign"].chainage_m > 2000.0


def test_the_first_home_is_the_first_in_driving_direction() -> None:
    place = hill.scene(length=2000.0, offsets=(50.0, 60.0, 500.0))
    homes = replace(place.homes, x=np.array([400.0, 1200.0, 100.0]))
    place = replace(place, homes=homes)
    assert first_home(place, 0, 0.0, 2000.0, 1) == pytest.approx(400.0)
    assert first_home(place, 0, 2000.0, 0.0, -1) == pytest.approx(1200.0)
    far = replace(place, homes=replace(homes, y=np.full(3, 900.0)))
    assert first_home(far, 0, 0.0, 2000.0, 1) is None


def test_distances_between_printed_speeds() -> None:
    assert placement_distance_m("advance", metres_per_second(50.0)) == pytest.approx(250 * FOOT_M)
    assert placement_distance_m("decision", metres_per_second(80.0)) == pytest.approx(990 * FOOT_M)


def test_where_the_brakes_alone_pass_the_hard_limit() -> None:
    place = hill.scene(grade=-0.07, length=8000.0)
    truck, light = hill.truck(36_000.0), hill.truck(10_000.0)
    found = beyond_hard(
        place.stretches, 0, 1, [light, truck], hill.PRACTICE, 260.0, HillsAbove(place)
    )
    one = drive_road(place.stretches, 0, 1, truck, hill.PRACTICE, retarder="none")
    over = one.temperature_c + one.stop_c > 260.0
    assert found.at_m == pytest.approx(one.chainage_m[over][0])
    assert not over[one.chainage_m < found.at_m].any()
    mild = hill.scene(grade=-0.01, length=1000.0)
    never = beyond_hard(mild.stretches, 0, 1, [truck], hill.PRACTICE, 260.0, HillsAbove(mild))
    assert never.at_m is None
