"""Recordings: faults of the files, events, levels, engine speed, likelihood by class.

Everything here is synthesised (see test_inspection_synthesis): no real recording
was at hand, so the rates say how the features behave on stated physics, not how
often a street is misheard.
"""

from __future__ import annotations

import contextlib
import json
import random
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
import test_inspection_synthesis as synth
from click.testing import CliRunner
from scipy.stats import binomtest

from noisemap.cli.recording import recording_command
from noisemap.errors import BadDataError, MissingInputError, UsageError
from noisemap.inspection.engine_speed import doppler, engine_speeds
from noisemap.inspection.events import (
    Span,
    full_scale_factor,
    impulse_adjustment,
    level_track,
    prominence,
    setting,
    tone_factor,
)
from noisemap.inspection.recording import Analysis, analyse
from noisemap.readers.recordings import open_recording, samples

PASCAL = full_scale_factor(synth.FULL_SCALE_DB)
ORDER = ("none", "unlikely", "possible", "likely")


def heard(folder: Path, sound: synth.FloatArray) -> Analysis:
    return analyse(open_recording(synth.write(folder / "a.wav", sound)), 0, PASCAL)


def word(found: Analysis) -> str:
    words = [event.likelihood.word for event in found.events] or ["none"]
    return max(words, key=ORDER.index)


# --- files ---------------------------------------------------------------------------


def tone_file(path: Path, subtype: str = "PCM_24", rate: int = 48_000, channels: int = 1) -> Path:
    t = np.arange(3 * rate) / rate
    tone = 0.1 * np.sin(2 * np.pi * 1000 * t)
    soundfile.write(path, np.repeat(tone[:, None], channels, axis=1), rate, subtype=subtype)
    return path


def test_blocks_are_the_whole(tmp_path: Path) -> None:
    recording = open_recording(tone_file(tmp_path / "t.wav"))
    assert (recording.duration_s, recording.rate_hz, recording.channels) == (3.0, 48_000, 1)
    parts = list(samples(recording, block=10_000))
    assert sum(part.size for part in parts) == recording.frames
    some = np.concatenate(list(samples(recording, start=1000, stop=2500, block=700)))
    assert np.array_equal(some, np.concatenate(parts)[1000:2500])


def test_a_cut_file_is_refused(tmp_path: Path) -> None:
    whole = tone_file(tmp_path / "t.wav").read_bytes()
    cut = tmp_path / "cut.wav"
    cut.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(BadDataError, match="the file is cut"):
        open_recording(cut)


def test_a_header_that_promises_more_is_refused(tmp_path: Path) -> None:
    content = bytearray(tone_file(tmp_path / "t.wav").read_bytes())
    place = content.index(b"data") + 4
    content[place : place + 4] = struct.pack("<I", 2**31)
    (tmp_path / "lie.wav").write_bytes(content)
    with pytest.raises(BadDataError, match="promises 2,147,483,648 bytes"):
        open_recording(tmp_path / "lie.wav")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"RIFF\0\0\0\0WAVE", "no sound data"),
        (b"not a recording at all", "not a WAV recording"),
        (b"RIFF", "not a WAV recording"),
    ],
)
def test_garbage_is_refused(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "x.wav").write_bytes(content)
    with pytest.raises(BadDataError, match=words):
        open_recording(tmp_path / "x.wav")


def test_missing(tmp_path: Path) -> None:
    with pytest.raises(MissingInputError):
        open_recording(tmp_path / "none.wav")


@pytest.mark.parametrize(
    ("subtype", "rate", "words"),
    [
        ("PCM_U8", 48_000, "cannot carry"),
        ("ULAW", 48_000, "cannot carry"),
        ("PCM_16", 8_000, "8000"),
    ],
)
def test_what_cannot_carry_a_measurement(
    tmp_path: Path, subtype: str, rate: int, words: str
) -> None:
    with pytest.raises(BadDataError, match=words):
        open_recording(tone_file(tmp_path / "t.wav", subtype, rate))


def test_not_a_number_is_named_with_its_time(tmp_path: Path) -> None:
    sound = np.zeros(48_000)
    sound[24_000] = np.nan
    soundfile.write(tmp_path / "n.wav", sound, 48_000, subtype="FLOAT")
    with pytest.raises(BadDataError, match=r"at 0\.500 s is not a finite number"):
        list(samples(open_recording(tmp_path / "n.wav")))


