"""The compiled kernel of the maps equals the readable reference of `noisemap path`.

Over the top here; `test_kernel_sides.py` holds the paths around the sides.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from propagation_support import ALPHA, random_place, reference_path

from noisemap.propagation.attenuation import attenuation
from noisemap.propagation.kernel import Reading, propagate
from noisemap.propagation.path_flags import path_flags
from noisemap.transfer.store import BEYOND_1000_M, FLAG_WORDS, HIGH_PATH, NEAR_GRAZING

LIMIT_DB = 1e-6
HEIGHTS = (0.5, 3.7)


def difference(seed: int, reading: Reading) -> tuple[float, list[str]]:
    """Largest difference of A over heights and bands [dB], and what the paths were."""
    surface, receiver, source = random_place(seed)
    block = propagate(
        surface, receiver[None], source[None], HEIGHTS, [0, 1], [0], ALPHA, c0=2.0,
        reading=reading, sides=False,
    )  # fmt: skip
    worst = 0.0
    kinds = []
    for h, hs in enumerate(HEIGHTS):
        answer = attenuation(reference_path(surface, receiver, source, hs, c0=2.0, reading=reading))
        level = -10.0 * np.log10(block.t[0, h].astype(float))
        worst = max(worst, float(np.abs(level - answer.a).max()))
        cmet = -10.0 * np.log10(float(block.cmet_factor[0, h]))
        assert abs(cmet - answer.cmet) < LIMIT_DB
        if h == 0:
            assert abs(float(block.distance[0]) - answer.d) < 1e-6 * answer.d
        if answer.top.n and answer.top.z > 0.0:
            assert abs(float(block.grazing_z[0, h]) - answer.top.z) <= 1e-6 * answer.top.z
        else:
            assert float(block.grazing_z[0, h]) <= 0.0
        kinds.append("clear" if not answer.top.n else "below" if answer.top.z < 0 else
                     "single" if answer.top.n == 1 else "double")  # fmt: skip
    return worst, kinds


@pytest.mark.parametrize("reading", ["literal", "positive"])
def test_equal_on_300_random_places(reading: Reading) -> None:
    """Flat, terrain, walls, buildings and objects below the line, 60 places each."""
    seen: list[str] = []
    for seed in range(300):
        worst, kinds = difference(seed, reading)
        assert worst < LIMIT_DB, f"seed {seed} ({kinds}): {worst:.2e} dB"
        seen += kinds
    for kind in ("clear", "below", "single", "double"):
        assert seen.count(kind) >= 20, f"only {seen.count(kind)} {kind} paths: {seen}"


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(1000, 10_000_000), st.sampled_from(["literal", "positive"]))
def test_equal_wherever_one_looks(seed: int, reading: Reading) -> None:
    worst, kinds = difference(seed, reading)
    assert worst < LIMIT_DB, f"{kinds}: {worst:.2e} dB"


def test_the_limit_can_fail() -> None:
    """The same comparison sees a change of the convention for two edges."""
    changed = 0
    for seed in range(60):
        surface, receiver, source = random_place(seed)
        literal = propagate(
            surface, receiver[None], source[None], HEIGHTS, [0, 1], [0], ALPHA, sides=False
        )
        answer = attenuation(reference_path(surface, receiver, source, 0.5, reading="positive"))
        level = -10.0 * np.log10(literal.t[0, 0].astype(float))
        changed += bool(np.abs(level - answer.a).max() > LIMIT_DB)
    assert changed >= 10


def test_maps_and_single_paths_flag_alike() -> None:
    """Beyond 1000 m, over 30 m and near grazing, on places stretched and raised at random."""
    seen: Counter[str] = Counter()
    for seed in range(150):
        surface, receiver, source = random_place(seed)
        rise = [0.0, 0.0, 60.0][seed % 3]
        receiver = receiver + np.array([0.0, 0.0, rise])
        for hs in HEIGHTS:
            block = propagate(surface, receiver[None], source[None], [hs], [0, 1], [0], ALPHA)
            flags = path_flags(reference_path(surface, receiver, source, hs))
            for bit in (BEYOND_1000_M, HIGH_PATH, NEAR_GRAZING):
                words = FLAG_WORDS[bit]
                assert bool(block.flags[0] & bit) == (words in flags), (seed, hs, words)
                seen[words] += words in flags
    assert seen[FLAG_WORDS[HIGH_PATH]] >= 30
    assert seen[FLAG_WORDS[NEAR_GRAZING]] >= 5
