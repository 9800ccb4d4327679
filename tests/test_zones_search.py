"""The search of zones: screen against drives, exact step against single zones, brute force."""

from __future__ import annotations

from dataclasses import replace

import hill
import numpy as np
import pytest
import zone_cases
from hypothesis import given, settings
from hypothesis import strategies as st

from noisemap.descent.brake_temperature import Conditions
from noisemap.exposure.driving import Practice, TruckClass, drive_road
from noisemap.exposure.levels import PASS_LEVELS
from noisemap.states import Zone
from noisemap.zones import search as search_module
from noisemap.zones.conditions import WORST, cases, heavy_trucks
from noisemap.zones.exact import Rule, effects
from noisemap.zones.heat_maps import free_peak_c, march_intervals
from noisemap.zones.hour_windows import hour_windows
from noisemap.zones.interval_heat import HeatBook
from noisemap.zones.pareto import front_of_many, front_of_two, thinned
from noisemap.zones.sampled import spared_intervals
from noisemap.zones.screen import (
    SEARCHED,
    benefits,
    candidate_ends,
    heat_problem,
    screen,
    setting,
)
from noisemap.zones.search import (
    loss_of_screen,
    passes_bound,
    pick,
    recommend,
    rules_of,
    search,
)
from noisemap.zones.weigh import weigh_zone

ALWAYS = frozenset(range(24))


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory):
    return zone_cases.weighed(tmp_path_factory.mktemp("store"))


@pytest.fixture(scope="module")
def found(town):
    base, sound = town
    return search(base, sound, 0, 0.7)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory):
    """A road of 25 pieces: few enough intervals for all of them to be weighed."""
    base, sound = zone_cases.weighed(tmp_path_factory.mktemp("store"), zone_cases.town(piece=120.0))
    return base, search(base, sound, 0, 0.7)


def normal_case(practice: Practice = hill.PRACTICE):
    return cases(practice, hill.scene().stretches, 10.0)[0]


def ends_of(place) -> np.ndarray:
    return np.arange(0, len(place.stretches.x) + 1, 5)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("mass", [18_000.0, 36_287.0])
@pytest.mark.parametrize("preset", ["modern_drag", "federal"])
def test_every_interval_is_as_hot_as_its_own_drive(direction, mass, preset) -> None:
    """The screen against one drive an interval; the only difference is rounding."""
    place = zone_cases.town(grades=(-0.06, 0.03, -0.07, 0.06))
    practice = Practice(Conditions(preset))
    truck = replace(zone_cases.trucks()[0], mass=mass)
    case = normal_case(practice)
    problem, _ = heat_problem(place.stretches, 0, direction, truck, case, 150.0)
    ends = ends_of(place)
    pieces = len(place.stretches.x)
    marched = march_intervals(problem, ends if direction > 0 else (pieces - ends)[::-1])
    free = drive_road(place.stretches, 0, direction, truck, practice)
    assert free_peak_c(problem) == pytest.approx(free.peak_c, abs=1e-9)
    nodes = np.append(place.stretches.from_m, place.stretches.to_m[-1])
    for i in range(len(ends)):
        for j in range(i + 1, len(ends)):
            low, high = ends[i], ends[j]
            if direction < 0:
                low, high = pieces - ends[::-1][j], pieces - ends[::-1][i]
                low, high = ends[len(ends) - 1 - j], ends[len(ends) - 1 - i]
            zone = Zone("z", "hill", nodes[low], nodes[high])
            one = drive_road(place.stretches, 0, direction, truck, practice, silent=zone)
            assert marched.peak_c[i, j] == pytest.approx(one.peak_c, abs=0.02)
            assert marched.peak_c[i, j] >= one.peak_c - 1e-4  # the table errs upward
            assert marched.permitted[i, j] == (one.peak_c <= 150.0 + 1e-9)


