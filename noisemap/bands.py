"""The eight octave bands from 63 Hz to 8 kHz; the band axis is always the last."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import table_rows

FloatArray = npt.NDArray[np.float64]

_ROWS = table_rows("noisemap", "bands.csv")

NOMINAL_HZ: FloatArray = np.array([float(row["nominal_hz"]) for row in _ROWS])
"""Nominal mid-band frequencies [Hz]."""

EXACT_HZ: FloatArray = np.asarray(1000.0 * 10.0 ** (0.3 * np.arange(-4, 4)), dtype=np.float64)
"""Exact mid-band frequencies, base ten (IEC 61260-1) [Hz]."""

A_WEIGHT: FloatArray = np.array([float(row["a_weight_db"]) for row in _ROWS])
"""A-weighting at the nominal frequencies (IEC 61672-1, Table 3) [dB]."""

N_BANDS = len(NOMINAL_HZ)

COLUMNS: tuple[str, ...] = tuple(row["nominal_hz"] for row in _ROWS)
"""Column names of the bands in data tables."""
