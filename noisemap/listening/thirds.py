"""A pass at the ear in thirds of an octave, and the levels that tell its character."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, signal

from noisemap.bands import A_WEIGHT, EXACT_HZ
from noisemap.community.impulse import impulse_weighted
from noisemap.data_tables import toml_table
from noisemap.levels import from_energy, to_energy
from noisemap.listening.track import SPHERE_DB, Track
from noisemap.listening.voice import Pulses
from noisemap.source.pass_by import FAST_S
from noisemap.source.radiation import (
    FIRST_OCTAVE_THIRD,
    THIRDS_HZ,
    a_weighting,
    c_weighting,
    octave_level,
)

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

TABLE_SAMPLES = 1 << 14
FILTER_ORDER = 4
READ_S = 0.001
"""Step of the time weightings [s]."""


@dataclass(frozen=True)
class PassLevels:
    """What a meter would read of the loudest part of a pass."""

    l_a_eq: float  # [dB]
    l_c_eq: float  # [dB]
    l_ai_eq: float  # impulse weighting [dB]
    third_eq: FloatArray  # (27,) unweighted, from 25 Hz [dB]
    fast: FloatArray  # A-weighted fast level of the whole pass, every `READ_S` [dB]
    seconds: float  # length of the part [s]


def setting(name: str) -> float:
    """A stated choice of the assessment.

    >>> setting("least_s")
    5.0
    """
    return float(toml_table("noisemap.listening", "character.toml")[name]["value"])


def path_rows(attenuation_db: FloatArray, distance_m: FloatArray) -> FloatArray:
    """Attenuation in nine rows: below 63 Hz spreading alone, then the eight octaves [dB]."""
    low = 20.0 * np.log10(distance_m) + SPHERE_DB
    return np.column_stack([low, attenuation_db])


def row_of(third: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Which of the nine rows a third of an octave takes its attenuation from.

    >>> row_of([0, 2, 3, 5, 6, 26])
    array([0, 0, 1, 1, 2, 8])
    """
    place = np.asarray(third, dtype=np.int64)
    return np.asarray(np.maximum(place // 3, 0), dtype=np.int64)


def loudest_part(
    pulses: Pulses, running_db: FloatArray, track: Track, braking: BoolArray
) -> BoolArray:
    """Which steps of a pass lie in the seconds around its highest A-weighted level.

    `braking` tells along the track where the retarder works.
    """
    octaves = octave_level(_exhaust_thirds(pulses)) + A_WEIGHT
    energy = to_energy(octaves - track.attenuation_db).sum(axis=1) * braking
    energy += to_energy(running_db + A_WEIGHT - track.running_db).sum(axis=1)
    half = 0.5 * setting("around_maximum_s")
    middle = track.time_s[int(energy.argmax())]
    middle = np.clip(middle, track.time_s[0] + half, track.time_s[-1] - half)
    return np.asarray(np.abs(track.time_s - middle) <= half + 1e-9)


def _exhaust_thirds(pulses: Pulses) -> FloatArray:
    lines = np.bincount(
        pulses.third, weights=np.abs(pulses.amplitude) ** 2, minlength=len(THIRDS_HZ)
    )
    return from_energy(lines + to_energy(pulses.flow_noise_db))


def pressure_in_thirds(
    pulses: Pulses,
    engine_speed_rpm: float,
    running_db: FloatArray,
    track: Track,
    braking: BoolArray,
    braking_share: float,
    seed: int,
) -> FloatArray:
    """Sound pressure at the ear over that of 0 dB, each third at its level.

    The pulses keep their phases. No Doppler shift and no comb of the ground: the level of
    each third is that of the method. With a share of time below one the retarder sets in
    and falls silent once, about the middle.

    Parameters
    ----------
    pulses : Pulses
        Lines and outlet noise.
    engine_speed_rpm : float
        Engine speed. [rpm]
    running_db : ndarray
        Sound power of rolling and propulsion in octaves. [dB]
    track : Track
        The part of the pass.
    braking : ndarray of bool
        Where on the track the retarder works at all.
    braking_share : float
        Share of the time with the retarder on there. [1] 0 to 1.
    seed : int
        Seed of the noise. [1]

    Returns
    -------
    ndarray
        Pressure. [1]

    References
    ----------
    exhaust-model : wavetable of a cycle
    """
    rate = setting("rate_hz")
    time = np.arange(track.time_s[0], track.time_s[-1], 1.0 / rate)
    middle, whole = 0.5 * (time[0] + time[-1]), time[-1] - time[0]
    on = np.abs(time - middle) <= 0.5 * braking_share * whole
    on &= np.interp(time, track.time_s, braking.astype(float)) >= 0.5
    place = ((time * engine_speed_rpm / 120.0 % 1.0) * TABLE_SAMPLES).astype(np.int64)
    lost = path_rows(track.attenuation_db, track.distance_m)
    row = row_of(pulses.third)
    sound = np.zeros(len(time))
    for band in np.unique(row):
        inside = row == band
        gain = np.sqrt(to_energy(-lost[:, band]))
        wave = _wave(pulses.order[inside], pulses.amplitude[inside])
        sound += np.interp(time, track.time_s, gain) * wave[place]
    random = np.random.default_rng(seed)
    outlet = octave_level(pulses.flow_noise_db)
    sound += _noise(random, time, track.time_s, outlet - track.attenuation_db)
    sound *= on
    return np.asarray(sound + _noise(random, time, track.time_s, running_db - track.running_db))


def _wave(order: FloatArray, amplitude: npt.NDArray[np.complex128]) -> FloatArray:
    """One cycle of some lines, of the mean square of their power."""
    spectrum = np.zeros(TABLE_SAMPLES // 2 + 1, dtype=np.complex128)
    spectrum[order.astype(np.int64)] = amplitude / np.sqrt(2.0) * TABLE_SAMPLES
    return np.asarray(fft.irfft(spectrum, TABLE_SAMPLES))


def _noise(
    random: np.random.Generator, time: FloatArray, step: FloatArray, level_db: FloatArray
) -> FloatArray:
    """Noise whose octaves follow the track, in a measure where 0 dB is a mean square of one."""
    count = fft.next_fast_len(len(time), real=True)
    spectrum = fft.rfft(random.standard_normal(count))
    frequency = np.maximum(fft.rfftfreq(count, time[1] - time[0]), 1e-9)
    total = np.zeros(len(time))
    for band, middle in enumerate(EXACT_HZ):
        inside = (frequency >= middle / 10**0.15) & (frequency < middle * 10**0.15)
        # every third of an octave carries the same power
        part = fft.irfft(np.where(inside, spectrum / np.sqrt(frequency), 0.0), count)[: len(time)]
        part /= np.sqrt(np.mean(np.square(part)))
        total += np.interp(time, step, np.sqrt(to_energy(level_db[:, band]))) * part
    return total


def tone_triples(
    pulses: Pulses,
    engine_speed_rpm: float,
    running_db: FloatArray,
    track: Track,
    braking: BoolArray,
) -> FloatArray:
    """Level of each third and its two neighbours at the loudest moment, all on its own path.

    With the attenuation of one octave for all three, the steps between octaves make no
    tone. Only thirds that the exhaust's lines lead can be one; the others hold no number.

    Parameters
    ----------
    pulses : Pulses
        Lines and outlet noise.
    engine_speed_rpm : float
        Engine speed. [rpm]
    running_db : ndarray
        Sound power of rolling and propulsion in octaves. [dB]
    track : Track
        The part of the pass.
    braking : ndarray of bool
        Where on the track the retarder works.

    Returns
    -------
    ndarray
        (25, 3) lower neighbour, third, upper neighbour, from 31.5 Hz to 8 kHz. [dB]

    References
    ----------
    iec61260-1 : filters of the thirds
    own-assumption : a tone stands where lines carry at least half of the energy
    """
    frequency = pulses.order * engine_speed_rpm / 120.0
    power = np.abs(pulses.amplitude) ** 2
    lines = np.array([power @ _third_filter(frequency, middle) for middle in THIRDS_HZ])
    flow, running = to_energy(pulses.flow_noise_db), to_energy(even_thirds(running_db))
    heard = to_energy(A_WEIGHT - track.attenuation_db).sum(axis=1) * braking
    nearest = int(heard.argmax())
    row = row_of(np.arange(1, len(THIRDS_HZ) - 1))
    exhaust = path_rows(track.attenuation_db, track.distance_m)[nearest, row][:, None]
    rolling = path_rows(track.running_db, track.distance_m)[nearest, row][:, None]
    three = np.arange(25)[:, None] + np.arange(3)
    of_lines = lines[three] * to_energy(-exhaust)
    total = of_lines + flow[three] * to_energy(-exhaust) + running[three] * to_energy(-rolling)
    level = from_energy(total)
    level[of_lines[:, 1] < 0.5 * total[:, 1]] = np.nan
    return level


def even_thirds(octave_db: FloatArray) -> FloatArray:
    """Levels in thirds from 25 Hz, each octave split evenly; nothing below 63 Hz [dB]."""
    thirds = np.full(len(THIRDS_HZ), -np.inf)
    thirds[FIRST_OCTAVE_THIRD:] = np.repeat(octave_db - 10.0 * np.log10(3.0), 3)
    return thirds


def read_levels(sound: FloatArray) -> PassLevels:
    """Levels of the part of a pass within 10 dB of its fast maximum, and at least 5 s.

    Parameters
    ----------
    sound : ndarray
        Pressure over that of 0 dB. [1]

    Returns
    -------
    PassLevels
        What a meter would read.

    References
    ----------
    iec61672-1 : A, C, fast; impulse weighting of earlier editions, recalled
    iec61260-1 : edges of the thirds
    """
    rate = setting("rate_hz")
    count = fft.next_fast_len(len(sound), real=True)
    spectrum = fft.rfft(sound, count)
    frequency = np.maximum(fft.rfftfreq(count, 1.0 / rate), 1.0)
    hop = round(READ_S * rate)
    whole = len(sound) // hop

    def squares(weight_db: FloatArray) -> FloatArray:
        weighted = fft.irfft(spectrum * np.sqrt(to_energy(weight_db)), count)[: whole * hop]
        return np.asarray(np.square(weighted).reshape(whole, hop).mean(axis=1))

    a_square = squares(a_weighting(frequency))
    share = -np.expm1(-READ_S / FAST_S)
    fast = from_energy(np.maximum(signal.lfilter([share], [1.0, share - 1.0], a_square), 1e-12))
    part = _part(fast)
    start, end = part.start * hop, part.stop * hop
    window = fft.rfft(sound[start:end])
    own = fft.rfftfreq(end - start, 1.0 / rate)
    power = 2.0 * np.abs(window) ** 2 / (end - start) ** 2

    def mean(values: FloatArray) -> float:
        return float(from_energy(values[part].mean()))

    return PassLevels(
        mean(a_square),
        mean(squares(c_weighting(frequency))),
        mean(impulse_weighted(a_square, READ_S)),
        from_energy(np.array([power @ _third_filter(own, middle) for middle in THIRDS_HZ])),
        fast,
        (part.stop - part.start) * READ_S,
    )


def _third_filter(frequency: FloatArray, middle: float) -> FloatArray:
    """Power response of a third-octave filter, Butterworth, about its exact middle [1]."""
    ratio = np.maximum(frequency, 1e-9) / middle
    sharpness = 1.0 / (10.0**0.05 - 10.0**-0.05)
    detuning = np.minimum(np.abs(sharpness * (ratio - 1.0 / ratio)), 1e9)
    return np.asarray(1.0 / (1.0 + detuning ** (2 * FILTER_ORDER)))


def _part(fast: FloatArray) -> slice:
    """Which steps are within reach of the maximum, widened to the least length."""
    loud = np.flatnonzero(fast >= fast.max() - setting("below_maximum_db"))
    first, last = int(loud[0]), int(loud[-1]) + 1
    least = min(round(setting("least_s") / READ_S), len(fast))
    missing = max(least - (last - first), 0)
    first = max(first - missing // 2, 0)
    last = min(max(last + missing - missing // 2, first + least), len(fast))
    return slice(max(min(first, last - least), 0), last)
