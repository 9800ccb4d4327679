"""Measures beside a zone: what they spare, whom they bind, what the brakes do."""

from __future__ import annotations

from dataclasses import replace

import hill
import numpy as np
import pytest
import zone_cases

from noisemap.data_tables import toml_table
from noisemap.exposure.auxiliary import auxiliary_passes
from noisemap.exposure.driving import drive_road
from noisemap.exposure.passes import FREE, PassClass, pass_sound
from noisemap.exposure.product import pass_levels
from noisemap.exposure.traffic import Flow
from noisemap.exposure.uncertainty import certain
from noisemap.states import UNMUFFLED, Zone
from noisemap.zones.alternatives import (
    bound_a_day,
    enforced,
    hauler_alternatives,
    muffler_programme,
    programme_samples,
    sign_alternatives,
    zone_row,
)

ZONE = Zone("z", "hill", 700.0, 2500.0, binds="compression_release", observance=0.7)


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory):
    return zone_cases.weighed(tmp_path_factory.mktemp("store"))[0]


@pytest.fixture(scope="module")
def drives(base):
    return {
        (0, way, index, FREE): drive_road(base.scene.stretches, 0, way, truck, base.practice)
        for way in (1, -1)
        for index, truck in enumerate(base.trucks)
    }


def calm(base):
    """The same base with nothing unknown."""
    return replace(base, draws=certain(base.draws.samples, base.draws.home.shape[1]))


def test_rules_on_one_stretch_of_road(base) -> None:
    rows = {row.name: row for row in sign_alternatives(base, ZONE)}
    assert len(rows) == 6
    slippery = rows.pop("any of these in rain or in winter")
    assert slippery.spared.best == 0.0
    assert slippery.hottest_c >= rows["every auxiliary brake, day and night"].hottest_c
    unmuffled = rows["unmuffled trucks only, day and night"]
    blanket = rows["every compression-release brake, day and night"]
    night = rows["every compression-release brake, at night"]
    every = rows["every auxiliary brake, day and night"]
    assert 0.0 < unmuffled.spared.best < blanket.spared.best
    assert night.spared.best == pytest.approx(blanket.spared.best)  # passes count at night
    assert night.bound_a_day < blanket.bound_a_day
    assert unmuffled.bound_a_day == pytest.approx(0.1 * blanket.bound_a_day)
    # the same brakes heat: a night truck is as hot as a day truck
    assert night.hottest_c == blanket.hottest_c == unmuffled.hottest_c
    # other auxiliary brakes are silent already: nothing more is spared, more brakes heat
    assert every.spared.best == pytest.approx(blanket.spared.best)
    assert every.hottest_c >= blanket.hottest_c
    assert all(row.group == "sign" and row.computed for row in rows.values())


def test_haulers_asked_for_the_low_setting(base) -> None:
    low, slower = hauler_alternatives(base, replace(ZONE, binds="unmuffled_compression_release"))
    silent = zone_row(base, "sign", "silent", replace(ZONE, observance=0.7))
    assert 0.0 < low.spared.best < silent.spared.best
    assert low.hottest_c < silent.hottest_c
    assert low.bound_a_day == pytest.approx(silent.bound_a_day)
    assert slower.louder >= 0.0
    assert {low.group, slower.group} == {"ask haulers"}


def test_a_watched_sign_spares_in_proportion(base) -> None:
    plain = zone_row(base, "sign", "plain", ZONE)
    watched = enforced(base, ZONE)
    share = toml_table("noisemap.zones", "alternatives.toml")["enforced_observance"]["value"]
    assert watched.spared.best == pytest.approx(plain.spared.best * share / 0.7, rel=1e-6)
    assert watched.hottest_c == plain.hottest_c
    assert enforced(base, replace(ZONE, observance=0.99)).zone.observance == 0.99


