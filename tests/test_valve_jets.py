"""Noise of the jets at the braking valves: an option of low confidence, never a default."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from noisemap.cli.source import source_command
from noisemap.errors import OutOfDomainError
from noisemap.levels import a_weighted, from_energy, to_energy
from noisemap.source.emission import exhaust_sound_power, exhaust_thirds
from noisemap.source.engine_cycle import flow_area
from noisemap.source.engine_family import packaged_engine
from noisemap.source.jet_noise import exhaust_jet_thirds, valve_jet_level
from noisemap.source.operation import cycle_figures
from noisemap.source.radiation import THIRDS_HZ, octave_level
from noisemap.states import EXHAUST_STATES

ENGINE = packaged_engine("15L")
HOT_K = 655.0


def total(thirds: np.ndarray) -> float:
    return float(from_energy(to_energy(thirds).sum()))


def say(*arguments: str) -> str:
    found = CliRunner().invoke(source_command, ["--engine", "15L", *arguments])
    assert found.exit_code == 0, found.output
    return found.output


def test_level_follows_the_streams_power_over_the_stated_range() -> None:
    """COMPUTED by the prototype: 63 kW, 1e-4 to 1e-3 of it, 20 to 15 dB: about 105 to 120 dB."""
    ends = [total(valve_jet_level(ENGINE, 63e3, HOT_K, end)) for end in ("low", "high")]
    np.testing.assert_allclose(ends, [105.0, 120.0], atol=0.05)
    assert ends[0] < total(valve_jet_level(ENGINE, 63e3, HOT_K)) < ends[1]
    twice = valve_jet_level(ENGINE, 126e3, HOT_K) - valve_jet_level(ENGINE, 63e3, HOT_K)
    np.testing.assert_allclose(twice, 10.0 * np.log10(2.0), atol=1e-9)


def test_spectrum_stands_about_the_strouhal_number_of_throat_and_opening() -> None:
    levels = valve_jet_level(ENGINE, 63e3, HOT_K)
    throat = np.sqrt(1.37 * 287.05 * HOT_K)
    size = np.sqrt(flow_area(ENGINE.brake.peak, ENGINE.brake, ENGINE.seat_share))
    highest = 0.2 * throat / size
    assert abs(np.log2(THIRDS_HZ[levels.argmax()] / highest)) < 1.0 / 6.0
    assert to_energy(levels[THIRDS_HZ > 3500.0]).sum() > 0.5 * to_energy(levels).sum()
    # far below the peak 6 dB an octave, and hotter gas by four is an octave higher
    assert levels[6] - levels[3] == pytest.approx(20.0 * np.log10(10.0**0.3), abs=0.01)
    shape = levels - total(levels)
    hotter = valve_jet_level(ENGINE, 63e3, 10.0**0.6 * HOT_K)
    moved = (hotter - total(hotter))[3:] - shape[:-3]
    assert np.ptp(moved) < 1e-6


def test_no_choked_stream_no_jet_and_faults_are_errors() -> None:
    assert (valve_jet_level(ENGINE, 0.0, HOT_K) == -np.inf).all()
    assert (exhaust_jet_thirds("15L", 1500.0, 0, "straight") == -np.inf).all()
    with pytest.raises(OutOfDomainError, match="power of the jets"):
        valve_jet_level(ENGINE, -1.0, HOT_K)
    with pytest.raises(OutOfDomainError, match="temperature before the turbine"):
        valve_jet_level(ENGINE, 1.0, 0.0)
    with pytest.raises(OutOfDomainError, match="900 to 2100"):
        exhaust_jet_thirds("15L", 2500.0, 6, "straight")


@pytest.mark.parametrize("state", EXHAUST_STATES)
def test_the_jets_pass_through_what_stands_there(state: str) -> None:
    jets = exhaust_jet_thirds("15L", 2100.0, 6, state)
    free = exhaust_jet_thirds("15L", 2100.0, 6, "straight")
    levels = [exhaust_thirds("15L", 2100.0, 6, name)[6:] for name in ("straight", state)]
    np.testing.assert_allclose((free - jets)[6:], levels[0] - levels[1], atol=1e-9)
    moved = exhaust_jet_thirds("15L", 2100.0, 6, state, calibration_db=-3.0)
    np.testing.assert_allclose(moved, jets - 3.0)


def test_the_jets_hardly_change_the_level_of_a_straight_stack() -> None:
    """COMPUTED by the prototype: 0.6 dB(A) at most, at 63, 44 and 30 kW of choked streams."""
    powers = [cycle_figures("15L", rpm, 6)["choked_jet_kw"] for rpm in (2100.0, 1800.0, 1500.0)]
    np.testing.assert_allclose(powers, [63.0, 44.0, 30.0], rtol=0.25)
    plain = exhaust_sound_power("15L", 2100.0, 6, "straight")
    loud = octave_level(exhaust_jet_thirds("15L", 2100.0, 6, "straight", "high"))
    both = from_energy(to_energy(plain) + to_energy(loud))
    assert 0.0 < a_weighted(both) - a_weighted(plain) < 0.6


def test_the_option_is_off_by_default_and_marked_wherever_it_shows(tmp_path: Path) -> None:
    plain, jets = json.loads(say("--json")), json.loads(say("--json", "--valve-jet"))
    assert plain["valve_jet_noise"] == "not included"
    assert jets["valve_jet_noise"] == "included, low confidence"
    assert "valve_jet" not in plain["states"]["straight"]
    assert any("low confidence" in line for line in jets["cautions"])
    assert not any("low confidence" in line for line in plain["cautions"])
    for state in EXHAUST_STATES:
        before, after = plain["states"][state], jets["states"][state]
        assert after["valve_jet"]["confidence"] == "low"
        assert after["valve_jet"]["marks"] == ["ASSUMED", "MEMORY-L"]
        adds = after["valve_jet"]["adds_to_l_a_db"]
        assert adds["low"] <= adds["value"] <= adds["high"]
        assert after["l_a_15_m_db"] - before["l_a_15_m_db"] == pytest.approx(
            adds["value"], abs=0.11
        )
        for band, level in before["l_w_octaves_db"].items():
            both = from_energy(
                to_energy(level) + to_energy(jet_octaves(after["valve_jet"]["l_w_thirds_db"])[band])
            )
            assert after["l_w_octaves_db"][band] == pytest.approx(float(both), abs=0.11)
    assert "LOW CONFIDENCE" in say("--valve-jet")
    assert "LOW CONFIDENCE" not in say()
    picture = tmp_path / "jets.svg"
    say("--valve-jet", "--plot", str(picture))
    assert "valve-jet noise included: low confidence" in picture.read_text(encoding="utf-8")
    assert jets["states"]["straight"]["l_w_thirds_db"]["25"] is None  # masked stays masked
    motoring = json.loads(say("--cylinders", "0", "--valve-jet", "--json"))
    assert motoring["states"]["straight"]["valve_jet"]["l_w_db"]["value"] is None


def jet_octaves(thirds: dict[str, float]) -> dict[str, float]:
    octaves = octave_level(np.array(list(thirds.values())))
    names = ("63", "125", "250", "500", "1000", "2000", "4000", "8000")
    return dict(zip(names, (float(level) for level in octaves), strict=True))