def test_slower_rows_against_step_by_step_arithmetic() -> None:
    """A zone at a lower speed: the loss of speed heats the brakes where the zone begins."""
    place = zone_cases.town()
    truck = zone_cases.trucks()[2]
    problem, speeds = heat_problem(place.stretches, 0, 1, truck, normal_case(), 130.0, (8.0, 6.0))
    assert speeds == (None, 8.0, 6.0)
    ends = ends_of(place)
    marched = march_intervals(problem, ends)
    for i in range(len(ends) - 1):
        for j in range(i + 1, len(ends)):
            rows = [
                row for row in range(3) if _by_hand(problem, row, ends[i], ends[j]) <= 130.0 + 1e-9
            ]
            assert marched.speed_row[i, j] == (rows[0] if rows else -1)
    rows_seen = set(marched.speed_row[np.triu_indices(len(ends), 1)].tolist())
    assert {0, -1} < rows_seen


def _by_hand(problem, row: int, start: int, end: int) -> float:
    temperature, peak = problem.entry_c, problem.entry_c + problem.free_stop[0]
    for node in range(len(problem.free_factor)):
        if node == start:
            temperature += problem.zone_jump[row, node]
            peak = max(peak, temperature + problem.zone_stop[row, node])
        inside = start <= node < end
        factor = problem.zone_factor[row, node] if inside else problem.free_factor[node]
        offset = problem.zone_offset[row, node] if inside else problem.free_offset[node]
        temperature = factor * temperature + offset
        stop = problem.zone_stop[row, node + 1] if inside else problem.free_stop[node + 1]
        if node + 1 == end:
            stop = max(stop, problem.free_stop[node + 1])
        peak = max(peak, temperature + stop)
    return peak


def test_wider_is_never_cooler(found) -> None:
    """Descent model, invariant: widening a zone never lowers the peak at a fixed speed."""
    for one in found.screen.trucks:
        peak = one.marched.peak_c.astype(float)
        both = np.isfinite(peak[:, :-1]) & np.isfinite(peak[:, 1:])
        assert np.all((peak[:, 1:] - peak[:, :-1])[both] >= -1e-3)
        both = np.isfinite(peak[:-1]) & np.isfinite(peak[1:])
        assert np.all((peak[:-1] - peak[1:])[both] >= -1e-3)
        assert np.all(peak[np.isfinite(peak)] >= one.free_peak_c - 1e-3)


def test_permitted_ends_lie_together(found) -> None:
    """From each start the permitted ends form one run, so the furthest tells them all."""
    for one in found.screen.trucks:
        for row in one.marched.permitted:
            ends = np.flatnonzero(row)
            assert not len(ends) or np.all(np.diff(ends) == 1)


def test_degraded_is_never_cooler(found) -> None:
    by = {(one.truck, one.direction, one.case.condition): one for one in found.screen.trucks}
    for (truck, direction, condition), one in by.items():
        if condition == WORST:
            worst = one.marched.peak_c
            for other in ("normal", "degraded", "grade at its upper bound"):
                peak = by[truck, direction, other].marched.peak_c
                known = np.isfinite(worst)
                assert np.all(worst[known] >= peak[known] - 1e-3)


def test_benefit_adds_up(town) -> None:
    """Adjacent intervals add: the screen's benefit is a running sum."""
    base, sound = town
    rules = rules_of(base)
    count = len(base.scene.stretches.x)
    fine = benefits(base, sound, 0, rules, np.arange(count + 1))
    assert np.all(np.diff(fine, axis=1) >= 0.0)
    coarse = benefits(base, sound, 0, rules, np.array([0, 17, count]))
    assert coarse[:, 1] == pytest.approx(fine[:, 17])
    assert coarse[:, 2] == pytest.approx(fine[:, -1])
    # at night only, or unmuffled only, is never more than always and everyone
    assert np.all(fine[1, -1] < fine[0, -1])
    assert np.all(fine[0, -1] < fine[2, -1])
    assert fine[2, -1] < base.people.sum()


def test_benefit_is_the_share_of_energy_that_the_whole_zone_takes(town) -> None:
    base, sound = town
    rule = Rule("compression_release", ALWAYS)
    count = len(base.scene.stretches.x)
    total = benefits(base, sound, 0, [rule], np.array([0, count]))[0, 1]
    from noisemap.zones.screen import hour_weights

    weights = hour_weights(base)
    exhaust = (base.passes.energy - base.passes.running_energy).astype(float)
    counts = np.array([one.per_hour @ weights for one in base.classes]) / 3600.0
    share = (exhaust @ counts) / (base.free.traffic_by_hour @ weights)
    assert total == pytest.approx(float(share @ base.people), rel=1e-4)


