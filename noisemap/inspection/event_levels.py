"""Levels of an event: as measured, and less the background by energy with their error."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from noisemap.inspection.background import FAST_MEAN_S, Background, background_of
from noisemap.inspection.events import Span, Track
from noisemap.inspection.meter import REFERENCE_PA, level_db
from noisemap.inspection.residual import above_upper_bound

DECIBELS = 10.0 / math.log(10.0)


@dataclass(frozen=True)
class Corrected:
    """Levels less the background, each with its standard uncertainty [dB(A)], [dB].

    None where the event stands 3 dB or less above it.
    """

    l_af_max: float | None
    l_af_max_error: float | None
    l_af_max_without_ripple: float | None
    """The fast level averaged over a quarter of a second about its maximum."""
    sel: float | None
    sel_error: float | None
    l_aeq: float | None
    reach_s: tuple[float, float]
    """From where to where the energy is counted: the event and as much again on each side."""


@dataclass(frozen=True)
class Levels:
    """Levels of an event as measured [dB(A)], and less the background."""

    background: float
    background_before: float | None
    background_after: float | None
    background_error: float
    l_af_max: float
    l_as_max: float
    l_aeq: float
    sel: float
    corrected: Corrected


def event_levels(track: Track, span: Span, spans: Sequence[Span]) -> Levels:
    """Levels of one event among all those of its recording."""
    inside = slice(span.start, span.end)
    seconds = (span.end - span.start) * track.step_s
    l_aeq = float(level_db(track.mean_square[inside].mean(dtype=np.float64)))
    background = background_of(track, span, spans)
    return Levels(
        _level(background.energy),
        None if background.before is None else _level(background.before),
        None if background.after is None else _level(background.after),
        _decibels(background.error, background.energy),
        float(track.l_af[inside].max()),
        track.l_as_max(span),
        l_aeq,
        l_aeq + 10.0 * math.log10(seconds),
        _corrected(track, span, spans, background, l_aeq),
    )


def fast_error(signal: float, background: Background) -> float:
    """Standard error of a fast energy less its background, by the chance of both [1].

    The fast weighting averages noise over a quarter of a second, so that it has the
    relative deviation r that the background's own fast level shows. A signal s in a
    background b has besides the product of both, of variance 2 s b r2.
    """
    chance = background.ripple**2 * (background.energy**2 + 2.0 * signal * background.energy)
    return math.sqrt(chance + background.error**2)


def exposure_error(exposure: float, seconds: float, background: Background) -> float:
    """Standard error of an exposure less that of the background [s].

    The chance of a mean over a time T is that of the fast level times the root of
    a quarter of a second over T; the background's own error counts in full.
    """
    share = FAST_MEAN_S * background.ripple**2
    chance = share * (background.energy**2 * seconds + 2.0 * exposure * background.energy)
    return math.sqrt(chance + (seconds * background.error) ** 2)


def _corrected(
    track: Track, span: Span, spans: Sequence[Span], background: Background, l_aeq: float
) -> Corrected:
    first, last = _reach(track, span, spans)
    reach_s = (first * track.step_s, last * track.step_s)
    level = _level(background.energy)
    fast = 10.0 ** (0.1 * track.l_af[span.start : span.end].astype(float))
    width = min(round(FAST_MEAN_S / track.step_s), fast.size)
    smooth = np.convolve(fast, np.full(width, 1.0 / width), mode="valid")
    highest, steady = (float(part.max()) - background.energy for part in (fast, smooth))
    squares = track.mean_square[first:last].astype(float) / REFERENCE_PA**2
    exposure = float((squares - background.energy).sum() * track.step_s)
    own = float(10.0 ** (0.1 * l_aeq)) - background.energy
    heard = above_upper_bound(float(track.l_af[span.start : span.end].max()), level)
    told = above_upper_bound(l_aeq, level) and exposure > 0.0
    return Corrected(
        _level(highest) if heard else None,
        _decibels(fast_error(highest, background), highest) if heard else None,
        _level(steady) if heard and steady > 0.0 else None,
        _level(exposure) if told else None,
        _decibels(exposure_error(exposure, reach_s[1] - reach_s[0], background), exposure)
        if told
        else None,
        _level(own) if told else None,
        reach_s,
    )


def _reach(track: Track, span: Span, spans: Sequence[Span]) -> tuple[int, int]:
    """Steps over which an event's energy is counted, up to its neighbours."""
    length = span.end - span.start
    before = max((one.end for one in spans if one.end <= span.start), default=track.settled)
    after = min((one.start for one in spans if one.start >= span.end), default=track.l_af.size)
    return max(span.start - length, min(before, span.start)), min(span.end + length, after)


def _level(energy: float) -> float:
    return 10.0 * math.log10(energy) if energy > 0.0 else -math.inf


def _decibels(error: float, energy: float) -> float:
    """Standard uncertainty of a level from that of its energy [dB]."""
    return DECIBELS * error / energy if energy > 0.0 else math.inf
