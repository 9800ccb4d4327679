"""The planner of quiet descents against enumeration, a scalar drive and its invariants."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from noisemap.descent.brake_temperature import Conditions
from noisemap.descent.drive import drive
from noisemap.descent.forces import air_force, rolling_force
from noisemap.descent.gearbox import Gearbox
from noisemap.descent.quiet_moves import (
    Listening,
    Moves,
    all_moves,
    control_blocks,
    drive_burden,
    speed_levels,
)
from noisemap.descent.quiet_plan import QuietPlan, Worth, best_plan, quiet_plan, switching_cost
from noisemap.descent.quiet_step import Profile, Rig, follow, retard, rig, step
from noisemap.descent.retarder import (
    driveline_power,
    friction_power,
    retarding_power,
    throttle_power,
)
from noisemap.descent.truck import packaged_truck
from noisemap.errors import OutOfDomainError

TRUCK = packaged_truck("13L")


def listening(homes: np.ndarray, running: float = 0.05) -> Listening:
    """A burden that rises with cylinders and engine speed where the homes are."""
    rpm = np.array([900.0, 1500.0, 2100.0])
    strength = np.array([0.4, 0.7, 1.0])[None, None] * ((rpm / 2100.0) ** 2)[None, :, None]
    speeds = np.array([5.0, 15.0, 30.0])
    return Listening(
        speeds,
        homes[:, None] * running * (speeds / 15.0)[None] ** 2,
        rpm,
        homes[:, None, None] * strength,
    )


def hill(limit: float = 190.0, cap: float = 20.0, pieces: int = 200) -> tuple[Profile, Listening]:
    """Eight kilometres, 420 m down; the homes stand mainly at 5.0 to 6.5 km."""
    chainage = np.linspace(0.0, 8000.0, pieces + 1)
    middle = 0.5 * (chainage[1:] + chainage[:-1])
    grade = -np.interp(
        middle,
        [0, 499, 501, 2999, 3001, 3999, 4001, 6499, 6501, 8000],
        [0.02, 0.02, 0.06, 0.06, 0.04, 0.04, 0.07, 0.07, 0.03, 0.03],
    )
    homes = 0.02 + np.exp(-(((middle - 5750.0) / 600.0) ** 2))
    profile = Profile(
        chainage,
        grade,
        np.full(pieces, cap),
        np.ones(pieces, bool),
        np.full(pieces + 1, limit),
    )
    return profile, listening(homes)


def plan(
    limit: float, mass: float, burden_s: float, **more: object
) -> tuple[QuietPlan | None, Profile, Listening, Rig]:
    profile, heard = hill(limit)
    one = rig(TRUCK, mass)
    return quiet_plan(profile, one, heard, Worth(burden_s), **more), profile, heard, one  # type: ignore[arg-type]


# --- a small world that can be enumerated ------------------------------------------


def small(seed: int) -> tuple[Profile, Rig, Moves, Worth, int]:
    """Four or five blocks, four speeds, two stages besides off, binding limits."""
    draw = np.random.default_rng(seed)
    blocks = int(draw.integers(4, 6))
    pieces = 3 * blocks
    chainage = np.concatenate([[0.0], np.cumsum(draw.uniform(60.0, 120.0, pieces))])
    grade = -draw.uniform(0.02, 0.09, pieces)
    profile = Profile(
        chainage,
        grade,
        np.full(pieces, 16.0),
        draw.random(pieces) < 2.0,
        np.full(pieces + 1, draw.uniform(105.0, 190.0)),
    )
    allowed = profile.retarder_allowed.copy()
    zone = int(draw.integers(0, blocks))
    allowed[3 * zone : 3 * zone + 3] = draw.random() < 0.4
    profile = replace(profile, retarder_allowed=allowed)
    two = replace(
        TRUCK,
        retarder=replace(
            TRUCK.retarder, switch_cylinders=(6,), model_power_kw=TRUCK.retarder.model_power_kw[2:]
        ),
    )
    one = rig(two, float(draw.uniform(25e3, 38e3)), conditions=Conditions(entry_c=95.0))
    full = listening(draw.random(pieces) * 3.0)
    heard = replace(full, braking=full.braking[:, :, 2:])
    moves = all_moves(
        profile,
        heard,
        one,
        np.arange(0, pieces + 1, 3),
        np.array([9.0, 11.0, 13.5, 16.0]),
        steps=2,
        acceleration_ms2=0.8,
    )
    worth = Worth(
        float(draw.uniform(0.0, 8.0)),
        float(draw.uniform(0.0, 3.0)),
        float(draw.uniform(0.0, 3.0)),
        draw.uniform(0.0, 5.0, pieces),
    )
    return profile, one, moves, worth, 3


@cache
def enumerated(seed: int) -> float:
    """Lowest cost over every sequence of moves, each followed temperature by temperature."""
    profile, one, moves, worth, level = small(seed)
    pieces = len(profile.grade)
    change = switching_cost(moves, worth, pieces)
    best = math.inf
    reach = range(-moves.steps, moves.steps + 1)
    modes = range(len(moves.modes))

    def go(block: int, j: int, mode: int, temperature: float, cost: float) -> None:
        nonlocal best
        if block == len(moves.first) - 1:
            best = min(best, cost)
            return
        for d, k in itertools.product(reach, modes):
            move = (block, j, d + moves.steps, k)
            if not 0 <= j + d < len(moves.levels_ms) or temperature > moves.hottest_entry_c[move]:
                continue
            after = moves.factor[move] * temperature + moves.offset[move]
            paid = moves.time_s[move] + worth.burden_s * moves.burden[move]
            go(block + 1, j + d, k, after, cost + float(change[block, mode, k] + paid))

    go(0, level, 0, one.entry_c, 0.0)
    return best


def test_equal_to_enumeration_on_small_cases() -> None:
    found = none = 0
    for seed in range(24):
        profile, one, moves, worth, level = small(seed)
        true = enumerated(seed)
        best = best_plan(profile, one, moves, worth, level, 0.002)
        if best is None:
            none += 1
            assert true == math.inf, seed
        else:
            found += 1
            assert best.cost_s == pytest.approx(true, rel=1e-12), seed
            assert best.lower_bound_s <= true * (1 + 1e-12)
    assert found >= 12
    assert none >= 1


def test_the_bound_holds_and_no_plan_is_missed_with_wide_classes() -> None:
    for seed in range(24):
        profile, one, moves, worth, level = small(seed)
        true = enumerated(seed)
        best = best_plan(profile, one, moves, worth, level, 20.0)
        assert (best is None) == (true == math.inf)
        if best is not None:
            assert best.lower_bound_s <= true * (1 + 1e-12) <= best.cost_s * (1 + 1e-9)


# --- one move against a scalar drive --------------------------------------------------


def test_moves_equal_a_scalar_march_of_the_heat_balance() -> None:
    """The table of moves against plain formulas, piece by piece."""
    profile, one, moves, _, _ = small(5)
    rng = np.random.default_rng(1)
    checked = 0
    allowed = np.argwhere(np.isfinite(moves.hottest_entry_c))
    for block, j, d, mode in rng.permutation(allowed)[:60].tolist():
        v = moves.piece_speeds(profile, block, j, j + d - moves.steps)
        stage, above = moves.modes[mode]
        wheel = 60.0 / (2.0 * math.pi * one.truck.tyre_radius_m) * one.truck.axle_ratio
        gears = one.truck.gear_ratios
        gear = next(g for g, ratio in enumerate(gears) if max(v) * wheel * ratio <= 2100.0) + above
        temperature = 100.0
        hottest = temperature - moves.hottest_entry_c[block, j, d, mode]
        worst = -math.inf
        for index in range(len(v)):
            piece = int(moves.first[block]) + index
            around = [-profile.grade[p] for p in (piece - 1, piece) if 0 <= p < len(profile.grade)]
            pull = 1.0 + 9.80665 * math.sin(math.atan(max(*around, 0.0))) / 3.0
            stop = 1.5 * 0.5 * one.mass_kg * v[index] ** 2 / one.sink.capacity_j_k * pull
            worst = max(worst, temperature + stop - profile.limit_c[piece])
            if index == len(v) - 1:
                break
            s = -profile.grade[piece]
            ds = (profile.chainage_m[piece + 1] - profile.chainage_m[piece]) * math.hypot(1.0, s)
            mean = 0.5 * (v[index] + v[index + 1])
            dt = ds / mean
            weight = one.mass_kg * 9.80665
            drag = one.truck.rolling_resistance * weight * math.cos(math.atan(s))
            drag += 0.6 * one.truck.drag_area_m2 * mean**2
            need = (weight * math.sin(math.atan(s)) - drag) * mean
            need += 0.5 * one.mass_kg * (v[index] ** 2 - v[index + 1] ** 2) / dt
            n = mean * wheel * gears[gear]
            friction = (1.0 + 0.58 * n / 1000.0) * 1e5 * one.truck.displacement_l * 1e-3 * n / 120
            rest = max(need - friction, 0.0)
            available = float(one.available_w(np.array([n]), np.array([mean]), stage)[0])
            brake = rest - min(rest, available)
            cooling = one.sink.cooling_w_k + one.sink.cooling_w_k_per_ms * mean
            level = one.ambient_c + brake / cooling
            decay = math.exp(-cooling * dt / one.sink.capacity_j_k)
            temperature = level + (temperature - level) * decay
        move = (block, j, d, mode)
        assert moves.factor[move] * 100.0 + moves.offset[move] == pytest.approx(
            temperature, abs=1e-9
        )
        assert (hottest > 1e-9) == (worst > 1e-9)
        checked += 1
    assert checked == 60


@pytest.mark.parametrize("gearbox", ["uninterrupted", "manual", "converter"])
def test_a_followed_drive_is_the_drive(gearbox: Gearbox) -> None:
    """`follow` with the ordinary driver's speeds, gears and stage gives the ordinary drive."""
    profile, _ = hill()
    one = rig(TRUCK, 33_000.0)
    speed = np.where(np.arange(200) < 90, 18.0, 11.0)
    ordinary = drive(
        profile.chainage_m, profile.grade, speed, TRUCK, 33_000.0, habit="high", gearbox=gearbox
    )
    full = np.full(200, 3, np.int64)
    same = follow(profile, ordinary.node_speed_ms, ordinary.gear, full, one, gearbox)
    assert same.temperature_c == pytest.approx(ordinary.temperature_c, abs=1e-9)
    assert same.stop_c == pytest.approx(ordinary.stop_c, abs=1e-9)
    assert same.retarder_share == pytest.approx(ordinary.retarder_share, abs=1e-12)
    assert same.braking_cylinders.tolist() == ordinary.braking_cylinders.tolist()
    assert abs(same.energy.residual) < 1e-6 * same.energy.potential


