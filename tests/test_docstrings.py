"""Public functions of the physics name their quantity, units and registered sources."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from noisemap.references import references

PACKAGE = Path(__file__).parents[1] / "noisemap"
FOLDERS = ("source", "propagation", "descent", "community")
SINGLE = ("levels.py", "atmosphere.py")
UNITS = {
    "1", "m", "m2", "m3", "m/s", "m/s2", "km/h", "s", "h", "1/h", "Hz", "rpm", "dB", "dB/m",
    "dB/km", "%", "°C", "K", "kPa", "Pa", "bar", "kg", "kg/m3", "N", "W", "J", "J/K", "W/K", "kg/s", "Pa2s",
    "deg", "people", "dB/s", "1/m", "L", "mm", "J/(kg K)", "°F",
}  # fmt: skip


def functions() -> list[tuple[str, ast.FunctionDef]]:
    paths = [path for folder in FOLDERS for path in sorted((PACKAGE / folder).glob("*.py"))]
    paths += [PACKAGE / name for name in SINGLE]
    found = []
    for path in paths:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                found.append((f"{path.relative_to(PACKAGE)}:{node.name}", node))
    return found


FOUND = functions()


def section(docstring: str, title: str) -> str:
    match = re.search(rf"\n{title}\n-+\n(.*?)(?=\n\w[\w ]*\n-{{3,}}\n|\Z)", docstring, re.S)
    return match[1] if match else ""


def test_there_is_physics_to_check() -> None:
    assert len(FOUND) > 30


@pytest.mark.parametrize(("name", "node"), FOUND, ids=[name for name, _ in FOUND])
def test_docstring(name: str, node: ast.FunctionDef) -> None:
    docstring = ast.get_docstring(node) or ""
    assert docstring, "no docstring"
    arguments = [a.arg for a in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
    listed = section(docstring, "Parameters")
    entries = re.split(r"\n(?=\S)", listed.strip()) if listed.strip() else []
    documented: dict[str, str] = {}
    for entry in entries:
        head, _, _ = entry.partition(":")
        for argument in head.split(","):
            documented[argument.strip().lstrip("*")] = entry
    assert set(arguments) <= set(documented), f"undocumented: {set(arguments) - set(documented)}"
    for argument, entry in documented.items():
        kind = entry.partition(":")[2].splitlines()[0] if ":" in entry else ""
        if not re.search(r"\b(float|int|array|ndarray|array_like|FloatArray)\b", kind):
            continue
        units = re.findall(r"\[([^\]\[]+)\](?!_)", entry)
        assert any(unit in UNITS for unit in units), f"{argument}: no known unit in {units}"
    keys = re.findall(r"^([\w.\-]+) :", section(docstring, "References"), re.M)
    for key in keys:
        assert key in references(), f"source {key} is not registered"
    if not name.startswith("levels.py"):
        assert keys, "no source named"
