"""Engine speed from the release frequency: Doppler shift of the pass, cylinders in question."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from noisemap.inspection.events import setting
from noisemap.inspection.modulation import Frames

FloatArray = npt.NDArray[np.float64]

FEWEST_FRAMES = 5

EVEN = ((6, 20.0), (4, 20.0), (2, 40.0))
"""Braking cylinders, and engine speed over the strongest line's frequency, evenly released."""

UNEVEN = ((6, 40.0), (4, 40.0), (6, 60.0), (4, 60.0), (2, 60.0))
"""The same where every second or third release leads."""


@dataclass(frozen=True)
class PassFit:
    """Release frequency at rest, with the pass that was fitted."""

    frequency_hz: float
    frequency_error: float
    """Standard error, relative. [1]"""
    speed_ms: float
    nearest_s: float
    width_s: float
    """Shortest distance over speed. [s]"""


@dataclass(frozen=True)
class EngineSpeed:
    """One reading of the release frequency as cylinders and engine speed."""

    braking_cylinders: int
    engine_speed_rpm: float
    fits_the_lines: bool
    evenly: bool = True
    """Whether every release counts alike; else every second or third leads."""


def doppler(time_s: npt.ArrayLike, speed_ms: float, nearest_s: float, width_s: float) -> FloatArray:
    """Frequency heard over frequency at rest, for a straight pass [1].

    >>> [round(float(v), 3) for v in doppler([-100.0, 0.0, 100.0], 20.0, 0.0, 0.75)]
    [1.062, 1.0, 0.945]
    """
    along = (np.asarray(time_s, dtype=float) - nearest_s) / width_s
    mach = speed_ms / setting("sound_speed_ms")
    return np.asarray(1.0 / (1.0 + mach * along / np.sqrt(1.0 + along**2)))


def fit_pass(frames: Frames, loudest_s: float) -> PassFit | None:
    """Release frequency at rest, fitted to the frames that carry it.

    The speed, the moment of the nearest point and the width are held near what
    is usual and near the loudest moment; what the frames do not tell stays in
    the error of the frequency.
    """
    use = frames.active
    if use.sum() < FEWEST_FRAMES:
        return None
    time, line = frames.time_s[use], frames.frequency_hz[use]
    mean, spread = setting("pass_speed_ms")
    noise = 0.006 * float(np.median(line))
    weight = np.sqrt(frames.depth[use, 0] / frames.depth[use, 0].max())

    def misses(values: FloatArray) -> FloatArray:
        frequency, speed, nearest, log_width = values
        heard = frequency * doppler(time, speed, nearest, float(np.exp(log_width)))
        return np.concatenate(
            [
                weight * (line - heard) / noise,
                [(speed - mean) / spread, (nearest - loudest_s) / 0.7, log_width / 0.7],
            ]
        )

    start = np.array([np.median(line), mean, loudest_s, 0.0])
    found = least_squares(
        misses,
        start,
        bounds=(
            [start[0] * 0.85, 1.0, time[0] - 5.0, -3.0],
            [start[0] * 1.15, 45.0, time[-1] + 5.0, 3.0],
        ),
        loss="soft_l1",
        x_scale=[start[0] * 0.02, spread, 0.7, 0.7],
    )
    covariance = np.linalg.pinv(found.jac.T @ found.jac)
    frequency, speed, nearest, log_width = found.x
    return PassFit(
        float(frequency),
        float(np.sqrt(covariance[0, 0]) / frequency),
        float(speed),
        float(nearest),
        float(np.exp(log_width)),
    )


def engine_speeds(
    frequency_hz: float, half_ratio: float, third_ratio: float
) -> tuple[EngineSpeed, ...]:
    """Every count of braking cylinders that gives a possible engine speed, likeliest first.

    Six of six and four of six have their strongest line at rpm/20, two of six
    at rpm/40.  Four of six release unevenly and have a line at the half of it,
    two of six one at the third; six of six have neither.  Where the banks or the pipes
    differ, every second or third release leads: then the strongest line is at rpm/40 or
    at rpm/60 for any count.  Such readings stand last, and fit where no even one does.

    >>> [(s.braking_cylinders, round(s.engine_speed_rpm)) for s in engine_speeds(52.5, 0.0, 0.6)]
    [(2, 2100), (6, 1050), (4, 1050), (6, 2100), (4, 2100)]
    >>> [(s.braking_cylinders, round(s.engine_speed_rpm)) for s in engine_speeds(100.0, 0.02, 0.0)]
    [(6, 2000), (4, 2000)]
    >>> [(s.engine_speed_rpm, s.fits_the_lines) for s in engine_speeds(35.0, 0.0, 0.0)][:2]
    [(2100.0, True), (2100.0, True)]
    """
    low, high = setting("engine_speed_rpm")
    if half_ratio >= setting("half_line_ratio"):
        likeliest = 4
    else:
        likeliest = 2 if third_ratio >= setting("third_line_ratio") else 6

    def readings(pairs: tuple[tuple[int, float], ...]) -> list[tuple[int, float]]:
        speeds = [(cylinders, factor * frequency_hz) for cylinders, factor in pairs]
        return [(cylinders, rpm) for cylinders, rpm in speeds if low <= rpm <= high]

    even, uneven = readings(EVEN), readings(UNEVEN)
    fitting = any(cylinders == likeliest for cylinders, _ in even)
    found = [EngineSpeed(cylinders, rpm, cylinders == likeliest) for cylinders, rpm in even]
    found.sort(key=lambda one: not one.fits_the_lines)
    usual = setting("usual_retarder_rpm")
    uneven.sort(key=lambda one: abs(one[1] - usual))
    others = [EngineSpeed(cylinders, rpm, not fitting, evenly=False) for cylinders, rpm in uneven]
    return tuple(found + others if fitting else others + found)
