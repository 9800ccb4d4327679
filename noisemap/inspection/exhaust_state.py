"""What a recorded spectrum says of the exhaust, if the event was a truck with its retarder on.

The octaves of the loudest second are held against those that the emission table gives
for each state, with the rolling and propulsion noise of the same truck beside them. A muffler
shows in the balance between the two, and in the shape of the exhaust's own spectrum; the
level itself counts only where the distance is known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from noisemap.atmosphere import absorption_coefficient
from noisemap.bands import EXACT_HZ, N_BANDS, NOMINAL_HZ
from noisemap.inspection.events import setting
from noisemap.levels import from_energy, to_energy
from noisemap.source.emission import (
    emission_table,
    engines,
    exhaust_sound_power,
    standard_uncertainty,
)
from noisemap.source.propulsion import vehicle_sound_power
from noisemap.states import EXHAUST_STATES, UNMUFFLED, ExhaustState

FloatArray = npt.NDArray[np.float64]

SPHERE_DB = 10.0 * math.log10(4.0 * math.pi)
NODES: FloatArray = np.linspace(-3.0, 3.0, 37)
"""What is not known of an exhaust's level, in standard uncertainties."""

USUAL_RPM = (1200.0, 1500.0, 1800.0, 2100.0)
"""Engine speeds that stand for all where none was found [rpm]."""

Candidate = tuple[float, int]
"""Engine speed [rpm] and braking cylinders."""


@dataclass(frozen=True)
class StateLikelihood:
    """Posterior of each exhaust state over equal priors, if the event was a braking truck."""

    posterior: dict[ExhaustState, float]
    told: tuple[ExhaustState, ...]
    """The fewest states that hold nine tenths; one when it is told apart."""
    unmuffled: float
    """Share of worn and straight exhausts together. [1]"""
    misfit: float
    """Chi square of the best spectrum over its count of octaves. [1]"""
    octaves: int
    distance_m: float | None
    reason: str


def octaves_less_background(
    sound: Mapping[float, float], background: Mapping[float, float]
) -> FloatArray:
    """Octave levels of a sound less its background; not a number where too little is left [dB].

    Both by mean squares over that of 0 dB, keyed by exact mid-band.
    """
    least = 10.0 ** (0.1 * setting("residual_upper_bound_db"))
    levels = np.full(N_BANDS, np.nan)
    for place, middle in enumerate(EXACT_HZ):
        key = round(float(middle), 1)
        own, under = sound.get(key, 0.0), background.get(key, 0.0)
        if own > 0.0 and own > least * under:
            levels[place] = 10.0 * math.log10(own - under)
    return levels


def state_likelihood(
    levels: FloatArray,
    candidates: Sequence[Candidate],
    speed_ms: float,
    distance_m: float | None = None,
) -> StateLikelihood | None:
    """Exhaust states that a spectrum speaks for; None where too few octaves are heard.

    Engine speed and speed are estimates, held within the tables. Every engine of the table
    and every candidate counts alike. The level of the exhaust is unknown by the table's
    standard uncertainty, that of the whole by the distance, each octave by the table's
    spread from truck to truck and by the ground.
    """
    heard = np.isfinite(levels)
    if heard.sum() < setting("exhaust_fewest_octaves"):
        return None
    slow, fast = setting("truck_speed_ms")
    speed_ms = min(max(speed_ms, slow), fast)
    low, high = _table_range()
    candidates = candidates or [(rpm, count) for rpm in USUAL_RPM for count in (2, 4, 6)]
    kept = sorted({(round(min(max(rpm, low), high), -1), count) for rpm, count in candidates})
    scores: dict[ExhaustState, list[float]] = {state: [] for state in EXHAUST_STATES}
    best = math.inf
    for state in EXHAUST_STATES:
        for engine in engines():
            for rpm, cylinders in kept:
                found = _fits(levels, heard, engine, rpm, cylinders, state, speed_ms, distance_m)
                scores[state].append(found[0])
                best = min(best, found[1])
    top = max(max(values) for values in scores.values())
    mean = {state: float(np.mean(np.exp(np.array(scores[state]) - top))) for state in scores}
    total = sum(mean.values())
    posterior = {state: mean[state] / total for state in EXHAUST_STATES}
    told = _fewest(posterior)
    misfit = best / float(heard.sum())
    return StateLikelihood(
        posterior,
        told,
        sum(posterior[state] for state in UNMUFFLED),
        misfit,
        int(heard.sum()),
        distance_m,
        _reason(levels, heard, told, misfit, distance_m),
    )


