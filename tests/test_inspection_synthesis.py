"""Sounds made for the recording tests, each with its stated physics; checked here themselves.

Releases are single pulses of the exhaust's far field: a fast rise and a slower
fall, differentiated, then an echo of the open pipe.  Steep (0.2 ms rise) for a
compression release, soft (1.5 ms) for a fuelled blow-down.  A pass moves at
constant speed on a straight line; frequency and level follow from the retarded
time.  Every sound is mono, in pascal.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
from scipy import signal

FloatArray = npt.NDArray[np.float64]
RATE = 32_000
SOUND_SPEED = 343.0
FULL_SCALE_DB = 130.0
FIRING = {6: (0, 120, 240, 360, 480, 600), 4: (0, 240, 480, 600), 2: (0, 480)}


def noise(rng: np.random.Generator, seconds: float, level_db: float) -> FloatArray:
    """Traffic-like noise, falling above 1 kHz, at an A-weighted level."""
    white = rng.standard_normal(round(seconds * RATE))
    shaped = signal.sosfilt(signal.butter(1, [150.0, 1200.0], "band", fs=RATE, output="sos"), white)
    return at_level(np.asarray(shaped), level_db)


def at_level(sound: FloatArray, level_db: float, part: slice = slice(None)) -> FloatArray:
    """The sound scaled so that a part of it has an A-weighted mean level."""
    return sound * 2e-5 * 10 ** (level_db / 20) / np.sqrt(np.mean(a_weighted(sound)[part] ** 2))


def a_weighted(sound: FloatArray) -> FloatArray:
    """A-weighting by the standard's formula in the frequency domain, apart from the meter's."""
    f = np.fft.rfftfreq(sound.size, 1 / RATE)
    size = 12194.217**2 * f**4 / (
        (f**2 + 20.598997**2) * (f**2 + 12194.217**2)
        * np.sqrt((f**2 + 107.65265**2) * (f**2 + 737.86223**2))
    )  # fmt: skip
    return np.fft.irfft(np.fft.rfft(sound) * size * 10 ** (2.0 / 20), sound.size)


def pulses(
    rng: np.random.Generator,
    seconds: float,
    rpm: FloatArray | float,
    angles: tuple[int, ...],
    rise_ms: float,
    fall_ms: float,
    scatter: float = 0.05,
    wander: float = 0.01,
) -> FloatArray:
    """A train of exhaust pulses of a four-stroke engine, at rest."""
    count = round(seconds * RATE)
    slow = np.interp(np.arange(count), np.linspace(0, count, 12), rng.normal(0, wander, 12))
    cycles = np.cumsum(np.broadcast_to(rpm, count) * (1 + slow) / 120.0 / RATE)
    train = np.zeros(count + 1)
    strength = 1 + rng.normal(0, scatter, len(angles))
    for place, angle in enumerate(angles):
        turns = np.arange(np.ceil(cycles[0] - angle / 720), cycles[-1] - angle / 720)
        at = np.interp(turns + angle / 720 * (1 + rng.normal(0, 0.002)), cycles, np.arange(count))
        whole = at.astype(int)
        size = strength[place] * (1 + rng.normal(0, scatter / 2, at.size))
        np.add.at(train, whole, size * (1 - at + whole))
        np.add.at(train, np.minimum(whole + 1, count), size * (at - whole))
    t = np.arange(round(0.03 * RATE)) / RATE * 1e3
    flow = (1 - np.exp(-t / rise_ms)) ** 3 * np.exp(-t / fall_ms)
    sound = signal.fftconvolve(train[:count], np.diff(flow, prepend=0.0))[:count]
    echo = round(2 * 4.5 / 480.0 * RATE)
    return np.asarray(signal.lfilter([1.0], np.r_[1.0, np.zeros(echo - 1), 0.35], sound))


def passing(sound: FloatArray, speed: float, distance: float, nearest_s: float) -> FloatArray:
    """What a still listener hears of a source that passes."""
    t = np.arange(sound.size) / RATE
    emitted = t.copy()
    for _ in range(4):
        r = np.hypot(distance, speed * (emitted - nearest_s))
        emitted = t - (r - distance) / SOUND_SPEED
    return np.interp(emitted, t, sound, left=0.0, right=0.0) * distance / r


def switched(sound: FloatArray, on_s: float, off_s: float) -> FloatArray:
    """The sound between two moments, with edges of 40 ms."""
    t = np.arange(sound.size) / RATE
    return sound * np.clip((t - on_s) / 0.04, 0, 1) * np.clip((off_s - t) / 0.04, 0, 1)


def retarder(
    rng: np.random.Generator,
    *,
    rpm: float,
    cylinders: int = 6,
    speed: float = 16.0,
    level_db: float = 90.0,
    background_db: float = 60.0,
    seconds: float = 8.0,
    on_s: float = 2.5,
    off_s: float = 5.3,
    tyres_db: float = 72.0,
) -> FloatArray:
    """A straight-stack truck that passes at 15 m and brakes on the way."""
    still = pulses(rng, seconds, rpm, FIRING[cylinders], 0.2, 1.2)
    middle = slice(round(3.9 * RATE), round(4.1 * RATE))
    exhaust = at_level(passing(switched(still, on_s, off_s), speed, 15.0, 4.0), level_db, middle)
    tyres = passing(noise(rng, seconds, tyres_db), speed, 15.0, 4.0)
    return exhaust + tyres + noise(rng, seconds, background_db)


def fuelled(rng: np.random.Generator, *, straight: bool) -> FloatArray:
    """An uphill truck under load: the same firing rate, soft pulses, no switching."""
    rise, fall = (1.0, 3.0) if straight else (2.5, 5.0)
    still = pulses(rng, 14.0, rng.uniform(1200, 1900), FIRING[6], rise, fall, wander=0.01)
    speed = rng.uniform(6.0, 14.0)
    middle = slice(round(6.9 * RATE), round(7.1 * RATE))
    level = rng.uniform(84, 94) if straight else rng.uniform(74, 80)
    exhaust = at_level(passing(still, speed, 15.0, 7.0), level, middle)
    rest = passing(noise(rng, 14.0, rng.uniform(68, 76)), speed, 15.0, 7.0)
    return exhaust + rest + noise(rng, 14.0, 55.0)


def traffic(rng: np.random.Generator) -> FloatArray:
    """Several passes with tyre noise only."""
    sound = noise(rng, 14.0, 56.0)
    for _ in range(5):
        sound += passing(
            noise(rng, 14.0, rng.uniform(66, 78)), rng.uniform(14, 28), 12.0, rng.uniform(2, 12)
        )
    return sound


def horn(rng: np.random.Generator) -> FloatArray:
    """A chord of two or three reeds rich in harmonics, switched on and off."""
    t = np.arange(8 * RATE) / RATE
    base = rng.uniform(250, 400)
    sound = np.zeros(t.size)
    for ratio in (1.0, rng.choice([1.2, 1.25, 1.335]), rng.choice([1.5, 1.6]))[
        : rng.integers(2, 4)
    ]:
        for k in range(1, 12):
            sound += np.sin(2 * np.pi * k * base * ratio * t + rng.uniform(0, 6.3)) / k**0.8
    on = rng.uniform(2, 3)
    blown = at_level(switched(sound, on, on + rng.uniform(0.6, 2.5)), rng.uniform(78, 92))
    return blown + noise(rng, 8.0, 56.0)


def rain(rng: np.random.Generator) -> FloatArray:
    """Rain in gusts with single drops on the windscreen."""
    seconds = 12.0
    t = np.arange(round(seconds * RATE)) / RATE
    gust = 10 ** (np.interp(t, np.linspace(0, seconds, 9), rng.normal(0, 5, 9)) / 20)
    sound = at_level(rng.standard_normal(t.size), 58.0) * gust
    drops = (rng.random(t.size) < rng.uniform(5, 60) / RATE) * rng.exponential(1.0, t.size)
    tick = np.exp(-np.arange(60) / 12.0) * np.sin(np.arange(60) * 0.9)
    return sound + 0.15 * signal.fftconvolve(drops, tick)[: t.size]


def motorcycle(rng: np.random.Generator, *, accelerates: bool = True) -> FloatArray:
    """A twin with uneven firing that accelerates past, or keeps its speed."""
    t = np.linspace(0, 1, 9 * RATE)
    rpm = rng.uniform(1800, 2600) + rng.uniform(1200, 3000) * (t if accelerates else 0.4)
    still = pulses(rng, 9.0, rpm, (0, 315), 0.3, 2.0, scatter=0.1)
    middle = slice(round(4.4 * RATE), round(4.6 * RATE))
    return at_level(
        passing(still, rng.uniform(10, 22), 10.0, 4.5), rng.uniform(82, 95), middle
    ) + noise(rng, 9.0, 56.0)


def throttle_brake(rng: np.random.Generator) -> FloatArray:
    """An exhaust-throttle brake: a hiss past the flap, weakly modulated, switched."""
    seconds = 8.0
    t = np.arange(round(seconds * RATE)) / RATE
    depth, rate = rng.uniform(0.05, 0.2), rng.uniform(60, 100)
    hiss = noise(rng, seconds, 80.0) * np.sqrt(1 + depth * np.sin(2 * np.pi * rate * t))
    heard = passing(switched(hiss, 2.6, rng.uniform(4.6, 6.0)), rng.uniform(10, 20), 15.0, 4.0)
    rest = passing(noise(rng, seconds, 72.0), 15.0, 15.0, 4.0)
    return heard + rest + noise(rng, seconds, 56.0)


def farm_engine(rng: np.random.Generator) -> FloatArray:
    """A small diesel with one or two cylinders that runs up, works and stops."""
    seconds = 14.0
    t = np.linspace(0, seconds, round(seconds * RATE))
    rpm = np.interp(t, [0, 3, 4.5, 11, 12.5], [600, 600, 1800, 1800, 600])
    angles = (0,) if rng.random() < 0.5 else (0, 360)
    still = pulses(rng, seconds, rpm * rng.uniform(0.7, 1.2), angles, 0.8, 3.0, scatter=0.08)
    loud = 10 ** (np.interp(t, [0, 2.8, 4.0, 11, 12.5], [-34, -34, 0, 0, -34]) / 20)
    return at_level(still * loud, rng.uniform(70, 84)) + noise(rng, seconds, 55.0)


CONFUSERS: dict[str, Callable[[np.random.Generator], FloatArray]] = {
    "steady traffic": traffic,
    "horn": horn,
    "rain": rain,
    "fuelled uphill, muffled": lambda rng: fuelled(rng, straight=False),
    "fuelled uphill, straight": lambda rng: fuelled(rng, straight=True),
    "motorcycle that accelerates": motorcycle,
    "motorcycle at a steady speed": lambda rng: motorcycle(rng, accelerates=False),
    "exhaust-throttle brake": throttle_brake,
    "farm engine": farm_engine,
}


def write(path: Path, sound: FloatArray, rate: int = RATE) -> Path:
    """A 24-bit recording of a sound in pascal; full-scale sine = 130 dB."""
    unit = 2e-5 * np.sqrt(2) * 10 ** (FULL_SCALE_DB / 20)
    soundfile.write(path, sound / unit, rate, subtype="PCM_24")
    return path


@pytest.mark.parametrize(
    ("rise", "fall", "low", "high"), [(0.2, 1.2, 12.0, 20.0), (1.0, 3.0, 5.0, 14.0)]
)
def test_pulses_have_the_crest_factor_they_state(
    rise: float, fall: float, low: float, high: float
) -> None:
    """COMPUTED by an independent prototype: 13 to 19 dB A-weighted for a straight stack."""
    sound = a_weighted(pulses(np.random.default_rng(1), 2.0, 1500.0, FIRING[6], rise, fall))
    inner = sound[RATE // 2 : -RATE // 2]
    assert low < 10 * np.log10(np.max(inner**2) / np.mean(inner**2)) < high


def test_pass_has_its_doppler_shift() -> None:
    t = np.arange(12 * RATE) / RATE
    heard = passing(np.sin(2 * np.pi * 1000.0 * t), 20.0, 15.0, 6.0)
    for part, expected in ((slice(RATE, 2 * RATE), 1061.9), (slice(10 * RATE, 11 * RATE), 944.9)):
        spectrum = np.abs(np.fft.rfft(heard[part] * np.hanning(RATE)))
        assert spectrum.argmax() == pytest.approx(expected, abs=3.0)
