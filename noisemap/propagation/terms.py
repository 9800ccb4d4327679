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
    """Coefficient of coefficients.toml.

    Parameters
    ----------
    group : str
        Table of the file.
    name : str
        Entry of the table.

    Returns
    -------
    float
        Its value, in the unit that the name or clause says.

    References
    ----------
    iso9613-2 : the clause stands beside each entry

    Examples
    --------
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
    """Ground table, one row a band, columns as in ground_table3.csv.

    Returns
    -------
    ndarray
        (8, 11) coefficients. [dB], [m], [1]

    References
    ----------
    iso9613-2 : 7.3.1, table 3
    """
    rows = table_rows(_PACKAGE, "ground_table3.csv")
    if len(rows) != N_BANDS:
        raise ValueError("ground_table3.csv: one row for each octave band is needed")
    return _fixed(np.array([[float(row[name]) for name in _GROUND_COLUMNS] for row in rows]))


@cache
def wavelengths() -> FloatArray:
    """Wavelengths of the nominal mid-bands.

    Returns
    -------
    ndarray
        (8,) wavelengths. [m]

    References
    ----------
    iso9613-2 : 7.4, convention C17
    """
    return _fixed(number("screening", "speed_of_sound") / NOMINAL_HZ)


@cache
def screen_numbers() -> FloatArray:
    """Numbers of the screening formula: C1, C2, spread of C3, Kmet length, two caps.

    Returns
    -------
    ndarray
        (6,) numbers; length in [m], caps for one and two edges in [dB].

    References
    ----------
    iso9613-2 : 7.4, eq. 14, 15 and 18
    """
    names = ("c1", "c2", "c3_spread", "kmet_length_m", "cap_single_db", "cap_double_db")
    return _fixed(np.array([number("screening", name) for name in names]))


@cache
def foliage_table() -> FloatArray:
    """Foliage attenuation: row 0 the short paths, row 1 the long paths.

    Returns
    -------
    ndarray
        (2, 8) values. [dB] and [dB/m]

    References
    ----------
    iso9613-2 : annex A.1, table A.1
    """
    rows = [band_row(_PACKAGE, "foliage_table_a1.csv", key, COLUMNS) for key in ("short", "long")]
    return _fixed(np.array(rows))


@cache
def foliage_lengths() -> FloatArray:
    """Path lengths in foliage: shortest that counts, start of row 1, longest that counts.

    Returns
    -------
    ndarray
        (3,) lengths. [m]

    References
    ----------
    iso9613-2 : annex A.1, table A.1
    """
    names = ("shortest_m", "per_metre_from_m", "longest_m")
    return _fixed(np.array([number("foliage", name) for name in names]))


@cache
def site_table() -> FloatArray:
    """Attenuation through installations at industrial sites.

    Returns
    -------
    ndarray
        (8,) values. [dB/m]

    References
    ----------
    iso9613-2 : annex A.2, table A.2
    """
    return _fixed(band_row(_PACKAGE, "site_table_a2.csv", "site", COLUMNS))
