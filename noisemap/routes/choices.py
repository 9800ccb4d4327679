"""The planner's own choices, read from their table; and clock times that a trip touches."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.scene.grades import descent_sigma

FloatArray = npt.NDArray[np.float64]

HOUR_S = 3600.0


def choice(group: str, name: str) -> float:
    """One choice from the packaged table.

    >>> choice("arrival", "earliest")
    0.9
    """
    return float(toml_table("noisemap.routes", "choices.toml")[group][name]["value"])


def steeper(grade: FloatArray, stated: FloatArray, native_cell: float) -> FloatArray:
    """Grades with every downgrade at its upper bound, for the error of terrain or survey [1].

    `stated` is each piece's own standard uncertainty, infinite where none is known.

    >>> grade, stated = np.array([-0.05, -0.05, 0.01]), np.array([0.02, 0.002, 0.02])
    >>> steeper(grade, stated, 90.0).round(4).tolist()
    [-0.0615, -0.0533, 0.01]
    """
    sigma = descent_sigma(native_cell, stated)
    return np.where(grade < 0.0, grade - choice("terrain", "upper_bound") * sigma, grade)


def clock_hours(depart_s: float, from_s: float, to_s: float) -> frozenset[int]:
    """Clock hours touched between two moments of a trip, each with its range of arrival.

    `depart_s` is the time of day; the trip enters a place after `from_s` of computed
    travel and leaves it after `to_s`.

    >>> sorted(clock_hours(21.5 * 3600, 1000.0, 1500.0))
    [21, 22]
    >>> sorted(clock_hours(23.9 * 3600, 0.0, 600.0))
    [0, 23]
    """
    first = depart_s + choice("arrival", "earliest") * from_s
    last = depart_s + choice("arrival", "latest") * to_s
    count = min(math.floor(last / HOUR_S) - math.floor(first / HOUR_S), 23)
    start = math.floor(first / HOUR_S)
    return frozenset((start + step) % 24 for step in range(count + 1))


def clock(depart_s: float, after_s: float) -> str:
    """Time of day as HH:MM.

    >>> clock(23.5 * 3600, 2400.0)
    '00:10'
    """
    minutes = math.floor((depart_s + after_s) / 60.0) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"
