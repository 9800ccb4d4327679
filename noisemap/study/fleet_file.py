"""Shares of exhaust states that `noisemap fleet` found, read into a study."""

from __future__ import annotations

from pathlib import Path

from pydantic import ValidationError

from noisemap.errors import BadDataError
from noisemap.readers.toml_files import read_toml
from noisemap.study.model import Study
from noisemap.study.model_exhausts import ExhaustShares

STATES = tuple(ExhaustShares.model_fields)


def with_fleet(study: Study, path: Path) -> Study:
    """The study with the shares of its fleet file.

    Raises
    ------
    BadDataError
        When the file is no such file, or its shares are at fault.
    """
    traffic = study.traffic.model_copy(update={"fleet": None, "exhaust_shares": read_fleet(path)})
    return study.model_copy(update={"traffic": traffic})


def read_fleet(path: Path) -> ExhaustShares:
    """Shares of a fleet file: one table, [traffic.exhaust_shares], all four states.

    Raises
    ------
    BadDataError
        When the file holds something else, or the shares do not sum to 1.
    """
    content = read_toml(path)
    traffic = content.get("traffic")
    shares = traffic.get("exhaust_shares") if isinstance(traffic, dict) else None
    if set(content) != {"traffic"} or set(traffic or ()) != {"exhaust_shares"}:
        raise BadDataError(
            f"{path.name}: a fleet file holds the table [traffic.exhaust_shares] and nothing "
            "else; `noisemap fleet READINGS --output` writes one"
        )
    if not isinstance(shares, dict) or set(shares) != set(STATES):
        raise BadDataError(
            f"{path.name}: [traffic.exhaust_shares]: give each of {', '.join(STATES)} once"
        )
    try:
        return ExhaustShares.model_validate(shares)
    except ValidationError as error:
        told = "; ".join(
            ".".join(map(str, fault["loc"])) + ": " * bool(fault["loc"]) + fault["msg"]
            for fault in error.errors()
        )
        raise BadDataError(f"{path.name}: [traffic.exhaust_shares]: {told}") from error
