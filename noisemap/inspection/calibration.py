"""Measured against predicted levels at listed points: bias, spread, an optional correction.

The correction is a figure to state, never one that is applied here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from noisemap.inspection.residual import Rule, residual_corrected

FEWEST_POINTS = 5
CONFIDENCE = 0.90


@dataclass(frozen=True)
class Point:
    """One place: measured, less the residual sound by the rule, and predicted [dB(A)]."""

    name: str
    measured: float
    residual: float
    corrected: float
    rule: Rule
    predicted: float

    @property
    def counts(self) -> bool:
        """Whether the measurement is more than an upper bound."""
        return self.rule != "upper bound"

    @property
    def difference(self) -> float:
        """Predicted over measured [dB]."""
        return self.predicted - self.corrected


@dataclass(frozen=True)
class Calibration:
    """What the points say together [dB]; None where too few count."""

    points: tuple[Point, ...]
    bias: float | None
    bias_low: float | None
    bias_high: float | None
    spread: float | None
    contradicted: tuple[str, ...]
    """Points whose upper bound lies under the prediction."""

    @property
    def correction(self) -> float | None:
        """What would have to be added to predictions, if the interval leaves out zero [dB]."""
        if self.bias is None or self.bias_low is None or self.bias_high is None:
            return None
        return -self.bias if self.bias_low > 0.0 or self.bias_high < 0.0 else None


def point_of(name: str, measured: float, residual: float, predicted: float) -> Point:
    """A point with the residual-noise rule of ISO 1996-2 applied.

    >>> point = point_of("A", 68.0, 60.0, 66.0)
    >>> round(point.corrected, 2), point.rule, round(point.difference, 2)
    (67.25, 'corrected', -1.25)
    """
    corrected, rule = residual_corrected(measured, residual)
    return Point(name, measured, residual, corrected, rule, predicted)


def calibrate(points: tuple[Point, ...]) -> Calibration:
    """Bias of the predictions with its 90 % interval, and their spread."""
    differences = np.array([point.difference for point in points if point.counts])
    contradicted = tuple(
        point.name for point in points if not point.counts and point.predicted > point.measured
    )
    if differences.size < FEWEST_POINTS:
        return Calibration(points, None, None, None, None, contradicted)
    bias, spread = float(differences.mean()), float(differences.std(ddof=1))
    reach = float(stats.t.ppf(0.5 + CONFIDENCE / 2.0, differences.size - 1))
    half = reach * spread / math.sqrt(differences.size)
    return Calibration(points, bias, bias - half, bias + half, spread, contradicted)
