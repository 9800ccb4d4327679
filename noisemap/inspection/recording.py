"""Events of a calibrated recording: levels, thirds, modulation, engine speed, likelihood.

The recording is read twice in blocks: once for its levels, once for the events
alone, so that its length does not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.inspection.background import quiet_stretch
from noisemap.inspection.band_filters import band_means
from noisemap.inspection.engine_speed import EngineSpeed, PassFit, engine_speeds, fit_pass
from noisemap.inspection.event_levels import Levels, event_levels
from noisemap.inspection.events import (
    Onset,
    Span,
    Track,
    find_events,
    level_track,
    onset,
    setting,
)
from noisemap.inspection.exhaust_state import (
    StateLikelihood,
    octaves_less_background,
    state_likelihood,
)
from noisemap.inspection.likelihood import Likelihood, likelihood
from noisemap.inspection.meter import REFERENCE_PA, WeightingFilter, level_db
from noisemap.inspection.modulation import (
    Frames,
    acceleration_percent_s,
    agreement,
    analyse_frames,
    drift_percent_s,
    largest_step_db,
    passing_share,
)
from noisemap.readers.recordings import Recording, samples

FloatArray = npt.NDArray[np.float64]

MARGIN_S = 0.3
SETTLE_S = 0.5
LOUDEST_S = 1.0
"""Part of an event, about its loudest moment, whose octaves tell of the exhaust."""

LONGEST_S = 30.0
"""Longest part of an event, around its loudest moment, whose modulation is looked at."""


@dataclass(frozen=True)
class Event:
    """One event with all that is said of it."""

    start_s: float
    peak_s: float
    end_s: float
    levels: Levels
    rise_db: float
    fall_db: float
    overloaded: bool
    thirds_db: dict[float, float]
    """Unweighted levels of the event by nominal third [dB]."""
    onset: Onset | None
    release_hz: float
    modulation: tuple[float, float, float]
    features: dict[str, float]
    likelihood: Likelihood
    pass_fit: PassFit | None
    engine_speeds: tuple[EngineSpeed, ...]
    exhaust: StateLikelihood | None
    """If the event was a truck with its retarder on."""


@dataclass(frozen=True)
class Analysis:
    """A whole recording."""

    duration_s: float
    l_aeq: float
    overloaded_s: float
    events: tuple[Event, ...]


def analyse(
    recording: Recording, channel: int, pascal: float, distance_m: float | None = None
) -> Analysis:
    """Events of a recording; `pascal` is the pressure of one unit of full scale [Pa].

    The distance is that from the microphone to the lane, where it is known.
    """
    track = level_track(recording, channel, pascal)
    spans = find_events(track)
    events = tuple(
        _event(recording, channel, pascal, track, span, spans, distance_m) for span in spans
    )
    return Analysis(
        recording.duration_s,
        float(level_db(track.mean_square.mean(dtype=np.float64))),
        track.overloaded.size * track.step_s,
        events,
    )


def _event(
    recording: Recording,
    channel: int,
    pascal: float,
    track: Track,
    span: Span,
    spans: tuple[Span, ...],
    distance_m: float | None,
) -> Event:
    levels = event_levels(track, span, spans)
    first, sound, weighted = _sound(recording, channel, pascal, track, span)
    rate = float(recording.rate_hz)
    frames = analyse_frames(weighted, rate)
    use = frames.active if frames.active.any() else np.ones_like(frames.active)
    depth = np.median(frames.depth[use], axis=0)
    below = np.median(frames.below[use], axis=0) / max(float(depth[0]), 1e-9)
    fit = fit_pass(frames, span.peak * track.step_s - first)
    release = fit.frequency_hz if fit else float(np.median(frames.frequency_hz[use]))
    speeds = engine_speeds(release, float(below[0]), float(below[1]))
    features = _features(frames, depth, weighted, rate)
    features["engine"] = max((_speaks(speed) for speed in speeds), default=0.0)
    index = likelihood(features)
    lines_told = features["agreement"] >= setting("lines_told_agreement")
    start = max(0, round((span.start * track.step_s - first) * rate))
    inside = slice(start, round((span.end * track.step_s - first) * rate))
    settled = min(track.settled, span.peak)
    before, after = track.l_af[settled : span.peak + 1], track.l_af[span.peak :]
    reach = round(30.0 / track.step_s)
    loudest = round((span.peak * track.step_s - first) * rate)
    half = round(0.5 * LOUDEST_S * rate)
    around = sound[max(0, loudest - half) : loudest + half]
    octaves = octaves_less_background(
        _octaves(around, rate), _quiet_octaves(recording, channel, pascal, track, span, spans)
    )
    exhaust = state_likelihood(
        octaves,
        [
            (one.engine_speed_rpm, one.braking_cylinders)
            for one in (speeds if lines_told else ())
            if one.fits_the_lines
        ],
        fit.speed_ms if fit else float(setting("pass_speed_ms")[0]),
        distance_m,
    )
    return Event(
        span.start * track.step_s,
        span.peak * track.step_s,
        span.end * track.step_s,
        levels,
        float(levels.l_af_max - before[-reach:].min()),
        float(levels.l_af_max - after[:reach].min()),
        track.overload(span),
        _third_levels(sound[inside], rate),
        onset(track, span),
        release,
        (float(depth[0]), float(depth[1]), float(depth[2])),
        features,
        index,
        fit if lines_told else None,
        speeds if lines_told else (),
        exhaust,
    )


def _speaks(speed: EngineSpeed) -> float:
    """How much a possible engine speed speaks for a heavy engine: half where uneven [1]."""
    return float(speed.fits_the_lines) * (1.0 if speed.evenly else setting("uneven_engine"))


def _features(
    frames: Frames, depth: FloatArray, weighted: FloatArray, rate: float
) -> dict[str, float]:
    use = frames.active if frames.active.any() else np.ones_like(frames.active)
    return {
        "modulation": float(depth[0]),
        "harmonics": float((depth[1] + depth[2]) / (2.0 * max(depth[0], 1e-9))),
        "agreement": agreement(frames),
        "peaks": float(np.median(frames.crest_db[use])),
        "steadiness": drift_percent_s(frames),
        "acceleration": acceleration_percent_s(frames),
        "passing": passing_share(frames),
        "switching": largest_step_db(weighted, rate),
    }


def _sound(
    recording: Recording, channel: int, pascal: float, track: Track, span: Span
) -> tuple[float, FloatArray, FloatArray]:
    """The event's sound with a margin, unweighted and A-weighted, and the time of its start."""
    half = LONGEST_S / 2.0
    peak = span.peak * track.step_s
    start = max(span.start * track.step_s - MARGIN_S, peak - half, 0.0)
    end = min(span.end * track.step_s + MARGIN_S, peak + half)
    rate = recording.rate_hz
    settle = min(start, SETTLE_S)
    parts = samples(
        recording, channel, start=round((start - settle) * rate), stop=round(end * rate)
    )
    sound = np.concatenate(list(parts)) * pascal
    weighted = WeightingFilter("A", rate)(sound - sound.mean())
    skip = round(settle * rate)
    return start, sound[skip:], weighted[skip:]


def _octaves(sound: FloatArray, rate: float) -> dict[float, float]:
    """Mean squares of a sound over that of 0 dB, by exact mid-band of the octave."""
    means = band_means(sound - sound.mean(), rate, 1)
    return {band: mean / REFERENCE_PA**2 for band, mean in means.items()}


def _quiet_octaves(
    recording: Recording,
    channel: int,
    pascal: float,
    track: Track,
    span: Span,
    spans: tuple[Span, ...],
) -> dict[float, float]:
    """The same of the background around an event; empty where it is never heard alone."""
    stretch = quiet_stretch(track, span, spans)
    if stretch is None:
        return {}
    start, stop = (round(step * track.step_s * recording.rate_hz) for step in stretch)
    sound = np.concatenate(list(samples(recording, channel, start=start, stop=stop))) * pascal
    return _octaves(sound, float(recording.rate_hz))


def _third_levels(sound: FloatArray, rate: float) -> dict[float, float]:
    """Unweighted levels of a sound by nominal third [dB]."""
    means = band_means(sound - sound.mean(), rate, 3)
    return {band: round(float(level_db(mean)), 1) for band, mean in means.items() if mean > 0.0}