# --- plans on a hill ------------------------------------------------------------------


@pytest.mark.parametrize(("limit", "mass"), [(260.0, 36287.0), (190.0, 36287.0), (177.0, 27216.0)])
def test_replay_reproduces_temperature_and_cost(limit: float, mass: float) -> None:
    best, _, heard, one = plan(limit, mass, 10.0)
    assert best is not None
    driven = best.drive
    assert driven.peak_c <= limit + 1e-9
    assert driven.temperature_c[-1] == pytest.approx(best.end_c, abs=1e-8)
    burden = float(drive_burden(heard, driven, one).sum())
    assert burden == pytest.approx(best.burden, rel=1e-9)
    assert driven.duration_s == pytest.approx(best.time_s, rel=1e-12)
    changes, shifts = best.changes, 0
    first = best.first[:-1]
    above = driven.gear[first] - np.array(
        [
            int(
                np.argmax(
                    driven.node_speed_ms[a : b + 1].max()
                    * 60.0
                    / (2.0 * np.pi * TRUCK.tyre_radius_m)
                    * TRUCK.axle_ratio
                    * np.array(TRUCK.gear_ratios)
                    <= 2100.0
                )
            )
            + 1
            for a, b in itertools.pairwise(best.first)
        ]
    )
    shifts = int(np.count_nonzero(np.diff(np.insert(above, 0, 0))))
    cost = best.time_s + 10.0 * best.burden + 2.0 * changes + 2.0 * shifts
    assert best.cost_s == pytest.approx(cost, rel=1e-9)
    assert (driven.node_speed_ms <= 20.0 + 1e-9).all()
    assert (driven.engine_speed_rpm <= 2100.0 + 1e-6).all()


