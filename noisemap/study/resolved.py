"""The study with every default filled in, as TOML."""

from __future__ import annotations

import json
from typing import Any

from noisemap.study.hours import show_hours
from noisemap.study.model import Study

MAPS = ("columns", "kinds", "classes", "class_words")
"""Tables whose keys are words of the user's own files."""


def resolved_toml(study: Study) -> str:
    """The whole study as a study file that gives the same result."""
    content = study.model_dump(by_alias=True, exclude_none=True)
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
