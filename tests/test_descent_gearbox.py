"""Gear changes that release the retarder: heat, energy, onsets, and what stays as it was."""

from __future__ import annotations

import numpy as np
import pytest

from noisemap.data_tables import toml_table
from noisemap.descent.drive import drive
from noisemap.descent.gearbox import GEARBOXES, engaged_share, gear_changes, locked
from noisemap.descent.truck import packaged_truck
from noisemap.errors import OutOfDomainError

TRUCK = packaged_truck("13L")
NODES = np.arange(0.0, 4001.0, 100.0)
GRADE = np.full(40, -0.06)
SPEED = np.where(np.arange(40) // 5 % 2 == 0, 20.0, 13.0)  # slower and faster: gears change


def go(gearbox="uninterrupted", kind="compression_release", speed=SPEED, **more):
    return drive(NODES, GRADE, speed, TRUCK, 32_000.0, retarder_kind=kind, gearbox=gearbox, **more)


@pytest.mark.parametrize("gearbox", GEARBOXES)
@pytest.mark.parametrize("kind", ["compression_release", "exhaust_throttle", "driveline", "none"])
def test_the_energy_closes(gearbox, kind) -> None:
    energy = go(gearbox, kind).energy
    assert abs(energy.residual) < 1e-9 * energy.potential
    assert min(energy.engine, energy.retarder, energy.brakes) >= 0.0


def test_longer_interruptions_heat_the_brakes_more() -> None:
    none, automated, manual = go(), go("automated"), go("manual")
    assert none.peak_c < automated.peak_c < manual.peak_c
    assert none.energy.engine > automated.energy.engine > manual.energy.engine


def test_without_a_gear_change_nothing_is_interrupted() -> None:
    """At one speed in one gear a manual gearbox changes nothing, to the last digit."""
    steady, manual = go(speed=15.0), go("manual", speed=15.0)
    assert np.array_equal(steady.brake_w, manual.brake_w)
    assert np.array_equal(steady.temperature_c, manual.temperature_c)
    assert steady.onsets == manual.onsets == 1


def test_in_a_change_the_brakes_hold_the_truck_alone() -> None:
    """A piece no longer than the change: friction and retarder do nothing on it."""
    open_s = toml_table("noisemap.descent", "gearbox.toml")["manual"]["open_s"]["value"]
    nodes = np.array([0.0, 500.0, 500.0 + 6.0 * open_s, 1000.0])
    one = drive(
        nodes, np.full(3, -0.06), np.array([20.0, 8.0, 8.0]), TRUCK, 32_000.0, gearbox="manual"
    )
    assert one.interrupted.tolist()[1]
    short = one.time_s[1] <= open_s
    assert short
    assert one.engine_w[1] == 0.0
    assert one.retarder_w[1] == 0.0
    assert one.brake_w[1] == pytest.approx(one.need_w[1])


def test_each_change_is_an_onset() -> None:
    none, manual = go(), go("manual")
    changes = np.count_nonzero(gear_changes(manual.gear))
    on = manual.retarder_share > 0.0
    both = np.count_nonzero(gear_changes(manual.gear)[1:] & on[1:] & on[:-1])
    assert changes > 4
    assert manual.onsets == none.onsets + both
    assert go("converter").onsets == none.onsets


def test_a_driveline_retarder_goes_on_through_the_change() -> None:
    none, manual = go(kind="driveline"), go("manual", "driveline")
    # it takes over what the friction leaves, and is never released
    assert manual.energy.retarder > none.energy.retarder
    assert manual.peak_c < go("manual").peak_c


def test_a_converter_carries_no_retarder_in_its_lowest_gears() -> None:
    slow = go("converter", speed=2.5)
    assert slow.gear.max() <= 2
    assert slow.energy.retarder == 0.0
    assert go("manual", speed=2.5).gear.max() <= 2
    fast = go("converter", speed=15.0)
    assert fast.energy.retarder == pytest.approx(go(speed=15.0).energy.retarder)


def test_shares_of_time() -> None:
    gear, time = np.array([7, 6, 6, 7]), np.array([3.0, 3.0, 3.0, 1.0])
    assert engaged_share(gear, time, "manual") == pytest.approx([1.0, 0.5, 1.0, 0.0])
    assert engaged_share(gear, time, "automated") == pytest.approx([1.0, 0.7, 1.0, 0.1])
    assert engaged_share(gear, time, "converter").tolist() == [1.0] * 4
    assert locked(gear, "uninterrupted").all()


def test_unknown_kinds_are_refused() -> None:
    with pytest.raises(OutOfDomainError, match="manual"):
        go("preselector")
