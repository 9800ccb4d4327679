"""From a voice and a track to sound pressure at the ear, and the levels it must have."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, signal

from noisemap.bands import A_WEIGHT, EXACT_HZ, N_BANDS
from noisemap.data_tables import toml_table
from noisemap.levels import to_energy
from noisemap.listening.track import STEP_S, Track
from noisemap.listening.voice import Voice
from noisemap.source.radiation import a_weighting

FloatArray = npt.NDArray[np.float64]

RATE_HZ = 48_000
SOUND_SPEED_MS = 343.0
REFERENCE_PA = 2e-5
FAST_S = 0.125
TABLE_SAMPLES = 1 << 15
RELEASES = 6
FADE_S = 0.05
FOLLOW_S = 0.25
SWITCH_S = 0.2
"""How long the retarder takes to fall silent or to set in [s]."""


@dataclass(frozen=True)
class Levels:
    """What the calculation says of a pass."""

    l_af_max: float  # fast maximum, the ripple of the pulses included [dB]
    sel: float  # [dB]
    steady_max: float  # fast maximum of the mean power, which studies count [dB]


def computed_levels(voice: Voice, track: Track) -> Levels:
    """Fast maximum and exposure level of a pass, band by band, without any waveform.

    Parameters
    ----------
    voice : Voice
        What is sent out.
    track : Track
        Where it is heard from.

    Returns
    -------
    Levels
        A-weighted levels outdoors. [dB]

    References
    ----------
    moving-point-source : exponential average and integral of a pass
    """
    arrival, energy = _arriving(voice, track)
    return _levels(arrival, energy, pulse_ripple(voice, track, int(energy.argmax())))


def levels_with_zone(
    braking: Voice, silent: Voice, track: Track, inside: npt.NDArray[np.bool_]
) -> Levels:
    """Fast maximum and exposure level of a pass whose retarder is silent in a zone.

    Parameters
    ----------
    braking, silent : Voice
        What is sent out outside the zone, and inside.
    track : Track
        Where it is heard from.
    inside : ndarray
        Where the truck is in the zone, along the track. [1]

    Returns
    -------
    Levels
        A-weighted levels outdoors. [dB]

    References
    ----------
    moving-point-source : exponential average and integral of a pass
    """
    arrival, energy = _arriving(braking, track)
    share = _share_inside(inside)
    mixed = (1.0 - share) * energy + share * _arriving(silent, track)[1]
    near = int(mixed.argmax())
    heard = silent if share[near] > 0.5 else braking
    return _levels(arrival, mixed, pulse_ripple(heard, track, near))


def pressure_with_zone(
    braking: FloatArray, silent: FloatArray, track: Track, inside: npt.NDArray[np.bool_]
) -> FloatArray:
    """Sound pressure at the ear of a pass whose retarder is silent in a zone.

    Both sounds must be rendered with one seed, so that only the exhaust changes.

    Parameters
    ----------
    braking, silent : ndarray
        The pass with the retarder in use all along, and never. [Pa]
    track : Track
        Where both are heard from.
    inside : ndarray
        Where the truck is in the zone, along the track. [1]

    Returns
    -------
    ndarray
        Pressure. [Pa]

    References
    ----------
    exhaust-model : retarded time
    """
    arrival = track.time_s + track.distance_m / SOUND_SPEED_MS
    time = arrival[0] + np.arange(len(braking)) / RATE_HZ
    share = np.interp(time, arrival, _share_inside(inside))
    return np.asarray((1.0 - share) * braking + share * silent)


def _share_inside(inside: npt.NDArray[np.bool_]) -> FloatArray:
    """Share of the silent voice along the track, with a soft change."""
    width = round(SWITCH_S / STEP_S)
    return np.clip(_running_mean(inside.astype(float), width), 0.0, 1.0)


def pulse_ripple(voice: Voice, track: Track, near: int) -> float:
    """Highest fast level within a cycle of the engine over that of the mean power.

    The fast weighting follows slow pulses: two cylinders at 1200 rpm release 20 times a
    second. Noise under the pulses fills their gaps.

    Parameters
    ----------
    voice : Voice
        What is sent out.
    track : Track
        Where it is heard from.
    near : int
        Step of the track, where the pass is loudest. [1]

    Returns
    -------
    float
        Level. [dB] 0 and above.

    References
    ----------
    moving-point-source : ripple of a train of impulses
    """
    weight = A_WEIGHT - track.attenuation_db[near]
    plain = np.abs(voice.amplitude) ** 2
    # Lines off the middle of their octave: their A-weighted level is that of the octave.
    own = to_energy(a_weighting(voice.order * voice.cycle_hz))
    have, want = (
        np.bincount(voice.octave, weights=part, minlength=N_BANDS)
        for part in (plain * own, plain * to_energy(A_WEIGHT)[voice.octave])
    )
    scale = np.sqrt(
        np.divide(want, have, out=np.zeros(N_BANDS), where=have > 0.0)
        * to_energy(weight - A_WEIGHT)
    )
    spectrum = np.zeros(TABLE_SAMPLES // 2 + 1, dtype=np.complex128)
    lines = voice.amplitude * np.sqrt(own) * scale[voice.octave]
    spectrum[voice.order.astype(np.int64)] = lines / np.sqrt(2.0) * TABLE_SAMPLES
    square = np.square(fft.irfft(spectrum, TABLE_SAMPLES))
    turning = 2.0 * np.pi * voice.cycle_hz * FAST_S * np.arange(TABLE_SAMPLES // 2 + 1)
    fast = fft.irfft(fft.rfft(square) / (1.0 + 1j * turning), TABLE_SAMPLES)
    noise = to_energy(voice.flow_noise_db + weight).sum()
    noise += to_energy(voice.running_db + A_WEIGHT - track.running_db[near]).sum()
    return float(10.0 * np.log10((fast.max() + noise) / (square.mean() + noise)))


def _levels(arrival: FloatArray, energy: FloatArray, ripple_db: float) -> Levels:
    step = 0.005
    time = np.arange(arrival[0], arrival[-1], step)
    heard = np.interp(time, arrival, energy)
    steady = float(10.0 * np.log10(max(_fast(heard, step).max(), 1e-30)))
    exposure = float(10.0 * np.log10(max(heard.sum() * step, 1e-30)))
    return Levels(steady + ripple_db, exposure, steady)


def _arriving(voice: Voice, track: Track) -> tuple[FloatArray, FloatArray]:
    """When the sound arrives, and its A-weighted mean square over that of 0 dB."""
    energy = to_energy(voice.exhaust_db + A_WEIGHT - track.attenuation_db).sum(axis=1)
    energy += to_energy(voice.running_db + A_WEIGHT - track.running_db).sum(axis=1)
    return np.asarray(track.time_s + track.distance_m / SOUND_SPEED_MS), energy


def _fast(square: FloatArray, step_s: float) -> FloatArray:
    share = 1.0 - np.exp(-step_s / FAST_S)
    return np.asarray(signal.lfilter([share], [1.0, share - 1.0], square))


def pressure(voice: Voice, track: Track, seed: int) -> FloatArray:
    """Sound pressure at the ear, 48 000 samples a second.

    Direct sound and the ground's image of the pulses, each from the moment at which it
    was sent, so that the Doppler shift and the moving comb come by themselves. Each
    octave has the level that the track gives it, and over a quarter of a second the whole
    follows the calculation; comb, ripple and pulses are left as they are.

    Parameters
    ----------
    voice : Voice
        What is sent out.
    track : Track
        Where it is heard from.
    seed : int
        Seed of the scatter and of the noise. [1]

    Returns
    -------
    ndarray
        Pressure. [Pa]

    References
    ----------
    exhaust-model : wavetable of a cycle, retarded time, image, scatter
    """
    settings = toml_table("noisemap.listening", "listening.toml")
    random = np.random.default_rng(seed)
    arrival = track.time_s + track.distance_m / SOUND_SPEED_MS
    time = np.arange(arrival[0], arrival[-1], 1.0 / RATE_HZ)
    sent = np.interp(time, arrival, track.time_s)
    later = arrival + track.image_m / SOUND_SPEED_MS
    sent_image = np.interp(time, later, track.time_s, left=track.time_s[0])
    turns = _Turns(voice, track, random)
    cycle, cycle_image = turns.at(sent), turns.at(sent_image)
    size, size_image = turns.strength(cycle), turns.strength(cycle_image)
    factor = float(settings["image_factor"]["value"])
    sound = np.zeros(len(time))
    for band in range(N_BANDS):
        inside = voice.octave == band
        if not np.any(np.abs(voice.amplitude[inside]) > 0.0):
            continue
        table = _wave(voice, inside)
        gain, gain_image = _gains(voice, track, band, inside, factor, settings)
        sound += np.interp(time, arrival, gain) * size * _read(table, cycle)
        sound += np.interp(time, arrival, gain_image) * size_image * _read(table, cycle_image)
    sound += _noise(random, time, arrival, voice.flow_noise_db - track.attenuation_db)
    sound += _noise(random, time, arrival, voice.running_db - track.running_db)
    sound *= _following(sound, np.interp(time, arrival, _arriving(voice, track)[1]))
    return np.asarray(sound * _fade(len(sound)))


def _following(sound: FloatArray, wanted: FloatArray) -> FloatArray:
    """Slow gain after which the fast level swells as calculated, not by chance."""
    count = fft.next_fast_len(len(sound), real=True)
    frequency = np.maximum(fft.rfftfreq(count, 1.0 / RATE_HZ), 1.0)
    weight = np.sqrt(to_energy(a_weighting(frequency)))
    weighted = fft.irfft(fft.rfft(sound, count) * weight, count)[: len(sound)] / REFERENCE_PA
    width = round(FOLLOW_S * RATE_HZ)
    have, want = (
        _running_mean(_fast(square, 1.0 / RATE_HZ), width)
        for square in (np.square(weighted), wanted)
    )
    return np.asarray(np.sqrt(want / np.maximum(have, 1e-12)).clip(0.7, 1.4))


class _Turns:
    """Engine cycles over time, with their slow wander and the strength of each release."""

    def __init__(self, voice: Voice, track: Track, random: np.random.Generator) -> None:
        settings = toml_table("noisemap.listening", "listening.toml")
        every = float(settings["speed_wander_every"]["value"])
        wander = float(settings["speed_wander"]["value"])
        knots = np.arange(track.time_s[0], track.time_s[-1] + every, every)
        self._time = np.arange(track.time_s[0], track.time_s[-1] + 0.01, 0.01)
        drift = random.normal(0.0, wander, len(knots))
        speed = voice.cycle_hz * (1.0 + np.interp(self._time, knots, drift - drift.mean()))
        self._cycle = np.concatenate([[0.0], np.cumsum(speed[:-1]) * 0.01])
        count = int(np.ceil(self._cycle[-1] * RELEASES)) + 2
        spread = float(settings["release_scatter"]["value"])
        strength = 1.0 + random.normal(0.0, spread, count)
        # Releases differ from their neighbours; over a cycle their energy is steady.
        self._strength = strength / np.sqrt(_running_mean(np.square(strength), RELEASES))

    def at(self, sent: FloatArray) -> FloatArray:
        """Engine cycles passed at the times of sending [1]."""
        return np.asarray(np.interp(sent, self._time, self._cycle))

    def strength(self, cycle: FloatArray) -> FloatArray:
        """Strength of the releases, from one to the next in a straight line [1]."""
        place = np.minimum(RELEASES * cycle, len(self._strength) - 1.001)
        whole = place.astype(np.int64)
        part = place - whole
        return np.asarray(self._strength[whole] * (1.0 - part) + self._strength[whole + 1] * part)


def _wave(voice: Voice, inside: npt.NDArray[np.bool_]) -> FloatArray:
    """One cycle of an octave's lines, of the mean square of their power over 1 pW."""
    spectrum = np.zeros(TABLE_SAMPLES // 2 + 1, dtype=np.complex128)
    order = voice.order[inside].astype(np.int64)
    spectrum[order] = voice.amplitude[inside] / np.sqrt(2.0) * TABLE_SAMPLES
    wave = fft.irfft(spectrum, TABLE_SAMPLES)
    return np.append(wave, wave[0])


def _read(table: FloatArray, cycle: FloatArray) -> FloatArray:
    place = (cycle % 1.0) * TABLE_SAMPLES
    whole = place.astype(np.int64)
    part = place - whole
    return np.asarray(table[whole] * (1.0 - part) + table[whole + 1] * part)


def _gains(
    voice: Voice, track: Track, band: int, inside: npt.NDArray[np.bool_], factor: float,
    settings: dict[str, dict[str, float]],
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Gains of the direct sound and of the image that give the octave its level [Pa]."""
    direct = 1.0 / track.distance_m
    image = factor / (track.distance_m + track.image_m)
    frequency = voice.order[inside] * voice.cycle_hz
    plain = np.abs(voice.amplitude[inside]) ** 2
    # Lines off the middle of their octave: their A-weighted level is that of the octave.
    power = plain * to_energy(a_weighting(frequency) - A_WEIGHT[band])
    wave = 2.0 * np.pi * frequency / SOUND_SPEED_MS
    comb = np.array([
        np.square(np.abs(near + far * np.exp(-1j * wave * longer))) @ power
        for near, far, longer in zip(direct, image, track.image_m, strict=True)
    ]) / plain.sum()  # fmt: skip
    step = float(track.time_s[1] - track.time_s[0])
    comb = _running_mean(comb, max(round(settings["level_step"]["value"] / step), 1))
    level = to_energy(-track.attenuation_db[:, band])
    gain = REFERENCE_PA * np.sqrt(level / comb)
    return gain * direct, gain * image


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    """Mean over a window about each value; beyond the ends the last value goes on."""
    padded = np.pad(values, (width // 2, width - width // 2), mode="edge")
    total = np.concatenate([[0.0], np.cumsum(padded)])
    return np.asarray((total[width:] - total[:-width])[: len(values)] / width)


def _noise(
    random: np.random.Generator, time: FloatArray, arrival: FloatArray, level_db: FloatArray
) -> FloatArray:
    """Noise of octaves whose levels follow the track."""
    count = fft.next_fast_len(len(time), real=True)
    spectrum = fft.rfft(random.standard_normal(count))
    frequency = fft.rfftfreq(count, 1.0 / RATE_HZ)
    total = np.zeros(len(time))
    for band, middle in enumerate(EXACT_HZ):
        inside = (frequency >= middle / 10**0.15) & (frequency < middle * 10**0.15)
        part = fft.irfft(np.where(inside, spectrum, 0.0), count)[: len(time)]
        # Noise without its slow swell, which would lift the fast maximum by chance.
        part /= np.sqrt(_running_mean(np.square(part), round(FAST_S * RATE_HZ)))
        gain = REFERENCE_PA * np.sqrt(to_energy(level_db[:, band]))
        total += np.interp(time, arrival, gain) * part
    return total


def _fade(samples: int) -> FloatArray:
    """Soft begin and end."""
    length = round(FADE_S * RATE_HZ)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(length) / length)
    window = np.ones(samples)
    window[:length], window[-length:] = ramp, ramp[::-1]
    return window


def peak_level(sound: FloatArray) -> float:
    """Level of a sine that has the highest sample as its crest [dB]."""
    crest = max(float(np.abs(sound).max()), 1e-12)
    return float(20.0 * np.log10(crest / (np.sqrt(2.0) * REFERENCE_PA)))


def shifted(voice: Voice, offset_db: float) -> Voice:
    """The same voice with its exhaust louder or quieter by an offset."""
    factor = 10.0 ** (0.05 * offset_db)
    return Voice(
        voice.engine_speed_rpm, voice.order, factor * voice.amplitude, voice.octave,
        voice.table_db + offset_db, voice.flow_noise_db + offset_db, voice.running_db,
    )  # fmt: skip
