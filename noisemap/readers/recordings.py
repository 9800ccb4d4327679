"""Sound recordings in: WAV files, streamed, with the faults that libraries let through.

A cut file reads short without an error in the usual libraries, and not-a-number
samples pass; both are looked for here.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from noisemap.errors import BadDataError
from noisemap.readers.paths import plain_file

FloatArray = npt.NDArray[np.float64]

LOWEST_RATE_HZ = 16_000
HIGHEST_RATE_HZ = 400_000
MOST_CHANNELS = 64
CODINGS = ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")
"""Codings that can carry a measurement; 8 bits and compressed forms cannot."""

_SIZE_IN_DS64 = 0xFFFFFFFF


@dataclass(frozen=True)
class Recording:
    """A recording that was checked and can be streamed."""

    path: Path
    rate_hz: int
    frames: int
    channels: int
    coding: str

    @property
    def duration_s(self) -> float:
        """Duration [s]."""
        return self.frames / self.rate_hz


def open_recording(path: Path) -> Recording:
    """Checked description of a WAV recording.

    Raises
    ------
    BadDataError
        When the file is no WAV, is cut, lies about its length, or has a coding
        or a rate that cannot carry a measurement.
    """
    import soundfile

    path = plain_file(path)
    with path.open("rb") as stream:
        _check_length(path.name, stream, path.stat().st_size)
    try:
        info = soundfile.info(str(path))
    except (soundfile.LibsndfileError, RuntimeError, TypeError) as error:
        raise BadDataError(f"{path.name}: not a readable recording ({error})") from error
    if info.subtype not in CODINGS:
        raise BadDataError(
            f"{path.name}: coding {info.subtype} cannot carry a measurement "
            f"(allowed: {', '.join(CODINGS)}); export the original recording"
        )
    if not LOWEST_RATE_HZ <= info.samplerate <= HIGHEST_RATE_HZ:
        raise BadDataError(
            f"{path.name}: {info.samplerate} samples a second "
            f"(allowed: {LOWEST_RATE_HZ}..{HIGHEST_RATE_HZ})"
        )
    if info.frames < info.samplerate // 10 or not 1 <= info.channels <= MOST_CHANNELS:
        raise BadDataError(
            f"{path.name}: {info.frames} frames of {info.channels} channels; "
            "at least a tenth of a second is needed"
        )
    return Recording(path, info.samplerate, info.frames, info.channels, info.subtype)


def samples(
    recording: Recording,
    channel: int = 0,
    *,
    start: int = 0,
    stop: int | None = None,
    block: int = 1 << 17,
) -> Iterator[FloatArray]:
    """Blocks of one channel, full scale = 1, from frame `start` up to `stop`.

    Raises
    ------
    BadDataError
        At a sample that is no finite number, or when fewer frames come than promised.
    """
    import soundfile

    stop = recording.frames if stop is None else min(stop, recording.frames)
    if not 0 <= channel < recording.channels:
        raise BadDataError(
            f"{recording.path.name}: no channel {channel + 1}; it has {recording.channels}"
        )
    with soundfile.SoundFile(str(recording.path)) as stream:
        stream.seek(start)
        place = start
        while place < stop:
            frames = stream.read(min(block, stop - place), dtype="float64", always_2d=True)
            if not len(frames):
                raise BadDataError(
                    f"{recording.path.name}: ends after {place:,} of {recording.frames:,} frames; "
                    "the file is cut"
                )
            one = np.ascontiguousarray(frames[:, channel])
            if not np.isfinite(one).all():
                at = (place + int(np.argmin(np.isfinite(one)))) / recording.rate_hz
                raise BadDataError(
                    f"{recording.path.name}: a sample at {at:.3f} s is not a finite number"
                )
            yield one
            place += len(frames)


def _check_length(name: str, stream: BinaryIO, size: int) -> None:
    """Compare the promised sizes of the RIFF parts with the file's."""
    head = stream.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
        raise BadDataError(f"{name}: not a WAV recording; export it as WAV")
    long_size: int | None = None
    while True:
        part = stream.read(8)
        if len(part) < 8:
            raise BadDataError(f"{name}: no sound data in the file; it is cut or empty")
        label, length = struct.unpack("<4sI", part)
        if label == b"ds64":
            body = stream.read(length)
            if len(body) < 16:
                raise BadDataError(f"{name}: cut within its head")
            long_size = struct.unpack("<Q", body[8:16])[0]
            continue
        if label == b"data":
            promised = long_size if length == _SIZE_IN_DS64 and long_size is not None else length
            there = size - stream.tell()
            if promised > there:
                raise BadDataError(
                    f"{name}: promises {promised:,} bytes of sound and holds {there:,}; "
                    "the file is cut: copy it again"
                )
            return
        stream.seek(length + length % 2, 1)
