"""Twenty whole paths of an independent prototype (COMPUTED), term by term to 0.001 dB."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from propagation_support import ALPHA, FOLDER

from noisemap.propagation.case import path_result

DOCUMENT = json.loads((FOLDER / "twenty_paths.json").read_text(encoding="utf-8"))
CASES = DOCUMENT["cases"]
LENGTHS = {"d": 5.1e-5, "z": 5.1e-8, "Kmet": 5.1e-7, "e": 5.1e-5, "n": 0.0}
LIMIT_DB = 0.001


def test_there_are_twenty() -> None:
    assert [entry["number"] for entry in CASES] == list(range(1, 21))
    assert DOCUMENT["mark"] == "COMPUTED"
    np.testing.assert_allclose(DOCUMENT["absorption_db_per_m"], ALPHA, atol=5.1e-10)


@pytest.mark.parametrize(
    "entry", CASES, ids=lambda e: f"{e['number']}-{e['title'].replace(' ', '_')}"
)
def test_path(entry: dict[str, Any]) -> None:
    result = path_result(entry["case"])
    compared = 0
    for key, expected in entry["expected"].items():
        parts = expected if isinstance(expected, dict) else {key: expected}
        for name, value in parts.items():
            found = result[key][name] if isinstance(expected, dict) else result[key]
            limit = LENGTHS.get(name, LIMIT_DB)
            if key in ("left", "right") and name == "z":
                limit = 5.1e-7
            np.testing.assert_allclose(found, value, rtol=0.0, atol=limit, err_msg=f"{key}.{name}")
            compared += 1
    assert compared >= 3
    if "top" not in entry["expected"]:
        assert result["top"] == {"n": 0, "z": None, "Kmet": 1.0, "e": 0.0, "edges": []}
        assert result["Dz"] == [0.0] * 8


@pytest.mark.parametrize("number", [13, 15, 19])
def test_the_other_reading_is_told_apart(number: int) -> None:
    """The same data with the other reading of Abar misses the expected level."""
    entry = CASES[number - 1]
    positive = path_result({**entry["case"], "screening_reading": "positive"})
    assert positive["LA"] > entry["expected"]["LA"] + LIMIT_DB


def test_side_paths_join_by_energy() -> None:
    """Case 19: A is the energy sum over three ways, Abar the top one's."""
    result = path_result(CASES[18]["case"])
    shared = result["Adiv"] + np.array(result["Aatm"]) + result["Agr"]
    ways = [shared + result[key] for key in ("Abar",)]
    ways += [shared + result[side]["Dz"] for side in ("left", "right")]
    expected = -10.0 * np.log10(sum(10.0 ** (-0.1 * way) for way in ways))
    np.testing.assert_allclose(result["A"], expected, rtol=1e-12)
