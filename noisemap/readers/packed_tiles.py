"""HGT tiles in zip archives: unpacked into memory, so that no other library reads the archive."""

from __future__ import annotations

import re
from pathlib import Path

from noisemap.errors import BadDataError
from noisemap.readers import archives

LARGEST_HGT_BYTES = 26_000_000  # a degree in steps of a second has 25,934,402
HGT_NAME = re.compile(r"^[NS]\d{2}[EW]\d{3}$", re.IGNORECASE)


def packed_tile(path: Path) -> tuple[str, bytes]:
    """Name and content of the one HGT tile in a zip archive.

    A library that maps the archive into memory believes what stands before each of its
    files, which need not be what its directory says, and may end the process over it.

    Raises
    ------
    BadDataError
        When the archive holds none or several, the tile has no place in its name, is
        damaged or larger than a tile can be.
    """
    tiles = [name for name in archives.members(path) if name.lower().endswith(".hgt")]
    if len(tiles) != 1:
        raise BadDataError(
            f"{path.name}: the archive holds {len(tiles)} HGT tiles; name one that holds one, "
            "or unpack it"
        )
    name = tiles[0].rsplit("/", 1)[-1]
    if not HGT_NAME.match(name[:-4]):
        raise BadDataError(
            f"{path.name}: {name}: the name of an HGT tile says where it lies; "
            "call it like N42E001.hgt"
        )
    content = archives.beginning(path, tiles[0], LARGEST_HGT_BYTES)
    if len(content) == LARGEST_HGT_BYTES:
        raise BadDataError(f"{path.name}: {name} is larger than an HGT tile; download it again")
    return name, content
