"""Tipping points, the width of each unknown, the plan of measurement, counsel's questions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import zone_cases

from noisemap.exposure.after_treatment import AfterTreatmentShare
from noisemap.exposure.driving import drive_road
from noisemap.exposure.results import Interval
from noisemap.exposure.uncertainty import draw
from noisemap.references import references
from noisemap.states import Zone
from noisemap.zones.legal import blanks, questions
from noisemap.zones.monitoring import nights_needed, plan, plan_choice
from noisemap.zones.tipping import (
    drivers_of,
    equal_share,
    first_true,
    is_over,
    level_drivers_of,
    one_at_a_time,
    rows_when,
    tipping_points,
    unmuffled_share,
)
from noisemap.zones.verdict import needs_study
from noisemap.zones.weigh import spared_under, weigh_zone

ZONE = Zone("z", "hill", 700.0, 2500.0, binds="compression_release", observance=0.7)


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory):
    return zone_cases.weighed(tmp_path_factory.mktemp("store"))[0]


@pytest.fixture(scope="module")
def points(base):
    return {point.name: point for point in tipping_points(base, ZONE)}


def test_the_whole_interval_is_that_of_the_zone(base) -> None:
    found = drivers_of(base, ZONE)
    whole, drivers = found.whole, found.alone
    result = weigh_zone(base, ZONE).people_passes[70]
    assert whole == result
    widths = [one.width for one in drivers]
    assert widths == sorted(widths, reverse=True)
    assert all(0.0 <= width < 1.05 * (whole.high - whole.low) for width in widths)
    assert len(drivers) == 9


def test_each_unknown_stands_alone(base) -> None:
    share = AfterTreatmentShare(0.4, 0.5, 0.6)
    sets = one_at_a_time(draw(1000, len(base.scene.homes.home_id), 7, share))
    for name, draws in sets.items():
        straight = draws.exhaust["straight"]
        moving = {
            "level of the exhausts": np.ptp(straight) > 0.0,
            "difference between exhausts": np.ptp(draws.exhaust["muffled"] - straight) > 0.0,
            "level with the retarder off": np.ptp(draws.silent) > 0.0,
            "observance": np.ptp(draws.observance) > 0.0,
            "use in emergencies": np.ptp(draws.emergency_factor) > 0.0,
            "number of unmuffled trucks": np.ptp(draws.unmuffled_factor) > 0.0,
            "share with after-treatment": np.ptp(draws.after_treatment_factor) > 0.0,
            "share of time with the retarder on": np.ptp(draws.duty_factor) > 0.0,
            "background": np.ptp(draws.background) > 0.0,
            "place and terrain of each home": np.ptp(draws.home) > 0.0,
        }
        assert [key for key, moves in moving.items() if moves] == [name]


def test_a_background_drives_the_fall_of_the_total_level(base) -> None:
    """A louder background hides more: known well it widens little, unknown it widens much."""
    there = replace(base, background=np.full(24, 45.0), background_sigma=4.0)
    widths = {one.name: one.width for one in level_drivers_of(there, ZONE).alone}
    assert widths["background"] > 0.0
    assert widths["share of time with the retarder on"] > 0.0
    known = replace(there, background_sigma=0.0)
    surer = {one.name: one.width for one in level_drivers_of(known, ZONE).alone}
    assert surer["background"] < widths["background"]
    assert "background" not in {one.name for one in level_drivers_of(base, ZONE).alone}
    total = weigh_zone(there, ZONE).quieter_total
    assert total == level_drivers_of(there, ZONE).whole
    assert weigh_zone(base, ZONE).quieter_total is None


def test_use_in_emergencies_spares_less(base) -> None:
    zone = replace(ZONE, emergency_use=0.2)
    plain, less = weigh_zone(base, ZONE), weigh_zone(base, zone)
    assert less.people_passes[70].best == pytest.approx(0.8 * plain.people_passes[70].best)
    assert less.people_helped.best <= plain.people_helped.best
    assert less.quieter_interval.high < plain.quieter_interval.high
    widths = {one.name: one.width for one in drivers_of(base, zone).alone}
    assert widths["use in emergencies"] > 0.0
    assert {one.name: one.width for one in drivers_of(base, ZONE).alone}[
        "use in emergencies"
    ] == 0.0


def test_the_number_of_unmuffled_trucks_matters_most_where_only_they_are_bound(base) -> None:
    def width(zone, name):
        drivers = drivers_of(base, zone).alone
        whole = next(one for one in drivers if one.name == name)
        return whole.width / max(one.width for one in drivers)

    few = replace(ZONE, binds="unmuffled_compression_release")
    name = "number of unmuffled trucks"
    assert width(few, name) > width(ZONE, name)


def test_at_the_least_observance_the_zone_is_just_worth_it(base, points) -> None:
    point = points["observance"]
    (spared,) = spared_under(base, replace(ZONE, observance=point.value), [base.draws], 70)
    assert spared.best == pytest.approx(base.worth_people_passes, rel=1e-6)
    poor = replace(base, worth_people_passes=1e9)
    from noisemap.zones.tipping import observance_point

    assert observance_point(poor, ZONE).value is None


def test_at_the_equal_share_both_rules_stand_at_nine_tenths(base, points) -> None:
    """Counts scaled to the share found: the unmuffled then spare 0.9 of the whole."""
    share, now = points["unmuffled share"].value, unmuffled_share(base, ZONE)
    assert now == pytest.approx(0.1)
    scaled = replace(
        base,
        classes=tuple(
            replace(
                one,
                per_hour=one.per_hour
                * (
                    share / now
                    if one.exhaust_state in ("worn", "straight")
                    else (1.0 - share) / (1.0 - now)
                ),
            )
            for one in base.classes
        ),
    )
    from noisemap.exposure.levels import scenario

    counts = np.array([one.per_hour for one in scaled.classes])
    scaled = replace(scaled, free=scenario(base.passes, counts, base.other_by_hour))
    (few,) = spared_under(
        scaled, replace(ZONE, binds="unmuffled_compression_release"), [base.draws], 70
    )
    (everyone,) = spared_under(scaled, ZONE, [base.draws], 70)
    assert few.best == pytest.approx(0.9 * everyone.best, rel=1e-6)


def test_equal_share_by_hand() -> None:
    assert equal_share(1.0, 0.0, 0.2, 0.9) == 0.0
    assert equal_share(2.0, 8.0, 0.2, 0.5) == pytest.approx(0.5)


def test_verdicts_turn_just_beyond_the_tipping_points(base, points) -> None:
    limit = points["planning limit"]
    one = max(
        drive_road(base.scene.stretches, 0, 1, truck, base.practice, silent=ZONE).peak_c
        for truck in base.trucks[:3]
    )
    assert limit.value == pytest.approx(one)
    assert limit.study > limit.value

    def verdict(planning_limit: float) -> str:
        return weigh_zone(replace(base, planning_limit=planning_limit), ZONE).verdict

    assert verdict(limit.value - 1.0) == "refused for brakes"
    assert verdict(limit.value + 1.0) == "needs an engineering study"
    assert verdict(limit.study + 1.0) == "worth signing"


@pytest.mark.parametrize(("name", "step"), [("more_grade", 1e-4), ("more_entry", 0.5)])
def test_grade_and_entry_turn_the_rows_of_the_verdict(base, points, name, step) -> None:
    point = points["grade" if name == "more_grade" else "entry temperature"]
    begin = 0.0 if name == "more_grade" else base.practice.conditions.entry_c
    assert point.study <= point.value
    for value, turned in ((point.value, is_over), (point.study, needs_study)):
        assert turned(rows_when(base, ZONE, 0, **{name: value - begin + step}))
        if value > begin:
            assert not turned(rows_when(base, ZONE, 0, **{name: value - begin - step}))


def test_first_true_at_the_ends() -> None:
    assert first_true(lambda more: 200.0 + more > 150.0, 4.0) == 0.0
    assert first_true(lambda more: 100.0 + more > 150.0, 4.0) is None


@pytest.mark.parametrize(("before", "after"), [(12.0, 8.0), (30.0, 20.0), (5.0, 2.0)])
def test_nights_show_the_change_with_the_stated_power(before, after) -> None:
    """Simulated counts, with the stated scatter from night to night, are told apart as often."""
    factor = plan_choice("night_to_night")
    nights = int(np.ceil(nights_needed(before, after)))
    rng = np.random.default_rng(11)
    runs = 20_000

    def counts(mean: float) -> np.ndarray:
        shape = mean / (factor - 1.0)
        return rng.negative_binomial(shape, 1.0 / factor, (runs, nights)).sum(axis=1)

    def seen(first: np.ndarray, second: np.ndarray) -> float:
        spread = np.sqrt(np.maximum(factor * (first + second), 1.0))
        return float(((first - second) / spread > 1.6449).mean())

    power = seen(counts(before), counts(after))
    rounded_up = nights / nights_needed(before, after)
    assert plan_choice("power") - 0.04 <= power <= 0.84 + 0.35 * (rounded_up - 1.0)
    assert seen(counts(before), counts(before)) == pytest.approx(0.05, abs=0.015)


def test_without_a_fall_no_number_of_nights_suffices() -> None:
    assert nights_needed(3.0, 3.0) == np.inf
    assert nights_needed(3.0, 4.0) == np.inf
    assert nights_needed(10.0, 5.0) < nights_needed(10.0, 8.0)


def test_a_plan_names_places_nights_and_rules(base) -> None:
    result = weigh_zone(base, ZONE)
    found = plan(base.before, result.levels, base.scene.homes)
    assert 1 <= len(found.places) <= 3
    assert len({place.home for place in found.places}) == len(found.places)
    first = found.places[0]
    assert first.nights is not None
    assert first.nights >= plan_choice("fewest_nights")
    assert first.passes_counted == pytest.approx(first.nights * first.before)
    assert any("Remove it" in rule for rule in found.rules)
    same = plan(base.before, base.before, base.scene.homes)
    assert same.places == ()
    assert "too small" in same.rules[0]
    assert same.control is not None
    assert same.control.nights is None


def test_assumed_homes_are_no_places_to_measure(base) -> None:
    homes = replace(base.scene.homes, estimated=np.ones(8, dtype=bool))
    result = weigh_zone(base, ZONE)
    assert plan(base.before, result.levels, homes).places == ()


def test_questions_for_counsel_have_sources_and_dates() -> None:
    found = questions()
    assert {"Pre-emption", "Truck access", "State approval", "Sign standard"} <= {
        one.topic for one in found
    }
    for one in found:
        assert one.source in references()
        assert one.seen
        assert "?" in one.question
    assert len(blanks()) == 4


def test_intervals_hold_their_best_figure(base) -> None:
    found = drivers_of(base, ZONE)
    for one in (found.whole, *(driver.interval for driver in found.alone if driver.width > 0.0)):
        assert isinstance(one, Interval)
        assert one.low <= one.best <= one.high
