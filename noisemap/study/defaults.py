"""What a study takes where its file says nothing, see `defaults.toml`."""

from __future__ import annotations

from noisemap.data_tables import toml_table


def default(table: str, key: str) -> float:
    """One of the study's defaults.

    >>> default("zone", "observance")
    0.7
    """
    return float(toml_table("noisemap.study", "defaults.toml")[table][key]["value"])


def default_trucks() -> tuple[dict[str, object], ...]:
    """The heavy trucks of a study that names none.

    >>> round(sum(float(row["share"]) for row in default_trucks()), 6)
    1.0
    """
    rows = toml_table("noisemap.study", "defaults.toml")["truck"]
    return tuple(
        {key: cell["value"] if isinstance(cell, dict) else cell for key, cell in row.items()}
        for row in rows
    )
