"""Character of passes: the synthesised pass has the method's levels, and homes share groups."""

from __future__ import annotations

from dataclasses import replace

import hill
import numpy as np
import pytest
from zone_cases import PERIODS, town, trucks, weighed

from noisemap.bands import A_WEIGHT
from noisemap.community.awakening import facade_differences
from noisemap.community.character import character_adjustment, heard_third, tone_excess
from noisemap.exposure.driving import drive_road
from noisemap.exposure.levels import braking_passes_above, home_levels
from noisemap.exposure.passes import FREE
from noisemap.levels import energy_sum, to_energy
from noisemap.listening.character import ASSURED, METHODS, MIDDLE_HZ, Heard, assess
from noisemap.listening.thirds import (
    loudest_part,
    path_rows,
    pressure_in_thirds,
    read_levels,
    tone_triples,
)
from noisemap.listening.track import straight_pass
from noisemap.listening.voice import Pulses, exhaust_pulses, exhaust_voice
from noisemap.source.emission import exhaust_thirds
from noisemap.source.propulsion import vehicle_sound_power
from noisemap.source.radiation import NOMINAL_THIRDS, octave_level
from noisemap.zones.weigh import weigh_zone

RUNNING = vehicle_sound_power("heavy", 18.0)
SILENT = np.full(8, -np.inf)


def cut(pulses: Pulses, running: np.ndarray, distance: float = 60.0):  # type: ignore[no-untyped-def]
    track = straight_pass(distance, 18.0, seconds=60.0)
    braking = np.ones(len(track.time_s), dtype=bool)
    kept = loudest_part(pulses, running, track, braking)
    return track.part(kept), braking[kept]


@pytest.mark.parametrize("state", ["straight", "muffled"])
def test_pulses_carry_the_table_in_thirds(state: str) -> None:
    pulses = exhaust_pulses("15L", 1800.0, 6, state)  # type: ignore[arg-type]
    table = exhaust_thirds("15L", 1800.0, 6, state)  # type: ignore[arg-type]
    power = np.bincount(pulses.third, weights=np.abs(pulses.amplitude) ** 2, minlength=27)
    if state != "straight":
        power = power + to_energy(pulses.flow_noise_db)
    told = np.isfinite(table) & (power > 0.0)
    np.testing.assert_allclose(10.0 * np.log10(power[told]), table[told], atol=0.05)
    assert pulses.third.min() < 3  # from below the octave of 63 Hz


def test_the_voice_is_the_same_pulses_from_63_hz() -> None:
    voice = exhaust_voice("15L", 1800.0, 6, "straight", 18.0)
    pulses = exhaust_pulses("15L", 1800.0, 6, "straight")
    np.testing.assert_array_equal(voice.amplitude, pulses.amplitude[pulses.third >= 3])


def test_a_synthesised_pass_has_the_levels_of_the_method() -> None:
    pulses = exhaust_pulses("15L", 1800.0, 6, "straight")
    track, braking = cut(pulses, RUNNING)
    read = read_levels(pressure_in_thirds(pulses, 1800.0, RUNNING, track, braking, 1.0, 3))
    exhaust = octave_level(exhaust_thirds("15L", 1800.0, 6, "straight")) + A_WEIGHT
    energy = to_energy(exhaust - track.attenuation_db).sum(axis=1)
    energy += to_energy(RUNNING + A_WEIGHT - track.running_db).sum(axis=1)
    # lines stand off the middles of their octaves, whose weights the method takes
    assert read.fast.max() == pytest.approx(10.0 * np.log10(energy.max()), abs=1.5)
    assert read.l_c_eq > read.l_a_eq
    assert read.l_ai_eq >= read.l_a_eq
    assert energy_sum(read.third_eq) == pytest.approx(read.l_c_eq, abs=1.0)


def test_below_63_hz_spreading_alone() -> None:
    track = straight_pass(100.0, 20.0, seconds=10.0, screening_db=20.0)
    rows = path_rows(track.attenuation_db, track.distance_m)
    np.testing.assert_allclose(
        rows[:, 0], 20.0 * np.log10(track.distance_m) + 10.0 * np.log10(4.0 * np.pi), atol=1e-9
    )
    np.testing.assert_array_equal(rows[:, 1:], track.attenuation_db)


def test_steps_between_octaves_make_no_tone() -> None:
    pulses = exhaust_pulses("15L", 1800.0, 6, "straight")
    near, braking = cut(pulses, RUNNING)
    steep = replace(near, attenuation_db=near.attenuation_db + 12.0 * np.arange(8))
    first, second = (
        tone_excess(tone_triples(pulses, 1800.0, SILENT, track, braking))[:, 1]
        for track in (near, steep)
    )
    np.testing.assert_allclose(first, second, atol=1e-6)


