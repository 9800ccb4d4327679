"""The outlet: reflection, resistance, lines, bands, waveform, directivity."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from noisemap.bands import A_WEIGHT, EXACT_HZ
from noisemap.errors import OutOfDomainError
from noisemap.source.radiation import (
    NOMINAL_THIRDS,
    THIRDS_HZ,
    Lines,
    a_weighting,
    directivity,
    end_correction,
    line_power,
    octave_level,
    order_lines,
    pressure_cycle,
    radiation_impedance,
    reflection_magnitude,
    third_octave_level,
)

TABLE = Path(__file__).parent / "verification" / "gas" / "levine_schwinger.csv"
ROWS = list(csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines()))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["ka"])
def test_unflanged_end(row: dict[str, str]) -> None:
    """COMPUTED: the fit to its digits; the exact integrals within its own error."""
    ka = float(row["ka"])
    assert float(reflection_magnitude(ka)) == pytest.approx(float(row["magnitude"]), abs=5e-6)
    assert float(end_correction(ka)) == pytest.approx(float(row["correction"]), abs=5e-6)
    assert float(reflection_magnitude(ka)) == pytest.approx(
        float(row["exact_magnitude"]), abs=2.5e-3
    )
    assert float(end_correction(ka)) == pytest.approx(float(row["exact_correction"]), abs=7e-3)


def test_small_end_radiates_like_a_monopole() -> None:
    """W = rho c k2 U2 / (4 pi); U .1 m3/s at 105 Hz: 120.83 dB (COMPUTED)."""
    tone = Lines(np.array([105.0]), np.array([0.1 + 0.0j]))
    level = 10.0 * np.log10(line_power(tone, 0.125)[0] / 1e-12)
    assert level == pytest.approx(120.83, abs=0.05)
    monopole = 1.2041 * 343.2 * (2 * np.pi * 105 / 343.2) ** 2 * 0.01 / (4 * np.pi)
    assert line_power(tone, 0.02)[0] == pytest.approx(monopole, rel=2e-3)


def test_energy_lost_at_small_ka() -> None:
    for ka in (0.01, 0.03, 0.1):
        lost = 1.0 - float(reflection_magnitude(ka)) ** 2
        assert lost == pytest.approx(ka**2, rel=0.02)
        assert complex(radiation_impedance(ka)).real == pytest.approx(ka**2 / 4, rel=0.02)


def test_high_frequencies_meet_no_reflection() -> None:
    assert complex(radiation_impedance(11.5)) == pytest.approx(1.0, abs=0.03)


def test_lines_are_multiples_of_the_cycle_and_keep_the_energy() -> None:
    angle = 2 * np.pi * np.arange(4096) / 4096
    velocity = 30.0 + 5.0 * np.cos(3 * angle) + 2.0 * np.sin(40 * angle)
    lines = order_lines(velocity, 0.5, 0.1)
    assert lines.frequency[0] == pytest.approx(10.0)
    assert np.allclose(np.diff(lines.frequency), 10.0)
    assert (np.abs(lines.volume_flow) ** 2).sum() == pytest.approx(0.25 * velocity.var())


def test_waveform_bands_and_lines_agree() -> None:
    """D5: sum over lines = mean square of the waveform = sum of the bands, 0.05 dB."""
    generator = np.random.default_rng(7)
    count = int(THIRDS_HZ[-1] * 10**0.05 / 17.5)
    flow = generator.normal(size=count) + 1j * generator.normal(size=count)
    frequency = 17.5 * np.arange(1, count + 1)
    keep = frequency >= THIRDS_HZ[0] * 10**-0.05
    lines = Lines(frequency, np.where(keep, flow, 0.0) / frequency)
    power = line_power(lines, 0.125).sum()
    p = pressure_cycle(lines, 0.125, 4096)
    level = 10 * np.log10(np.mean(p**2) / 4e-10) + 10 * np.log10(2 * np.pi * 225.0)
    assert level == pytest.approx(10 * np.log10(power / 1e-12), abs=0.05)
    bands = 10 * np.log10(
        (10 ** (0.1 * third_octave_level(frequency, line_power(lines, 0.125)))).sum()
    )
    assert bands == pytest.approx(10 * np.log10(power / 1e-12), abs=0.05)


def test_low_tone_leads_by_the_derivative_of_the_flow() -> None:
    """Phase of dU/dt; amplitude of the free-field power spread over the half space."""
    lines = Lines(np.array([10.0]), np.array([0.2 / np.sqrt(2) + 0.0j]))
    p = pressure_cycle(lines, 0.125, 400)
    time = np.arange(400) / 400 * 0.1
    flow_rate = -0.2 * 2 * np.pi * 10 * np.sin(2 * np.pi * 10 * time)
    expected = 1.2041 * flow_rate / (4 * np.pi * 15.0) * np.sqrt(2.0)
    assert np.abs(p - expected).max() < 0.02 * np.abs(expected).max()


def test_masked_thirds_and_octaves_of_three() -> None:
    level = third_octave_level([105.0, 210.0], [1e-3, 1e-4])
    assert np.isneginf(level[NOMINAL_THIRDS.index("125")])
    octave = octave_level(level)
    assert octave[1] == pytest.approx(90.0)
    assert octave[2] == pytest.approx(80.0)
    assert np.isneginf(octave[0])


def test_thirds_are_named_in_order() -> None:
    assert len(NOMINAL_THIRDS) == len(THIRDS_HZ) == 27
    nominal = np.array([float(name) for name in NOMINAL_THIRDS])
    assert (np.abs(nominal / THIRDS_HZ - 1.0) < 0.02).all()


def test_a_weighting_formula_against_the_printed_table() -> None:
    assert np.abs(a_weighting(EXACT_HZ) - A_WEIGHT).max() < 0.05
    assert float(a_weighting(31.6228)) == pytest.approx(-39.4, abs=0.05)


def test_directivity_is_the_printed_table() -> None:
    assert directivity("125", 0.0) == 8.0
    assert directivity("8000", 135.0) == -20.0
    assert directivity("500", 52.5) == pytest.approx(4.0)
    with pytest.raises(OutOfDomainError, match="angle"):
        directivity("500", 190.0)
    with pytest.raises(OutOfDomainError, match="700"):
        directivity("700", 90.0)  # type: ignore[arg-type]
