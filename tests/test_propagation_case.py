"""Every wrong, missing or impossible part of a path's case is named in a sentence."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from propagation_support import case

from noisemap.errors import BadDataError
from noisemap.levels import a_weighted
from noisemap.propagation.case import path_result, path_results
from noisemap.propagation.case_reader import OPTIONAL, REQUIRED

SCREEN = {"kind": "screen", "x": 10, "h": 3}
BLOCK = {"kind": "block", "x1": 20, "x2": 30, "h": 4}
NAN = float("nan")


def test_keys_of_a_result() -> None:
    result = path_result(case(LW=[93] * 8, objects=[SCREEN, BLOCK]))
    assert list(result) == [
        "d", "dp", "Adiv", "Aatm", "Agr", "Dz", "Abar", "Amisc", "A", "Cmet", "LA",
        "top", "left", "right",
    ]  # fmt: skip
    assert set(result["top"]) == {"n", "z", "Kmet", "e", "edges"}
    assert result["top"]["edges"] == [[10.0, 3.0], [20.0, 4.0], [30.0, 4.0]]
    assert result["left"] is None
    assert "LA" not in path_result(case())


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"x": [0, 1000], "hs": 4}, []),
        ({"x": [0, 1000.1], "hs": 4}, ["beyond 1000 m: no stated accuracy"]),
        ({"x": [0, 50, 100], "ground": [0, -56.1, 0], "hs": 4}, ["mean path height above 30 m"]),
        ({"x": [0, 50, 100], "ground": [0, -51.9, 0], "hs": 4}, []),
        ({"x": [0, 50, 100], "ground": [0, 4.29, 0], "hs": 4}, ["near grazing"]),
        ({"x": [0, 50, 100], "ground": [0, 3.71, 0], "hs": 4}, ["near grazing"]),
        ({"x": [0, 50, 100], "ground": [0, 3.69, 0], "hs": 4}, []),
        ({"hs": 4, "objects": [{"kind": "screen", "x": 30, "h": 4.2}]}, ["near grazing"]),
        ({"hs": 4, "objects": [{"kind": "screen", "x": 30, "h": 4.4}]}, []),
        ({"x": [0, 4.99], "hs": 4}, ["closer than the minimum distance"]),
        ({"x": [0, 1e-9], "hs": 4}, ["closer than the minimum distance"]),
        ({"x": [0, 5.0], "hs": 4}, []),
    ],
)
def test_what_the_method_does_not_vouch_for_is_flagged(
    changes: dict[str, Any], words: list[str]
) -> None:
    changes = {"ground": [0] * len(changes.get("x", [0, 100])), **changes}
    result = path_result(case(**changes))
    flags = result.get("flags", [])
    assert "error" not in result
    assert len(flags) == len(words)
    assert all(flag.startswith(start) for flag, start in zip(flags, words, strict=True))


def test_la_is_the_level_without_cmet() -> None:
    power = [90, 91, 92, 93, 94, 95, 96, 97]
    result = path_result(case(LW=power, C0=3, x=[0, 900]))
    assert result["Cmet"] > 1.0
    assert result["LA"] == pytest.approx(float(a_weighted(np.array(power) - result["A"])))


def test_objects_rise_from_local_ground() -> None:
    sloped = case(x=[0, 50, 100], ground=[0, 10, 0], objects=[{"kind": "screen", "x": 25, "h": 3}])
    assert [25.0, 8.0] in path_result(sloped)["top"]["edges"]
    block = {"kind": "block", "x1": 40, "x2": 60, "h": 3}
    result = path_result(case(x=[0, 50, 100], ground=[0, 10, 0], objects=[block]))
    assert result["top"]["edges"] == [[40.0, 13.0], [60.0, 13.0]]


def test_housing_replaces_weaker_ground() -> None:
    open_ground = path_result(case())
    built = path_result(case(housing_m=40))
    for before, agr, misc in zip(open_ground["Agr"], built["Agr"], built["Amisc"], strict=True):
        assert (agr, misc) == ((before, 0.0) if before > 4.0 else (0.0, 4.0))


def test_order_is_kept_and_errors_stand_in_place() -> None:
    results = path_results([case(), case(hs=-1), case(hr=2)])
    assert ["error" in result for result in results] == [False, True, False]
    assert results[1]["error"].startswith("path 2: hs: -1")
    assert path_results(case()) == [path_result(case())]
    with pytest.raises(BadDataError, match="empty"):
        path_results([])


WRONG: list[tuple[dict[str, Any], str]] = [
    ({"x": [0, 50, 40], "ground": [0, 0, 0]}, r"x\[2\]: 40 after 50.*rising.*sort the profile"),
    ({"x": [0, 50, 50, 100], "ground": [0] * 4}, r"x\[2\]: 50 after 50.*rising"),
    ({"x": [0, 0]}, "same place"),
    ({"x": [5, 100]}, r"x\[0\]: 5.*allowed: 0"),
    ({"x": [0]}, "x: 1 value.*2 or more"),
    ({"x": "far"}, "x: 'far'.*a list of numbers"),
    ({"x": [0, "100"]}, r"x\[1\]: '100'.*a number"),
    ({"x": [0, NAN]}, r"x\[1\]: nan"),
    ({"x": [0, float("inf")]}, r"x\[1\]: inf"),
    ({"x": [0, 10**400]}, r"x\[1\]: 1000"),
    ({"x": [0, True]}, r"x\[1\]: True"),
    ({"x": [0, 2e5]}, r"x\[1\]: 200000.*0..100000 m"),
    ({"ground": [0]}, "ground: 1 values.*2 values"),
    ({"ground": [0, -9999]}, r"ground\[1\]: -9999.*-500..9000 m"),
    ({"ground": None}, "ground: None"),
    ({"hs": 0}, "hs: 0.*above 0.*above its ground"),
    ({"hs": -0.5}, "hs: -0.5"),
    ({"hr": -4}, "hr: -4.*receiver must stand above its ground"),
    ({"hr": NAN}, "hr: nan"),
    ({"hr": "4"}, "hr: '4'"),
    ({"G": []}, r"G: \[\].*covering"),
    ({"G": 0.5}, "G: 0.5.*a list of"),
    ({"G": [[0, 40, 0.5], [50, 100, 0.5]]}, r"G\[1\]: a gap between 40 and 50 m"),
    ({"G": [[0, 60, 0.5], [50, 100, 0.5]]}, r"G\[1\]: an overlap between 50 and 60 m"),
    ({"G": [[0, 90, 0.5]]}, r"G\[0\]: ends at 90 m.*100 m"),
    ({"G": [[0, 110, 0.5]]}, r"G\[0\]: ends at 110 m"),
    ({"G": [[10, 100, 0.5]]}, r"G\[0\]: starts at 10 m"),
    ({"G": [[0, 100, 1.5]]}, r"G\[0\]: factor 1.5.*0..1"),
    ({"G": [[0, 100, -0.1]]}, r"G\[0\]: factor -0.1"),
    ({"G": [[0, 100, NAN]]}, r"G\[0\]: \[0, 100, nan\]"),
    ({"G": [[0, 100]]}, r"G\[0\]: \[0, 100\].*\[from, to, factor\]"),
    ({"G": [[0, 0, 0.5], [0, 100, 0.5]]}, r"G\[0\]: from 0 to 0"),
    ({"objects": {}}, "objects: {}.*a list"),
    ({"objects": [5]}, r"objects\[0\]: 5.*screen"),
    ({"objects": [{"kind": "tree", "x": 5, "h": 1}]}, r"objects\[0\]: .*tree.*block"),
    ({"objects": [{"kind": ["screen"], "x": 5, "h": 1}]}, r"objects\[0\]"),
    ({"objects": [{"kind": "screen", "x": 5}]}, r"objects\[0\].h: missing"),
    ({"objects": [{**SCREEN, "w": 1}]}, r"objects\[0\].'w': unknown key.*kind, x, h"),
    ({"objects": [{**SCREEN, "h": 0}]}, r"objects\[0\].h: 0.*above local ground"),
    ({"objects": [{**SCREEN, "x": NAN}]}, r"objects\[0\].x: nan"),
    ({"objects": [{**SCREEN, "x": 0}]}, r"objects\[0\]: the source stands inside this screen"),
    ({"objects": [{**SCREEN, "x": 100}]}, r"objects\[0\]: the receiver stands inside"),
    ({"objects": [{**SCREEN, "x": 150}]}, r"objects\[0\]: stands at 150 m, off the path"),
    ({"objects": [{**BLOCK, "x1": -5, "x2": 5}]}, "the source stands inside this block"),
    ({"objects": [{**BLOCK, "x2": 120}]}, "the receiver stands inside this block"),
    ({"objects": [{**BLOCK, "x1": 30, "x2": 20}]}, r"objects\[0\]: x1 30, x2 20.*x1 below x2"),
    ({"lateral_corners": [[20]]}, r"lateral_corners\[0\]: \[20\]"),
    ({"lateral_corners": [[120, 5]]}, r"lateral_corners\[0\]: 120 m along.*between"),
    ({"lateral_corners": [[20, 0]]}, r"lateral_corners\[0\]: 0 m beside the line"),
    ({"foliage_m": -1}, "foliage_m: -1"),
    ({"foliage_m": 500}, "foliage_m: 500.*0..105 m.*exceed the path"),
    ({"industry_m": "all"}, "industry_m: 'all'"),
    ({"housing_m": NAN}, "housing_m: nan"),
    ({"T": 283.15}, "T: temperature: 283.15 °C.*not kelvin"),
    ({"RH": 0.7}, "RH: relative humidity: 0.7 %.*70 and not 0.7"),
    ({"p": 1013.25}, "p: air pressure: 1013.25 kPa"),
    ({"p": None}, "p: None.*finite"),
    ({"C0": -1}, "C0: -1.*0..20 dB"),
    ({"LW": [93] * 7}, "LW: 7 values.*8 values"),
    ({"LW": [93] * 7 + [NAN]}, r"LW\[7\]: nan"),
    ({"screening_reading": "strict"}, "screening_reading: 'strict'.*literal, positive"),
    ({"screening_reading": ["literal"]}, "screening_reading"),
    ({"hz": 1}, "'hz': unknown key; keys: x, ground"),
    ({"folliage_m": 1}, "'folliage_m': unknown key.*'foliage_m'"),
]


@pytest.mark.parametrize(("changes", "message"), WRONG, ids=[str(i) for i in range(len(WRONG))])
def test_fault_is_named(changes: dict[str, Any], message: str) -> None:
    full = case()
    full.update(changes)
    result = path_result(full)
    assert list(result) == ["error"]
    assert re.search(message, result["error"]), result["error"]
    assert result["error"].startswith("path 1: ")
    assert "Traceback" not in result["error"]


@pytest.mark.parametrize("key", REQUIRED)
def test_missing_key(key: str) -> None:
    full = case()
    del full[key]
    assert f"{key}: missing; every path needs x, ground, hs, hr, G" in path_result(full)["error"]


@pytest.mark.parametrize("whole", [None, 5, "case", []])
def test_a_case_must_be_an_object(whole: Any) -> None:
    assert "a JSON object" in path_result(whole)["error"]


def test_all_faults_are_listed() -> None:
    faults = path_result(case(hs=-1, hr=-1, T=300, RH=0.5, C0=-2, spare=1, objects=[SCREEN, 7]))
    lines = faults["error"].split("\n")
    assert len(lines) == 7
    for field in ("hs", "hr", "T", "RH", "C0", "'spare'", "objects[1]"):
        assert any(line.startswith(f"path 1: {field}: ") for line in lines), field


def test_long_untrusted_values_are_cut() -> None:
    error = path_result(case(hs="x" * 5000 + "\n\n"))["error"]
    assert len(error) < 300
    assert "\n" not in error


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=8,
)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(REQUIRED + OPTIONAL), JSON)
def test_no_value_breaks_the_reader(key: str, value: Any) -> None:
    """Whatever stands in a key, the answer is a result with finite numbers or an error."""
    full = case()
    full[key] = value
    result = path_result(full)
    if "error" not in result:
        assert np.isfinite(result["A"]).all()


def facade(**changes: Any) -> dict[str, Any]:
    """A wall 30 m to the left of a path of 40 m, from 10 m before its source to 20 m beyond."""
    way = math.hypot(40.0, 60.0)  # of the image source, which stands 60 m to the left
    return {"from": [-10, 30], "to": [60, 30], "h": 6, "rho": 1.0, "x": [0, way],
            "ground": [0, 0], "G": [[0, way, 0]], **changes}  # fmt: skip


def beside(hs: float = 0.5, hr: float = 4.0, **changes: Any) -> dict[str, Any]:
    return path_result(
        case(x=[0, 40], ground=[0, 0], G=[[0, 40, 0]], hs=hs, hr=hr, reflectors=[facade(**changes)])
    )


def test_the_image_of_the_source_stands_as_far_behind_a_surface_as_the_source_before_it() -> None:
    (found,) = beside()["reflected"]
    assert found["d"] == pytest.approx(math.sqrt(40.0**2 + 60.0**2 + 3.5**2), abs=1e-9)
    assert found["at"] == pytest.approx(0.5 * math.hypot(40.0, 60.0), abs=1e-9)
    slanted = {"from": [0, 10], "to": [40, 30]}  # the image of (0, 0) in y = 10 + x/2 is (-8, 16)
    way = math.hypot(48.0, 16.0)
    (found,) = beside(**slanted, x=[0, way], G=[[0, way, 0]])["reflected"]
    assert found["d"] == pytest.approx(math.sqrt(48.0**2 + 16.0**2 + 3.5**2), abs=1e-9)
    # the image sees the receiver through y = 10 + x/2 where -8 + 48 t, 16 - 16 t lies on it
    assert found["at"] == pytest.approx(way * 10.0 / 40.0, abs=1e-9)


@pytest.mark.parametrize(("foot", "height"), [(0.0, 2.0), (2.0, 1.0)])
def test_a_surface_reflects_up_to_its_upper_edge_and_down_to_its_foot(
    foot: float, height: float
) -> None:
    """Between two points 2 m high the mirror point is 2 m high, wherever the ground is."""
    way = math.hypot(40.0, 60.0)
    profile = {"x": [0, way / 2.0, way], "ground": [0, foot, 0]}
    (on,) = beside(2.0, 2.0, h=height, **profile)["reflected"]
    assert on["on_surface"]
    apart = {"h": height - 1e-6} if foot == 0.0 else {"ground": [0, foot + 1e-6, 0]}
    (off,) = beside(2.0, 2.0, **{"h": height, **profile, **apart})["reflected"]
    assert not off["on_surface"]


def test_a_profile_of_another_length_than_by_way_of_the_surface_is_told() -> None:
    answer = beside(x=[0, 80], G=[[0, 80, 0]])
    assert "reflectors[0]: x: ends at 80 m" in answer["error"]
    assert "72.111 m" in answer["error"]
