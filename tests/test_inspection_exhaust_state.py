"""Exhaust states from a spectrum: coverage of the shares, groups told, what is never claimed.

Trucks are drawn from the emission table with all the scatter that the method states; that
tests the arithmetic and the shares, not the table itself. Synthesised throughout.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
import test_inspection_synthesis as synth
from click.testing import CliRunner
from scipy.stats import binomtest
from test_inspection_listen_passes import heard_alone

from noisemap.bands import EXACT_HZ
from noisemap.cli.recording import recording_command
from noisemap.inspection.events import full_scale_factor
from noisemap.inspection.exhaust_state import (
    StateLikelihood,
    octaves_less_background,
    state_likelihood,
)
from noisemap.inspection.recording import analyse
from noisemap.levels import from_energy, to_energy
from noisemap.listening.render import RATE_HZ
from noisemap.outputs.inspection_recordings import analysis_json, analysis_lines
from noisemap.readers.recordings import open_recording
from noisemap.source.emission import (
    emission_table,
    engines,
    exhaust_sound_power,
    standard_uncertainty,
)
from noisemap.source.propulsion import vehicle_sound_power
from noisemap.states import EXHAUST_STATES, UNMUFFLED, ExhaustState


def drawn(rng: np.random.Generator, state: ExhaustState, near: bool) -> StateLikelihood:
    """One truck at random with the stated scatter, and what is made of it."""
    engine = str(rng.choice(engines()))
    rpm, cylinders = float(rng.integers(120, 211) * 10), int(rng.choice([6, 4, 2]))
    distance, speed = float(rng.choice([10, 15, 20, 30])), float(rng.uniform(11, 20))
    spread = emission_table(engine, state).spread_at(rpm, cylinders)
    exhaust = exhaust_sound_power(engine, rpm, cylinders, state)
    exhaust = exhaust + rng.normal(0.0, standard_uncertainty(state)) + rng.normal(0, 1, 8) * spread
    running = vehicle_sound_power("heavy", speed, temperature_c=10.0)
    levels = from_energy(to_energy(exhaust) + to_energy(running)) - 20.0 * np.log10(distance) - 8.0
    levels += rng.normal(0.0, 2.0, 8) + rng.normal(0.0, 2.0)
    found = state_likelihood(levels, [(rpm, cylinders)], speed, distance if near else None)
    assert found is not None
    return found


@pytest.mark.parametrize("near", [True, False])
def test_shares_keep_what_they_promise(near: bool) -> None:
    """The told states hold the true one in nine tenths of 120 trucks, by a one-sided test.

    Where worn and straight together hold nine tenths or one tenth, that is right as often.
    """
    rng = np.random.default_rng(11)
    inside, groups = [], []
    for number in range(120):
        state = EXHAUST_STATES[number % 4]
        found = drawn(rng, state, near)
        assert sum(found.posterior.values()) == pytest.approx(1.0)
        inside.append(state in found.told)
        if not 0.1 < found.unmuffled < 0.9:
            groups.append((found.unmuffled > 0.5) == (state in UNMUFFLED))
    for right in (inside, groups):
        assert binomtest(sum(right), len(right), 0.9, "less").pvalue > 0.01, (
            sum(right),
            len(right),
        )
    assert len(groups) > 60


def test_after_treatment_and_muffled_differ_by_the_level_alone_and_are_not_told_apart() -> None:
    power = exhaust_sound_power("13L", 1800.0, 6, "muffled")
    running = vehicle_sound_power("heavy", 15.0, temperature_c=10.0)
    levels = from_energy(to_energy(power) + to_energy(running)) - 31.5
    found = state_likelihood(levels, [(1800.0, 6)], 15.0, 15.0)
    assert found is not None
    assert set(found.told) == {"after_treatment", "muffled"}
    assert found.reason.startswith("not told apart: ")
    assert found.unmuffled < 0.05


def test_without_an_engine_speed_every_one_counts_alike() -> None:
    levels = exhaust_sound_power("13L", 1800.0, 6, "straight") - 31.5
    known = state_likelihood(levels, [(1800.0, 6)], 15.0, 15.0)
    open_speed = state_likelihood(levels, [], 15.0, 15.0)
    assert known is not None
    assert open_speed is not None
    assert known.unmuffled > 0.9
    assert open_speed.unmuffled > 0.9


def test_too_few_octaves_tell_nothing_and_a_strange_spectrum_fits_nothing() -> None:
    levels = np.full(8, np.nan)
    levels[3:6] = 80.0
    assert state_likelihood(levels, [], 15.0) is None
    whistle = np.array([20.0, 20.0, 20.0, 20.0, 20.0, 90.0, 20.0, 20.0])
    found = state_likelihood(whistle, [], 15.0, 15.0)
    assert found is not None
    assert found.misfit > 3.0
    assert "hardly a braking truck" in found.reason


def test_octaves_less_background_leave_out_what_is_not_heard() -> None:
    keys = [round(float(hz), 1) for hz in EXACT_HZ]
    sound = dict.fromkeys(keys, 4.0) | {keys[0]: 1.9}
    levels = octaves_less_background(sound, dict.fromkeys(keys, 1.0))
    assert np.isnan(levels[0])
    assert levels[1:] == pytest.approx(10.0 * np.log10(3.0))
    assert np.isnan(octaves_less_background({}, {})).all()


@pytest.mark.parametrize(
    ("case", "group"),
    [
        (("straight", 2100.0, 6, 7.5), "unmuffled"),
        (("after_treatment", 1300.0, 6, 7.5), "quiet"),
    ],
)
@pytest.mark.parametrize("distance", [True, False])
def test_the_command_on_a_pass_that_was_made_audible(
    tmp_path: Path, case: tuple[ExhaustState, float, int, float], group: str, distance: bool
) -> None:
    one = heard_alone(*case)
    noise = np.random.default_rng(2).standard_normal(one.sound.size)
    sound = one.sound + 2e-5 * 10 ** ((one.l_af_max - 12.0) / 20) * noise
    unit = 2e-5 * np.sqrt(2) * 10 ** (synth.FULL_SCALE_DB / 20)
    path = tmp_path / "pass.wav"
    soundfile.write(path, sound / unit, RATE_HZ, subtype="PCM_24")
    arguments = [str(path), "--full-scale-db", str(synth.FULL_SCALE_DB)]
    arguments += ["--distance-m", str(case[3])] if distance else []
    result = CliRunner().invoke(recording_command, [*arguments, "--json"], catch_exceptions=False)
    events = json.loads(result.stdout)["events"]
    told = max(events, key=lambda event: event["l_af_max_dba"])["exhaust_if_a_braking_truck"]
    assert case[0] in told["told"]
    assert (told["worn_or_straight"] > 0.9) == (group == "unmuffled")
    assert (told["worn_or_straight"] < 0.1) == (group == "quiet")
    assert ("distance is not given" in told["reason"]) == (not distance)
    text = CliRunner().invoke(recording_command, arguments, catch_exceptions=False).stdout
    assert "exhaust, if it was a braking truck: after-treatment" in text
    assert "less the background: LAFmax" in text


def test_a_pass_without_any_background_says_so(tmp_path: Path) -> None:
    """What `listen` writes: the quiet ends are the pass's own tails, hardly a background."""
    one = heard_alone("straight", 2100.0, 6, 7.5)
    quiet = round(6.0 * RATE_HZ)
    pascal = full_scale_factor(synth.FULL_SCALE_DB)
    path = tmp_path / "pass.wav"
    soundfile.write(path, one.sound[quiet:-quiet] / pascal, RATE_HZ, subtype="PCM_24")
    found = analyse(open_recording(path), 0, pascal)
    (event,) = found.events
    less = event.levels.corrected
    assert event.levels.background < one.l_af_max - 25.0
    assert less.sel == pytest.approx(one.stated_sel, abs=0.3)
    assert less.l_af_max == pytest.approx(one.l_af_max, abs=0.3)
    silent = replace(
        event.levels, background=-math.inf, background_before=-math.inf, background_after=None
    )
    changed = replace(found, events=(replace(event, levels=silent),))
    text = "\n".join(analysis_lines(changed))
    assert "background not heard" in text
    assert "inf " not in text
    assert analysis_json(changed)["events"][0]["background_dba"] is None