@pytest.mark.parametrize("rule", [0, 1, 2, 3])
def test_the_exact_step_is_the_weighing_of_single_zones(town, rule) -> None:
    base, sound = town
    chosen = rules_of(base)[rule]
    nodes = np.append(base.scene.stretches.from_m, base.scene.stretches.to_m[-1])
    spans = np.array([(0, 60), (10, 25), (30, 50), (44, 45)])
    sampled = base.draws.silent_share(0.6, 0.0)
    effect = effects(base, sound, 0, spans, [chosen], 0.6, sampled)
    assert effects(base, sound, 0, spans, [chosen], 0.6).helped_limits is None
    for place, (a, b) in enumerate(spans):
        zone = Zone("z", "hill", nodes[a], nodes[b], chosen.hours, chosen.binds, 0.6)
        single = weigh_zone(base, zone)
        for level, value in zip(PASS_LEVELS, effect.spared[place, 0], strict=True):
            assert value == pytest.approx(single.people_passes[level].best, rel=2e-3, abs=1e-4)
        assert effect.helped[place, 0] == pytest.approx(single.people_helped.best, abs=1e-6)
        ends = (single.people_helped.low, single.people_helped.high)
        np.testing.assert_allclose(effect.helped_limits[place, 0], ends, atol=1e-6)
    assert effect.spared[0, 0, 1] > effect.spared[1, 0, 1] > 0.0


def test_the_book_is_the_drive(town) -> None:
    """Composed brakes equal a drive with the zone, row by row, in every case."""
    base, _ = town
    zone = Zone("z", "hill", 700.0, 2100.0, ALWAYS, "compression_release")
    book = HeatBook(base, 0)
    by_condition = {
        case.condition: case for case in cases(base.practice, base.scene.stretches, 10.0)
    }
    seen = set()
    for row in book.heat(zone):
        case = by_condition[row.condition]
        one = drive_road(
            base.scene.stretches,
            0,
            row.direction,
            base.trucks[row.truck],
            case.practice,
            silent=zone,
            steeper=case.steeper,
        )
        if row.condition == WORST:
            assert row.peak_zone_c >= one.peak_c - 1e-9
        else:
            assert row.peak_zone_c == pytest.approx(one.peak_c, abs=1e-9)
        seen.add(row.condition)
    assert seen == set(by_condition)


def test_worst_brakes_are_warm_where_the_zone_begins(town) -> None:
    """A long cool approach does not help: the zone begins at the degraded entry at least."""
    base, _ = town
    flat = np.where(np.arange(60) < 40, -0.001, -0.07)
    cool = replace(
        base, scene=replace(base.scene, stretches=replace(base.scene.stretches, grade=flat))
    )
    zone = Zone("z", "hill", 2000.0, 3000.0, ALWAYS, "compression_release")
    rows = {
        (row.condition, base.trucks[row.truck].name, row.direction): row
        for row in HeatBook(cool, 0).heat(zone)
    }
    case = next(
        case for case in cases(base.practice, base.scene.stretches, 10.0) if case.condition == WORST
    )
    one = drive_road(
        cool.scene.stretches, 0, 1, base.trucks[2], case.practice, silent=zone, steeper=case.steeper
    )
    worst = rows[WORST, "heavy", 1]
    assert one.temperature_c[40] < case.least_at_zone_c
    assert worst.peak_zone_c > one.peak_c + 0.3 * (case.least_at_zone_c - one.temperature_c[40])


