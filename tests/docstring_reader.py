"""Reads units and meanings out of the docstrings of the physics."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "noisemap"
FOLDERS = ("source", "propagation", "descent", "community")
SINGLE = ("levels.py", "atmosphere.py")
NUMERIC = re.compile(r"\b(float|int|array|ndarray|array_like|FloatArray)\b")


@dataclass(frozen=True)
class Parameter:
    """One numeric parameter of one public function."""

    name: str
    unit: str
    meaning: str
    module: str


def functions() -> list[tuple[str, ast.FunctionDef]]:
    """Public functions of the physics with their place."""
    paths = [path for folder in FOLDERS for path in sorted((PACKAGE / folder).glob("*.py"))]
    paths += [PACKAGE / name for name in SINGLE]
    found = []
    for path in paths:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                found.append((f"{path.relative_to(PACKAGE)}:{node.name}", node))
    return found


def section(docstring: str, title: str) -> str:
    """One section of a numpy docstring."""
    match = re.search(rf"\n{title}\n-+\n(.*?)(?=\n\w[\w ]*\n-{{3,}}\n|\Z)", docstring, re.S)
    return match[1] if match else ""


def entries(docstring: str) -> list[tuple[list[str], str, str]]:
    """Names, type and text of each documented parameter."""
    listed = section(docstring, "Parameters").strip()
    found = []
    for entry in re.split(r"\n(?=\S)", listed) if listed else []:
        head, _, rest = entry.partition(":")
        names = [name.strip().lstrip("*") for name in head.split(",")]
        kind = rest.splitlines()[0] if rest else ""
        found.append((names, kind, entry))
    return found


def units(entry: str) -> list[str]:
    """Words in square brackets."""
    return re.findall(r"\[([^\]\[]+)\](?!_)", entry)


def numeric_parameters() -> Iterator[Parameter]:
    """Every numeric parameter of every public function of the physics."""
    for place, node in functions():
        for names, kind, entry in entries(ast.get_docstring(node) or ""):
            if not NUMERIC.search(kind):
                continue
            body = " ".join(" ".join(entry.splitlines()[1:]).split())
            meaning = re.split(r"(?<=[.;])\s|\s*\[", body)[0].rstrip(".;")
            known = [unit for unit in units(entry) if not re.search(r"\d\s*\+|^i", unit)]
            for name in names:
                yield Parameter(name, known[0] if known else "", meaning, place.split(":")[0])