def test_quieter_than_the_ordinary_driver_within_the_limit() -> None:
    best, profile, heard, one = plan(190.0, 36287.0, 10.0)
    ordinary = drive(
        profile.chainage_m, profile.grade, profile.cap_ms, TRUCK, 36287.0, habit="high"
    )
    assert best is not None
    assert best.burden < 0.5 * float(drive_burden(heard, ordinary, one).sum())
    assert best.drive.peak_c <= 190.0 + 1e-9
    assert best.gap < 0.05


def test_without_worth_of_noise_the_plan_is_the_fastest() -> None:
    best, profile, _, one = plan(260.0, 27216.0, 0.0)
    assert best is not None
    fastest = float((profile.length_m / 20.0).sum())
    assert best.time_s == pytest.approx(fastest, rel=1e-9)
    silent = quiet_plan(profile, one, hill()[1], Worth(0.0, 0.0, 0.0), class_k=1.0)
    assert silent is not None
    assert silent.cost_s == pytest.approx(fastest, rel=1e-9)


def test_tighter_limits_wider_bans_and_fewer_stages_never_cost_less() -> None:
    """Bounds stand in for the optima: what costs less must not beat the other's bound."""
    free, profile, heard, one = plan(190.0, 36287.0, 10.0)
    assert free is not None
    tight, *_ = plan(165.0, 36287.0, 10.0)
    assert tight is None or tight.cost_s >= free.lower_bound_s
    banned = profile.retarder_allowed.copy()
    banned[125:150] = False
    zone = quiet_plan(replace(profile, retarder_allowed=banned), one, heard, Worth(10.0))
    assert zone is not None
    assert zone.cost_s >= free.lower_bound_s
    assert (zone.drive.retarder_share[125:150] == 0.0).all()
    banned[100:160] = False
    wider = quiet_plan(replace(profile, retarder_allowed=banned), one, heard, Worth(10.0))
    assert wider is None or wider.cost_s >= zone.lower_bound_s
    bare = quiet_plan(profile, rig(TRUCK, 36287.0, "none"), heard, Worth(10.0))
    assert bare is None or bare.cost_s >= free.lower_bound_s


