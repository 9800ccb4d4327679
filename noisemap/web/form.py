"""The plain form over a study file: its main keys read and written, everything else left alone.

The file stays the user's own: comments, order and keys that the form does not know
remain, and the text that is written is read back and compared before it replaces the old.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from noisemap.errors import BusyError, NoisemapError, StudyError, UsageError
from noisemap.readers.toml_files import TomlError, toml_content
from noisemap.storage import write_text
from noisemap.study.hours import show_hours
from noisemap.study.load import parse_study
from noisemap.study.model import DEFAULT_TRUCKS
from noisemap.web.workspace import Place

LONGEST_STUDY = 1_000_000  # signs
MOST_ZONES = 100


@dataclass(frozen=True)
class Field:
    """One key of the form: where it stands, and what it may hold."""

    key: str
    kind: str  # "text", "number", "texts" (a list), "choice"
    choices: tuple[str, ...] = ()


FIELDS = (
    Field("units", "choice", ("us", "metric")),
    Field("study.name", "text"),
    Field("study.crs", "text"),
    Field("terrain.files", "texts"),
    Field("terrain.vertical_unit", "choice", ("m", "ft", "us-ft")),
    Field("roads.file", "text"),
    Field("roads.layer", "text"),
    Field("roads.names", "texts"),
    Field("homes.file", "text"),
    Field("homes.layer", "text"),
    Field("homes.source", "choice", ("buildings", "points", "parcels", "osm")),
    Field("homes.people_per_dwelling", "number"),
    Field("ground.file", "text"),
    Field("ground.default_factor", "number"),
    Field("obstacles.walls", "text"),
    Field("traffic.file", "text"),
    Field("traffic.assumed.vehicles_per_day", "number"),
    Field("traffic.assumed.heavy_share", "number"),
    Field("traffic.assumed.heavy_night_share", "number"),
    Field("descent.planning_limit_c", "number"),
    Field("run.max_distance_m", "number"),
)

FILE_KEYS = (
    "terrain.files",
    "roads.file",
    "homes.file",
    "ground.file",
    "obstacles.walls",
    "traffic.file",
)

ZONE_FIELDS = (
    Field("name", "text"),
    Field("road", "text"),
    Field("from_m", "number"),
    Field("to_m", "number"),
    Field("from_mi", "number"),
    Field("to_mi", "number"),
    Field("hours", "text"),
    Field("binds", "choice",
          ("unmuffled_compression_release", "compression_release", "every_auxiliary_brake")),
    Field("observance", "number"),
    Field("emergency_use", "number"),
)  # fmt: skip


def study_text(place: Place) -> str:
    """The study file as it stands.

    Raises
    ------
    StudyError
        When it is no UTF-8 text.
    """
    try:
        return place.path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise StudyError(
            f"{place.path.name}: cannot be read as UTF-8 text; save it anew."
        ) from error


def form_values(text: str) -> dict[str, Any]:
    """What the form shows of a study's text: values by key, and the zones.

    Raises
    ------
    StudyError
        When the text is no TOML.
    """
    content = toml_content(text) if _is_toml(text) else {}
    zones = content.get("zone", [])
    rows = zones if isinstance(zones, list) else []
    return {
        "values": {field.key: _get(content, field.key) for field in FIELDS},
        "zones": [
            {field.key: _shown(field.key, row.get(field.key)) for field in ZONE_FIELDS}
            for row in rows
            if isinstance(row, dict)
        ],
        "readable": bool(content),
    }


def save_form(place: Place, digest: str, values: Mapping[str, Any], zones: Sequence[Any]) -> None:
    """Write the form's values into the study file, the rest of it left as it is.

    Raises
    ------
    BusyError
        When the file changed since the form was read.
    StudyError
        When the study is no TOML, so that there is nothing to write into.
    UsageError
        For a key or a value that the form does not have.
    """
    refuse_changed(place, digest)
    document = _document(study_text(place))
    for key, value in values.items():
        field = next((field for field in FIELDS if field.key == key), None)
        if field is None:
            raise UsageError(f"{key}: is no key of the form; edit the text of the study instead.")
        _put(document, key, _checked(field, key, value))
    _one_traffic(document)
    _put_zones(document, zones)
    write_study(place, tomlkit.dumps(document))


def save_text(place: Place, digest: str, text: str) -> None:
    """Replace the whole study file by a text that is TOML, its other faults notwithstanding.

    Raises
    ------
    BusyError
        When the file changed since it was read.
    StudyError
        When the text is no TOML or too long.
    """
    refuse_changed(place, digest)
    if len(text) > LONGEST_STUDY:
        raise StudyError("A study file is a page of settings; this text is longer than 1 MB.")
    _document(text)
    write_study(place, text)


def add_zone(place: Place, zone: Mapping[str, Any]) -> str:
    """Append a zone to the study, under a name that no other zone has; returns the name.

    Raises
    ------
    StudyError
        When the zone itself has a fault.
    """
    document = _document(study_text(place))
    taken = {str(row.get("name")) for row in _zones(document)}
    name = str(zone.get("name") or "zone from the page").strip()[:110]
    number, free = 2, name
    while free in taken:
        free, number = f"{name} ({number})", number + 1
    _put_zones(document, [*(dict(row) for row in _zones(document)), {**zone, "name": free}])
    text = tomlkit.dumps(document)
    faults = [problem for problem in faults_of(text, place.path.name) if "zone" in problem["field"]]
    if faults:
        raise StudyError("; ".join(str(fault["text"]) for fault in faults))
    write_study(place, text)
    return free


def refuse_changed(place: Place, digest: str) -> None:
    """Stop when the study file is not the one that the page read.

    Raises
    ------
    BusyError
        When it changed.
    """
    if place.digest() != digest:
        raise BusyError(
            f"{place.path.name} was changed in another tab or editor since this form was opened; "
            "reload the page to see it, then make your change again."
        )


def write_study(place: Place, text: str) -> None:
    """Write a study's text; what is no TOML any more is never written."""
    if not _is_toml(text):
        raise StudyError(
            f"{place.path.name}: the change would break the file; nothing was written."
        )
    write_text(place.path, text)


