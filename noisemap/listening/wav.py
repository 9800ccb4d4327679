"""Illustrations as WAV files: one gain for all states, named for what they are."""

from __future__ import annotations

import io
import math
from pathlib import Path

import numpy as np
import numpy.typing as npt

from noisemap.errors import OutOfDomainError
from noisemap.listening.render import RATE_HZ, REFERENCE_PA, peak_level
from noisemap.states import ExhaustState
from noisemap.storage import write_bytes

FloatArray = npt.NDArray[np.float64]


def common_full_scale(loudest: FloatArray) -> float:
    """Level of a full-scale sine that leaves the loudest sound a decibel of room.

    Parameters
    ----------
    loudest : ndarray
        Pressure of the loudest sound of a set. [Pa]

    Returns
    -------
    float
        Level, in whole decibels. [dB]
    """
    return float(math.ceil(peak_level(loudest) + 1.0))


def file_name(
    engine: str, engine_speed_rpm: float, cylinders: int, state: ExhaustState, end: str
) -> str:
    """Name of an illustration, which says that it is one."""
    tail = "" if end == "best" else f"-{end}"
    return f"ILLUSTRATION-{engine}-{engine_speed_rpm:.0f}rpm-{cylinders}cyl-{state}{tail}.wav"


def write_wav(path: Path, sound: FloatArray, full_scale_db: float) -> None:
    """Write a sound, 24 bits at 48 kHz, with its calibration in the file's comment.

    Parameters
    ----------
    path : Path
        The file.
    sound : ndarray
        Pressure. [Pa]
    full_scale_db : float
        Level of a full-scale sine. [dB]

    Raises
    ------
    OutOfDomainError
        If the sound does not fit under full scale.
    CannotWriteError
        If the file cannot be written.
    """
    import soundfile

    if peak_level(sound) > full_scale_db:
        raise OutOfDomainError(
            f"full scale: {full_scale_db:g} dB is not allowed for this pass "
            f"(allowed: {common_full_scale(sound):g} dB and above)"
        )
    unit = np.sqrt(2.0) * REFERENCE_PA * 10.0 ** (full_scale_db / 20.0)
    content = io.BytesIO()
    with soundfile.SoundFile(content, "w", RATE_HZ, 1, subtype="PCM_24", format="WAV") as stream:
        stream.comment = (
            f"ILLUSTRATION, computed, not recorded; full-scale sine = {full_scale_db:g} dB"
        )
        stream.write(sound / unit)
    write_bytes(path, content.getvalue())
