"""How likely an event is a retarder, with the reason: nine features, each between 0 and 1."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from noisemap.data_tables import toml_table
from noisemap.inspection.events import setting

Word = Literal["likely", "possible", "unlikely"]

FEATURES = (
    "modulation",
    "harmonics",
    "agreement",
    "peaks",
    "engine",
    "steadiness",
    "acceleration",
    "passing",
    "switching",
)

SOFT = {"passing": "without_passing", "switching": "without_switching"}
"""Features that need not hold, and what stands in place of theirs when they do not."""

LIMITS = (
    "The index orders events; it is no probability and never proof of use. It was tested on "
    "synthesised sound only. A fuelled truck without a muffler has the same firing rate: "
    "without a switch on or off in the recording the two cannot be told apart for certain."
)


@dataclass(frozen=True)
class Likelihood:
    """An index from 0 to 1, its word, and what each feature says."""

    index: float
    word: Word
    reasons: tuple[str, ...]


def membership(value: float, none: float, full: float) -> float:
    """Share of a feature, 0 at the bound `none`, 1 at the bound `full`, straight between [1].

    >>> membership(0.3, 0.2, 0.4), membership(30.0, 30.0, 12.0), membership(0.0, 30.0, 12.0)
    (0.5, 0.0, 1.0)
    """
    return round(min(1.0, max(0.0, (value - none) / (full - none))), 12)


def likelihood(features: Mapping[str, float]) -> Likelihood:
    """Likelihood of a retarder from the nine features.

    All but two must hold and are multiplied. Without switching the index stays below the
    word *likely*; what does not pass by is hardly *possible*.
    """
    table = toml_table("noisemap.inspection", "recording.toml")["feature"]
    shares = {name: membership(features[name], *table[name]["value"]) for name in FEATURES}
    index = 1.0
    for name, share in shares.items():
        base = setting(SOFT[name]) if name in SOFT else 0.0
        index *= base + (1.0 - base) * share
    word: Word = (
        "likely"
        if index >= setting("word_likely")
        else "possible"
        if index >= setting("word_possible")
        else "unlikely"
    )
    reasons = tuple(
        f"{table[name]['text']}: {features[name]:.2g} ({_word(shares[name])})" for name in FEATURES
    )
    return Likelihood(round(index, 3), word, reasons)


def _word(share: float) -> str:
    """How much a feature speaks for a retarder.

    >>> _word(0.0), _word(0.5), _word(1.0)
    ('against', 'in part', 'for')
    """
    return "against" if share < 0.2 else "in part" if share < 0.8 else "for"
