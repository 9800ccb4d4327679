"""The numbers behind the scene's rules, each with its source."""

from __future__ import annotations

from noisemap.data_tables import toml_table


def rule(table: str, name: str) -> float:
    """Value of one rule, in the unit its name carries.

    >>> rule("facades", "longest_part_m")
    5.0
    """
    return float(toml_table("noisemap.scene", "rules.toml")[table][name]["value"])