def test_narrower_classes_close_the_gap() -> None:
    wide, *_ = plan(190.0, 36287.0, 10.0, class_k=4.0)
    narrow, *_ = plan(190.0, 36287.0, 10.0, class_k=0.25)
    assert wide is not None
    assert narrow is not None
    assert narrow.gap < wide.gap
    assert narrow.cost_s <= wide.cost_s
    assert narrow.lower_bound_s >= wide.lower_bound_s - 1e-9


def test_nobody_can_hold_the_whole_hill_at_a_low_limit() -> None:
    profile, heard = hill(100.0)
    assert quiet_plan(profile, rig(TRUCK, 36287.0, "none"), heard, Worth(10.0)) is None


def test_switching_costs_calm_the_plan() -> None:
    profile, heard = hill(190.0)
    one = rig(TRUCK, 30_000.0)
    nervous = quiet_plan(profile, one, heard, Worth(10.0, 0.0, 0.0))
    calm = quiet_plan(profile, one, heard, Worth(10.0, 6.0, 6.0, 6.0))
    assert nervous is not None
    assert calm is not None
    assert calm.changes <= nervous.changes
    assert calm.changes < 10


def test_blocks_end_at_zones_and_posted_speeds() -> None:
    profile, _ = hill()
    cap = profile.cap_ms.copy()
    cap[73:] = 15.0
    allowed = profile.retarder_allowed.copy()
    allowed[131:] = False
    first = control_blocks(replace(profile, cap_ms=cap, retarder_allowed=allowed), 200.0)
    assert {0, 73, 131, 200} <= set(first.tolist())
    assert (np.diff(first) > 0).all()
    levels = speed_levels(cap, 8.0, 1.6)
    assert {8.0, 15.0, 20.0} <= set(levels.tolist())
    assert np.diff(levels).max() <= 1.6 + 1e-9


def test_other_retarders_and_what_is_refused() -> None:
    profile, heard = hill(190.0)
    for kind in ("driveline", "exhaust_throttle"):
        best = quiet_plan(profile, rig(TRUCK, 27216.0, kind), heard, Worth(10.0))  # type: ignore[arg-type]
        assert best is not None
        assert (best.drive.braking_cylinders == 0).all()
    with pytest.raises(OutOfDomainError, match="preset 'federal'"):
        rig(TRUCK, 3e4, conditions=Conditions("federal"))
    with pytest.raises(OutOfDomainError, match="worth"):
        Worth(-1.0)
    with pytest.raises(OutOfDomainError, match="class_k"):
        quiet_plan(profile, rig(TRUCK, 3e4), heard, Worth(1.0), class_k=0.0)
    with pytest.raises(OutOfDomainError, match="grade"):
        replace(profile, grade=np.full(200, -0.6))


