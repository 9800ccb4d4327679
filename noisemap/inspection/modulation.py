"""Modulation of the A-weighted envelope: release frequency, depth, peaks, switching."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.inspection.events import setting

FloatArray = npt.NDArray[np.float64]

ENVELOPE_HZ = 2000.0
FRAME_S = 0.5
HOP_S = 0.1
NEAR = 0.12
"""How far the release frequency may stray from its median within one event."""

_LOWEST_LINE = 0.8  # a line this strong, against the strongest, may be the release itself
_ACTIVE_DEPTH = 0.15
_PADDING = 4


@dataclass(frozen=True)
class Frames:
    """Frames of an event: time of their middle, release frequency, depths of its lines."""

    time_s: FloatArray
    frequency_hz: FloatArray
    depth: FloatArray
    """Depth at one, two, three times the release frequency; frame first. [1]"""
    below: FloatArray
    """Depth at a half and a third of the release frequency; frame first. [1]"""
    crest_db: FloatArray
    energy: FloatArray
    active: npt.NDArray[np.bool_]
    """Frames that carry the release frequency."""
    own_line: npt.NDArray[np.bool_]
    """Frames whose strongest line, found without the others, is the release frequency."""


def envelope(weighted: FloatArray, rate_hz: float) -> tuple[FloatArray, float]:
    """Mean square in steps of about half a millisecond, and the rate of the steps [Pa2, Hz]."""
    hop = max(1, round(rate_hz / ENVELOPE_HZ))
    count = weighted.size // hop
    return (weighted[: count * hop] ** 2).reshape(count, hop).mean(axis=1), rate_hz / hop


def line_depths(frame: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Frequencies and modulation depths of an envelope; a full sine has depth 1 [Hz, 1]."""
    window = np.hanning(frame.size)
    change = frame / max(float(frame.mean()), 1e-300) - 1.0
    size = _PADDING * frame.size
    depth = 2.0 * np.abs(np.fft.rfft(change * window, size)) / window.sum()
    return np.asarray(np.fft.rfftfreq(size, 1.0 / rate_hz), np.float64), depth


def analyse_frames(weighted: FloatArray, rate_hz: float) -> Frames:
    """Release frequency and depths in overlapping half-second frames of an event."""
    squares, step_rate = envelope(weighted, rate_hz)
    length = min(round(FRAME_S * step_rate), squares.size)
    hop = max(1, round(HOP_S * step_rate))
    starts = range(0, max(squares.size - length, 0) + 1, hop)
    spectra = [line_depths(squares[start : start + length], step_rate) for start in starts]
    first = np.array([_release_line(*spectrum) for spectrum in spectra])
    strength = np.array([_depth_at(*s, f) for s, f in zip(spectra, first, strict=True)])
    strong = strength >= _ACTIVE_DEPTH
    centre = float(np.median(first[strong])) if strong.any() else float(np.median(first))
    lines = np.array([_line_near(*spectrum, centre) for spectrum in spectra])
    depth = np.array(
        [[_depth_at(*s, k * f) for k in (1, 2, 3)] for s, f in zip(spectra, lines, strict=True)]
    )
    below = np.array(
        [[_depth_at(*s, f / k) for k in (2, 3)] for s, f in zip(spectra, lines, strict=True)]
    )
    samples_a_step = rate_hz / step_rate
    crest, energy = [], []
    for start in starts:
        part = weighted[int(start * samples_a_step) : int((start + length) * samples_a_step)]
        mean = max(float(np.mean(part**2)), 1e-300)
        crest.append(_crest_db(part, rate_hz))
        energy.append(mean)
    return Frames(
        (np.array(starts) + length / 2.0) / step_rate,
        lines,
        depth,
        below,
        np.array(crest),
        np.array(energy),
        depth[:, 0] >= _ACTIVE_DEPTH,
        np.abs(first - lines) <= 0.02 * lines,
    )


def _crest_db(part: FloatArray, rate_hz: float) -> float:
    """Crest factor: mean over tenths of a second of peak over root mean square [dB]."""
    hop = round(HOP_S * rate_hz)
    count = part.size // hop
    squares = (part[: count * hop] ** 2).reshape(count, hop)
    means = np.maximum(squares.mean(axis=1), 1e-300)
    return float(np.mean(10.0 * np.log10(np.maximum(squares.max(axis=1), 1e-300) / means)))


