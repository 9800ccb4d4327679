"""Background around an event: the quiet steps, less what still comes from the passes there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from noisemap.inspection.events import Span, Track, setting
from noisemap.inspection.meter import REFERENCE_PA

FloatArray = npt.NDArray[np.float64]

FAST_MEAN_S = 0.25
"""Time over which the fast weighting averages a steady noise, twice its constant [s]."""

ENOUGH_S = 4.0
"""Least length of quiet that is kept, however near to events [s]."""

LONGEST_QUIET_S = 8.0
"""Longest stretch of background whose spectrum is taken [s]."""


@dataclass(frozen=True)
class Background:
    """Mean square of the background over 20 µPa squared, with its standard error.

    Its energies before and after the event are None where nothing quiet was heard there.
    """

    energy: float
    error: float
    before: float | None
    after: float | None
    ripple: float
    """Standard deviation of the quarters of a second over the mean. [1]"""


def background_of(track: Track, span: Span, spans: Sequence[Span]) -> Background:
    """Background around an event.

    A pass does not end where its level meets the background: its tails fall with
    the square of the time from the nearest point and lift the quiet steps. What lies
    within an event's length of it is therefore left out, as far as enough remains, and
    quarters of a second are fitted, by least squares without negative parts, as a constant
    with such a tail before and after every event within reach; the constant is the
    background. Its error holds the scatter of the quarters and, each as a rectangular
    distribution, half the difference between before and after and what the tails took away.
    """
    still, near = _quiet_steps(track, span, spans)
    width = round(FAST_MEAN_S / track.step_s)
    place, inverse, count = np.unique(still // width, return_inverse=True, return_counts=True)
    energy = track.mean_square[still].astype(float) / REFERENCE_PA**2
    means = np.bincount(inverse, weights=energy, minlength=place.size) / count
    whole = count >= width // 2
    means = means[whole]
    time = np.asarray((place[whole] + 0.5) * (width * track.step_s), dtype=np.float64)
    if not means.size:
        floor = float(10.0 ** (0.1 * track.floors[span.start // track.chunk]))
        return Background(floor, floor, None, None, 1.0)
    tails = np.column_stack([tail for one in near for tail in _tails(time, one, track)])
    scale = float(means.mean())
    found, _ = nnls(np.column_stack([np.ones_like(time), tails]), means / scale)
    constant = float(found[0]) * scale
    own = means - tails @ found[1:] * scale
    taken = float(means.mean()) - constant
    early = time < span.peak * track.step_s
    sides = [float(own[part].mean()) if part.any() else None for part in (early, ~early)]
    scatter = float(np.std(own)) / math.sqrt(max(len(own) - len(found), 1))
    before, after = sides
    half = 0.0 if before is None or after is None else 0.5 * abs(before - after)
    return Background(
        constant,
        math.sqrt(scatter**2 + (half**2 + taken**2) / 3.0),
        before,
        after,
        float(np.std(own)) / max(constant, 1e-9 * scale),
    )


def quiet_stretch(track: Track, span: Span, spans: Sequence[Span]) -> tuple[int, int] | None:
    """Longest unbroken stretch of the quiet steps around an event; None without a second."""
    still, _ = _quiet_steps(track, span, spans)
    if not still.size:
        return None
    runs = np.split(still, np.flatnonzero(np.diff(still) > 1) + 1)
    longest = max(runs, key=len)[: round(LONGEST_QUIET_S / track.step_s)]
    if len(longest) * track.step_s < 1.0:
        return None
    return int(longest[0]), int(longest[-1]) + 1


def _quiet_steps(
    track: Track, span: Span, spans: Sequence[Span]
) -> tuple[npt.NDArray[np.int64], list[Span]]:
    """Quiet steps within reach of an event, away from every event, and the events there."""
    reach = round(setting("background_window_s") / track.step_s)
    first, last = max(0, span.start - reach), min(track.l_af.size, span.end + reach)
    near = [one for one in spans if one.end > first and one.start < last]
    loud = track.above_floor(setting("end_above_background_db"), first, last)
    loud[: max(track.settled - first, 0)] = True
    still = first + np.flatnonzero(~loud)
    return still[_far_enough(still, near, round(ENOUGH_S / track.step_s))], near


def _far_enough(
    still: npt.NDArray[np.int64], spans: Sequence[Span], enough: int
) -> npt.NDArray[np.bool_]:
    """Which steps lie an event's length or more away from every event, or the farthest."""
    away = np.full(still.size, np.inf)
    for one in spans:
        gap = np.where(still < one.start, one.start - still, still - one.end + 1)
        away = np.minimum(away, gap / (one.end - one.start))
    bound = 1.0 if still.size <= enough else min(1.0, float(np.partition(away, -enough)[-enough]))
    return np.asarray(away >= bound) if still.size > enough else np.ones(still.size, dtype=bool)


def _tails(time: FloatArray, span: Span, track: Track) -> tuple[FloatArray, FloatArray]:
    """Energy of a straight pass over that of its loudest moment, before and after it.

    Its width is that at which the pass meets the ends of the event.
    """
    away = time - span.peak * track.step_s
    quietest = 10.0 ** (0.1 * float(track.l_af[[span.start, span.end - 1]].max()))
    over = 10.0 ** (0.1 * float(track.l_af[span.peak])) / quietest - 1.0
    half = 0.5 * (span.end - span.start) * track.step_s
    width = half / math.sqrt(max(over, 1.0))
    tail = 1.0 / (1.0 + np.square(away / width))
    return np.where(away < 0.0, tail, 0.0), np.where(away > 0.0, tail, 0.0)
