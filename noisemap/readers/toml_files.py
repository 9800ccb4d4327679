"""TOML files in: their content, or one sentence for whatever is wrong with the text."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from noisemap.errors import BadDataError
from noisemap.readers.paths import plain_file

LARGEST_BYTES = 1_000_000
DEEPEST = 30

# A name of very many parts costs the standard library their number squared.
_LONG_NAME = re.compile(
    r"""(?<![\w"'-])[\w"'-]++(?:[ \t]*+\.[ \t]*+[\w"'-]++){%d}""" % DEEPEST  # noqa: UP031
)


class TomlError(ValueError):
    """The text is not TOML that can be read."""


def toml_content(text: str) -> dict[str, Any]:
    r"""Content of a TOML text.

    Raises
    ------
    TomlError
        When it is not valid TOML, or nested too deeply.

    >>> toml_content("a = 1"), toml_content("[a.b]\nc = []")
    ({'a': 1}, {'a': {'b': {'c': []}}})
    """
    if _LONG_NAME.search(text):
        raise TomlError(f"a name has more than {DEEPEST} parts")
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also for a number of thousands of digits
        raise TomlError(str(error)) from error
    if _depth(content) > DEEPEST:
        raise TomlError(f"tables or lists are nested more than {DEEPEST} deep")
    return content


def read_toml(path: Path) -> dict[str, Any]:
    """Content of a TOML file.

    Raises
    ------
    MissingInputError
        When it is not there.
    BadDataError
        When it is no plain file, larger than 1 MB, not UTF-8 or not valid TOML.
    """
    path = plain_file(path)
    if path.stat().st_size > LARGEST_BYTES:
        raise BadDataError(f"{path.name}: larger than 1 MB; a TOML file here is a page of text")
    try:
        return toml_content(path.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError as error:
        raise BadDataError(f"{path.name}: not UTF-8 text; save it as UTF-8") from error
    except TomlError as error:
        raise BadDataError(
            f"{path.name}: not valid TOML ({error}); a text value needs quotes, "
            "a table starts with [name], every key stands once"
        ) from error


def _depth(content: Any) -> int:
    """How deep tables and lists lie in each other; counting ends beyond what is allowed."""
    depth, level = 0, [content]
    while level and depth <= DEEPEST:
        depth += 1
        inner = [value for part in level for value in _values(part)]
        level = [value for value in inner if isinstance(value, dict | list)]
    return depth


def _values(part: Any) -> list[Any]:
    return list(part.values()) if isinstance(part, dict) else list(part)
