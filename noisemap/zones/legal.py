"""Questions for counsel and the blank fields that only people on the spot can fill in."""

from __future__ import annotations

from dataclasses import dataclass

from noisemap.data_tables import toml_table


@dataclass(frozen=True)
class Question:
    """One question, the text it is about, and when that was looked at."""

    topic: str
    question: str
    text: str
    seen: str
    source: str
    mark: str


def questions() -> tuple[Question, ...]:
    """Questions in the order in which counsel would meet them."""
    return tuple(
        Question(row["topic"], row["value"], row["text"], row["seen"], row["source"], row["mark"])
        for row in toml_table("noisemap.zones", "legal.toml")["question"]
    )


def blanks() -> tuple[str, ...]:
    """Fields left empty on purpose."""
    return tuple(row["value"] for row in toml_table("noisemap.zones", "legal.toml")["blank"])