def faults_of(text: str, name: str) -> list[dict[str, str]]:
    """Faults of a study's text as the loader sees them."""
    try:
        parse_study(text, name)
    except NoisemapError as error:
        return problems_of(error)
    return []


def absent(text: str, place: Place) -> list[dict[str, str]]:
    """Files that the form's keys name and that are not beside the study."""
    values = form_values(text)["values"]
    found = []
    for key in FILE_KEYS:
        named = values[key]
        for name in named if isinstance(named, list) else [named]:
            if isinstance(name, str) and not (place.folder / name.replace("\0", "")).exists():
                found.append(
                    {
                        "where": place.path.name,
                        "field": key,
                        "text": f"{key}: there is no {name!r} beside the study; add the file, or "
                        "choose another",
                    }
                )
    return found


def truck_names(text: str) -> list[str]:
    """Names of the study's trucks with a retarder, as far as the study itself lists them."""
    content = toml_content(text) if _is_toml(text) else {}
    rows = content.get("truck", DEFAULT_TRUCKS)
    traffic = content.get("traffic")
    if not isinstance(rows, list | tuple) or (isinstance(traffic, dict) and "trucks" in traffic):
        return []
    return [
        str(row["name"])
        for row in rows
        if isinstance(row, dict) and "name" in row and row.get("retarder") != "none"
    ]


def is_current(place: Place) -> bool:
    """Whether the results are those of the study file as it stands."""
    try:
        made = json.loads((place.results / "provenance.json").read_bytes())
        return bool(made["inputs_sha256"][place.path.name] == place.digest())
    except (OSError, ValueError, KeyError, TypeError):
        return False


def problems_of(error: NoisemapError) -> list[dict[str, str]]:
    """Problems of an error, each with the key that it speaks of."""
    if not error.problems:
        return [{"where": "", "field": "", "text": str(error)}]
    return [{"where": one.where, "field": one.field, "text": str(one)} for one in error.problems]


def _document(text: str) -> tomlkit.TOMLDocument:
    try:
        toml_content(text)
        return tomlkit.parse(text)
    except (TomlError, TOMLKitError) as error:
        raise StudyError(
            f"The study is not valid TOML ({error}); a text value needs quotes, a table starts "
            "with [name], every key stands once."
        ) from error


def _is_toml(text: str) -> bool:
    try:
        toml_content(text)
    except TomlError:
        return False
    return True


