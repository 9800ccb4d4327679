"""Coefficients of ISO 9613-2 as the arrays that the compiled cores take."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from noisemap.bands import COLUMNS, N_BANDS, NOMINAL_HZ
from noisemap.data_tables import band_row, table_rows, toml_table

FloatArray = npt.NDArray[np.float64]

_PACKAGE = "noisemap.propagation"
_GROUND_COLUMNS = (
    "end_base_db",
    "end_mixed_db",
    "hump_db",
    "hump_decay",
    "hump_height_m",
    "reach_m",
    "tail_db",
    "tail_decay",
    "tail_rate",
    "middle_base_db",
    "middle_share",
)


def number(group: str, name: str) -> float:
    """One coefficient of coefficients.toml.

    >>> number("screening", "c2")
    20.0
    """
    return float(toml_table(_PACKAGE, "coefficients.toml")[group][name]["value"])


def _fixed(values: FloatArray) -> FloatArray:
    array = np.ascontiguousarray(values, dtype=np.float64)
    array.setflags(write=False)
    return array


@cache
def ground_table() -> FloatArray:
    """Table 3, one row a band, columns as in ground_table3.csv."""
    rows = table_rows(_PACKAGE, "ground_table3.csv")
    if len(rows) != N_BANDS:
        raise ValueError("ground_table3.csv: one row for each octave band is needed")
    return _fixed(np.array([[float(row[name]) for name in _GROUND_COLUMNS] for row in rows]))


@cache
def wavelengths() -> FloatArray:
    """Wavelengths of the nominal mid-bands (convention C17) [m]."""
    return _fixed(number("screening", "speed_of_sound") / NOMINAL_HZ)


@cache
def screen_numbers() -> FloatArray:
    """C1, C2, spread of C3, length of Kmet [m], caps for one and two edges [dB]."""
    names = ("c1", "c2", "c3_spread", "kmet_length_m", "cap_single_db", "cap_double_db")
    return _fixed(np.array([number("screening", name) for name in names]))


@cache
def foliage_table() -> FloatArray:
    """Table A.1: row 0 the short paths [dB], row 1 the long paths [dB/m]."""
    rows = [band_row(_PACKAGE, "foliage_table_a1.csv", key, COLUMNS) for key in ("short", "long")]
    return _fixed(np.array(rows))


@cache
def foliage_lengths() -> FloatArray:
    """Shortest length that counts, start of the per-metre row, longest that counts [m]."""
    names = ("shortest_m", "per_metre_from_m", "longest_m")
    return _fixed(np.array([number("foliage", name) for name in names]))


@cache
def site_table() -> FloatArray:
    """Table A.2: attenuation through installations at industrial sites [dB/m]."""
    return _fixed(band_row(_PACKAGE, "site_table_a2.csv", "site", COLUMNS))
