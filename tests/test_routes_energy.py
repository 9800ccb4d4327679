"""Energy at the wheels and fuel against closed forms and the drive's own forces."""

from __future__ import annotations

import math

import numpy as np
import pytest

from noisemap.data_tables import toml_table
from noisemap.descent.drive import drive
from noisemap.descent.truck import packaged_truck
from noisemap.routes.energy import WheelWork, drive_fuel, fuel, wheel_work
from noisemap.units import STANDARD_GRAVITY

TRUCK = packaged_truck("13L")
MASS = 30_000.0
SPEED = 20.0
AIR_DENSITY = 1.2  # of descent/presets.toml


def closed_form(grade: float, length_m: float) -> tuple[float, float, float]:
    """Work against air, rolling and lifting at one speed on one grade [J]."""
    slant = length_m * math.hypot(1.0, grade)
    air = 0.5 * AIR_DENSITY * TRUCK.drag_area_m2 * SPEED**2 * slant
    rolling = TRUCK.rolling_resistance * MASS * STANDARD_GRAVITY * length_m
    return air, rolling, MASS * STANDARD_GRAVITY * grade * length_m


@pytest.mark.parametrize("grade", [0.0, 0.03, -0.002])
def test_one_speed_on_one_grade_is_the_closed_form(grade: float) -> None:
    """Along a piece rolling takes Crr m g cos times L / cos: Crr m g L, whatever the grade."""
    run = drive(np.linspace(0.0, 4000.0, 41), grade, SPEED, TRUCK, MASS)
    work = wheel_work(run, np.full(40, grade), TRUCK, MASS)
    expected = closed_form(grade, 4000.0)
    assert (work.air, work.rolling, work.lifting) == pytest.approx(expected, rel=1e-9, abs=1e-6)
    assert work.speeding == pytest.approx(0.0, abs=1e-6)  # of 5e7 J
    table = toml_table("noisemap.routes", "choices.toml")["fuel"]
    diesel = 1e6 * table["energy_mj_l"]["value"]
    share = table["efficiency"]
    found = drive_fuel(run, work)
    assert found.middle == pytest.approx(sum(expected) / (share["value"] * diesel), rel=1e-9)
    assert found.low == pytest.approx(sum(expected) / (share["high"] * diesel), rel=1e-9)
    assert found.high == pytest.approx(sum(expected) / (share["low"] * diesel), rel=1e-9)


def test_work_is_the_traction_of_the_drives_own_ledger() -> None:
    draw = np.random.default_rng(4)
    for _ in range(20):
        chainage = np.concatenate([[0.0], np.cumsum(draw.uniform(10.0, 200.0, 80))])
        grade = draw.uniform(-0.07, 0.07, 80)
        wish = np.repeat(draw.uniform(8.0, 22.0, 8), 10)
        run = drive(chainage, grade, wish, TRUCK, MASS)
        work = wheel_work(run, grade, TRUCK, MASS)
        assert work.total == pytest.approx(run.energy.traction, rel=1e-9)
        assert abs(run.energy.residual) < 1e-9 * run.energy.traction


def test_a_descent_gives_nothing_back() -> None:
    """Up and down again costs what the climb costs, not what the level road costs."""
    chainage = np.linspace(0.0, 4000.0, 41)
    hill = np.repeat([0.05, -0.05], 20)
    over, flat = (drive(chainage, grade, SPEED, TRUCK, MASS) for grade in (hill, np.zeros(40)))
    air, rolling, lifting = closed_form(0.05, 2000.0)
    climbed = wheel_work(over, hill, TRUCK, MASS)
    assert climbed.total == pytest.approx(air + rolling + lifting, rel=1e-9)
    assert climbed.total > 2.0 * wheel_work(flat, np.zeros(40), TRUCK, MASS).total
    descent = drive(chainage, -0.05, SPEED, TRUCK, MASS)
    none = wheel_work(descent, np.full(40, -0.05), TRUCK, MASS)
    assert none.total == 0.0
    found = drive_fuel(descent, none)
    rate = toml_table("noisemap.routes", "choices.toml")["fuel"]["not_pulling_l_h"]
    hours = descent.duration_s / 3600.0
    assert found.low == 0.0
    assert found.middle == pytest.approx(rate["value"] * hours)
    assert found.high == pytest.approx(rate["high"] * hours)


def test_the_range_holds_the_estimate() -> None:
    for joule, seconds in ((0.0, 0.0), (5e7, 0.0), (2e8, 900.0)):
        found = fuel(WheelWork(joule, 0.0, 0.0, 0.0), seconds)
        assert found.low <= found.middle <= found.high
