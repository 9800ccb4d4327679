"""One data file inside a zip archive, read in place; nothing is ever unpacked to disk."""

from __future__ import annotations

import zipfile
from collections.abc import Sequence
from pathlib import Path, PurePosixPath

from noisemap.errors import BadDataError

LARGEST_UNPACKED_BYTES = 4_000_000_000
RATIO_FREE_BYTES = 20_000_000  # archives that unpack to less may have any ratio
LARGEST_RATIO = 200.0
MOST_MEMBERS = 5_000


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
    except (zipfile.BadZipFile, OSError, ValueError) as error:
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
    names = (part.filename for part in parts if not part.is_dir())
    return tuple(name for name in names if not name.startswith("__MACOSX/"))


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
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
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
