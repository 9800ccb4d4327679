"""Truck files: packaged ones are whole and sourced, a user's own is checked."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from typing import Any

import pytest

from noisemap.descent.truck import packaged_truck, truck_from_table, truck_names
from noisemap.errors import BadDataError
from noisemap.references import MARKS, references


def tables() -> list[tuple[str, dict[str, Any]]]:
    folder = files("noisemap.descent.trucks")
    return [
        (name, tomllib.loads(folder.joinpath(f"{name}.toml").read_text(encoding="utf-8")))
        for name in truck_names()
    ]


@pytest.mark.parametrize(("name", "table"), tables())
def test_every_figure_of_a_packaged_truck_has_source_and_mark(name, table):
    entries = [e for e in table.values() if "value" in e]
    entries += [e for group in ("retarder", "brakes") for e in table[group].values()]
    assert len(entries) == 24
    for entry in entries:
        assert entry["source"] in references()
        assert entry["mark"] in MARKS
    assert packaged_truck(name).name == name


def test_bigger_engines_hold_more():
    powers = [packaged_truck(name).retarder.published_power_kw for name in ("11L", "13L", "15L")]
    assert powers == sorted(powers)


def test_own_truck_needs_only_what_differs():
    own = truck_from_table(
        {
            "base": "15L",
            "outlet": "under_chassis",
            "retarder": {"kind": "driveline", "driveline_torque_nm": {"value": 3500.0}},
        },
        "mountain",
    )
    base = packaged_truck("15L")
    assert own.name == "mountain"
    assert own.outlet == "under_chassis"
    assert own.retarder.kind == "driveline"
    assert own.retarder.driveline_torque_nm == 3500.0
    assert own.retarder.published_power_kw == base.retarder.published_power_kw
    assert own.gear_ratios == base.gear_ratios
    assert own.brakes == base.brakes


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"axle": 3.0}, "unknown keys: axle"),
        ({"retarder": {"power": 1.0}}, "retarder: unknown keys: power"),
        ({"axle_ratio": -3.0}, "axle_ratio"),
        ({"tyre_radius_m": float("nan")}, "tyre_radius_m"),
        ({"tyre_radius_m": True}, "tyre_radius_m"),
        ({"gear_ratios": [1.0, 2.0]}, "gear_ratios"),
        ({"outlet": "roof"}, "stack, under_chassis"),
        ({"retarder": {"kind": "magnet"}}, "compression_release"),
        ({"retarder": {"switch_cylinders": [6, 4, 2]}}, "switch_cylinders"),
        ({"retarder": {"switch_cylinders": [2, 5, 6]}}, "rising, of 2, 3, 4, 6"),
        ({"retarder": {"switch_cylinders": [2, 4, 7]}}, "rising, of 2, 3, 4, 6"),
        ({"retarder": {"model_speed_rpm": [1200.0]}}, "model_speed_rpm"),
        ({"retarder": {"model_power_kw": [[1.0, 2.0]]}}, "model_power_kw"),
        ({"base": "9L"}, "11L, 13L, 15L"),
    ],
)
def test_faults_of_an_own_truck_are_named(changes, words):
    with pytest.raises(BadDataError, match=words):
        truck_from_table({"base": "13L"} | changes, "own")


def test_a_truck_without_base_must_be_whole():
    with pytest.raises(BadDataError, match="missing keys"):
        truck_from_table({"engine": "13L"}, "own")
