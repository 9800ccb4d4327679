"""The registry of sources: key -> what was published, its edition, how well it was seen."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

MARKS = (
    "FOUND",  # the text was seen in print
    "FOUND-2nd",  # seen in a third party's restatement
    "MEMORY-H",  # recalled, high confidence
    "MEMORY-M",
    "MEMORY-L",
    "COMPUTED",  # derived with an independent script: a cross-check, not a published value
    "ASSUMED",  # our own choice, no source
    "PRACTICE",  # common practice, no source
)


@dataclass(frozen=True)
class Reference:
    """One source."""

    key: str
    title: str
    edition: str
    mark: str
    note: str = ""


@cache
def references() -> dict[str, Reference]:
    """All registered sources by key."""
    with files("noisemap").joinpath("references.toml").open("rb") as stream:
        content = tomllib.load(stream)
    return {
        key: Reference(key, row["title"], row["edition"], row["mark"], row.get("note", ""))
        for key, row in content.items()
    }


def require_reference(key: str) -> Reference:
    """The source with this key.

    >>> require_reference("iso9613-2").edition
    '1996'
    """
    try:
        return references()[key]
    except KeyError:
        known = ", ".join(sorted(references()))
        raise KeyError(f"source {key!r} is not in references.toml; known: {known}") from None
