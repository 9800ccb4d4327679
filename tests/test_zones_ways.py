"""Drives through a zone in other ways than with the retarder off."""

from __future__ import annotations

from dataclasses import replace

import hill
import numpy as np
import pytest
import zone_cases

from noisemap.descent.brake_temperature import Conditions
from noisemap.exposure.driving import Practice, drive_road
from noisemap.states import Zone
from noisemap.zones.brakes import brake_rows
from noisemap.zones.ways import Slower, low_setting, silenced

PLACE = zone_cases.town()
TRUCK = zone_cases.trucks()[2]
ZONE = Zone("z", "hill", 700.0, 2500.0, binds="compression_release")
INSIDE = np.arange(14, 50)


def go(way, practice=hill.PRACTICE, direction=1, zone=ZONE):
    return way(PLACE.stretches, 0, direction, TRUCK, practice, zone)


def test_the_low_setting_uses_the_fewest_cylinders_in_the_zone_only() -> None:
    free = drive_road(PLACE.stretches, 0, 1, TRUCK, hill.PRACTICE)
    low = go(low_setting)
    lowest = TRUCK.model.retarder.switch_cylinders[0]
    assert set(low.braking_cylinders[INSIDE].tolist()) == {lowest}
    outside = np.setdiff1d(np.arange(60), INSIDE)
    assert np.array_equal(low.braking_cylinders[outside], free.braking_cylinders[outside])
    assert free.braking_cylinders[INSIDE].max() > lowest


def test_the_low_setting_lies_between_free_and_silent() -> None:
    free = drive_road(PLACE.stretches, 0, 1, TRUCK, hill.PRACTICE)
    low, silent = go(low_setting), go(silenced)
    assert free.peak_c + 1.0 < low.peak_c < silent.peak_c - 1.0
    assert free.energy.retarder > low.energy.retarder > silent.energy.retarder


@pytest.mark.parametrize("preset", ["modern_drag", "first_principles"])
@pytest.mark.parametrize("direction", [1, -1])
def test_the_energy_of_the_low_setting_closes(preset, direction) -> None:
    drive = go(low_setting, Practice(Conditions(preset)), direction)
    into = drive.energy.drag + drive.energy.engine + drive.energy.retarder + drive.energy.brakes
    assert abs(drive.energy.residual) < 1e-9 * into
    assert drive.energy.brakes == pytest.approx(float(drive.brake_w @ drive.time_s))


def test_the_low_setting_everywhere_is_the_habit() -> None:
    whole = replace(ZONE, from_m=0.0, to_m=3000.0)
    low = go(low_setting, zone=whole)
    habit = drive_road(PLACE.stretches, 0, 1, TRUCK, Practice(Conditions(), habit="low"))
    assert low.peak_c == pytest.approx(habit.peak_c, abs=1e-9)
    assert low.stop_c == pytest.approx(habit.stop_c)


def test_slower_is_slower_inside_and_slows_down_in_time() -> None:
    free = drive_road(PLACE.stretches, 0, 1, TRUCK, hill.PRACTICE)
    slow = go(Slower(0.8))
    assert slow.speed_ms[INSIDE].max() <= 0.8 * free.speed_ms.max() + 1e-9
    assert slow.speed_ms[INSIDE[0] - 1] < free.speed_ms[INSIDE[0] - 1]
    assert slow.speed_ms[0] == pytest.approx(free.speed_ms[0])
    assert slow.duration_s > free.duration_s


def test_slower_counts_from_the_speed_that_the_study_assumes() -> None:
    assumed = Practice(Conditions(), assumed_speed=10.0)
    assert go(Slower(0.5), assumed).speed_ms[20:40].max() == pytest.approx(5.0)
    assert go(Slower(1.0), assumed).peak_c == pytest.approx(
        drive_road(PLACE.stretches, 0, 1, TRUCK, assumed).peak_c
    )


def test_brake_rows_stand_for_the_way_asked_for() -> None:
    def rows(way):
        found = brake_rows(
            ZONE,
            PLACE.roads,
            [0],
            PLACE.stretches,
            [TRUCK],
            hill.PRACTICE,
            hard_limit=260.0,
            planning_limit=190.0,
            native_cell=10.0,
            way=way,
        )
        return {(row.condition, row.direction): row.peak_zone_c for row in found}

    low, silent = rows(low_setting), rows(silenced)
    assert low.keys() == silent.keys()
    assert all(low[key] < silent[key] for key in low)
    assert low["normal", 1] == pytest.approx(go(low_setting).peak_c)
