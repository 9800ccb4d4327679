"""Residual sound: what a level is without its background."""

from __future__ import annotations

import math
from typing import Literal

Rule = Literal["no correction needed", "corrected", "upper bound"]

NO_CORRECTION_DB = 10.0
UPPER_BOUND_DB = 3.0


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
    above = level - residual
    if above >= NO_CORRECTION_DB:
        return level, "no correction needed"
    if above <= UPPER_BOUND_DB:
        return level, "upper bound"
    return energy_difference(level, residual), "corrected"
