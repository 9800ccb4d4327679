"""Residual sound: what a level is without its background."""

from __future__ import annotations

import math
from typing import Literal

from noisemap.data_tables import toml_table

Rule = Literal["no correction needed", "corrected", "upper bound"]


def _bound(name: str) -> float:
    return float(toml_table("noisemap.inspection", "recording.toml")[name]["value"])


def above_upper_bound(level: float, residual: float) -> bool:
    """Whether a level stands far enough above its residual to be corrected at all.

    >>> above_upper_bound(70.0, 67.0), above_upper_bound(70.0, 66.9)
    (False, True)
    """
    return level - residual > _bound("residual_upper_bound_db")


def energy_difference(level: float, background: float) -> float:
    """Level without its background, by energy [dB]; minus infinity when nothing is left.

    >>> round(energy_difference(63.0103, 60.0), 2)
    60.0
    """
    left = 10.0 ** (0.1 * level) - 10.0 ** (0.1 * background)
    return 10.0 * math.log10(left) if left > 0.0 else -math.inf


def residual_corrected(level: float, residual: float) -> tuple[float, Rule]:
    """Level by the residual-noise rule of ISO 1996-2:2007, recalled [dB].

    10 dB or more above the residual: as it is.  Between 3 and 10 dB: less the
    residual by energy.  3 dB or less: no correction allowed, an upper bound.

    >>> residual_corrected(70.0, 60.0)
    (70.0, 'no correction needed')
    >>> round(residual_corrected(70.0, 65.0)[0], 2), residual_corrected(70.0, 65.0)[1]
    (68.35, 'corrected')
    >>> residual_corrected(70.0, 67.0)
    (70.0, 'upper bound')
    """
    if level - residual >= _bound("residual_no_correction_db"):
        return level, "no correction needed"
    if not above_upper_bound(level, residual):
        return level, "upper bound"
    return energy_difference(level, residual), "corrected"
