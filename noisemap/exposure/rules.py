"""The choices that decide what is counted, see `rules.toml`."""

from __future__ import annotations

from noisemap.data_tables import toml_table


def rule(name: str) -> float:
    """One of the stated choices.

    >>> rule("exhaust_led")
    0.5
    """
    return float(toml_table("noisemap.exposure", "rules.toml")[name]["value"])