def test_brakes_with_a_rising_heat_capacity_are_searched(tmp_path) -> None:
    base, sound = zone_cases.weighed(
        tmp_path, practice=Practice(Conditions("first_principles")), planning_limit=200.0
    )
    result = search(base, sound, 0, 0.7)
    assert not result.screen.linear
    one = result.candidates[result.whole]
    drive = drive_road(base.scene.stretches, 0, 1, base.trucks[2], base.practice, silent=one.zone)
    row = next(
        row for row in one.heat if (row.truck, row.direction, row.condition) == (2, 1, "normal")
    )
    assert row.peak_zone_c == pytest.approx(drive.peak_c, abs=1e-6)


def test_small_cases_are_searched_whole_and_the_loss_is_measured(small) -> None:
    """Brute force: every interval weighed by itself gives the same best zone."""
    base, found = small
    assert found.everything
    assert found.screened == len(found.candidates)
    assert 0.0 <= found.screen_loss < 0.35
    best = {}
    sheet = found.screen
    for i in range(len(sheet.ends)):
        for j in range(i + 1, len(sheet.ends)):
            if not sheet.long_enough[i, j]:
                continue
            zone = Zone(
                "z",
                "hill",
                sheet.chainage[i],
                sheet.chainage[j],
                ALWAYS,
                "compression_release",
                0.7,
            )
            best[i, j] = passes_spared(base, zone)
    exact = {one.pair: one.leading for one in found.candidates if one.rule == 2}
    assert exact.keys() == best.keys()
    for pair, value in best.items():
        assert exact[pair] == pytest.approx(value, rel=2e-3, abs=1e-4)


def passes_spared(base, zone: Zone) -> float:
    """People times passes above 70 dB, from drives and products alone."""
    from noisemap.exposure.levels import passes_above, scenario
    from noisemap.exposure.passes import pass_sound, silent_in
    from noisemap.exposure.product import pass_levels

    classes = silent_in(base.classes, "z")
    drives = {
        (0, one.direction, one.truck, "z"): drive_road(
            base.scene.stretches,
            0,
            one.direction,
            base.trucks[one.truck],
            base.practice,
            silent=zone,
        )
        for one in classes
    }
    sound = pass_sound(
        classes, drives, base.scene.stretches, base.trucks, temperature=10.0, calibration_offset=0.0
    )
    counts = np.array([one.per_hour for one in base.classes])
    after = scenario(pass_levels(base.store, sound), counts, base.other_by_hour)
    night = base.periods.night
    fewer = passes_above(base.free, night, 70, 3.0) - passes_above(after, night, 70, 3.0)
    return float(zone.observance * fewer @ base.people)


def test_the_front_holds_what_nothing_beats(found) -> None:
    front = [found.candidates[i] for i in found.front]
    assert len(front) >= 3
    for one in front:
        for other in found.candidates:
            scores = [
                (getattr(other, name), getattr(one, name))
                for name in ("leading", "benefit", "cautious_margin")
            ]
            assert not all(a > b + 1e-5 for a, b in scores)


def test_a_recommended_zone_keeps_every_limit(found, town) -> None:
    base, _ = town
    one = found.candidates[found.recommended]
    assert one.keeps_limits
    assert one.leading >= base.worth_people_passes
    most = max(c.leading for c in found.candidates if c.keeps_limits)
    assert one.leading >= setting("near_best_share") * most
    verdict = weigh_zone(base, one.zone)
    assert verdict.verdict == "worth signing"
    assert len({found.candidates[i].rule for i in (found.recommended, *found.runners_up)}) == len(
        (found.recommended, *found.runners_up)
    )


def test_nothing_is_recommended_where_no_zone_keeps_the_limit(tmp_path) -> None:
    base, sound = zone_cases.weighed(tmp_path, planning_limit=100.0)
    result = search(base, sound, 0, 0.7)
    assert result.recommended is None
    assert result.runners_up == ()


def test_nothing_is_recommended_where_nothing_is_worth_a_sign(town) -> None:
    base, sound = town
    result = search(replace(base, worth_people_passes=1e6), sound, 0, 0.7)
    assert result.recommended is None


def test_a_level_road_has_nothing_to_search(tmp_path) -> None:
    place = zone_cases.town(grades=(0.0,))
    assert search(*zone_cases.weighed(tmp_path, place), 0, 0.7) is None


