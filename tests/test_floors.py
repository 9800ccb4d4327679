"""A module imports only from lower floors or from its own folder, and folders form no cycle."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "noisemap"
FLOOR = {
    "__init__": 0,
    "errors": 0,
    "references": 0,
    "data_tables": 0,
    "units": 0,
    "storage": 0,
    "states": 0,
    "checks": 0,
    "bands": 1,
    "levels": 1,
    "execution": 1,
    "atmosphere": 1,
    "source": 2,
    "propagation": 2,
    "descent": 2,
    "community": 2,
    "readers": 3,
    "scene": 3.5,
    "transfer": 4,
    "exposure": 5,
    "zones": 6,
    "routes": 6,
    "inspection": 6,
    "listening": 6,
    "outputs": 7,
    "study": 8,
    "web": 9,
    "cli": 9.5,
    "__main__": 10,
}
HEAVY_FROM = {
    "geopandas": 3,
    "shapely": 3,
    "rasterio": 3,
    "osmium": 3,
    "pyproj": 3,
    "pyogrio": 3,
    "pandas": 3,
    "folium": 7,
    "jinja2": 7,
    "matplotlib": 7,
    "fpdf": 7,
    "click": 9,
    "rich": 9,
    "starlette": 9,
    "uvicorn": 9,
    "tomlkit": 9,
}
MODULES = sorted(path for path in PACKAGE.rglob("*.py") if "demo_data" not in path.parts)


def part_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imports(path: Path) -> list[tuple[str, ...]]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [tuple(alias.name.split(".")) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.append(tuple((node.module or "").split(".")))
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_only_lower_floors(path: Path) -> None:
    here = part_of(path)
    floor = FLOOR[here]
    for names in imports(path):
        if names[0] == "noisemap" and len(names) > 1 and names[1] != here:
            target = names[1]
            below = FLOOR[target] < floor
            same_low = FLOOR[target] == floor <= 1 and path.parent == PACKAGE
            assert below or same_low, f"{path.name} (floor {floor}) imports {'.'.join(names)}"
        if names[0] in HEAVY_FROM:
            assert floor >= HEAVY_FROM[names[0]], f"{path.name} imports {names[0]} too low"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_modules_are_small(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 500


def test_no_cycle_between_modules() -> None:
    graph = {}
    names = {
        ".".join(("noisemap", *p.relative_to(PACKAGE).with_suffix("").parts)): p for p in MODULES
    }
    for name, path in names.items():
        graph[name] = {".".join(i) for i in imports(path)} & set(names) - {name}
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join((*trail, name))
        if name not in done:
            for target in graph[name]:
                visit(target, (*trail, name))
            done.add(name)

    for name in graph:
        visit(name, ())


def test_import_is_light() -> None:
    code = (
        "import sys, noisemap, noisemap.cli.main\n"
        "heavy = {'numpy','scipy','numba','geopandas','pandas','folium','matplotlib','rasterio',"
        "'acoustics','osmium','pydantic'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert result.stdout.strip() == "[]"
