"""Events in a recording: the level's track, its background, onsets and ends."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import BadDataError
from noisemap.inspection.meter import REFERENCE_PA, TimeWeighting, WeightingFilter, level_db
from noisemap.readers.recordings import Recording, samples

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

STEP_S = 0.01
SETTLING_S = 0.5
OVERLOAD = 0.999
OVERLOADED_SAMPLES = 3
TONE_SHARE = 0.95


def setting(name: str) -> Any:
    """A setting of the analysis, from the package's table."""
    node: Any = toml_table("noisemap.inspection", "recording.toml")
    for part in name.split("."):
        node = node[part]
    return node["value"]


@dataclass(frozen=True)
class Track:
    """Levels of a recording in steps: fast and slow maximum, mean square, overload."""

    step_s: float
    l_af: FloatArray
    l_as: FloatArray
    mean_square: FloatArray
    overload: BoolArray

    def index(self, seconds: float) -> int:
        """Step that holds a time."""
        return min(max(int(seconds / self.step_s), 0), self.l_af.size - 1)


@dataclass(frozen=True)
class Span:
    """An event's place in the track, by step, and its background."""

    start: int
    peak: int
    end: int
    background_db: float


def full_scale_factor(level_of_full_scale_sine: float) -> float:
    """Pascal of one unit of full scale, from the level of a full-scale sine [Pa].

    >>> round(full_scale_factor(93.9794), 4)
    1.4142
    """
    return float(REFERENCE_PA * math.sqrt(2.0) * 10.0 ** (0.05 * level_of_full_scale_sine))