def test_coarse_terrain_proposes_no_zone_shorter_than_its_base(town) -> None:
    base, sound = town
    coarse = replace(
        base, scene=replace(base.scene, terrain=replace(base.scene.terrain, native_cell=90.0))
    )
    sheet = screen(coarse, sound, 0, rules_of(base))
    length = sheet.chainage[None, :] - sheet.chainage[:, None]
    assert length[sheet.long_enough].min() >= 1000.0
    assert length[screen(base, sound, 0, rules_of(base)).long_enough].min() == pytest.approx(200.0)


def test_a_truck_over_the_limit_already_gets_no_hotter(tmp_path) -> None:
    base, sound = zone_cases.weighed(tmp_path, planning_limit=75.0)
    sheet = screen(base, sound, 0, rules_of(base))
    over = [
        one for one in sheet.trucks if one.case.condition == "normal" and one.free_peak_c > 75.0
    ]
    assert over
    for one in over:
        assert one.limit_c == pytest.approx(one.free_peak_c)
        kept = one.marched.permitted & np.isfinite(one.marched.peak_c)
        assert np.all(one.marched.peak_c[kept] <= one.free_peak_c + 0.02)


def test_who_would_have_to_come_slower(found) -> None:
    """Shares and seconds grow from a zone that every truck bears to the whole road."""
    whole = found.candidates[found.whole]
    assert 0.0 <= whole.slower_share <= 1.0
    for one in found.candidates:
        if one.normal_margin >= 0.0:
            assert one.slower_share == 0.0
            assert one.delay_s == 0.0
        else:
            assert one.slower_share > 0.0


def test_bound_passes_of_a_day(town) -> None:
    base, _ = town
    always = Zone("z", "hill", 0.0, 1.0, ALWAYS, "compression_release")
    night = replace(always, hours=base.periods.night)
    unmuffled = replace(always, binds="unmuffled_compression_release")
    total = sum(passes_bound(base, 0, always).values())
    assert total == pytest.approx(sum(one.per_hour.sum() for one in base.classes))
    assert 0.0 < sum(passes_bound(base, 0, night).values()) < total
    assert sum(passes_bound(base, 0, unmuffled).values()) == pytest.approx(0.1 * total)


def test_heavy_trucks_stand_at_the_stated_percentiles() -> None:
    fleet = [
        TruckClass(f"t{i}", hill.truck().model, 10_000.0 + 100.0 * i, 0.01, "compression_release")
        for i in range(100)
    ]
    assert heavy_trucks(fleet, (SEARCHED,)) == (94, 98)
    assert heavy_trucks([replace(fleet[0], retarder="none")], (SEARCHED,)) == ()


def test_ends_keep_their_distance(town) -> None:
    base, _ = town
    used = np.zeros(60, dtype=bool)
    used[5:41] = True
    ends = candidate_ends(base.scene.stretches, 0, used)
    nodes = np.append(base.scene.stretches.from_m, base.scene.stretches.to_m[-1])
    assert ends[0] == 5
    assert ends[-1] == 41
    assert np.diff(nodes[ends]).min() >= 50.0 - 1e-6


