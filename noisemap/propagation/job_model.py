"""Coefficients and choices of a job, as the compiled loop reads them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.propagation import terms
from noisemap.propagation.machine import cores, job

FloatArray = npt.NDArray[np.float64]


def model_of(
    alpha: FloatArray,
    c0: float,
    reading: str,
    sides: bool,
    minimum_distance: float,
    near_grazing_m: float,
    clearance: float,
) -> job.Model:
    """Coefficients of the standard and choices of one job.

    Parameters
    ----------
    alpha : ndarray
        Absorption of air in the eight bands, 0 and above. [dB/m]
    c0 : float
        Meteorological constant of Cmet, 0 and above. [dB]
    reading : str
        "literal" or "positive", the reading of Abar. [1]
    sides : bool
        Whether paths around sides are added. [1]
    minimum_distance : float
        Shortest plan distance, above 0. [m]
    near_grazing_m : float
        Height within which a sight line counts as grazing, 0 and above. [m]
    clearance : float
        Terrain above the sight line by no more screens nothing, 0 and above. [m]

    Returns
    -------
    Model
        Numbers and arrays of the compiled loop.

    Raises
    ------
    ValueError
        If the ground table has several distance constants.

    References
    ----------
    iso9613-2 : table 3, 7.4, 8 and annex A
    """
    table3 = terms.ground_table()
    screen = terms.screen_numbers()
    wavelength = terms.wavelengths()
    tail = table3[table3[:, cores.TAIL] != 0.0]
    return job.Model(
        alpha,
        np.ascontiguousarray(table3.T),
        float(screen[cores.C1]),
        float(screen[cores.C2]) / wavelength,
        (float(screen[cores.C3_SPREAD]) * wavelength) ** 2,
        float(screen[cores.KMET_LENGTH]),
        terms.foliage_table(),
        terms.foliage_lengths(),
        1.0 / wavelength,
        terms.site_table(),
        terms.number("site", "cap_db"),
        terms.number("housing", "density_db_per_m"),
        terms.number("housing", "cap_db"),
        10.0 ** (-0.1 * terms.number("divergence", "constant_db")),
        _the_one(table3[:, cores.REACH]),
        _the_one(tail[:, cores.TAIL_RATE]),
        10.0 ** (-0.1 * float(screen[cores.CAP_SINGLE])),
        10.0 ** (-0.1 * float(screen[cores.CAP_DOUBLE])),
        terms.number("ground", "region_per_height"),
        terms.number("meteorology", "clear_per_height"),
        terms.number("validity", "distance_m"),
        terms.number("validity", "mean_height_m"),
        float(c0),
        reading == "positive",
        bool(sides),
        float(minimum_distance),
        float(near_grazing_m),
        float(clearance),
    )


def _the_one(values: FloatArray) -> float:
    """The value that all bands share, which saves the kernel an exponential a band."""
    if len(set(values.tolist())) != 1:
        raise ValueError("ground_table3.csv: the kernel needs one distance constant for all bands")
    return float(values[0])