def test_a_silent_exhaust_has_no_tone() -> None:
    pulses = exhaust_pulses("15L", 1800.0, 6, "straight")
    quiet = replace(pulses, amplitude=1e-4 * pulses.amplitude)
    track, braking = cut(quiet, RUNNING)
    levels = tone_triples(quiet, 1800.0, RUNNING, track, braking)
    middle = [float(name) for name in NOMINAL_THIRDS[1:-1]]
    assert not heard_third(levels[:, 1], middle).any()


def test_setting_in_is_an_onset_and_steady_braking_is_none() -> None:
    pulses = exhaust_pulses("15L", 1800.0, 6, "straight")
    track, braking = cut(pulses, RUNNING, 120.0)
    steady, once = (
        read_levels(pressure_in_thirds(pulses, 1800.0, RUNNING, track, braking, share, 3)).fast
        for share in (1.0, 0.4)
    )
    assert np.diff(once[500::25]).max() > 4.0 * np.diff(steady[500::25]).max()


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> tuple[Heard, object]:
    base, sound = weighed(tmp_path_factory.mktemp("store"), town())
    drives = {
        (0, way, index, FREE): drive_road(base.scene.stretches, 0, way, truck, hill.PRACTICE)
        for way in (1, -1)
        for index, truck in enumerate(trucks())
    }
    return (
        Heard(
            base.scene, base.store, base.classes, drives, base.trucks, base.passes, sound, 0.0, 10.0
        ),
        base,
    )


def test_every_home_is_judged_or_left_open(heard: tuple[Heard, object]) -> None:
    found = assess(heard[0], "levels", 1)
    assert [group.homes for group in found.groups[:4]] == [0, 0, 0, 0]
    assert found.groups[0].from_m == 15.0
    homes = len(heard[0].scene.homes.home_id)
    assert sum(group.homes for group in found.groups) == int((found.home_group >= 0).sum()) == homes
    for number, group in enumerate(found.groups[4:], start=4):
        assert (found.home_group == number).sum() == group.homes
        assert group.tonal is not None
        assert 0.0 <= group.tonal[0] <= group.tonal[1] <= 6.0
        assert 0.0 <= group.total[0] <= group.total[1] <= 9.0
        assert group.prominence is None
        assert group.to_m == 2.0 * group.from_m
    silent = replace(
        heard[0],
        passes=replace(heard[0].passes, exhaust_share=np.zeros_like(heard[0].passes.exhaust_share)),
    )
    none = assess(silent, "levels", 1)
    assert none.groups == ()
    assert (none.home_group == -1).all()


def test_tones_below_the_lowest_octave_count_in_the_upper_figure_alone(
    heard: tuple[Heard, object],
) -> None:
    assert MIDDLE_HZ[1:-1][ASSURED][0] == 63.0
    group = assess(heard[0], "levels", 1).groups[0]
    assert group.tonal is not None
    if group.tone_hz is not None and group.tone_hz < 63.0:
        assert group.tonal[0] < group.tonal[1]
    low = character_adjustment(group.impulsive, group.tonal[0], group.low_frequency)
    assert group.total[0] == float(low)


def test_methods_leave_open_what_they_do_not_judge(heard: tuple[Heard, object]) -> None:
    onset, classes = (assess(heard[0], name, 1).groups[-1] for name in ("onset", "classes"))
    assert onset.tonal is None
    assert onset.low_frequency is None
    assert onset.c_less_a is None
    assert classes.impulsive is None
    assert classes.total[1] <= 11.0
    assert {mark for _, mark in METHODS.values()} == {"FOUND, in part MEMORY-H", "MEMORY-H"}


def test_own_hours_and_rooms_follow_the_same_passes(heard: tuple[Heard, object]) -> None:
    base = heard[1]
    night = PERIODS.night
    own = replace(PERIODS, own=(("home", night),))
    place = base.scene  # type: ignore[attr-defined]
    levels = home_levels(base.free, place.receivers, place.homes, own, 3.0, None)  # type: ignore[attr-defined]
    np.testing.assert_allclose(levels.passes_own[70], levels.passes_night[70])
    np.testing.assert_allclose(levels.l_own, levels.l_night)
    for difference in facade_differences():
        passes = braking_passes_above(base.free, night, 45.0 + difference, 3.0)  # type: ignore[attr-defined]
        np.testing.assert_allclose(levels.passes_inside[difference], passes)
    assert (levels.passes_inside[10.0] >= levels.passes_inside[28.0]).all()


def test_each_home_has_an_interval_about_its_change(heard: tuple[Heard, object]) -> None:
    from noisemap.states import Zone

    zone = Zone("z", "hill road", 200.0, 2800.0, binds="compression_release", observance=0.7)
    found = weigh_zone(heard[1], zone, each_home=True)  # type: ignore[arg-type]
    assert found.quieter_bounds is not None
    low, high = found.quieter_bounds
    assert np.isfinite(low).all()  # nobody need live behind the loudest facade
    assert (low <= high).all()
    assert ((low - 1e-6 <= found.quieter_by) & (found.quieter_by <= high + 1.0)).all()
    assert weigh_zone(heard[1], zone).quieter_bounds is None  # type: ignore[arg-type]