def _get(content: Mapping[str, Any], key: str) -> Any:
    value: Any = content
    for part in key.split("."):
        value = value.get(part) if isinstance(value, dict) else None
    return _plain(value)


def _plain(value: Any) -> Any:
    if isinstance(value, list):
        return [str(item) for item in value]
    return value if value is None or isinstance(value, str | bool | int | float) else str(value)


def _shown(key: str, value: Any) -> Any:
    """A zone's value as the form shows it."""
    whole = isinstance(value, list) and all(type(hour) is int and 0 <= hour < 24 for hour in value)
    return _hours(key, value) if key == "hours" and whole and value else _plain(value)


def _hours(key: str, hours: list[Any]) -> str:
    """Hours of the day as a study writes them."""
    if not all(type(hour) is int and 0 <= hour < 24 for hour in hours):
        raise UsageError(f"{key}: hours are whole numbers from 0 to 23")
    return "0-24" if len(set(hours)) == 24 else show_hours(frozenset(hours))


def _put(document: tomlkit.TOMLDocument, key: str, value: Any) -> None:
    *tables, last = key.split(".")
    node: Any = document
    for part in tables:
        if part not in node:
            if value is None:
                return
            node[part] = tomlkit.table()
        node = node[part]
        if not isinstance(node, dict):
            raise UsageError(f"{key}: {part} is no table in this study; edit its text instead.")
    if value is None:
        node.pop(last, None)
    elif node.get(last) != value:
        node[last] = value


def _one_traffic(document: tomlkit.TOMLDocument) -> None:
    """Counts and an average day exclude each other; an emptied table goes."""
    traffic = document.get("traffic")
    assumed = traffic.get("assumed") if isinstance(traffic, Table) else None
    if isinstance(assumed, Table) and not assumed.value:
        assert isinstance(traffic, Table)
        traffic.remove("assumed")


def _zones(document: tomlkit.TOMLDocument) -> list[Any]:
    found = document.get("zone")
    return list(found) if isinstance(found, AoT) else []


def _put_zones(document: tomlkit.TOMLDocument, zones: Sequence[Any]) -> None:
    if len(zones) > MOST_ZONES:
        raise UsageError(f"A study holds at most {MOST_ZONES} zones here.")
    old = document.get("zone")
    if old is not None and not isinstance(old, AoT):
        raise UsageError("zone: is written as a list in this study; edit its text instead.")
    if not zones:
        document.pop("zone", None)
        return
    if old is None:
        document.add(tomlkit.nl())
        document["zone"] = tomlkit.aot()
        old = document["zone"]
    assert isinstance(old, AoT)
    while len(old) > len(zones):
        del old[len(old) - 1]
    for number, given in enumerate(zones):
        if not isinstance(given, Mapping):
            raise UsageError("zone: write a table for each zone")
        fresh = number >= len(old)
        table: Any = tomlkit.table() if fresh else old[number]
        for field in ZONE_FIELDS:
            if field.key not in given:
                continue
            value = _checked(field, f"zone[{number + 1}].{field.key}", given[field.key])
            if value is None:
                table.pop(field.key, None)
            elif table.get(field.key) != value:
                table[field.key] = value
        if fresh:
            if len(old) and not old[len(old) - 1].as_string().endswith("\n\n"):
                old[len(old) - 1].add(tomlkit.nl())
            table.add(tomlkit.nl())
            old.append(table)


def _checked(field: Field, key: str, value: Any) -> Any:
    """A value in the type of its key; None takes the key away."""
    if value is None or value == "" or value == []:
        return None
    if field.kind == "number":
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise UsageError(f"{key}: {str(value)[:40]!r} is no number; write for example 1500")
        return float(value)
    if field.kind == "texts":
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise UsageError(f"{key}: write a list of names")
        return [item for item in value if item.strip()] or None
    if field.key == "hours" and isinstance(value, list):
        return _hours(key, value)
    if not isinstance(value, str) or len(value) > 400:
        raise UsageError(f"{key}: write a text of at most 400 signs")
    if field.kind == "choice" and value not in field.choices:
        raise UsageError(
            f"{key}: {value[:40]!r} is not known; there are {', '.join(field.choices)}"
        )
    return value
