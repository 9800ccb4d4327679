"""Reading a study file: every fault in one list, each with its line and its cure."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from noisemap.errors import BadDataError, MissingInputError, Problem, StudyError
from noisemap.readers.toml_files import LARGEST_BYTES, TomlError, toml_content
from noisemap.storage import is_there
from noisemap.study.model import Study

_PLACE = re.compile(r"\(at line (\d+), column \d+\)")


def load_study(path: Path) -> Study:
    """Read and check a study file.

    Raises
    ------
    MissingInputError
        When the file is not there.
    StudyError
        With every fault found.
    """
    return parse_study(_read_text(path), path.name)


def parse_study(text: str, name: str) -> Study:
    """Check the text of a study file of this name.

    Raises
    ------
    StudyError
        With every fault found.
    """
    try:
        content = toml_content(text)
    except TomlError as error:
        line = _PLACE.search(str(error))
        where = f"{name}:{line[1]}" if line else name
        raise StudyError(
            f"{where}: not valid TOML ({error}); a text value needs quotes, "
            "a table starts with [name], every key stands once"
        ) from error
    lines = text.splitlines()
    try:
        return Study.model_validate(content)
    except ValidationError as error:
        problems = _problems(name, lines, error)
    noun = "fault" if len(problems) == 1 else "faults"
    raise StudyError(f"{name}: {len(problems)} {noun}\n" + "\n".join(map(str, problems)), problems)


def _read_text(path: Path) -> str:
    if not (is_there(path) and path.is_file()):
        raise MissingInputError(
            f"{path}: no such study file; `noisemap new FOLDER` writes one to start from"
        )
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise BadDataError(f"{path}: larger than 1 MB; a study file is a page of settings")
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadDataError(f"{path}: not UTF-8 text; save it as UTF-8") from error
    except OSError as error:
        raise MissingInputError(f"{path}: cannot be read ({error.strerror})") from error


def _problems(name: str, lines: Sequence[str], error: ValidationError) -> list[Problem]:
    unknown = {
        _path(fault["loc"]): fault for fault in error.errors() if fault["type"] == "extra_forbidden"
    }
    renamed: set[str] = set()
    found: list[Problem] = []
    for key, fault in unknown.items():
        nearest = _nearest(fault["loc"])
        if nearest:
            renamed.add(_parent(key) + nearest)
        cure = (
            f"did you mean {nearest!r}?" if nearest else f"allowed here: {_allowed(fault['loc'])}"
        )
        found.append(Problem(_where(name, lines, fault["loc"]), key, "unknown key", "", cure))
    for fault in error.errors():
        key = _path(fault["loc"])
        if key in unknown or (fault["type"] == "missing" and key in renamed):
            continue
        found.append(_problem(_where(name, lines, fault["loc"]), key, fault))
    return sorted(found, key=lambda problem: _line_of(problem.where))


def _problem(where: str, key: str, fault: Any) -> Problem:
    kind, context, value = fault["type"], fault.get("ctx", {}), fault["input"]
    if kind == "missing":
        return Problem(where, key, "missing", "", "add this key")
    if kind in ("value_error", "assertion_error"):
        return Problem(where, key or "study", _shown(value), "", str(context["error"]))
    allowed = _bounds(context) or context.get("expected", "")
    cure = {
        "float_type": "write a number without quotes",
        "int_type": "write a whole number without quotes",
        "string_type": "write text in quotes",
        "bool_type": "write true or false",
        "list_type": "write a list in [ ]",
        "dict_type": "write a table",
        "model_type": "write a table",
    }.get(kind, "")
    if isinstance(value, str) and kind in ("float_type", "int_type"):
        number = re.match(r"\s*([\d.]+)", value)
        cure = f"give a plain number in the unit of the key, e.g. {number[1] if number else 2000}"
    if isinstance(value, int | float) and context.get("le") == 1.0 and 1.0 < value <= 100.0:
        cure = f"{value:g} looks like per cent; write {value / 100.0:g}"
    if isinstance(value, float) and not math.isfinite(value):
        cure = "write a finite number"
    return Problem(where, key, _shown(value) if allowed else fault["msg"], allowed, cure)


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _bounds(context: dict[str, Any]) -> str:
    signs = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
    parts = [f"{word} {context[sign]:g}" for sign, word in signs.items() if sign in context]
    return ", ".join(parts)


def _path(loc: Sequence[Any]) -> str:
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def _parent(key: str) -> str:
    head, dot, _ = key.rpartition(".")
    return head + dot


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    origin = get_origin(annotation)
    if origin in (Union, UnionType, Annotated, list):
        for part in get_args(annotation):
            yield from _models(part)
    elif isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation


def _keys(loc: Sequence[Any]) -> list[str]:
    model: type[BaseModel] = Study
    for part in loc[:-1]:
        if isinstance(part, str):
            model = next(_models(_field(model, part)), model)
    return [field.alias or name for name, field in model.model_fields.items()]


def _field(model: type[BaseModel], key: str) -> Any:
    return next(
        (
            field.annotation
            for name, field in model.model_fields.items()
            if key in (name, field.alias)
        ),
        None,
    )


def _nearest(loc: Sequence[Any]) -> str:
    close = difflib.get_close_matches(str(loc[-1]), _keys(loc), n=1, cutoff=0.7)
    return close[0] if close else ""


def _allowed(loc: Sequence[Any]) -> str:
    return ", ".join(_keys(loc))


def _where(name: str, lines: Sequence[str], loc: Sequence[Any]) -> str:
    line = _line(lines, loc)
    return f"{name}:{line}" if line else name


def _line_of(where: str) -> int:
    tail = where.rpartition(":")[2]
    return int(tail) if tail.isdigit() else 0


def _line(lines: Sequence[str], loc: Sequence[Any]) -> int:
    """Line where a key stands, or where its table starts; 0 when neither is found."""
    names = [part for part in loc if isinstance(part, str)]
    count = next((part for part in loc if isinstance(part, int)), 0)
    if not names:
        return 0
    start, seen = 0, -1
    for number, line in enumerate(lines, start=1):
        header = re.fullmatch(r"\s*\[{1,2}\s*([\w.\-]+)\s*\]{1,2}\s*(#.*)?", line)
        if header and (header[1] == names[0] or header[1] == ".".join(names[:2])):
            seen += 1
            if seen == count or "[[" not in line:
                start = number
    for number, line in enumerate(lines[start:], start=start + 1):
        if start and re.match(r"\s*\[", line):
            break
        if re.match(rf"\s*\"?{re.escape(names[-1])}\"?\s*=", line):
            return number
    return start
