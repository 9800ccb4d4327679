"""Only plain local files are opened, and only when they are there."""

from __future__ import annotations

import os
from pathlib import Path

from noisemap.errors import BadDataError, MissingInputError
from noisemap.storage import is_there

_REMOTE = ("/vsi", "pg:", "postgresql:", "mysql:", "http:", "https:", "ftp:", "s3:", "file:")


def plain_file(path: Path | str) -> Path:
    """Path of an existing plain local file.

    Raises
    ------
    BadDataError
        For a network address, a database or a virtual file system.
    MissingInputError
        When no such file is there.

    >>> plain_file("/vsicurl/http://example.org/a.tif")
    Traceback (most recent call last):
    ...
    noisemap.errors.BadDataError: /vsicurl/http://example.org/a.tif: only a plain local file is \
read; copy it beside the study and name it there
    """
    found = local_path(path)
    if not found.is_file():
        raise BadDataError(f"{path}: not a file; name one file")
    if found.stat().st_size == 0:
        raise BadDataError(f"{path}: the file is empty; export or download it again")
    return found


def plain_folder(path: Path | str, marker: str, kind: str) -> Path:
    """Path of an existing plain local folder that holds a certain file.

    Parameters
    ----------
    path : Path or str
        The folder.
    marker : str
        Name of a file that every folder of this kind holds.
    kind : str
        What the folder should be, for messages.

    Raises
    ------
    BadDataError
        For an address, and for a folder of another kind.
    MissingInputError
        When no such folder is there.
    """
    found = local_path(path)
    if not (found / marker).is_file():
        raise BadDataError(
            f"{found.name}: not a {kind}, it holds no {marker}; copy the whole folder again"
        )
    return found


def local_path(path: Path | str) -> Path:
    """Path of something that is there on this machine.

    Raises
    ------
    BadDataError
        For a network address, a database or a virtual file system.
    MissingInputError
        When nothing is there, or it may not be read.
    """
    text = str(path)
    lowered = text.lower().replace("\\", "/")
    if lowered.startswith(_REMOTE) or "://" in lowered or "/vsi" in lowered or "\0" in text:
        raise BadDataError(
            f"{text!r}: only a plain local file is read; copy it beside the study and name it there"
            if "\0" in text
            else f"{text}: only a plain local file is read; copy it beside the study "
            "and name it there"
        )
    found = Path(path)
    if not is_there(found):
        raise MissingInputError(f"{text}: no such file; check the spelling and the folder")
    if not os.access(found, os.R_OK):
        raise MissingInputError(f"{text}: may not be read; give yourself leave to read it")
    return found