# --- pieces of the planner on their own ------------------------------------------------


ROAD = Profile(
    np.array([0.0, 100.0, 200.0]),
    np.array([-0.05, -0.06]),
    np.full(2, 20.0),
    np.ones(2, bool),
    np.full(3, 260.0),
)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"chainage_m": np.array([0.0, 100.0])}, "chainage_m"),
        ({"chainage_m": np.array([0.0, 100.0, 100.0])}, "chainage_m"),
        ({"chainage_m": np.array([0.0, 100.0, 99.0])}, "chainage_m"),
        ({"grade": np.array([-0.05, -0.5001])}, "grade"),
        ({"grade": np.array([-0.05, 0.5001])}, "grade"),
        ({"grade": np.array([-0.05, np.nan])}, "grade"),
        ({"cap_ms": np.array([20.0, 0.0])}, "cap_ms"),
        ({"cap_ms": np.full(3, 20.0)}, "cap_ms"),
        ({"retarder_allowed": np.ones(3, bool)}, "retarder_allowed"),
        ({"limit_c": np.full(2, 260.0)}, "limit_c"),
        ({"limit_c": np.array([260.0, np.nan, 260.0])}, "limit_c"),
    ],
)
def test_roads_that_cannot_be_are_refused(changes: dict[str, np.ndarray], words: str) -> None:
    with pytest.raises(OutOfDomainError, match=words):
        replace(ROAD, **changes)  # type: ignore[arg-type]


def test_a_road_has_a_piece_and_may_be_as_steep_as_a_half() -> None:
    none = np.zeros(0)
    with pytest.raises(OutOfDomainError, match="chainage_m"):
        Profile(np.zeros(1), none, none, none.astype(bool), np.full(1, 260.0))
    steep = replace(ROAD, grade=np.array([-0.5, 0.5]), cap_ms=np.array([0.001, 0.5]))
    np.testing.assert_allclose(steep.length_m, 100.0 * np.sqrt(1.25))


def test_a_rig_names_its_stages_and_bounds_its_mass() -> None:
    assert rig(TRUCK, 3e4, "compression_release").stages == (0, 2, 4, 6)
    assert rig(TRUCK, 3e4, "driveline").stages == (0, 0)
    assert rig(TRUCK, 3e4, "exhaust_throttle").stages == (0, 0)
    assert rig(TRUCK, 3e4, "none").stages == (0,)
    assert (rig(TRUCK, 1e3).mass_kg, rig(TRUCK, 2e5).mass_kg) == (1e3, 2e5)
    for mass in (999.0, 200_001.0, math.nan):
        with pytest.raises(OutOfDomainError, match="mass"):
            rig(TRUCK, mass)
    with pytest.raises(OutOfDomainError, match="parachute"):
        rig(TRUCK, 3e4, "parachute")  # type: ignore[arg-type]


def test_power_of_the_retarder_beyond_friction() -> None:
    rpm, speed = np.array([600.0, 899.0, 1500.0, 2100.0]), np.array([5.0, 7.0, 12.0, 20.0])
    friction = friction_power(rpm, TRUCK)
    switch = rig(TRUCK, 3e4, "compression_release")
    assert switch.available_w(rpm, speed, 0).tolist() == [0.0] * 4
    for stage, cylinders in ((1, 2), (2, 4), (3, 6)):
        found = switch.available_w(rpm, speed, stage)
        assert found[:2].tolist() == [0.0, 0.0]  # it releases below 900 rpm
        np.testing.assert_allclose(
            found[2:], (retarding_power(rpm, cylinders, TRUCK) - friction)[2:]
        )
        assert (found[2:] > 1e3).all()
    throttle = rig(TRUCK, 3e4, "exhaust_throttle").available_w(rpm, speed, 1)
    np.testing.assert_allclose(throttle, np.maximum(throttle_power(rpm, TRUCK) - friction, 0.0))
    driveline = rig(TRUCK, 3e4, "driveline")
    np.testing.assert_allclose(driveline.available_w(rpm, speed, 1), driveline_power(speed, TRUCK))
    assert driveline.available_w(rpm[:, None], speed, 0).tolist() == [[0.0] * 4] * 4


