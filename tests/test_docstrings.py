"""Public functions of the physics name their quantity, units and registered sources."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from docstring_reader import NUMERIC, entries, functions, numeric_parameters, section, units

from noisemap.references import references

PAGE = Path(__file__).parents[1] / "docs" / "nomenclature.md"
UNITS = {
    "1", "m", "m2", "m3", "m/s", "m/s2", "km/h", "s", "h", "min", "1/h", "Hz", "rpm", "dB", "dB/m",
    "%", "°C", "K", "kPa", "Pa", "bar", "kg", "kg/m3", "N", "W", "J", "J/K", "W/K", "kg/s", "deg",
    "people", "dB/s", "1/m", "L", "mm", "J/(kg K)", "°F",
}  # fmt: skip
FOUND = functions()


def test_there_is_physics_to_check() -> None:
    assert len(FOUND) > 100


@pytest.mark.parametrize(("name", "node"), FOUND, ids=[name for name, _ in FOUND])
def test_docstring(name: str, node: ast.FunctionDef) -> None:
    docstring = ast.get_docstring(node) or ""
    assert docstring, "no docstring"
    arguments = [a.arg for a in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
    documented = {name for names, _, _ in entries(docstring) for name in names}
    assert set(arguments) <= documented, f"undocumented: {set(arguments) - documented}"
    for names, kind, entry in entries(docstring):
        if NUMERIC.search(kind):
            assert any(unit in UNITS for unit in units(entry)), f"{names}: no known unit"
    keys = re.findall(r"^([\w.\-]+) :", section(docstring, "References"), re.M)
    for key in keys:
        assert key in references(), f"source {key} is not registered"
    if not name.startswith("levels.py"):
        assert keys, "no source named"


def test_every_parameter_stands_on_the_nomenclature_page() -> None:
    rows = set(re.findall(r"^\| `(\w+)` \| ([^|]+) \|", PAGE.read_text(encoding="utf-8"), re.M))
    for parameter in numeric_parameters():
        assert (parameter.name, parameter.unit) in rows, (
            f"{parameter.name} [{parameter.unit}] of {parameter.module}: "
            "renew the page with `python docs/make_nomenclature.py`"
        )
