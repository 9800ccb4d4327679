"""Packed files, read in place: nothing is unpacked to disk, nor more than memory can bear."""

from __future__ import annotations

import bz2
import gzip
import lzma
import struct
import zipfile
import zlib
from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import Any

from noisemap.errors import BadDataError

LARGEST_UNPACKED_BYTES = 4_000_000_000
RATIO_FREE_BYTES = 20_000_000  # archives that unpack to less may have any ratio
LARGEST_RATIO = 200.0
MOST_MEMBERS = 5_000
PART_BYTES = 1 << 20

FAULTS = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, OSError, EOFError,
    ValueError, IndexError, RuntimeError, NotImplementedError,
)  # fmt: skip
"""What the standard library raises over damaged archives."""

_OPENERS: dict[str, Callable[..., Any]] = {".gz": gzip.open, ".bz2": bz2.open}


def members(path: Path) -> tuple[str, ...]:
    """Names of the files in an archive, those of desktop systems left out.

    Raises
    ------
    BadDataError
        When the file is no zip archive, asks for a password, or would unpack to
        more than 4 GB or to over 200 times its size.
    """
    size = path.stat().st_size
    try:
        with zipfile.ZipFile(path) as archive:
            parts = archive.infolist()
    except FAULTS as error:
        raise BadDataError(
            f"{path.name}: not a readable zip archive ({error}); download it again"
        ) from error
    unpacked = sum(part.file_size for part in parts)
    bomb = unpacked > RATIO_FREE_BYTES and unpacked > LARGEST_RATIO * size
    if bomb or unpacked > LARGEST_UNPACKED_BYTES or len(parts) > MOST_MEMBERS:
        raise BadDataError(
            f"{path.name}: {size:,} bytes would unpack to {unpacked:,} in {len(parts):,} files; "
            "not opened; unpack it yourself and name the file"
        )
    if any(part.flag_bits & 1 for part in parts):
        raise BadDataError(f"{path.name}: asks for a password; unpack it and name the file")
    if not all(part.filename for part in parts):
        raise BadDataError(f"{path.name}: a file in it has no name; pack it again")
    names = (part.filename for part in parts if not part.is_dir())
    return tuple(name for name in names if not name.startswith("__MACOSX/"))


def require_small(path: Path) -> None:
    """Nothing, unless a .gz or .bz2 file would unpack to more than an archive may.

    Raises
    ------
    BadDataError
        When it is cut or damaged, or would unpack to more than 4 GB or to over 200
        times its size.
    """
    if path.suffix.lower() in _OPENERS:
        state = path.stat()
        _require_small(path, state.st_size, state.st_mtime_ns)


@lru_cache(maxsize=16)
def _require_small(path: Path, size: int, _changed_ns: int) -> None:
    """The same once for each state of the file."""
    allowed = min(LARGEST_UNPACKED_BYTES, max(RATIO_FREE_BYTES, LARGEST_RATIO * size))
    unpacked = 0
    try:
        with _OPENERS[path.suffix.lower()](path, "rb") as stream:
            while part := stream.read(PART_BYTES):
                unpacked += len(part)
                if unpacked > allowed:
                    raise BadDataError(
                        f"{path.name}: {size:,} bytes would unpack to more than {allowed:,.0f}; "
                        "not opened; unpack it yourself and name the file"
                    )
    except (EOFError, OSError, zlib.error) as error:
        raise BadDataError(
            f"{path.name}: cannot be unpacked ({error}); download it again"
        ) from error


def require_whole(path: Path) -> None:
    """Nothing, when every file of an archive unpacks to what its checksum says.

    Libraries that map such files into memory may end the process over a damaged one.

    Raises
    ------
    BadDataError
        When one does not.
    """
    state = path.stat()
    _require_whole(path, state.st_size, state.st_mtime_ns)


@lru_cache(maxsize=16)
def _require_whole(path: Path, _size: int, _changed_ns: int) -> None:
    """The same once for each state of the file."""
    try:
        with zipfile.ZipFile(path) as archive:
            damaged = archive.testzip()
    except FAULTS as error:
        raise BadDataError(
            f"{path.name}: cannot be unpacked ({error}); download it again"
        ) from error
    if damaged is not None:
        raise BadDataError(f"{path.name}: {damaged} is damaged; download it again")


def beginning(path: Path, member: str, count: int) -> bytes:
    """First bytes of one file of an archive.

    Raises
    ------
    BadDataError
        When it cannot be unpacked.
    """
    try:
        with zipfile.ZipFile(path) as archive, archive.open(member) as stream:
            return stream.read(count)
    except FAULTS as error:
        raise BadDataError(
            f"{path.name}: {member} cannot be unpacked ({error}); download it again"
        ) from error


def inside(path: Path, member: str) -> str:
    """Name under which the reading library finds a file of an archive.

    >>> inside(Path("/data/a.zip"), "roads/a.shp")
    '/vsizip/{/data/a.zip}/roads/a.shp'
    """
    return f"/vsizip/{{{path.resolve()}}}/{member}"


def one_of(path: Path, found: Sequence[str], wanted: str | None, table: str, kind: str) -> str:
    """The one data file meant in an archive: the only one, or the one named as layer.

    Raises
    ------
    BadDataError
        When there is none, or several and none of them is named.
    """
    if not found:
        raise BadDataError(f"{path.name}: the archive holds no {kind}; name one that does")
    stems = {PurePosixPath(name).stem: name for name in found}
    if wanted in stems:
        return stems[wanted]
    if len(found) == 1:
        return found[0]
    raise BadDataError(
        f"{path.name}: the archive holds {len(found)} files ({', '.join(sorted(stems)[:8])}); "
        f'add layer = "..." to [{table}]'
    )
