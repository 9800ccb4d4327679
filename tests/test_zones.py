"""Zones: what they spare and refuse, the intervals, the verdicts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import hill
import numpy as np
import pytest
from test_exposure import PERIODS

from noisemap.community.criteria import criterion, outdoor_readings
from noisemap.exposure.arrivals import HillsAbove
from noisemap.exposure.driving import drive_road
from noisemap.exposure.levels import home_levels, people_shares, scenario
from noisemap.exposure.passes import FREE, PassClass, pass_sound, traffic_emission
from noisemap.exposure.product import energy_at_receivers, pass_levels
from noisemap.exposure.results import BrakeRow, Interval
from noisemap.exposure.traffic import Flow
from noisemap.exposure.uncertainty import certain, draw, interval, people_over, spread
from noisemap.states import EXHAUST_STATES, Zone
from noisemap.transfer.build import Air, build_store
from noisemap.zones.brakes import brake_rows
from noisemap.zones.conditions import DEGRADED, NORMAL, STEEPER, WORST
from noisemap.zones.interval_heat import HeatBook
from noisemap.zones.verdict import judge, room_k
from noisemap.zones.weigh import Base, not_compared, weigh_zone

SHARES = {"after_treatment": 0.5, "muffled": 0.4, "worn": 0.06, "straight": 0.04}


def base(folder: Path, **options) -> Base:
    """Ten trucks an hour down a hill of 2 km, one retarder each."""
    place = hill.scene(**options)
    store = build_store(folder, place, hill.receivers(place), Air(10.0, 70.0, 101.325), 2000.0)
    trucks = (hill.truck(30_000.0), hill.truck(36_000.0))
    trucks = tuple(
        replace(one, name=name, share=0.5)
        for one, name in zip(trucks, ("half", "full"), strict=True)
    )
    drives = {
        (0, 1, index, FREE): drive_road(place.stretches, 0, 1, truck, hill.PRACTICE)
        for index, truck in enumerate(trucks)
    }
    classes = tuple(
        PassClass(0, 1, index, state, FREE, np.full(24, 10.0 * SHARES[state] * 0.5))
        for index in (0, 1)
        for state in EXHAUST_STATES
    )
    sound = pass_sound(
        classes, drives, place.stretches, trucks, temperature=20.0, calibration_offset=0.0
    )
    passes = pass_levels(store, sound)
    light = Flow(0, 1, "light", None, np.full(24, 200.0))
    other = energy_at_receivers(
        store, traffic_emission([light], place.stretches, 20.0, hill.PRACTICE)
    )
    free = scenario(passes, np.array([one.per_hour for one in classes]), other)
    fleet = spread("fleet_spread")
    background = np.full(24, 40.0)
    return Base(
        scene=place,
        store=store,
        trucks=trucks,
        practice=hill.PRACTICE,
        hard_limit=260.0,
        planning_limit=190.0,
        temperature=20.0,
        calibration_offset=0.0,
        classes=classes,
        passes=passes,
        other_by_hour=other,
        free=free,
        before=home_levels(free, place.receivers, place.homes, PERIODS, fleet, background),
        people=people_shares(free.traffic_by_hour.sum(axis=1), place.receivers, place.homes),
        loudest_receiver=np.arange(len(place.homes.home_id)),
        home_sigma=np.full(len(place.homes.home_id), 2.0),
        draws=draw(1000, len(place.homes.home_id), 7),
        periods=PERIODS,
        background=background,
        criteria=(criterion("housing_acceptable"), criterion("health_road_night")),
        worth_people_passes=5.0,
        units="us",
        hills=HillsAbove(place),
    )


@pytest.fixture(scope="module")
def steep(tmp_path_factory: pytest.TempPathFactory) -> Base:
    return base(tmp_path_factory.mktemp("steep"))


def zone(**options) -> Zone:
    given = {
        "name": "z",
        "road": "Hill Road",
        "from_m": 800.0,
        "to_m": 1300.0,
        "binds": "compression_release",
        "observance": 1.0,
    }
    return Zone(**(given | options))  # type: ignore[arg-type]


def test_a_zone_spares_passes_and_makes_no_home_louder(steep: Base) -> None:
    found = weigh_zone(steep, zone())
    assert found.people_passes[70].best > 1.0
    assert (found.quieter_by >= 0.0).all()
    assert found.people_louder == 0.0
    assert (found.levels.l_night <= steep.before.l_night + 1e-9).all()


def test_nobody_obeys_nothing_changes(steep: Base) -> None:
    found = weigh_zone(steep, zone(observance=0.0))
    assert all(found.people_passes[level].best == 0.0 for level in (60, 70, 80))
    assert found.levels.l_night == pytest.approx(steep.before.l_night, abs=1e-9)


def test_more_observance_spares_more(steep: Base) -> None:
    spared = [
        weigh_zone(steep, zone(observance=share)).people_passes[70].best
        for share in (0.2, 0.5, 1.0)
    ]
    assert spared == sorted(spared)
    assert spared[1] == pytest.approx(2.5 * spared[0], rel=1e-6)


def test_unmuffled_only_spares_less_than_a_ban(steep: Base) -> None:
    ban = weigh_zone(steep, zone())
    unmuffled = weigh_zone(steep, zone(binds="unmuffled_compression_release"))
    assert 0.0 < unmuffled.people_passes[70].best < ban.people_passes[70].best


def test_hours_of_the_zone_count(steep: Base) -> None:
    day = weigh_zone(steep, zone(hours=frozenset(range(8, 18))))
    night = weigh_zone(steep, zone(hours=frozenset({22, 23, 0, 1, 2, 3, 4, 5, 6})))
    whole = weigh_zone(steep, zone())
    assert day.people_passes[70].best == 0.0  # counted at night
    assert (day.levels.l_dn < steep.before.l_dn).all()
    assert night.people_passes[70].best == pytest.approx(whole.people_passes[70].best)


def test_where_nothing_changes_no_sample_changes_anything(steep: Base) -> None:
    outside = weigh_zone(steep, zone(from_m=0.0, to_m=20.0))
    far = outside.people_passes[70]
    whole = weigh_zone(steep, zone(from_m=0.0, to_m=2000.0)).people_passes[70]
    assert far.high < 0.02 * whole.high


def test_the_interval_is_that_of_its_samples(steep: Base) -> None:
    found = weigh_zone(steep, zone())
    for level in (60, 70):
        figure = found.people_passes[level]
        assert figure.low < figure.best < figure.high  # not by construction: nothing clamps
    again = weigh_zone(steep, zone())
    assert again.people_passes == found.people_passes  # the same seed
    samples = np.arange(1001.0)
    assert interval(2000.0, samples) == Interval(2000.0, 50.0, 950.0)


def test_without_errors_the_samples_are_the_figure(steep: Base) -> None:
    still = replace(
        steep,
        draws=certain(1, len(steep.home_sigma)),
    )
    figure = weigh_zone(still, zone(observance=0.6)).people_passes[70]
    assert figure.low == pytest.approx(figure.best, rel=2e-3)
    assert figure.high == pytest.approx(figure.best, rel=2e-3)
    quieter = weigh_zone(still, zone(observance=0.6)).quieter_interval
    assert quieter is not None
    assert quieter.high - quieter.low < 0.02


def test_background_hides_part_of_the_gain(steep: Base) -> None:
    found = weigh_zone(steep, zone())
    gains = [found.gain_with_background[level].best for level in (45, 50, 55)]
    assert gains == sorted(gains, reverse=True)
    assert found.quieter_interval is not None
    assert 0.0 < gains[0] < found.quieter_interval.best


def test_total_criteria_need_a_background(steep: Base) -> None:
    assert len(weigh_zone(steep, zone()).people_over) == 2
    without = weigh_zone(replace(steep, background=None), zone())
    assert [name for name in without.people_over if "total" in name] == []
    assert len(without.people_over) == 1


def rows_of(steep: Base, one: Zone) -> tuple[BrakeRow, ...]:
    return weigh_zone(steep, one).brakes


def test_brakes_get_hotter_with_the_zone(steep: Base) -> None:
    rows = rows_of(steep, zone())
    assert {row.condition for row in rows} == {NORMAL, STEEPER, DEGRADED, WORST}
    for row in rows:
        assert row.peak_free_c <= row.peak_zone_c <= row.peak_none_c
    normal = {row.truck: row for row in rows if row.condition == NORMAL}
    assert normal["full"].peak_zone_c > normal["half"].peak_zone_c
    for row in rows:
        assert row.peak_zone_c >= normal[row.truck].peak_zone_c


def test_whole_hill_zone_equals_no_retarder(steep: Base) -> None:
    for row in rows_of(steep, zone(from_m=0.0, to_m=2000.0)):
        assert row.peak_zone_c == pytest.approx(row.peak_none_c)


def test_wider_zones_never_cool(steep: Base) -> None:
    peaks = [
        max(row.peak_zone_c for row in rows_of(steep, zone(to_m=end)) if row.condition == NORMAL)
        for end in (900.0, 1200.0, 1600.0, 2000.0)
    ]
    assert peaks == sorted(peaks)


def test_trucks_without_retarder_are_the_baseline() -> None:
    place = hill.scene()
    trucks = (hill.truck(retarder="none"), hill.truck())
    rows = brake_rows(
        zone(),
        place.roads,
        [0],
        place.stretches,
        trucks,
        hill.PRACTICE,
        hard_limit=260.0,
        planning_limit=190.0,
        native_cell=10.0,
    )
    bare = [row for row in rows if not row.equipped]
    assert bare
    assert all(row.peak_free_c == row.peak_zone_c == row.peak_none_c for row in bare)
    assert all(row.direction == 1 for row in rows)


def test_upper_grade_of_the_brakes_follows_the_stretches_own_uncertainty() -> None:
    """A surveyed stretch drives its own bound; an unsurveyed one that of the terrain over 1 km."""
    place = hill.scene()

    def steeper_peak(sigma: float) -> float:
        stated = np.full(len(place.stretches.x), sigma)
        rows = brake_rows(
            zone(),
            place.roads,
            [0],
            replace(place.stretches, grade_sigma=stated),
            (hill.truck(),),
            hill.PRACTICE,
            hard_limit=260.0,
            planning_limit=190.0,
            native_cell=90.0,
        )
        return next(row.peak_zone_c for row in rows if row.condition == "grade at its upper bound")

    assert steeper_peak(0.002) < steeper_peak(0.006) < steeper_peak(0.007)
    assert steeper_peak(0.02) == steeper_peak(0.007)


def test_a_long_steep_ban_is_refused(tmp_path: Path) -> None:
    hot = base(tmp_path, grade=-0.08, length=4000.0, piece=50.0)
    found = weigh_zone(hot, zone(from_m=0.0, to_m=4000.0))
    assert found.verdict == "refused for brakes"
    assert found.sentence.startswith("Do not sign “z”")
    assert any(row.forbids for row in found.brakes)


def row(condition: str, free: float, inside: float, *, equipped: bool = True) -> BrakeRow:
    return BrakeRow(
        "full", 36e3, "r", condition, free, inside, 300.0, 10.0, 260.0, 190.0, 0.0, equipped
    )


GAIN = {level: Interval(100.0, 20.0, 300.0) for level in (60, 70, 80)}
LITTLE = {level: Interval(1.0, 0.1, 40.0) for level in (60, 70, 80)}


@pytest.mark.parametrize(
    ("spared", "rows", "coarse", "word"),
    [
        (GAIN, [row(NORMAL, 120.0, 150.0)], False, "worth signing"),
        (GAIN, [row(NORMAL, 120.0, 150.0)], True, "needs an engineering study"),
        (LITTLE, [row(NORMAL, 120.0, 150.0)], False, "not worth signing"),
        (GAIN, [row(NORMAL, 120.0, 191.0)], False, "refused for brakes"),
        (LITTLE, [row(NORMAL, 120.0, 191.0)], False, "refused for brakes"),
        (GAIN, [row(NORMAL, 195.0, 199.0)], False, "needs an engineering study"),
        (GAIN, [row(NORMAL, 100.0, 150.0), row(DEGRADED, 150.0, 200.0)], False,
         "needs an engineering study"),
        (GAIN, [row(NORMAL, 100.0, 150.0), row(STEEPER, 150.0, 200.0)], False,
         "needs an engineering study"),
        (GAIN, [row(NORMAL, 280.0, 280.0, equipped=False)], False, "worth signing"),
        (GAIN, [], False, "worth signing"),
    ],
)  # fmt: skip
def test_verdicts(spared, rows, coarse: bool, word: str) -> None:
    verdict = judge(zone(), spared, rows, 5.0, coarse=coarse)
    assert verdict.word == word
    assert "safe" not in verdict.sentence


def test_criteria_that_cannot_be_compared_are_said(steep: Base) -> None:
    rules = tuple(
        criterion(key)
        for key in ("bedroom_outdoor_max", "bedroom_indoor_max", "housing_acceptable")
    )
    sentences = not_compared(replace(steep, criteria=rules, background=None))
    assert len(sentences) == 3
    assert "single events" in sentences[0]
    assert "inside are counted by themselves" in sentences[1]
    assert "no background" in sentences[2]
    assert len(not_compared(replace(steep, criteria=rules))) == 2


def test_criteria_for_rooms_are_compared_by_window(steep: Base) -> None:
    rule = criterion("housing_goal_indoor")
    found = weigh_zone(replace(steep, criteria=outdoor_readings(rule)), zone()).people_over
    assert [name.split(":")[0].split(", ")[2] for name in found] == [
        "window open",
        "window slightly open",
        "window closed",
    ]
    opened, slightly, closed = (before.best for before, _ in found.values())
    assert opened >= slightly >= closed
    outside = weigh_zone(
        replace(steep, criteria=(replace(rule, place="outdoor", limit_db=60.0),)), zone()
    ).people_over
    assert [before.best for before, _ in outside.values()] == [slightly]


def test_a_sag_zone_is_judged_by_its_descent() -> None:
    """A zone that ends higher than it begins can still take a truck over its limit."""
    place = hill.scene(length=6500.0, piece=100.0)
    down = place.stretches.x < 4000.0
    place = replace(place, stretches=replace(place.stretches, grade=np.where(down, -0.07, 0.13)))
    rows = brake_rows(
        zone(from_m=1000.0, to_m=6500.0),
        (replace(place.roads[0], one_way=1),),
        [0],
        place.stretches,
        (hill.truck(36_300.0),),
        hill.PRACTICE,
        hard_limit=260.0,
        planning_limit=190.0,
        native_cell=10.0,
    )
    normal = next(one for one in rows if one.condition == NORMAL)
    assert normal.peak_free_c < 190.0 < normal.peak_zone_c
    assert normal.forbids


@pytest.mark.parametrize("entry", [20.0, 93.0, 150.0])
def test_degraded_brakes_are_never_cooler(entry: float) -> None:
    place = hill.scene()
    practice = replace(hill.PRACTICE, conditions=replace(hill.PRACTICE.conditions, entry_c=entry))
    rows = brake_rows(
        zone(),
        place.roads,
        [0],
        place.stretches,
        (hill.truck(),),
        practice,
        hard_limit=260.0,
        planning_limit=190.0,
        native_cell=10.0,
    )
    by_condition = {one.condition: one for one in rows}
    for name in ("peak_free_c", "peak_zone_c", "peak_none_c"):
        worn, sound = by_condition[DEGRADED], by_condition[NORMAL]
        assert getattr(worn, name) > getattr(sound, name)


def test_the_hard_limit_refuses_too() -> None:
    over_planning_already = row(NORMAL, 195.0, 400.0)
    assert over_planning_already.forbids
    verdict = judge(zone(), GAIN, [over_planning_already], 5.0)
    assert verdict.word == "refused for brakes"
    assert "hard limit" in verdict.sentence


def test_both_judges_ask_the_same_rows(tmp_path: Path) -> None:
    """The rows of `weigh_zone` are those of the search, truck by truck, condition by condition."""
    found = base(tmp_path, grade=-0.06, length=3000.0, piece=50.0)
    ban = zone(from_m=500.0, to_m=2500.0)
    mine = {(row.truck, row.direction, row.condition): row for row in weigh_zone(found, ban).brakes}
    book = {
        (found.trucks[row.truck].name, row.direction, row.condition): row
        for row in HeatBook(found, 0).heat(ban)
    }
    shared = [key for key in mine if key in book]
    assert {key[2] for key in shared} == {NORMAL, STEEPER, DEGRADED, WORST}
    for key in shared:
        assert mine[key].peak_zone_c == pytest.approx(book[key].peak_zone_c, abs=1e-9)
        assert mine[key].peak_free_c == pytest.approx(book[key].peak_free_c, abs=1e-9)
        assert room_k(mine[key]) == pytest.approx(book[key].margin, abs=1e-9)


def test_an_unknown_background_widens_the_people_over_a_total_criterion(steep: Base) -> None:
    """The background's own error moves its share of the level, and nothing where there is none."""
    one = np.array([60.0, 60.0])
    people, home, sigma = np.ones(2), np.arange(2), np.zeros(2)
    draws = replace(certain(1000, 2), background=np.linspace(-2.0, 2.0, 1000))
    nothing = np.zeros((2, len(EXHAUST_STATES)))

    def over(share: float, error: float) -> np.ndarray:
        return people_over(one, nothing, 60.5, people, home, sigma, draws, np.full(2, share), error)

    assert over(0.0, 4.0).max() == 0.0
    assert over(0.8, 0.0).max() == 0.0
    assert 0.0 < over(0.8, 4.0).mean() < 2.0
    assert (np.diff(over(0.8, 4.0)) >= 0.0).all()