def test_picking_is_bounded_and_diverse(town, monkeypatch: pytest.MonkeyPatch) -> None:
    base, sound = town
    sheet = screen(base, sound, 0, rules_of(base))
    chosen = pick(sheet, 60)
    assert len(chosen) == len(set(chosen)) == 60
    assert (0, len(sheet.ends) - 1) in chosen
    starts = {i * 4 // len(sheet.ends) for i, _ in chosen}
    assert starts == {0, 1, 2, 3}
    monkeypatch.setattr(
        search_module, "setting", lambda name: 0.0 if name == "small_case" else setting(name)
    )
    picked = search(base, sound, 0, 0.7, evaluated=60)
    assert not picked.everything
    assert picked.screen_loss is None
    whole = search_module.recommend(picked.candidates, base.worth_people_passes)
    assert whole[0] == picked.recommended
    monkeypatch.undo()
    every = search(base, sound, 0, 0.7)
    best = max(one.leading for one in every.candidates if one.keeps_limits)
    assert max(one.leading for one in picked.candidates if one.keeps_limits) >= 0.98 * best


def test_the_loss_of_the_screen_by_hand(found) -> None:
    fit = [one for one in found.candidates if one.rule == 2 and one.keeps_limits]
    best = max(one.leading for one in fit)
    first = max(fit, key=lambda one: one.benefit)
    assert loss_of_screen(fit) == pytest.approx(1.0 - first.leading / best)


def test_recommend_takes_the_mild_among_the_good(found) -> None:
    model = found.candidates[found.recommended]
    good = replace(model, spared=(0.0, 100.0, 0.0), degrees_a_day=100.0)
    mild = replace(model, spared=(0.0, 95.0, 0.0), degrees_a_day=10.0)
    weak = replace(model, spared=(0.0, 50.0, 0.0), degrees_a_day=0.0)
    hot = replace(model, spared=(0.0, 500.0, 0.0), cautious_margin=-1.0)
    assert recommend([good, mild, weak, hot], 5.0)[0] == 1


@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), min_size=1, max_size=60))
@settings(max_examples=80, deadline=None)
def test_fronts_against_all_pairs(points) -> None:
    gain, margin = np.array(points, dtype=float).T
    expected = {
        p
        for p in points
        if not any((a >= p[0] and b >= p[1]) and (a > p[0] or b > p[1]) for a, b in points)
    }
    fast = front_of_two(gain, margin)
    assert {points[i] for i in fast} == expected
    assert len(fast) == len(expected)
    slow = front_of_many(np.column_stack([gain, margin]))
    assert {points[i] for i in slow} == expected
    assert len(slow) == len(expected)


def test_thinning_keeps_the_ends() -> None:
    values = np.linspace(0.0, 1.0, 101)
    kept = values[thinned(values, 5)]
    assert kept == pytest.approx([0.0, 0.25, 0.5, 0.75, 1.0])
    assert len(thinned(np.ones(30), 5)) <= 5


def test_intervals_of_the_search_are_those_of_single_zones(town) -> None:
    """Shared samples against one weighing a zone: the same draws, the same percentiles."""
    base, sound = town
    rules = rules_of(base)
    spans = np.array([[10, 30], [5, 55], [40, 45]])
    like = Zone("z", "hill", 0.0, 1.0, observance=0.7, emergency_use=0.1)
    found = spared_intervals(base, sound, 0, spans, rules, like, 70)
    nodes = np.append(base.scene.stretches.from_m, base.scene.stretches.to_m[-1])
    for place, (low, high) in enumerate(spans):
        for number in (0, 2):
            zone = replace(
                like,
                from_m=nodes[low],
                to_m=nodes[high],
                binds=rules[number].binds,
                hours=rules[number].hours,
            )
            single = weigh_zone(base, zone).people_passes[70]
            assert found[place, number, 0] == pytest.approx(single.low, rel=1e-3, abs=1e-6)
            assert found[place, number, 1] == pytest.approx(single.high, rel=1e-3, abs=1e-6)
    assert found[1, 2, 1] > found[0, 2, 1] > found[2, 2, 1]


def test_runs_of_hours_are_single_weighings(town) -> None:
    base, sound = town
    zone = Zone("z", "hill", 700.0, 2100.0, ALWAYS, "compression_release", 0.7, 0.1)
    windows = hour_windows(base, sound, 0, zone)
    for one in (windows[0], windows[len(windows) // 2], windows[-1]):
        hours = frozenset((one.start + k) % 24 for k in range(one.hours))
        alone = replace(zone, hours=hours)
        assert one.spared == pytest.approx(weigh_zone(base, alone).people_passes[70].best, rel=2e-3)
        assert one.bound_a_day == pytest.approx(sum(passes_bound(base, 0, alone).values()))
    spared = [one.spared for one in windows]
    assert spared == sorted(spared, reverse=True)
    bound = [one.bound_a_day for one in windows]
    assert bound == sorted(bound, reverse=True)
    assert windows[0].hours == len(base.periods.night)  # no passes count outside the night
    assert hour_windows(base, sound, 0, replace(zone, from_m=9e5, to_m=9e6)) == ()
