"""Events in a recording: the level's track, its background, onsets and ends."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import BadDataError
from noisemap.inspection.meter import (
    REFERENCE_PA,
    TimeWeighting,
    WeightingFilter,
    level_db,
    slow_levels,
)
from noisemap.readers.recordings import Recording, samples

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

STEP_S = 0.01
SETTLING_S = 0.5
SLOW_SETTLING_S = 10.0
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
    """Levels of a recording in steps; eight bytes a step, so that a night of it is small."""

    step_s: float
    l_af: SingleArray
    """Highest fast level of each step [dB(A)]."""
    mean_square: SingleArray
    """A-weighted [Pa2]."""
    overloaded: npt.NDArray[np.int64]
    """Steps that hold overloaded samples, ascending."""

    def index(self, seconds: float) -> int:
        """Step that holds a time."""
        return int(min(max(seconds // self.step_s, 0), self.l_af.size - 1))

    @property
    def settled(self) -> int:
        """First step after the meter's own start."""
        return self.index(SETTLING_S)

    @property
    def chunk(self) -> int:
        """Steps that share one floor."""
        return max(1, round(float(setting("background_window_s")) / 3.0 / self.step_s))

    @cached_property
    def floors(self) -> FloatArray:
        """Level exceeded 90 % of the time around each chunk, start-up left out [dB]."""
        percentile = 100.0 - setting("background_exceeded_percent")
        floors = []
        for start in range(0, self.l_af.size, self.chunk):
            low = max(self.settled, start - self.chunk)
            window = self.l_af[low : max(start + 2 * self.chunk, low + self.chunk)]
            if window.size == 0:
                window = self.l_af
            floors.append(float(np.percentile(window, percentile, method="lower")))
        return np.array(floors)

    def above_floor(self, by_db: float, first: int = 0, last: int | None = None) -> BoolArray:
        """Which steps lie above the floor by more than some decibels."""
        last = self.l_af.size if last is None else last
        flags = np.empty(last - first, dtype=np.bool_)
        for number in range(first // self.chunk, (max(last - 1, first)) // self.chunk + 1):
            start, end = max(first, number * self.chunk), min(last, (number + 1) * self.chunk)
            flags[start - first : end - first] = self.l_af[start:end] > self.floors[number] + by_db
        return flags

    def l_as_max(self, span: Span) -> float:
        """Highest slow level within a span, by the steps' mean squares [dB(A)]."""
        before = max(0, span.start - round(SLOW_SETTLING_S / self.step_s))
        slow = slow_levels(self.mean_square[before : span.end].astype(float), self.step_s)
        return float(slow[span.start - before :].max())

    def overload(self, span: Span) -> bool:
        """Whether a span holds overloaded samples."""
        return bool(np.any((self.overloaded >= span.start) & (self.overloaded < span.end)))


@dataclass(frozen=True)
class Span:
    """An event's place in the track, by step."""

    start: int
    peak: int
    end: int


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
    total = recording.frames // hop
    l_af, mean_square = np.empty(total, np.float32), np.empty(total, np.float32)
    overloaded: list[int] = []
    done = 0
    for block in samples(recording, channel, block=hop * 1000):
        squared = (weigh(block) * pascal) ** 2
        count = block.size // hop
        steps = (count, hop)
        whole = count * hop
        new = slice(done, done + count)
        l_af[new] = level_db(fast(squared)[:whole].reshape(steps).max(axis=1))
        mean_square[new] = squared[:whole].reshape(steps).mean(axis=1)
        loud = (np.abs(block[:whole]) >= OVERLOAD).reshape(steps).sum(axis=1)
        overloaded += (np.flatnonzero(loud >= OVERLOADED_SAMPLES) + done).tolist()
        done += count
    return Track(hop / rate, l_af[:done], mean_square[:done], np.array(overloaded, dtype=np.int64))


def find_events(track: Track) -> tuple[Span, ...]:
    """Stretches that rise well above the background, from onset to end."""
    above_end = track.above_floor(setting("end_above_background_db"))
    gap = round(setting("shortest_gap_s") / track.step_s)
    shortest = setting("shortest_event_s") / track.step_s
    onset_db = setting("onset_above_background_db")
    spans = []
    for start, end in _joined(_runs(above_end), gap):
        if end - start >= shortest and track.above_floor(onset_db, start, end).any():
            spans.append(Span(start, start + int(track.l_af[start:end].argmax()), end))
    return tuple(spans)


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