def test_channel_that_is_not_there(tmp_path: Path) -> None:
    recording = open_recording(tone_file(tmp_path / "t.wav", channels=2))
    with pytest.raises(BadDataError, match="no channel 3; it has 2"):
        list(samples(recording, 2))


@pytest.mark.parametrize("seed", range(40))
def test_damaged_recordings_end_in_a_sentence(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    content = bytearray(tone_file(tmp_path / "t.wav", "FLOAT").read_bytes())
    for _ in range(rng.randint(1, 6)):
        content[rng.randrange(120)] = rng.randrange(256)
    if rng.random() < 0.3:
        del content[rng.randrange(len(content)) :]
    path = tmp_path / "damaged.wav"
    path.write_bytes(content)
    with contextlib.suppress(BadDataError):
        assert sum(part.size for part in samples(open_recording(path))) > 0


# --- calibration and levels ----------------------------------------------------------


def test_calibration_by_tone_and_by_full_scale_agree(tmp_path: Path) -> None:
    t = np.arange(4 * synth.RATE) / synth.RATE
    tone = np.sqrt(2) * 2e-5 * 10 ** (94.0 / 20) * np.sin(2 * np.pi * 1000 * t)
    recording = open_recording(synth.write(tmp_path / "c.wav", tone))
    assert tone_factor(recording, 0, 0.5, 3.5, 94.0) == pytest.approx(PASCAL, rel=1e-4)
    track = level_track(recording, 0, PASCAL)
    assert track.l_af[-1] == pytest.approx(94.0, abs=0.05)
    slow = track.l_as_max(Span(0, 0, track.l_af.size))
    assert slow == pytest.approx(94.0 + 10 * np.log10(1 - np.exp(-4.0)), abs=0.05)


@pytest.mark.parametrize("kind", ["noise", "stops", "overload"])
def test_a_calibration_must_be_a_steady_tone(tmp_path: Path, kind: str) -> None:
    t = np.arange(4 * synth.RATE) / synth.RATE
    sound = {
        "noise": 0.1 * np.random.default_rng(1).standard_normal(t.size),
        "stops": np.where(t < 2, 1.0, 0.1) * np.sin(2 * np.pi * 1000 * t),
        "overload": 2.0 * PASCAL * np.sin(2 * np.pi * 1000 * t),
    }[kind]
    unit = PASCAL if kind == "overload" else 10.0
    soundfile.write(tmp_path / "c.wav", np.clip(sound / unit, -1, 1), synth.RATE, subtype="PCM_24")
    with pytest.raises(
        BadDataError, match="overloaded" if kind == "overload" else "no steady tone"
    ):
        tone_factor(open_recording(tmp_path / "c.wav"), 0, 0.0, 4.0, 94.0)


def test_one_burst_is_one_event_with_its_levels(tmp_path: Path) -> None:
    """1 kHz for one second, 30 dB over a quiet tone: level, exposure, onset and end are known."""
    t = np.arange(8 * synth.RATE) / synth.RATE
    loud = np.where((t >= 3) & (t < 4), 80.0, 50.0)
    sound = np.sqrt(2) * 2e-5 * 10 ** (loud / 20) * np.sin(2 * np.pi * 1000 * t)
    found = heard(tmp_path, sound)
    (event,) = found.events
    assert event.start_s == pytest.approx(3.0, abs=0.03)
    assert event.levels.l_af_max == pytest.approx(80.0, abs=0.05)
    assert event.levels.sel == pytest.approx(80.0, abs=0.1)
    assert event.levels.background == pytest.approx(50.0, abs=0.3)
    assert event.thirds_db[1000.0] - event.levels.l_aeq == pytest.approx(0.0, abs=0.3)
    assert event.rise_db == pytest.approx(30.0, abs=0.3)
    assert event.likelihood.word == "unlikely"
    assert event.onset is not None
    assert event.onset.adjustment_db > 5.0


def test_background_may_change_slowly_without_an_event(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    seconds = 60.0
    t = np.arange(round(seconds * synth.RATE)) / synth.RATE
    sound = synth.noise(rng, seconds, 55.0) * 10 ** (2.0 * np.sin(2 * np.pi * t / 60.0) / 20)
    assert heard(tmp_path, sound).events == ()


def test_overload_makes_an_event_not_valid(tmp_path: Path) -> None:
    sound = synth.noise(np.random.default_rng(1), 6.0, 50.0)
    sound[3 * synth.RATE : 4 * synth.RATE] = PASCAL
    found = heard(tmp_path, np.clip(sound, -PASCAL, PASCAL))
    assert found.overloaded_s > 0.5
    assert any(event.overloaded for event in found.events)


def test_prominence_check_value() -> None:
    """DERIVED from the recalled formula: 100 dB/s and 20 dB give 8.60 and 6.48 dB."""
    assert prominence(100.0, 20.0) == pytest.approx(8.602, abs=5e-4)
    assert impulse_adjustment(prominence(100.0, 20.0)) == pytest.approx(6.48, abs=5e-3)


def test_doppler_of_a_fast_pass() -> None:
    """COMPUTED: at 20 m/s and 343 m/s the shift is 1.0619 and 0.9449."""
    shift = doppler([-1e4, 1e4], 20.0, 0.0, 0.75)
    assert shift == pytest.approx([1.0619, 0.9449], abs=5e-5)


# --- retarders and what is taken for one ---------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_at_10_db_over_the_background_level_speed_and_cylinders_come_back(
    tmp_path: Path, seed: int
) -> None:
    rng = np.random.default_rng(900 + seed)
    rpm, cylinders = rng.uniform(1250, 2100), (6, 4, 2)[seed % 3]
    truck = {"rpm": rpm, "cylinders": cylinders, "speed": rng.uniform(10, 22), "tyres_db": 60.0}
    clean = heard(
        tmp_path, synth.retarder(np.random.default_rng(seed), background_db=30.0, **truck)
    )
    mixed = heard(
        tmp_path, synth.retarder(np.random.default_rng(seed), background_db=80.0, **truck)
    )
    event = max(mixed.events, key=lambda one: one.levels.l_af_max)
    truth = max(clean.events, key=lambda one: one.levels.l_af_max)
    assert truth.levels.l_af_max - event.levels.background == pytest.approx(10.0, abs=1.5)
    assert event.levels.corrected.l_af_max == pytest.approx(truth.levels.l_af_max, abs=0.3)
    best = event.engine_speeds[0]
    assert best.engine_speed_rpm == pytest.approx(rpm, rel=0.03)
    assert best.braking_cylinders == cylinders


def test_the_doppler_correction_is_what_brings_the_speed_back(tmp_path: Path) -> None:
    """Braking ends before the nearest point: heard high throughout, corrected by the fit."""
    rng = np.random.default_rng(3)
    sound = synth.retarder(rng, rpm=1500.0, speed=22.0, on_s=1.6, off_s=3.8, level_db=95.0)
    sound += synth.passing(synth.noise(rng, 8.0, 80.0), 22.0, 15.0, 4.0)
    event = max(heard(tmp_path, sound).events, key=lambda one: one.levels.l_af_max)
    assert event.pass_fit is not None
    assert event.engine_speeds[0].engine_speed_rpm == pytest.approx(1500.0, rel=0.03)


def test_retarders_with_a_switch_in_the_recording_are_likely(tmp_path: Path) -> None:
    hits = 0
    for seed in range(6):
        rng = np.random.default_rng(70 + seed)
        sound = synth.retarder(
            rng,
            rpm=rng.uniform(1250, 2100),
            cylinders=int(rng.choice([6, 4, 2])),
            speed=rng.uniform(10, 22),
        )
        hits += word(heard(tmp_path, sound)) == "likely"
    assert hits == 6


@pytest.mark.parametrize("name", synth.CONFUSERS)
def test_false_alarms_by_class(tmp_path: Path, name: str) -> None:
    """No class gives *likely* in six sounds; upper end of the 90 % interval 0.39."""
    words = [
        word(heard(tmp_path, synth.CONFUSERS[name](np.random.default_rng(300 + seed))))
        for seed in range(6)
    ]
    alarms = words.count("likely")
    interval = binomtest(alarms, len(words)).proportion_ci(0.9, "exact")
    assert alarms == 0, (words, interval)


def test_a_fuelled_straight_truck_is_never_told_apart_for_certain(tmp_path: Path) -> None:
    """Same firing rate, no switch: the index stays under *likely* however loud it is."""
    sound = synth.fuelled(np.random.default_rng(8), straight=True)
    event = max(heard(tmp_path, sound).events, key=lambda one: one.levels.l_af_max)
    assert event.engine_speeds
    assert event.likelihood.index <= 0.35
    assert any("switches" in reason for reason in event.likelihood.reasons)


# --- the command ---------------------------------------------------------------------


def test_command(tmp_path: Path) -> None:
    sound = synth.retarder(np.random.default_rng(5), rpm=1700.0)
    path = synth.write(tmp_path / "r.wav", sound)
    arguments = [str(path), "--full-scale-db", "130", "--output", str(tmp_path / "o"), "--json"]
    result = CliRunner().invoke(recording_command, arguments, catch_exceptions=False)
    content = json.loads(result.stdout)
    (event,) = content["events"]
    assert event["retarder"]["word"] == "likely"
    assert len(event["retarder"]["reasons"]) == 9
    assert any("never proof of use" in text for text in content["cautions"])
    assert content["calibration"] == "full-scale sine = 130 dB"
    lines = (tmp_path / "o/events.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 2
    text = CliRunner().invoke(recording_command, arguments[:3], catch_exceptions=False).stdout
    assert "retarder likely" in text
    assert "1 event\n" in text
    assert "name a folder with --output" in text
    kept = CliRunner().invoke(recording_command, arguments[:5], catch_exceptions=False).stdout
    assert f"{tmp_path / 'o'}: events.csv, events.json" in kept
    assert "synthesised sound only" in text


def test_command_needs_one_calibration(tmp_path: Path) -> None:
    path = str(tone_file(tmp_path / "t.wav"))
    for extra in ([], ["--full-scale-db", "130", "--tone", "0", "1", "94"]):
        with pytest.raises(UsageError, match="calibration"):
            CliRunner().invoke(recording_command, [path, *extra], catch_exceptions=False)


CHILD = """
import sys
from pathlib import Path
from noisemap.inspection.recording import analyse
from noisemap.readers.recordings import open_recording
found = analyse(open_recording(Path(sys.argv[1])), 0, 1.0)
status = Path("/proc/self/status").read_text()
peak = next(line for line in status.splitlines() if line.startswith("VmHWM"))
print(len(found.events), int(peak.split()[1]))
"""


def minutes_file(path: Path, minutes: int) -> Path:
    """Quiet noise at 16 kHz; one minute of three holds a burst of two seconds."""
    rng = np.random.default_rng(1)
    quiet = (0.001 * rng.standard_normal(60 * 16_000)).astype(np.float32)
    loud = quiet.copy()
    loud[320_000:352_000] *= 30.0
    with soundfile.SoundFile(path, "w", 16_000, 1, "PCM_16") as stream:
        for minute in range(minutes):
            stream.write(loud if minute % 3 == 1 else quiet)
    return path


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs Linux's /proc")
def test_memory_grows_little_with_the_length_of_a_recording(tmp_path: Path) -> None:
    """Half an hour takes 8 MB more than three minutes at most, of 207 MB of samples more."""
    peaks = {}
    for minutes in (3, 30):
        path = minutes_file(tmp_path / f"{minutes}.wav", minutes)
        done = subprocess.run(
            [sys.executable, "-c", CHILD, str(path)], capture_output=True, text=True, check=True
        )
        events, peaks[minutes] = (int(word) for word in done.stdout.split())
        assert events == minutes // 3
    assert peaks[30] - peaks[3] < 8_192


def test_unevenly_released_lines_are_read_last_and_never_make_an_event_likely() -> None:
    """35 Hz: no even reading of a heavy engine fits, 2,100 rpm with every third leading does."""
    found = engine_speeds(35.0, 0.0, 0.0)
    assert {
        (one.braking_cylinders, round(one.engine_speed_rpm)) for one in found if one.evenly
    } == {(2, 1400)}
    assert (found[0].engine_speed_rpm, found[0].evenly) == (2100.0, False)
    assert found[0].fits_the_lines
    even = engine_speeds(100.0, 0.02, 0.0)
    assert even[0].fits_the_lines
    assert even[0].evenly
    assert setting("uneven_engine") < setting("word_likely")