def test_repaired_mufflers_by_hand(base, drives) -> None:
    """Each repaired truck passes as a muffled one of its weight; counted class by class."""
    from noisemap.community.passes import expected_passes

    row = muffler_programme(base, drives)
    share = toml_table("noisemap.zones", "alternatives.toml")["programme_share"]["value"]
    night = sorted(base.periods.night)
    total = 0.0
    for index, one in enumerate(base.classes):
        if one.exhaust_state not in UNMUFFLED:
            continue
        muffled = replace(one, exhaust_state="muffled")
        sound = pass_sound(
            [muffled],
            drives,
            base.scene.stretches,
            base.trucks,
            temperature=10.0,
            calibration_offset=0.0,
        )
        quiet = pass_levels(base.store, sound).maximum[:, 0].astype(float)
        loud = base.passes.maximum[:, index].astype(float)
        passes = share * one.per_hour[night].sum()
        fewer = expected_passes(loud[:, None], 3.0, [passes], 70.0)
        fewer = fewer - expected_passes(quiet[:, None], 3.0, [passes], 70.0)
        total += float(fewer @ base.people)
    assert row.spared.best == pytest.approx(total, rel=1e-4)
    assert row.spared.low < row.spared.best < row.spared.high
    assert row.hottest_c is None
    assert row.louder == 0.0
    assert row.zone is None


def test_with_nothing_unknown_the_samples_are_the_figure(base, drives) -> None:
    sure = calm(base)
    row = muffler_programme(sure, drives)
    assert row.spared.low == pytest.approx(row.spared.best, rel=1e-3)
    assert row.spared.high == pytest.approx(row.spared.best, rel=1e-3)
    assert row.helped.low == pytest.approx(row.helped.best)
    loud = [i for i, one in enumerate(base.classes) if one.exhaust_state in UNMUFFLED]
    same = type(base.passes)(
        base.passes.energy[:, loud],
        base.passes.running_energy[:, loud],
        base.passes.maximum[:, loud],
        base.passes.exhaust_share[:, loud],
    )
    nothing = programme_samples(sure, loud, same, np.ones(len(loud)))
    assert nothing == pytest.approx(0.0, abs=1e-9)


def test_without_unmuffled_trucks_there_is_nothing_to_repair(base, drives) -> None:
    quiet = [i for i, one in enumerate(base.classes) if one.exhaust_state not in UNMUFFLED]
    muffled = replace(base, classes=tuple(base.classes[i] for i in quiet))
    row = muffler_programme(muffled, drives)
    assert row.spared.best == 0.0
    assert row.remark == "no truck is unmuffled"


def test_bound_passes_follow_hours_and_binding(base) -> None:
    night = replace(ZONE, hours=base.periods.night)
    assert bound_a_day(base, night) < bound_a_day(base, ZONE)
    assert bound_a_day(base, replace(ZONE, road="elsewhere")) == 0.0


def test_other_auxiliary_brakes_cost_heat_and_spare_nothing(base) -> None:
    """A rule on every auxiliary brake binds the throttle's passes: hotter brakes, no less noise."""
    hours = np.full(24, 2.0)
    quiet = PassClass(0, 1, 4, "muffled", FREE, hours)
    with_them = replace(base, auxiliary=(quiet,))
    rows = {row.name: row for row in sign_alternatives(with_them, ZONE)}
    blanket = rows["every compression-release brake, day and night"]
    every = rows["every auxiliary brake, day and night"]
    assert every.bound_a_day == pytest.approx(blanket.bound_a_day + 48.0)
    assert every.spared.best == pytest.approx(blanket.spared.best)
    assert "binds 48.0 more passes a day" in every.remark
    assert every.rise_k > 0.0
    assert (
        "no truck of this study"
        in {row.name: row for row in sign_alternatives(base, ZONE)}[
            "every auxiliary brake, day and night"
        ].remark
    )


def test_trucks_with_a_throttle_are_counted_apart() -> None:
    place = hill.scene()
    fleet = (hill.truck(), hill.truck(retarder="exhaust_throttle"), hill.truck(retarder="none"))
    drives = {
        (0, 1, index, FREE): drive_road(place.stretches, 0, 1, truck, hill.PRACTICE)
        for index, truck in enumerate(fleet)
    }
    flow = Flow(0, 1, "heavy", "muffled", np.full(24, 10.0))
    (found,) = auxiliary_passes([flow], fleet, drives, place.stretches)
    assert found.truck == 1
    assert found.per_hour[0] == pytest.approx(10.0 * fleet[1].share)
    level = replace(place.stretches, grade=np.zeros(len(place.stretches.x)))
    assert auxiliary_passes([flow], fleet, drives, level) == ()


def test_a_night_truck_is_heated_like_a_day_truck(base) -> None:
    rows = {row.name: row for row in sign_alternatives(base, ZONE)}
    day = rows["every compression-release brake, day and night"]
    night = rows["every compression-release brake, at night"]
    assert night.rise_k == pytest.approx(day.rise_k)
    assert day.rise_k > 0.0
