"""Passes made audible: their levels, pitch, gain and names; told apart by ear in figures."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import hill
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from noisemap.bands import A_WEIGHT, N_BANDS
from noisemap.cli.listen import listen_command
from noisemap.errors import CannotWriteError, OutOfDomainError, UsageError
from noisemap.exposure.passes import PassSound
from noisemap.exposure.product import pass_levels
from noisemap.inspection.events import full_scale_factor
from noisemap.inspection.meter import TimeWeighting, WeightingFilter, level_db
from noisemap.inspection.recording import analyse
from noisemap.levels import a_weighted, to_energy
from noisemap.listening.render import (
    RATE_HZ,
    computed_levels,
    peak_level,
    pressure,
    pulse_ripple,
    shifted,
)
from noisemap.listening.track import home_pass, straight_pass
from noisemap.listening.voice import exhaust_voice
from noisemap.listening.wav import common_full_scale, file_name, write_wav
from noisemap.readers.recordings import open_recording
from noisemap.source.emission import exhaust_sound_power
from noisemap.source.pass_by import exposure_level, maximum_level, time_weighting_correction
from noisemap.states import EXHAUST_STATES
from noisemap.study import listen as study_listen
from noisemap.study.demo import copy_demo
from noisemap.transfer.build import Air, build_store


def measured(sound: np.ndarray) -> tuple[float, float]:
    """LAFmax and SEL by the sound level meter of the inspection part."""
    weighted = WeightingFilter("A", RATE_HZ)(sound)
    fast = TimeWeighting("fast", RATE_HZ)(np.square(weighted))
    return float(level_db(fast.max())), float(level_db(np.square(weighted).sum() / RATE_HZ))


@pytest.mark.parametrize(
    ("state", "distance", "speed"),
    [*((state, 15.0, 20.0) for state in EXHAUST_STATES), ("worn", 80.0, 22.0)],
)
def test_levels_of_the_sound_are_the_computed_ones(
    state: str, distance: float, speed: float
) -> None:
    track = straight_pass(distance, speed, seconds=12.0)
    voice = exhaust_voice("15L", 2100.0, 6, state, speed)
    found, wanted = measured(pressure(voice, track, 7)), computed_levels(voice, track)
    assert found[0] == pytest.approx(wanted.l_af_max, abs=0.5)
    assert found[1] == pytest.approx(wanted.sel, abs=0.2)


def test_levels_hold_over_a_grid_of_passes() -> None:
    """Distance, speed, state, engine, engine speed, cylinders and screening, all mixed.

    Every value of each stands in it; more of them were tried than are kept here.
    """
    for case in GRID:
        engine, distance, state, rpm, cylinders, speed, screening, seed = case
        track = straight_pass(distance, speed, screening_db=screening, seconds=5.0)
        voice = exhaust_voice(engine, rpm, cylinders, state, speed)
        found, wanted = measured(pressure(voice, track, seed)), computed_levels(voice, track)
        assert found[0] == pytest.approx(wanted.l_af_max, abs=0.5), case
        assert found[1] == pytest.approx(wanted.sel, abs=0.2), case


GRID = [
    ("15L", 8.0, "straight", 900.0, 2, 8.0, 0.0, 1),
    ("11L", 250.0, "straight", 1200.0, 2, 25.0, 0.0, 2),
    ("13L", 60.0, "worn", 1000.0, 2, 8.0, 12.0, 3),
    ("15L", 250.0, "worn", 1000.0, 4, 8.0, 0.0, 4),
    ("11L", 15.0, "muffled", 1500.0, 4, 15.0, 12.0, 5),
    ("13L", 250.0, "muffled", 1500.0, 2, 8.0, 0.0, 6),
    ("15L", 60.0, "after_treatment", 1950.0, 6, 25.0, 0.0, 7),
    ("11L", 8.0, "worn", 2100.0, 4, 25.0, 0.0, 8),
    ("13L", 900.0, "straight", 1650.0, 4, 22.0, 5.0, 9),
]


def test_ripple_of_the_pulses_by_the_closed_form_of_an_impulse_train() -> None:
    """Pure impulses, F a second: between mean and crest (1/x) / (1 - exp(-1/x)), x = 0.125 F."""
    track = straight_pass(15.0, 15.0)
    voice = exhaust_voice("15L", 1200.0, 2, "straight", 15.0)
    order = np.arange(1.0, 400.0)
    for every in (2, 4, 6):
        whole = np.where(order % every == 0.0, 1.0, 0.0)
        impulses = replace(
            voice, order=order, amplitude=1e5 * whole.astype(complex),
            octave=np.full(len(order), 4), flow_noise_db=np.full(8, -np.inf),
            running_db=np.full(8, -np.inf),
        )  # fmt: skip
        x = 0.125 * every * voice.cycle_hz
        wanted = 10.0 * np.log10(1.0 / x / (1.0 - np.exp(-1.0 / x)))
        assert pulse_ripple(impulses, track, 10) == pytest.approx(wanted, abs=0.06)
    drowned = replace(voice, running_db=np.full(8, 200.0))
    assert pulse_ripple(drowned, track, 10) == pytest.approx(0.0, abs=1e-6)


def test_computed_levels_are_those_of_a_moving_point_source() -> None:
    """Closed forms of a straight pass over hard ground, without what the air takes."""
    distance, speed = 30.0, 18.0
    track = straight_pass(
        distance, speed, ear_m=3.7, temperature_c=20.0, humidity_percent=60.0, seconds=110.0
    )
    voice = exhaust_voice("13L", 1800.0, 6, "straight", speed)
    alone = exhaust_sound_power("13L", 1800.0, 6, "straight")
    np.testing.assert_allclose(a_weighted(voice.exhaust_db), a_weighted(alone), atol=0.02)
    power = float(a_weighted(alone))
    found = computed_levels(voice, track)
    fast = float(time_weighting_correction(distance, speed))
    # hard ground is -3.01 dB in the closed form, -3 dB in the method; air and the running
    # noise of the truck are the rest
    assert found.steady_max == pytest.approx(
        float(maximum_level(power, distance, "hard_ground")) + fast, abs=0.25
    )
    assert found.sel == pytest.approx(
        float(exposure_level(power, distance, speed, "hard_ground")), abs=0.4
    )


def test_a_voice_has_the_octaves_of_the_table() -> None:
    for state in EXHAUST_STATES:
        voice = exhaust_voice("15L", 1950.0, 4, state, 15.0, calibration_db=-2.0)
        table = exhaust_sound_power("15L", 1950.0, 4, state, calibration_db=-2.0)
        np.testing.assert_allclose(voice.table_db, table)
        np.testing.assert_allclose(voice.exhaust_db[1:], table[1:], atol=0.35)
        assert float(a_weighted(voice.exhaust_db)) == pytest.approx(
            float(a_weighted(table)), abs=0.1
        )


def test_the_states_can_be_told_apart() -> None:
    """Level, spectrum and modulation, measured in the sounds of one pass."""
    track = straight_pass(15.0, 15.0, seconds=6.0)
    figures = {}
    for state in EXHAUST_STATES:
        sound = pressure(exhaust_voice("15L", 2100.0, 6, state, 15.0), track, 11)
        middle = sound[len(sound) // 2 - RATE_HZ // 2 : len(sound) // 2 + RATE_HZ // 2]
        weighted = WeightingFilter("A", RATE_HZ)(middle)[4800:]
        short = np.convolve(np.square(weighted), np.full(240, 1 / 240), "valid")
        spectrum = np.abs(np.fft.rfft(middle)) ** 2
        frequency = np.fft.rfftfreq(len(middle), 1.0 / RATE_HZ)
        low = spectrum[(frequency > 80) & (frequency < 355)].sum()
        high = spectrum[(frequency > 1400) & (frequency < 11000)].sum()
        figures[state] = (
            measured(sound)[0],
            10.0 * np.log10(np.percentile(short, 95) / np.percentile(short, 5)),
            10.0 * np.log10(high / low),
        )
    level, modulation, tilt = ([figures[state][k] for state in EXHAUST_STATES] for k in range(3))
    # a step of 3 dB is plainly heard between neighbours
    assert (np.diff(level) > 3.0).all()
    # the straight stack beats hardest; after-treatment drowns in the truck's own noise
    assert modulation[3] > modulation[0] + 3.0
    assert modulation[1] > modulation[0]
    # the straight stack has more of the steep fronts in it than the worn exhaust
    assert tilt[3] > tilt[2] + 1.0


def test_pitch_falls_as_the_truck_passes() -> None:
    track = straight_pass(10.0, 25.0, seconds=8.0)
    voice = exhaust_voice("15L", 2100.0, 6, "straight", 25.0)
    sound = pressure(voice, track, 5)
    lines = []
    for start in (0.7, 6.0):
        part = sound[int(start * RATE_HZ) : int((start + 1.0) * RATE_HZ)]
        spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 8 * len(part)))
        frequency = np.fft.rfftfreq(8 * len(part), 1.0 / RATE_HZ)
        near = (frequency > 90.0) & (frequency < 120.0)
        lines.append(frequency[near][spectrum[near].argmax()])
    mach = 25.0 / 343.0
    assert lines[0] / lines[1] == pytest.approx((1.0 + mach) / (1.0 - mach), rel=0.025)
    assert np.sqrt(lines[0] * lines[1]) == pytest.approx(105.0, rel=0.015)


def test_screening_dulls_and_lowers_the_sound() -> None:
    voice = exhaust_voice("15L", 1800.0, 6, "straight", 15.0)
    free = computed_levels(voice, straight_pass(60.0, 15.0))
    behind = [4.0, 5.0, 7.0, 10.0, 13.0, 16.0, 18.0, 20.0]
    track = straight_pass(60.0, 15.0, screening_db=behind)
    screened = computed_levels(voice, track)
    assert 8.0 < free.l_af_max - screened.l_af_max < 16.0
    assert measured(pressure(voice, track, 2))[1] == pytest.approx(screened.sel, abs=0.2)
    with pytest.raises(OutOfDomainError, match="8 octaves"):
        straight_pass(60.0, 15.0, screening_db=[1.0, 2.0])
    with pytest.raises(OutOfDomainError):
        straight_pass(1.0, 15.0)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> tuple:
    place = hill.scene()
    points = np.column_stack([place.receivers.x, place.receivers.y, place.receivers.height])
    folder = tmp_path_factory.mktemp("store")
    return place, build_store(folder, place, points, Air(10.0, 70.0, 101.325), 1500.0)


@pytest.mark.parametrize("receiver", [0, 1])
def test_a_pass_at_a_home_has_the_levels_of_the_study(store: tuple, receiver: int) -> None:
    place, paths = store
    speed = 16.0
    voice = exhaust_voice("15L", 1800.0, 6, "straight", speed)
    track = home_pass(place, paths, receiver, 0, 1, speed, seconds=118.0)
    count = len(place.stretches.road)
    exhaust = to_energy(voice.exhaust_db + A_WEIGHT)
    running = to_energy(voice.running_db + A_WEIGHT)
    power = np.zeros((1, count, 2, N_BANDS), np.float32)
    power[0, :, 0], power[0, :, 1] = running, exhaust
    seconds = (place.stretches.length / speed).astype(np.float32)[None]
    sound = PassSound(
        energy=power * seconds[:, :, None, None],
        peak=power,
        running=power[:, :, 0].copy(),
        duration=seconds,
        speed=np.full((1, count), speed, np.float32),
        first=np.array([0]),
        last=np.array([count]),
    )
    levels = pass_levels(paths, sound)
    found = computed_levels(voice, track)
    study_max = float(levels.maximum[receiver, 0])
    study_sel = float(10.0 * np.log10(levels.energy[receiver, 0]))
    assert found.steady_max == pytest.approx(study_max, abs=0.3)
    assert found.sel == pytest.approx(study_sel, abs=0.3)
    if receiver == 0:
        heard = measured(pressure(voice, home_pass(place, paths, 0, 0, 1, speed, seconds=60.0), 4))
        assert heard[0] == pytest.approx(found.l_af_max, abs=0.5)
        assert heard[1] == pytest.approx(study_sel, abs=0.5)


def test_a_pass_at_a_home_needs_a_path(store: tuple) -> None:
    place, paths = store
    with pytest.raises(UsageError, match="no sound path"):
        home_pass(place, paths, 0, 1, 1, 16.0)
    with pytest.raises(OutOfDomainError):
        home_pass(place, paths, 0, 0, 1, 160.0)


def test_a_file_is_calibrated_named_and_never_cut(tmp_path: Path) -> None:
    voice = exhaust_voice("15L", 2100.0, 6, "straight", 15.0)
    sound = pressure(voice, straight_pass(15.0, 15.0, seconds=3.0), 1)
    full = common_full_scale(sound)
    assert 1.0 <= full - peak_level(sound) < 2.0
    path = tmp_path / file_name("15L", 2100.0, 6, "straight", "best")
    assert path.name == "ILLUSTRATION-15L-2100rpm-6cyl-straight.wav"
    write_wav(path, sound, full)
    info = soundfile.info(str(path))
    assert (info.samplerate, info.channels, info.subtype) == (48_000, 1, "PCM_24")
    back = soundfile.read(str(path))[0] * full_scale_factor(full)
    np.testing.assert_allclose(back, sound, atol=1e-4)
    with pytest.raises(OutOfDomainError, match="full scale"):
        write_wav(path, sound, full - 5.0)


@pytest.mark.parametrize(
    ("engine", "rpm", "state", "cylinders"),
    # At 1800 rpm the two banks differ so much that every other release leads: the recording
    # part then reads two braking cylinders, at the right engine speed.
    [("15L", 1200.0, "straight", 6), ("13L", 1500.0, "worn", 6), ("13L", 1800.0, "straight", 2)],
)
def test_the_recording_part_finds_the_engine_speed(
    engine: str, rpm: float, state: str, cylinders: int, tmp_path: Path
) -> None:
    track = straight_pass(15.0, 15.0, seconds=12.0)
    voice = exhaust_voice(engine, rpm, 6, state, 15.0)
    path = tmp_path / "pass.wav"
    write_wav(path, pressure(voice, track, 9), 125.0)
    found = analyse(open_recording(path), 0, full_scale_factor(125.0))
    event = max(found.events, key=lambda one: one.levels.l_af_max)
    assert event.pass_fit is not None
    speeds = [
        one.engine_speed_rpm for one in event.engine_speeds if one.braking_cylinders == cylinders
    ]
    assert speeds[0] == pytest.approx(rpm, rel=0.01)
    assert event.levels.l_af_max == pytest.approx(computed_levels(voice, track).l_af_max, abs=0.5)


def test_the_same_seed_is_the_same_sound_and_an_offset_is_a_level() -> None:
    track = straight_pass(15.0, 15.0, seconds=2.0)
    voice = exhaust_voice("13L", 1500.0, 6, "worn", 15.0)
    one = pressure(voice, track, 1)
    np.testing.assert_array_equal(one, pressure(voice, track, 1))
    assert np.abs(one - pressure(voice, track, 2)).max() > 0.01
    louder = shifted(voice, 6.0)
    np.testing.assert_allclose(louder.exhaust_db - voice.exhaust_db, 6.0, atol=1e-9)
    np.testing.assert_array_equal(louder.running_db, voice.running_db)


def say(*arguments: str) -> Result:
    return CliRunner().invoke(listen_command, [*arguments, "-q"])


def test_command_writes_all_states_on_one_gain(tmp_path: Path) -> None:
    short = ["--seconds", "3", "--distance-m", "20", "--output", str(tmp_path)]
    found = say(*short, "--json")
    assert found.exit_code == 0, found.output
    data = json.loads(found.output)
    assert [one["state"] for one in data["files"]] == list(EXHAUST_STATES)
    assert len(list(tmp_path.glob("ILLUSTRATION-*.wav"))) == 4
    assert all("ILLUSTRATION" in file.name for file in tmp_path.iterdir())
    peaks = {
        one["state"]: np.abs(soundfile.read(str(tmp_path / one["file"]))[0]).max()
        for one in data["files"]
    }
    assert peaks["straight"] > 3.0 * peaks["muffled"]
    # one state alone has the gain that it has among the others
    alone = json.loads(say(*short, "--exhaust", "muffled", "--json").output)
    assert alone["full_scale_sine_db"] == data["full_scale_sine_db"]
    for one in data["files"]:
        back = soundfile.read(str(tmp_path / one["file"]))[0]
        level = measured(back * full_scale_factor(data["full_scale_sine_db"]))
        assert level[0] == pytest.approx(one["l_af_max_db"], abs=0.55)
    text = say(*short, "--exhaust", "worn", "--ends").output
    for words in ("worn-low.wav", "worn-high.wav", "ILLUSTRATION", "full-scale sine = "):
        assert words in text


def test_command_at_a_home_of_a_study(
    store: tuple, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The study is read from the demo; its paths are those of the small hill."""
    place, paths = store
    study = copy_demo(tmp_path / "study")
    monkeypatch.setattr(
        study_listen,
        "listen",
        lambda prepared, *_: SimpleNamespace(prepared=prepared, scene=place, store=paths),
    )
    base = ["--study", str(study), "--road", "hill", "--output", str(tmp_path / "out")]
    short = [*base, "--seconds", "3", "--exhaust", "straight"]
    data = json.loads(say(*short, "--home", "1", "--engine", "15L", "--json").output)
    assert data["pass"] == "home number 1 of the study"
    voice = exhaust_voice("15L", 1800.0, 6, "straight", 50.0 / 3.6)
    track = home_pass(place, paths, 0, 0, 1, 50.0 / 3.6, seconds=3.0)
    assert data["files"][0]["l_af_max_db"] == pytest.approx(
        computed_levels(voice, track).l_af_max, abs=0.06
    )
    by_id = json.loads(say(*short, "--home", place.homes.home_id[2], "--json").output)
    assert by_id["pass"] == "home number 3 of the study"
    text = study.read_text(encoding="utf-8")
    offset = 'calibration_offset_db = 2.0\ncalibration_basis = "five passes"'
    assert "calibration_offset_db = 0.0" in text
    study.write_text(text.replace("calibration_offset_db = 0.0", offset), encoding="utf-8")
    moved = json.loads(say(*short, "--home", "1", "--engine", "15L", "--json").output)
    assert (moved["calibration_db"], moved["calibration_basis"]) == (2.0, "five passes")
    assert moved["files"][0]["l_af_max_db"] > data["files"][0]["l_af_max_db"] + 1.8
    for arguments, words in (
        ([*base, "--home", "99"], "from 1 to 3"),
        ([*base, "--home", "1", "--distance-m", "20"], "come from the study"),
    ):
        found = say(*arguments)
        assert isinstance(found.exception, UsageError)
        assert words in str(found.exception)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--study", "study.toml"], "--home and --road"),
        (["--home", "3"], "belong to --study"),
        (["--uphill"], "--uphill belong to --study"),
        (["--study", "s.toml", "--home", "1", "--road", "x", "--ear-m", "2"], "leave"),
        (["--screening-db", "much"], "not numbers"),
        (["--rpm", "2500"], "900 to 2100"),
        (["--calibration-db", "1"], "together"),
        (["--distance-m", "1"], "distance"),
        (["--seconds", "600"], "duration"),
        (["--cylinders", "5"], "2, 4 or 6"),
        (["--cylinders", "1"], "2, 4 or 6"),
        (["--screening-db", "1,2"], "one, or 8 octaves"),
        (["--full-scale-db", "25", "--seconds", "2"], "full scale: 25 dB"),
    ],
)
def test_command_faults(arguments: list[str], words: str, tmp_path: Path) -> None:
    found = say(*arguments, "--output", str(tmp_path))
    assert isinstance(found.exception, UsageError)
    assert words in str(found.exception)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("place", ["/proc/nowhere/sounds", "/etc/hostname/sounds", "/proc"])
def test_a_folder_that_cannot_be_written_is_told(place: str) -> None:
    found = say("--output", place, "--seconds", "2", "--exhaust", "straight")
    assert isinstance(found.exception, CannotWriteError)
    assert found.exception.exit_code == 73
    assert place in str(found.exception)
