"""Parts of the gas scheme in closed form, and the spread of a flow's noise over thirds."""

from __future__ import annotations

import numpy as np
import pytest

from noisemap.levels import energy_sum
from noisemap.source import exhaust_states
from noisemap.source.exhaust_states import FIRST_OCTAVE_THIRD, flow_noise_thirds
from noisemap.source.gas_kernel import _nozzle_flow

GAMMA, GAS = 1.35, 287.0


@pytest.mark.parametrize("z", [0.9, 1.0, 1.1])
def test_gas_before_a_nozzle_keeps_its_entropy_and_its_invariant(z: float) -> None:
    """p / rho^gamma and u + 2 c / (gamma - 1) hold along a simple wave (textbook relation)."""
    rho_i, u_i, p_i = 0.7, 60.0, 1.6e5
    inner = np.array([rho_i, u_i, p_i])
    _, rho, u, p, t_total, p_total = _nozzle_flow(z, inner, 5e-3, 1e-3, 1.0e5, 700.0, GAMMA, GAS)
    assert p / rho**GAMMA == pytest.approx(p_i / rho_i**GAMMA, rel=1e-12)
    sound, sound_i = np.sqrt(GAMMA * p / rho), np.sqrt(GAMMA * p_i / rho_i)
    assert u + 2.0 * sound / (GAMMA - 1.0) == pytest.approx(u_i + 2.0 * sound_i / (GAMMA - 1.0))
    assert sound == pytest.approx(z * sound_i)
    t = p / (rho * GAS)
    assert t_total == pytest.approx(t * (1.0 + 0.5 * (GAMMA - 1.0) * (u / sound) ** 2))
    if u > 0.0:
        assert p_total == pytest.approx(p * (t_total / t) ** (GAMMA / (GAMMA - 1.0)))


def test_thirds_of_flow_noise_add_up_to_their_octaves(monkeypatch: pytest.MonkeyPatch) -> None:
    octaves = np.arange(60.0, 68.0)
    monkeypatch.setattr(exhaust_states, "flow_noise", lambda *_: octaves)
    thirds = flow_noise_thirds(None, 0.1)  # type: ignore[arg-type]
    assert np.all(np.isneginf(thirds[:FIRST_OCTAVE_THIRD]))
    groups = thirds[FIRST_OCTAVE_THIRD:].reshape(-1, 3)
    np.testing.assert_allclose(energy_sum(groups, axis=1), octaves)