def _fits(
    levels: FloatArray,
    heard: npt.NDArray[np.bool_],
    engine: str,
    rpm: float,
    cylinders: int,
    state: ExhaustState,
    speed_ms: float,
    distance_m: float | None,
) -> tuple[float, float]:
    """Logarithm of the likelihood over what is unknown, and the least chi square."""
    weights = np.exp(-0.5 * np.square(NODES))
    exhaust, spread = _exhaust(engine, rpm, cylinders, state)
    offset = standard_uncertainty(state) * NODES[:, None]
    running = vehicle_sound_power("heavy", speed_ms, temperature_c=setting("air_temperature_c"))
    power = from_energy(to_energy(exhaust + offset) + to_energy(running))
    share = to_energy(exhaust + offset - power)
    at = setting("exhaust_usual_distance_m") if distance_m is None else distance_m
    miss = (levels - power + _lost(at))[:, heard]
    known = distance_m is not None
    common = float(setting("level_known_db" if known else "level_unknown_db"))
    ground = float(setting("ground_octave_db"))
    variance = np.square(spread * share)[:, heard] + ground**2
    # One error common to all octaves beside their own: inverse by Sherman and Morrison.
    own, sums = np.square(miss) / variance, miss / variance
    precision = (1.0 / variance).sum(axis=1)
    bend = common**2 / (1.0 + common**2 * precision)
    chi = own.sum(axis=1) - bend * np.square(sums.sum(axis=1))
    scale = np.log(variance).sum(axis=1) + np.log1p(common**2 * precision)
    values = np.log(weights / weights.sum()) - 0.5 * (chi + scale)
    top = float(values.max())
    return top + math.log(float(np.exp(values - top).sum())), float((chi + np.square(NODES)).min())


@cache
def _exhaust(
    engine: str, rpm: float, cylinders: int, state: ExhaustState
) -> tuple[FloatArray, FloatArray]:
    """Sound power of an exhaust in octaves and its spread; a masked octave is silent."""
    spread = emission_table(engine, state).spread_at(rpm, cylinders)
    return (
        np.asarray(exhaust_sound_power(engine, rpm, cylinders, state)),
        np.where(np.isfinite(spread), spread, 0.0),
    )


@cache
def _table_range() -> tuple[float, float]:
    speeds = emission_table(engines()[0], "straight").engine_speed_rpm
    return float(speeds[0]), float(speeds[-1])


def _lost(distance_m: float) -> FloatArray:
    """What is lost on the way over hard ground: spreading, air, less the ground's 3 dB [dB]."""
    air = absorption_coefficient(
        setting("air_temperature_c"), setting("air_humidity_percent"), 101.325, EXACT_HZ
    )
    spreading = 20.0 * math.log10(distance_m) + SPHERE_DB
    return np.asarray(spreading - setting("ground_gain_db") + air * distance_m)


def _fewest(posterior: Mapping[ExhaustState, float]) -> tuple[ExhaustState, ...]:
    """Fewest states that together hold the share at which a state counts as told.

    >>> _fewest({"after_treatment": 0.5, "muffled": 0.42, "worn": 0.05, "straight": 0.03})
    ('after_treatment', 'muffled')
    """
    kept: list[ExhaustState] = []
    for state in sorted(posterior, key=lambda one: -posterior[one]):
        kept.append(state)
        if sum(posterior[one] for one in kept) >= setting("state_told_share"):
            break
    return tuple(kept)


def word(state: ExhaustState) -> str:
    """Name of a state in a sentence.

    >>> word("after_treatment")
    'after-treatment'
    """
    return state.replace("_", "-")


def _reason(
    levels: FloatArray,
    heard: npt.NDArray[np.bool_],
    told: tuple[ExhaustState, ...],
    misfit: float,
    distance_m: float | None,
) -> str:
    """What was compared, in a sentence."""
    names = [f"{hz:g}" for hz, use in zip(NOMINAL_HZ, heard, strict=True) if use]
    low, high = (levels[part][np.isfinite(levels[part])] for part in (slice(0, 3), slice(3, 8)))
    balance = ""
    if low.size and high.size:
        over = float(from_energy(to_energy(low).sum()) - from_energy(to_energy(high).sum()))
        balance = f"; 63 to 250 Hz stand {over:+.0f} dB over 500 Hz and above"
    level = (
        "the level does not count, the distance is not given"
        if distance_m is None
        else f"the level counts, at {distance_m:g} m"
    )
    poor = (
        "; no state of the table fits well: hardly a braking truck of the table"
        if misfit > setting("state_misfit")
        else ""
    )
    words = "told apart" if len(told) == 1 else "not told apart: " + ", ".join(map(word, told))
    return f"{words}; octaves {names[0]} to {names[-1]} Hz{balance}; {level}{poor}"
