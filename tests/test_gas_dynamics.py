"""Flow in ducts and in the whole engine: D2 to D7. Figures are COMPUTED cross-checks."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from noisemap.errors import OutOfDomainError
from noisemap.source import engine_simulation
from noisemap.source.engine_cycle import closed_cycle_bound, friction_power
from noisemap.source.engine_family import PACKAGED, packaged_engine
from noisemap.source.engine_kernel import Gas
from noisemap.source.engine_simulation import Draw, EngineRun, port_weights, simulate
from noisemap.source.exhaust_states import Exhaust, pipe_flow, run_lines, third_levels
from noisemap.source.four_pole import HotGas, convected_load, outlet_transfer, pipe_matrix
from noisemap.source.gas_dynamics import outlet_load, pipe_response, running_wave
from noisemap.source.gas_kernel import _nozzle_end
from noisemap.source.muffler import outlet_impedance
from noisemap.source.orifice import mass_flow
from noisemap.source.radiation import a_weighting, line_power, octave_level
from noisemap.source.turbocharger import balanced_boost, turbine_efficiency

GAS = Gas(1.37, 287.05)
ENGINE = packaged_engine("15L")


@cache
def run(
    cylinders: int, cell_m: float = 0.03, boost: float | None = 2.5e5, speed: float = 2100.0
) -> EngineRun:
    return simulate(ENGINE, speed, cylinders, Draw(4.5), cell_m=cell_m, boost_pa=boost)


def level(found: EngineRun) -> float:
    """A-weighted sound power level of the straight pipe."""
    lines = run_lines(found, ENGINE)
    power = line_power(lines, ENGINE.pipe_diameter_m)
    return float(10 * np.log10((power * 10 ** (0.1 * a_weighting(lines.frequency))).sum() / 1e-12))


def octaves(found: EngineRun) -> np.ndarray:
    lines = run_lines(found, ENGINE)
    return octave_level(third_levels(lines, ENGINE, pipe_flow(found, 4.5), Exhaust("straight")))


def low_octave(found: EngineRun) -> float:
    """Level of the 31.5 Hz octave."""
    lines = run_lines(found, ENGINE)
    inside = (lines.frequency > 22.387) & (lines.frequency < 44.668)
    return float(10 * np.log10(line_power(lines, 0.125)[inside].sum() / 1e-12))


# D2 --------------------------------------------------------------------------------------


def harmonics(cells: int) -> tuple[np.ndarray, float]:
    gas = Gas(1.4, 287.05)
    start = 20.0 * np.sin(2 * np.pi * (np.arange(cells) + 0.5) / cells)
    duration = 0.8 / (1.2 * 20.0 * 2 * np.pi)
    velocity, drift = running_wave(start, duration, sound_speed=450.0, wavelength_m=1.0, gas=gas)
    return np.abs(np.fft.rfft(velocity))[1:4] * 2 / cells / 20.0, drift


def test_d2_steepening_of_a_simple_wave() -> None:
    found, drift = harmonics(160)
    assert found[:2] == pytest.approx([0.922105, 0.321210], rel=5e-3)
    assert found[2] == pytest.approx(0.165096, rel=1e-2)
    assert drift < 1e-13


def test_d2_converges_with_the_grid() -> None:
    exact = np.array([0.922105, 0.321210, 0.165096])
    errors = [np.abs(harmonics(cells)[0] - exact) for cells in (20, 40, 80, 160)]
    for coarse, fine in pairwise(errors):
        assert (fine < coarse).all()
    # Two independent schemes of this kind agree on the coarse values as well.
    assert harmonics(40)[0][:2] == pytest.approx([0.8967, 0.2589], abs=2e-3)


# D3 --------------------------------------------------------------------------------------

TONES = (17.5, 35.0, 70.0, 105.0, 140.0, 175.0, 210.0, 280.0, 350.0, 525.0, 700.0, 1050.0, 1400.0)


@cache
def pipe_against_four_pole() -> dict[str, np.ndarray]:
    """Solver minus four-pole [dB] with and without the entropy term, and with the other end."""
    length, diameter, mean, period, hot = 4.5, 0.125, 0.70, 1 / 17.5, 500.0
    steps = int(np.ceil(period * 650.0 / 0.005 / 0.6))
    time = np.arange(steps) / steps * period
    flow = mean + sum(
        2e-3 * np.cos(2 * np.pi * tone * time + 1.7 * place) for place, tone in enumerate(TONES)
    )
    found = pipe_response(
        flow, period, total_temperature_k=hot, length_m=length, diameter_m=diameter,
        cell_m=0.005, gas=GAS, cycles=6,
    )  # fmt: skip
    f = np.array(TONES)
    area = np.pi * diameter**2 / 4
    lines = np.fft.rfft(found.outlet_velocity)[np.rint(f * period).astype(int)] * 2 / steps * area
    mean_u = found.outlet_velocity.mean()
    still = hot - 0.5 * mean_u**2 / (GAS.gamma * GAS.constant / (GAS.gamma - 1))
    density = 101325.0 / (GAS.constant * still)
    gas = HotGas(float(np.sqrt(GAS.gamma * GAS.constant * still)), density, mean)
    load = outlet_load(diameter)
    parallel = 1 / (1 / load[2] + 1 / (2j * np.pi * f * load[3])) / (area * density)
    matrix = pipe_matrix(f, length, area, gas)
    entropy = (GAS.gamma - 1) * gas.mach(area) / gas.impedance(area)

    def difference(impedance: np.ndarray, admittance: float) -> np.ndarray:
        transfer = outlet_transfer(matrix, convected_load(impedance, area, gas), admittance)
        return np.asarray(20 * np.log10(np.abs(lines) / np.abs(transfer * 2e-3 / density)))

    return {
        "with": difference(parallel, entropy),
        "without": difference(parallel, 0.0),
        "unflanged": difference(outlet_impedance(f, diameter, gas), entropy),
    }


def test_d3_small_amplitudes_follow_the_four_pole() -> None:
    found = np.abs(pipe_against_four_pole()["with"])
    assert (found[:7] <= 0.19).all()
    assert found[7] <= 0.52
    assert (found[8:] <= 0.30).all()


def test_d3_needs_the_entropy_term() -> None:
    without = pipe_against_four_pole()["without"]
    assert without[2] == pytest.approx(-2.5, abs=0.3)
    assert without[6] == pytest.approx(-2.2, abs=0.3)


def test_d3_end_load_equals_the_unflanged_end_at_low_frequencies() -> None:
    found = pipe_against_four_pole()
    change = np.abs(found["unflanged"] - found["with"])
    assert (change[:10] < 0.1).all()
    assert (change[11:] < 1.2).all()


def test_pipe_must_be_flushed() -> None:
    with pytest.raises(OutOfDomainError, match="flush"):
        pipe_response(
            np.full(1000, 0.02), 0.057, total_temperature_k=500.0, length_m=4.5,
            diameter_m=0.125, cell_m=0.01, gas=GAS, cycles=7,
        )  # fmt: skip


def test_a_strong_wave_steepens_in_the_pipe_and_a_weak_one_does_not() -> None:
    """Amplitude 1 against .05 of the same shape: the bands above 500 Hz rise."""
    period, steps = 1 / 105.0, 3000
    time = np.arange(steps) / steps
    shape = np.exp(-(((time - 0.2) / 0.08) ** 2))
    shape -= shape.mean()

    def spectrum(size: float) -> np.ndarray:
        found = pipe_response(
            0.7 + size * shape, period, total_temperature_k=500.0, length_m=4.5, diameter_m=0.125,
            cell_m=0.01, gas=GAS, cycles=40,
        )  # fmt: skip
        return np.abs(np.fft.rfft(found.outlet_velocity))[1:21] / size

    change = 20 * np.log10(spectrum(1.0) / spectrum(0.05))
    assert abs(change[0]) < 2.0
    assert change[10:18].mean() > 5.0


# D4 --------------------------------------------------------------------------------------


def test_d4_levels_converge_with_the_cells() -> None:
    """Gaps of the prototype: 3.2, 1.3, .3 dB(A) for 40 to 5 mm; 4 kHz far more."""
    found = {cell: run(6, cell, 2.0e5) for cell in (0.04, 0.02, 0.01)}
    first = level(found[0.02]) - level(found[0.04])
    second = level(found[0.01]) - level(found[0.02])
    assert 0.0 < second < first
    assert second < 2.0
    high = [octaves(found[cell])[6] for cell in (0.04, 0.02, 0.01)]
    assert high[1] - high[0] > 10.0
    assert high[2] - high[1] > 5.0


def test_d4_more_cycles_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    before = level(run(6))
    monkeypatch.setattr(engine_simulation, "FINE_CYCLES", (12, 12))
    longer = simulate(ENGINE, 2100.0, 6, Draw(4.5), cell_m=0.03, boost_pa=2.5e5)
    assert longer.cycles == 12
    assert level(longer) == pytest.approx(before, abs=0.05)


# D5 --------------------------------------------------------------------------------------


@pytest.mark.parametrize("cylinders", [0, 2, 4, 6])
def test_d5_what_enters_the_pipe_leaves_it(cylinders: int) -> None:
    found = run(cylinders)
    assert found.outlet_mass_flow_kg_s == pytest.approx(found.mass_flow_kg_s, rel=3e-4)


def test_nozzle_passes_what_arrives_both_ways() -> None:
    area, nozzle = 2.376e-3, 6.5e-4
    for inside, outside in ((3.0e5, 1.0e5), (1.3e5, 1.0e5), (1.0e5, 1.6e5)):
        state = (inside / (287.05 * 600.0), 40.0, inside)
        rest, rho, u, _, total_k, total_p = _nozzle_end(
            state, area, nozzle, outside, 500.0, 1.37, 287.05
        )
        source_k = total_k if total_p > outside else 500.0
        expected = mass_flow(nozzle, total_p, source_k, outside, gamma=1.37, gas_constant=287.05)
        assert rho * u * area == pytest.approx(expected, rel=1e-8)
        assert abs(rest) < 1e-8


# D6 --------------------------------------------------------------------------------------


def test_d6_identical_cylinders_make_firing_harmonics_only(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(engine_simulation, "SETTLED", 1e-6)
    monkeypatch.setattr(engine_simulation, "FINE_CYCLES", (12, 40))
    same = replace(ENGINE, ports_m=(0.2, 0.2, 0.2))
    found = simulate(same, 2100.0, 6, Draw(4.5), cell_m=0.03, boost_pa=2.5e5)
    assert octaves(found)[1] - low_octave(found) > 80.0
    assert octaves(found)[1] - octaves(found)[0] > 80.0
    real = run(6)
    assert 35.0 < octaves(real)[1] - low_octave(real) < 50.0


def test_d6_uneven_spacing_brings_the_cycle_orders() -> None:
    six, four, two = (run(count) for count in (6, 4, 2))
    assert low_octave(four) - low_octave(six) == pytest.approx(26.0, abs=3.0)
    assert low_octave(two) - low_octave(six) > 20.0
    assert run_lines(four, ENGINE).frequency[0] == pytest.approx(2100 / 120)


# D7 --------------------------------------------------------------------------------------


def test_d7_braking_adds_more_than_20_db() -> None:
    assert level(run(6, 0.03, 2.0e5)) - level(run(0, 0.03, 2.0e5)) > 20.0


def test_cylinders_that_do_not_brake_compress_fully() -> None:
    found = run(2)
    braking = [found.peak_pressure_pa[number - 1] for number in found.braking]
    assert max(braking) < 0.6 * min(np.delete(found.peak_pressure_pa, [0, 1]))


@pytest.mark.parametrize("name", PACKAGED)
def test_operating_point_at_rated_speed(name: str) -> None:
    """Peaks within 500-1000 psi (PRACTICE), closed cycle under its bound, power of its range."""
    engine = packaged_engine(name)
    found = simulate(engine, 2100.0, 6, cell_m=0.03)
    psi = found.peak_pressure_pa.max() / 6894.757
    assert 500.0 < psi < 1000.0
    bound = closed_cycle_bound(engine.geometry, engine_speed_rpm=2100.0, boost_pa=found.boost_pa)
    assert 0.0 < found.closed_cycle_power_w < bound
    pumping = found.indicated_power_w - found.closed_cycle_power_w
    assert pumping > 0.0
    total = found.indicated_power_w + float(friction_power(engine, 2100.0))
    low, high = engine.published_power_kw
    assert 0.9 * low < total * 1e-3 < 1.1 * high
    assert 1.5e5 < found.boost_pa < 3.2e5


@pytest.mark.parametrize("speed", [900.0, 1200.0, 1500.0, 1800.0])
def test_closed_cycle_stays_under_its_bound(speed: float) -> None:
    found = run(6, 0.03, None, speed)
    bound = closed_cycle_bound(ENGINE.geometry, engine_speed_rpm=speed, boost_pa=found.boost_pa)
    assert found.closed_cycle_power_w < bound


def test_boost_closes_the_balance_of_the_turbocharger() -> None:
    found = run(6, 0.03, None)
    capacity = GAS.gamma * GAS.constant / (GAS.gamma - 1)
    fall = found.turbine_temperature_k - found.pipe_temperature_k
    power = found.mass_flow_kg_s * capacity * fall
    again = balanced_boost(ENGINE, power, found.mass_flow_kg_s)
    assert again == pytest.approx(found.boost_pa, rel=5e-3)
    assert turbine_efficiency(ENGINE, 2100.0) == pytest.approx(0.65)


def test_boost_rises_with_the_braking_cylinders() -> None:
    boosts = [run(count, 0.03, None).boost_pa for count in (0, 2, 4, 6)]
    assert boosts == sorted(boosts)
    assert boosts[0] > 101325.0


def test_port_mouths_lie_in_the_manifold_on_every_grid() -> None:
    for cell in (0.03, 0.01, 0.005, 0.0025):
        cells = round(ENGINE.manifold_length_m / cell)
        length = ENGINE.manifold_length_m / cells
        first, weights = port_weights(ENGINE.ports_m, ENGINE.port_width_m, length, cells)
        assert weights.sum(axis=1) == pytest.approx(1.0)
        for start, row, centre in zip(first, weights, ENGINE.ports_m, strict=True):
            at = (start - 2 + np.arange(len(row)) + 0.5) * length
            assert (at * row).sum() == pytest.approx(centre, abs=0.5 * length)
            assert start + len(row) <= cells + 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((3000.0, 6), "engine speed"),
        ((2100.0, 5), "braking cylinders"),
    ],
)
def test_points_outside_the_model_are_errors(arguments: tuple[float, int], words: str) -> None:
    with pytest.raises(OutOfDomainError, match=words):
        simulate(ENGINE, *arguments)


def test_an_engine_speed_in_the_way_of_the_draw() -> None:
    slow = simulate(ENGINE, 2100.0, 6, Draw(4.5, 0.95), cell_m=0.05, boost_pa=2e5)
    assert slow.engine_speed_rpm == pytest.approx(1995.0)
    assert run_lines(slow, ENGINE).frequency[0] == pytest.approx(1995.0 / 120)
