"""The study with every default filled in, as TOML."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from noisemap.scene.model import Scene
from noisemap.study.hours import show_hours
from noisemap.study.prepare import Prepared

MAPS = ("columns", "kinds", "classes", "class_words")
"""Tables whose keys are words of the user's own files."""

FILE_KEYS = ("file", "survey", "walls", "trucks", "fleet", "profile", "by_road", "model")
"""Keys whose value names a file."""


def resolved_toml(prepared: Prepared, scene: Scene, pressure: float, folder: Path) -> str:
    """The whole study, beside its results, as a study file that gives the same result.

    Coordinate system and air pressure stand as they were found; files are named from
    the results' folder, so that running it there needs `--allow-outside`.
    """
    content = prepared.study.model_dump(by_alias=True, exclude_none=True)
    content["study"]["crs"] = scene.crs
    content["weather"]["pressure_kpa"] = round(pressure, 4)
    content["output"]["folder"] = "again"
    places = {
        name: Path(os.path.relpath(file, folder.resolve())).as_posix()
        for name, file in prepared.files.items()
    }
    head = "# The resolved study: run it here with --allow-outside.\n"
    return head + toml_text(_moved(content, places))


def _moved(node: Any, places: Mapping[str, str]) -> Any:
    """The same content with every file named from its new place."""
    if isinstance(node, dict):
        return {
            key: places.get(value, value)
            if key in FILE_KEYS and isinstance(value, str)
            else [places.get(name, name) for name in value]
            if key == "files"
            else _moved(value, places)
            for key, value in node.items()
        }
    if isinstance(node, list):
        return [_moved(item, places) for item in node]
    return node


def toml_text(content: dict[str, Any]) -> str:
    """TOML of a study's plain values."""
    lines = [f"{key} = {_value(value)}" for key, value in content.items() if _plain(value)]
    for key, value in content.items():
        if isinstance(value, dict):
            lines += _table(key, value)
        elif isinstance(value, list):
            for row in value:
                lines += _table(key, row, "[[", "]]")
    return "\n".join(lines) + "\n"


def _plain(value: Any) -> bool:
    return not isinstance(value, dict | list)


def _table(name: str, table: dict[str, Any], left: str = "[", right: str = "]") -> list[str]:
    lines = ["", f"{left}{name}{right}"]
    inner = {key: value for key, value in table.items() if isinstance(value, dict)}
    maps = {key for key in inner if key in MAPS}
    for key, value in table.items():
        if key in maps:
            pairs = ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items())
            lines.append(f"{key} = {{ {pairs} }}")
        elif key not in inner:
            lines.append(f"{key} = {_value(value)}")
    for key, value in inner.items():
        if key not in maps:
            lines += _table(f"{name}.{key}", value)
    return lines


def _key(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, frozenset):
        return _key("0-24" if len(value) == 24 else show_hours(value))
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, str):
        return _key(value).replace("\x7f", "\\u007f")
    return repr(value)
