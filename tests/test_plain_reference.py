"""`noisemap path` against an implementation that shares nothing with the package."""

from __future__ import annotations

from collections import Counter
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from plain_iso9613 import random_case, solve

from noisemap.propagation.case import path_result

LIMIT_DB = 1e-6
TERMS = ("d", "dp", "Adiv", "Aatm", "Agr", "Dz", "Abar", "Amisc", "A", "Cmet", "LA")


def apart(found: Any, expected: Any) -> float:
    ours = found if isinstance(found, list) else [found]
    theirs = expected if isinstance(expected, list) else [expected]
    return max(abs(a - b) for a, b in zip(ours, theirs, strict=True))


def compared(seed: int) -> set[str]:
    """Terms that took part; every one of them must be the same."""
    case = random_case(seed)
    found, expected = path_result(case), solve(case)
    assert "error" not in found, found
    for term in TERMS:
        assert apart(found[term], expected[term]) < LIMIT_DB, (seed, term)
    assert found["top"]["n"] == expected["top"]["n"], seed
    if expected["top"]["n"]:
        assert apart(found["top"]["z"], expected["top"]["z"]) < LIMIT_DB, seed
    for side in ("left", "right"):
        assert (found[side] is None) == (expected[side] is None), (seed, side)
        if expected[side] is not None:
            assert apart(found[side]["z"], expected[side]["z"]) < LIMIT_DB, (seed, side)
            assert apart(found[side]["Dz"], expected[side]["Dz"]) < LIMIT_DB, (seed, side)
    n, z = expected["top"]["n"], expected["top"]["z"]
    seen = {"clear" if not n else "below" if z < 0.0 else "single" if n == 1 else "double"}
    seen |= {key for key in ("foliage_m", "industry_m", "housing_m") if case.get(key)}
    seen |= {"side" for side in ("left", "right") if expected[side] is not None}
    return seen


def test_300_random_cases_in_every_term() -> None:
    seen: Counter[str] = Counter()
    for seed in range(300):
        seen.update(compared(seed))
    kinds = ("clear", "below", "single", "double", "side", "foliage_m", "industry_m", "housing_m")
    assert min(seen[kind] for kind in kinds) >= 30, seen


@settings(max_examples=100, deadline=None)
@given(st.integers(1000, 10_000_000))
def test_wherever_one_looks(seed: int) -> None:
    compared(seed)