def _release_line(frequency: FloatArray, depth: FloatArray) -> float:
    """Lowest of the strong lines in the range of release frequencies [Hz]."""
    low, high = setting("release_hz")
    inside = (frequency >= low) & (frequency <= high)
    peaks = _peaks(depth) & inside
    if not peaks.any():
        return float(frequency[inside][depth[inside].argmax()])
    strong = peaks & (depth >= _LOWEST_LINE * depth[peaks].max())
    return _refined(frequency, depth, int(np.flatnonzero(strong)[0]))


def _line_near(frequency: FloatArray, depth: FloatArray, centre: float) -> float:
    """Strongest line within reach of the event's median [Hz]."""
    inside = np.flatnonzero(np.abs(frequency - centre) <= NEAR * centre)
    return _refined(frequency, depth, int(inside[depth[inside].argmax()]))


def _peaks(depth: FloatArray) -> npt.NDArray[np.bool_]:
    inner = (depth[1:-1] >= depth[:-2]) & (depth[1:-1] > depth[2:])
    return np.concatenate([[False], inner, [False]])


def _refined(frequency: FloatArray, depth: FloatArray, place: int) -> float:
    """Top of the parabola through a line and its neighbours [Hz]."""
    if not 0 < place < depth.size - 1:
        return float(frequency[place])
    left, top, right = depth[place - 1 : place + 2]
    bend = left - 2.0 * top + right
    shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    return float(frequency[place] + np.clip(shift, -1.0, 1.0) * (frequency[1] - frequency[0]))


def _depth_at(frequency: FloatArray, depth: FloatArray, wanted: float) -> float:
    """Largest depth within 1.5 Hz of a frequency [1]."""
    near = np.abs(frequency - wanted) <= 1.5
    return float(depth[near].max()) if near.any() else 0.0


def largest_step_db(weighted: FloatArray, rate_hz: float) -> float:
    """Largest change of the level from one tenth of a second to the next but one [dB].

    The tenth between them holds the switching itself.
    """
    hop = round(HOP_S * rate_hz / 2.0)
    count = weighted.size // hop
    squares = (weighted[: count * hop] ** 2).reshape(count, hop).mean(axis=1)
    pairs = np.maximum(squares[:-1] + squares[1:], 1e-300)
    if pairs.size < 4:
        return 0.0
    return float(np.abs(10.0 * np.log10(pairs[3:] / pairs[:-3])).max())


def agreement(frames: Frames) -> float:
    """Share of the active frames that find the release frequency on their own [1].

    With too few active frames nothing agrees: 0.
    """
    active = int(frames.active.sum())
    if active < setting("fewest_frames"):
        return 0.0
    return float((frames.own_line & frames.active).sum() / active)


def acceleration_percent_s(frames: Frames) -> float:
    """Rise of the release frequency over the active frames, typical of six in a row [% a second].

    A pass by itself lowers it, by the Doppler shift.
    """
    slopes, line = _slopes(frames)
    return float(100.0 * np.median(slopes) / line) if slopes.size else 0.0


def passing_share(frames: Frames) -> float:
    """How clearly the source passes by: 1 at the full level's or frequency's change [1].

    The level's range is taken while the engine speed holds, between tenths from either
    end; the frequency's fall between the first and the last quarter of the active frames.
    """
    use = frames.active
    if use.sum() < setting("fewest_frames"):
        return 0.0
    line = frames.frequency_hz[use]
    held = np.abs(line / np.median(line) - 1.0) <= setting("passing_held")
    level = 10.0 * np.log10(frames.energy[use][held])
    low, high = np.percentile(level, [10.0, 90.0])
    quarter = max(1, line.size // 4)
    fall = 1.0 - np.median(line[-quarter:]) / np.median(line[:quarter])
    return float(
        max((high - low) / setting("passing_level_db"), fall / setting("passing_doppler"), 0.0)
    )


def drift_percent_s(frames: Frames) -> float:
    """Change of the release frequency over the active frames [% a second]."""
    slopes, line = _slopes(frames)
    return float(100.0 * np.median(np.abs(slopes)) / line) if slopes.size else 0.0


def _slopes(frames: Frames) -> tuple[FloatArray, float]:
    """Slopes of the release frequency over six active frames each, and its median [Hz/s, Hz]."""
    time, line = frames.time_s[frames.active], frames.frequency_hz[frames.active]
    if time.size < 4:
        return np.zeros(0), 1.0
    slopes = [
        np.polyfit(time[i : i + 6], line[i : i + 6], 1)[0] for i in range(max(1, time.size - 5))
    ]
    return np.array(slopes), float(np.median(line))