def tone_factor(
    recording: Recording, channel: int, start_s: float, end_s: float, tone_db: float
) -> float:
    """Pascal of one unit of full scale, from a calibration tone in the recording [Pa].

    Raises
    ------
    BadDataError
        When the stretch is no single steady tone, or is overloaded.
    """
    rate = recording.rate_hz
    parts = samples(recording, channel, start=int(start_s * rate), stop=int(end_s * rate))
    tone = np.concatenate([np.zeros(0), *parts])
    if tone.size < rate // 2:
        raise BadDataError(f"{recording.path.name}: the calibration tone is under half a second")
    if np.abs(tone).max() >= OVERLOAD:
        raise BadDataError(f"{recording.path.name}: the calibration tone is overloaded")
    power = np.abs(np.fft.rfft((tone - tone.mean()) * np.hanning(tone.size))) ** 2
    line, width = int(power.argmax()), max(4, tone.size // rate * 5)
    share = power[max(0, line - width) : line + width + 1].sum() / max(power.sum(), 1e-300)
    halves = [float(np.var(half)) for half in np.array_split(tone, 4)]
    if share < TONE_SHARE or max(halves) > 1.1 * min(halves):
        raise BadDataError(
            f"{recording.path.name}: no steady tone from {start_s:g} to {end_s:g} s; "
            "name the seconds of the calibration tone"
        )
    return float(REFERENCE_PA * 10.0 ** (0.05 * tone_db) / np.std(tone))


def level_track(recording: Recording, channel: int, pascal: float) -> Track:
    """A-weighted levels of a whole recording, read once in blocks."""
    rate = recording.rate_hz
    hop = round(rate * STEP_S)
    weigh, fast = WeightingFilter("A", rate), TimeWeighting("fast", rate)
    slow = TimeWeighting("slow", rate)
    total = recording.frames // hop
    l_af, l_as, mean_square = np.empty(total), np.empty(total), np.empty(total)
    overload = np.empty(total, dtype=np.bool_)
    done = 0
    for block in samples(recording, channel, block=hop * 1000):
        squared = (weigh(block) * pascal) ** 2
        count = block.size // hop
        steps = (count, hop)
        whole = count * hop
        new = slice(done, done + count)
        l_af[new] = level_db(fast(squared)[:whole].reshape(steps).max(axis=1))
        l_as[new] = level_db(slow(squared)[:whole].reshape(steps).max(axis=1))
        mean_square[new] = squared[:whole].reshape(steps).mean(axis=1)
        loud = (np.abs(block[:whole]) >= OVERLOAD).reshape(steps).sum(axis=1)
        overload[new] = loud >= OVERLOADED_SAMPLES
        done += count
    return Track(hop / rate, l_af[:done], l_as[:done], mean_square[:done], overload[:done])


def background_level(track: Track) -> FloatArray:
    """Level exceeded 90 % of the time around each step, start-up left out [dB]."""
    skip = track.index(SETTLING_S)
    chunk = max(1, round(setting("background_window_s") / 3.0 / track.step_s))
    percentile = 100.0 - setting("background_exceeded_percent")
    level = np.empty_like(track.l_af)
    for start in range(0, level.size, chunk):
        low = max(skip, start - chunk)
        window = track.l_af[low : max(start + 2 * chunk, low + chunk)]
        if window.size == 0:
            window = track.l_af
        level[start : start + chunk] = np.percentile(window, percentile, method="lower")
    return level


def find_events(track: Track) -> tuple[Span, ...]:
    """Stretches that rise well above the background, from onset to end."""
    quiet = background_level(track)
    above_end = track.l_af > quiet + setting("end_above_background_db")
    above_onset = track.l_af > quiet + setting("onset_above_background_db")
    gap = round(setting("shortest_gap_s") / track.step_s)
    shortest = setting("shortest_event_s") / track.step_s
    spans = []
    for start, end in _joined(_runs(above_end), gap):
        if above_onset[start:end].any() and end - start >= shortest:
            peak = start + int(track.l_af[start:end].argmax())
            spans.append(Span(start, peak, end, _background_mean(track, quiet, start, end)))
    return tuple(spans)


def _background_mean(track: Track, quiet: FloatArray, start: int, end: int) -> float:
    """Energy mean of the quiet steps around an event [dB]."""
    reach = round(setting("background_window_s") / track.step_s)
    window = slice(max(0, start - reach), end + reach)
    still = track.l_af[window] < quiet[window] + setting("end_above_background_db")
    squares = track.mean_square[window][still]
    return float(level_db(squares.mean())) if squares.size else float(quiet[start])


def _runs(flags: BoolArray) -> Iterator[tuple[int, int]]:
    """Starts and ends of the runs of true steps."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _joined(runs: Iterator[tuple[int, int]], gap: int) -> Iterator[tuple[int, int]]:
    """Runs with short gaps between them closed."""
    held: tuple[int, int] | None = None
    for start, end in runs:
        if held is not None and start - held[1] <= gap:
            held = (held[0], end)
            continue
        if held is not None:
            yield held
        held = (start, end)
    if held is not None:
        yield held


@dataclass(frozen=True)
class Onset:
    """The most prominent onset of an event (NT ACOU 112, recalled)."""

    rate_db_s: float
    difference_db: float
    prominence: float
    adjustment_db: float


def prominence(rate_db_s: float, difference_db: float) -> float:
    """Prominence of an onset, 3 lg of its rate plus 2 lg of its level difference [1].

    >>> round(prominence(100.0, 20.0), 2)
    8.6
    """
    return float(
        setting("prominence_rate_factor") * math.log10(rate_db_s)
        + setting("prominence_difference_factor") * math.log10(difference_db)
    )


def impulse_adjustment(value: float) -> float:
    """Adjustment for impulsiveness, 1.8 (P - 5) above P = 5 [dB].

    >>> round(impulse_adjustment(8.602), 2), impulse_adjustment(4.0)
    (6.48, 0.0)
    """
    above = value - setting("adjustment_from")
    return float(setting("adjustment_slope_db") * above) if above > 0.0 else 0.0


def onset(track: Track, span: Span) -> Onset | None:
    """Most prominent rise of the fast level in an event that is steeper than 10 dB/s."""
    least = setting("onset_rate_db_s")
    low = max(0, span.start - round(0.5 / track.step_s))
    level = track.l_af[low : span.end]
    best: Onset | None = None
    for start, end in _runs(np.diff(level) / track.step_s > least):
        difference = float(level[end] - level[start])
        rate = difference / ((end - start) * track.step_s)
        if difference > 1.0:
            value = prominence(rate, difference)
            if best is None or value > best.prominence:
                best = Onset(rate, difference, value, impulse_adjustment(value))
    return best
