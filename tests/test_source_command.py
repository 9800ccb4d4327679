"""`noisemap source`: the states side by side, with their uncertainty and offset in sight."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from noisemap.cli.source import source_command
from noisemap.descent.truck import SWITCHABLE
from noisemap.errors import CannotWriteError, NoisemapError, UsageError
from noisemap.source.emission import engines, exhaust_sound_power, standard_uncertainty
from noisemap.source.engine_family import require_braking_cylinders, switch_positions
from noisemap.source.operation import (
    CYCLE_FIGURES,
    character_figures,
    cycle_figures,
    typical_truck,
)
from noisemap.source.pass_by import level_at_15_m
from noisemap.states import EXHAUST_STATES


def say(*arguments: str) -> Result:
    return CliRunner().invoke(source_command, list(arguments))


def test_the_states_stand_side_by_side_with_their_uncertainty() -> None:
    found = say("--engine", "15L")
    assert found.exit_code == 0, found.output
    for state in EXHAUST_STATES:
        level = float(level_at_15_m(exhaust_sound_power("15L", 2100.0, 6, state)))
        row = next(
            line
            for line in found.output.splitlines()
            if line.startswith(state.replace("_", "-") + " ")
        ).split()
        assert float(row[1]) == pytest.approx(level, abs=0.051)
        assert float(row[2]) == pytest.approx(level - 0.14, abs=0.06)
        assert float(row[3]) == pytest.approx(standard_uncertainty(state), abs=0.051)
        assert len(row) == 12
    assert "calibration offset +0.0 dB" in found.output
    assert "no verdict against any law" in found.output
    assert "not confirmed by any pass-by measurement" in found.output
    for word in ("comply", "complies", "illegal", "passes the limit", " safe", "unsafe"):
        assert word not in found.output.lower()


def test_json_holds_every_state_band_and_the_cycle() -> None:
    data = json.loads(say("--truck", "11L", "--rpm", "1650", "--cylinders", "4", "--json").output)
    assert data["engine"] == "11L"
    assert data["model_version"] == "exhaust-2"
    assert set(data["states"]) == set(EXHAUST_STATES)
    for state, found in data["states"].items():
        octaves = exhaust_sound_power("11L", 1650.0, 4, state)
        np.testing.assert_allclose(list(found["l_w_octaves_db"].values()), octaves, atol=0.051)
        assert len(found["l_w_thirds_db"]) == 27
        assert found["standard_uncertainty_db"] in (5.0, 6.4)
    low, high = data["states"]["after_treatment"]["l_a_15_m_range_of_its_loss_db"]
    level = data["states"]["after_treatment"]["l_a_15_m_db"]
    assert (low, high) == pytest.approx((level - 4.0, level + 3.0), abs=0.11)
    assert set(data["operation"]) == set(CYCLE_FIGURES)
    lines = data["strongest_lines_of_a_typical_straight_stack"]
    cycle = lines["engine_speed_rpm"] / 120.0
    for line in lines["lines"]:
        assert line["frequency_hz"] == pytest.approx(line["cycle_order"] * cycle, abs=0.02)


def test_a_calibration_needs_its_measurement_and_stays_in_sight() -> None:
    base = json.loads(say("--json").output)["states"]["worn"]["l_a_15_m_db"]
    arguments = ["--calibration-db", "-2.5", "--calibration-basis", "12 passes, invented road"]
    moved = json.loads(say(*arguments, "--json").output)
    assert moved["states"]["worn"]["l_a_15_m_db"] == pytest.approx(base - 2.5, abs=0.11)
    text = say(*arguments).output
    assert "calibration offset -2.5 dB (12 passes, invented road)" in text
    for broken in (["--calibration-db", "2"], ["--calibration-basis", "a guess"]):
        assert isinstance(say(*broken).exception, UsageError)


@pytest.mark.parametrize("suffix", ["png", "svg", "pdf"])
def test_the_picture(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"spectra.{suffix}"
    assert f"spectra drawn in {path}" in say("--plot", str(path)).output
    assert path.stat().st_size > 5000
    if suffix == "svg":
        text = path.read_text(encoding="utf-8")
        for words in ("straight:", "standard uncertainty 5.0 dB", "calibration +0.0 dB", "[Hz]"):
            assert words in text
        again = tmp_path / "again.svg"
        say("--plot", str(again))
        assert again.read_bytes() == path.read_bytes()


def test_a_truck_file_names_its_engine(tmp_path: Path) -> None:
    path = tmp_path / "old.toml"
    path.write_text('base = "15L"\n', encoding="utf-8")
    assert json.loads(say("--truck", str(path), "--json").output)["engine"] == "15L"
    path.write_text("base = ", encoding="utf-8")
    assert "old.toml" in str(say("--truck", str(path)).exception)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--rpm", "850"], "900 to 2100"),
        (["--rpm", "nan"], "900 to 2100"),
        (["--engine", "9L"], "15L, 13L, 11L"),
        (["--truck", "9L"], "11L, 13L, 15L"),
        (["--truck", "nowhere.toml"], "no such file; check the spelling"),
        (["--engine", "15L", "--truck", "15L"], "either"),
        (["--plot", "spectra.bmp"], ".svg"),
        (["--calibration-db", "7", "--calibration-basis", "far off"], "-6 to 6"),
        (["--calibration-db", "nan", "--calibration-basis", "far off"], "-6 to 6"),
        *(
            (["--cylinders", count], "2, 4 or 6 with a switch of three positions; 3 or 6")
            for count in ("-1", "1", "5", "7")
        ),
    ],
)
def test_faults_say_what_is_allowed(arguments: list[str], words: str) -> None:
    found = say(*arguments)
    assert isinstance(found.exception, NoisemapError)
    assert found.exception.exit_code == (66 if "nowhere.toml" in arguments else 2)
    assert words in str(found.exception)
    assert found.output == ""


@pytest.mark.parametrize("place", ["/proc/nowhere/a.svg", "/proc/a.svg"])
def test_a_picture_that_cannot_be_written(place: str) -> None:
    found = say("--plot", place)
    assert isinstance(found.exception, CannotWriteError)
    assert found.exception.exit_code == 73
    assert "cannot be written" in str(found.exception)


def test_a_switch_selects_what_the_engine_s_data_say() -> None:
    for engine in engines():
        positions = {n for switch in switch_positions(engine).values() for n in switch}
        assert positions == set(SWITCHABLE)
        for count in (0, *positions):
            assert require_braking_cylinders(engine, count) == count


def test_cycles_and_characters_between_the_points() -> None:
    corner = [cycle_figures("15L", n, c)["retarding_kw"] for n in (1200, 1500) for c in (4, 6)]
    middle = cycle_figures("15L", 1350.0, 5.0)["retarding_kw"]
    assert middle == pytest.approx(np.mean(corner))
    assert cycle_figures("15L", 2100.0, 6)["peak_braking_bar"] == 67.8
    for state in EXHAUST_STATES:
        for value in character_figures("13L", 1350.0, 3, state).values():
            assert 5.0 < value < 40.0
    with pytest.raises(NoisemapError, match="15L, 13L, 11L"):
        cycle_figures("9L", 1500.0, 6)
    with pytest.raises(NoisemapError, match="0 to 6"):
        cycle_figures("15L", 1500.0, 7)


def test_the_typical_truck_is_of_the_nearest_point() -> None:
    truck = typical_truck("15L", 1930.0, 5)
    assert 0.95 * 1800.0 <= truck.engine_speed_rpm <= 1.05 * 1800.0
    assert 3.5 <= truck.flow.pipe_length_m <= 5.5
    np.testing.assert_allclose(
        np.diff(truck.lines.frequency), truck.engine_speed_rpm / 120.0, rtol=1e-9
    )
    with pytest.raises(NoisemapError, match="900 to 2100"):
        typical_truck("15L", 2200.0, 6)
