"""Coefficient tables shipped with the package, each row with its source and mark."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.references import MARKS, require_reference

FloatArray = npt.NDArray[np.float64]


@cache
def table_rows(package: str, name: str) -> tuple[dict[str, str], ...]:
    """Rows of a packaged CSV; every row must name a registered source and a mark."""
    text = files(package).joinpath(name).read_text(encoding="utf-8")
    rows = tuple(dict(row) for row in csv.DictReader(text.splitlines()))
    if not rows:
        raise ValueError(f"{package}/{name}: the table is empty")
    for number, row in enumerate(rows, start=2):
        _check_provenance(f"{package}/{name}:{number}", row)
    return rows


def band_row(package: str, name: str, key: str, columns: Sequence[str]) -> FloatArray:
    """Numbers of the one row whose first column is `key`, in the order of `columns`."""
    rows = table_rows(package, name)
    first = next(iter(rows[0]))
    matches = [row for row in rows if row[first] == key]
    if len(matches) != 1:
        known = ", ".join(row[first] for row in rows)
        raise KeyError(f"{package}/{name}: no single row {key!r}; rows: {known}")
    return np.array([float(matches[0][column]) for column in columns])


@cache
def toml_table(package: str, name: str) -> dict[str, Any]:
    """A packaged TOML file; every entry with a `value` must name its source and mark."""
    with files(package).joinpath(name).open("rb") as stream:
        content = tomllib.load(stream)
    _check_tree(f"{package}/{name}", content)
    return content


def _check_tree(where: str, node: Any) -> None:
    if isinstance(node, dict):
        if "value" in node:
            _check_provenance(where, node)
        for key, child in node.items():
            _check_tree(f"{where}:{key}", child)
    elif isinstance(node, list):
        for index, child in enumerate(node):
            _check_tree(f"{where}[{index}]", child)


def _check_provenance(where: str, row: dict[str, Any]) -> None:
    if row.get("mark") not in MARKS:
        raise ValueError(f"{where}: mark {row.get('mark')!r}; allowed: {', '.join(MARKS)}")
    require_reference(str(row.get("source")))