def test_balance_of_a_piece_and_share_of_the_retarder() -> None:
    one = rig(TRUCK, 3e4)
    length, gear = np.array([120.0, 120.0, 120.0]), np.full(3, 8)
    grade = np.array([-0.08, -0.06, 0.02])
    v1, v2 = np.array([15.0, 13.0, 14.0]), np.array([13.0, 15.0, 14.0])
    found = step(length, grade, v1, v2, gear, one)
    np.testing.assert_allclose(found.time, 120.0 / 14.0)
    np.testing.assert_allclose(found.kinetic, 0.5 * 3e4 * np.array([56.0, -56.0, 0.0]))
    weight = 3e4 * 9.80665 * np.sin(np.arctan(-grade))
    drag = rolling_force(3e4, -grade, TRUCK.rolling_resistance) + air_force(
        np.full(3, 14.0), TRUCK.drag_area_m2
    )
    need = (weight - drag) * 14.0 + found.kinetic * 14.0 / 120.0
    np.testing.assert_allclose(found.need, need)
    np.testing.assert_allclose(found.rest, np.maximum(need - found.friction, 0.0))
    assert found.rest[0] > 0.0 == found.rest[2]
    full = one.available_w(found.rpm, found.speed, 3)
    share, power = retard(found, one, 3)
    np.testing.assert_allclose(share, np.minimum(found.rest / full, 1.0))
    np.testing.assert_allclose(power, share * full)
    half = 0.5 * share
    np.testing.assert_allclose(retard(found, one, 3, half)[0], half)


def test_a_burden_lies_between_its_nodes_and_is_held_beyond_them() -> None:
    one = rig(TRUCK, 3e4)
    heard = Listening(
        np.array([5.0, 10.0, 30.0]),
        np.tile([1.0, 2.0, 10.0], (6, 1)),
        np.array([900.0, 1500.0, 2100.0]),
        np.zeros((6, 3, 3)),
    )
    # m/s and burden a second: below, at, between, and beyond the nodes
    rates = {3.0: 1.0, 5.0: 1.0, 7.5: 1.5, 10.0: 2.0, 15.0: 4.0, 30.0: 10.0}
    for speed, rate in rates.items():
        flat = drive(np.arange(7) * 50.0, [0.0] * 6, speed, TRUCK, 3e4)
        np.testing.assert_allclose(drive_burden(heard, flat, one), rate * flat.time_s)
    loud = replace(
        heard,
        running=np.zeros((6, 3)),
        braking=np.tile(np.array([[0.0, 0, 1], [0, 0, 4], [0, 0, 6]]), (6, 1, 1)),
    )
    fall = drive(np.arange(7) * 50.0, [-0.08] * 6, 11.0, TRUCK, 3e4, habit="high")
    assert (fall.braking_cylinders == 6).all()
    rate = np.interp(fall.engine_speed_rpm, [900.0, 1500.0, 2100.0], [1.0, 4.0, 6.0])
    np.testing.assert_allclose(
        drive_burden(loud, fall, one), fall.retarder_share * rate * fall.time_s
    )


def test_a_plan_counts_its_changes_and_onsets() -> None:
    best = plan(190.0, 36287.0, 10.0)[0]
    assert best is not None
    by_block = [0, *best.stage[best.first[:-1]].tolist()]
    pairs = list(itertools.pairwise(by_block))
    assert best.changes == sum(before != after for before, after in pairs)
    assert best.onsets == sum(before == 0 < after for before, after in pairs)
    assert best.onsets >= 1


def test_an_unlocked_converter_carries_no_retarder_in_the_two_lowest_gears() -> None:
    way, free = np.arange(5) * 50.0, np.full(4, True)
    profile = Profile(way, np.full(4, -0.08), np.full(4, 30.0), free, np.full(5, 400.0))
    gear, stage, speed = np.array([2, 3, 2, 3]), np.full(4, 3), np.full(5, 3.0)
    one = rig(TRUCK, 36_000.0)
    found = follow(profile, speed, gear, stage, one, "converter")
    locked = follow(profile, speed, gear, stage, one)
    assert (locked.retarder_share > 0.0).all()
    assert found.retarder_share[[0, 2]].tolist() == [0.0, 0.0]
    assert found.braking_cylinders.tolist() == [0, 6, 0, 6]
    np.testing.assert_allclose(found.brake_w, locked.brake_w + locked.retarder_w * [1, 0, 1, 0])
