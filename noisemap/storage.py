"""Files that survive: atomic writes, hashes, and one run per folder."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import socket
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from noisemap.errors import BusyError, CannotWriteError, MissingInputError


def sha256_file(path: Path) -> str:
    """Hex SHA-256 of a file, read in blocks.

    Raises
    ------
    MissingInputError
        When it cannot be read.
    """
    digest = hashlib.sha256()
    try:
        with path.open("rb") as stream:
            for block in iter(lambda: stream.read(1 << 20), b""):
                digest.update(block)
    except OSError as error:
        reason = error.strerror or str(error)
        raise MissingInputError(
            f"{path}: cannot be read ({reason}); see to its rights and to its disk"
        ) from error
    return digest.hexdigest()


def is_there(path: Path) -> bool:
    """Whether a file or folder lies there; a name that cannot be is none."""
    try:
        return path.exists()
    except OSError:
        return False


def is_own_file(path: Path) -> bool:
    """Whether a plain file lies there, and no link to another; a name that cannot be is none."""
    try:
        return path.is_file() and not path.is_symlink()
    except OSError:
        return False


def sha256_json(value: Any) -> str:
    """Hex SHA-256 of a JSON-able value, independent of key order.

    >>> sha256_json({"a": 1, "b": 2}) == sha256_json({"b": 2, "a": 1})
    True
    """
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


UNFINISHED = ".unfinished-"
"""How the names of files begin that are not yet written to their end."""


def sweep(folder: Path) -> int:
    """Remove what killed runs left unfinished in a folder that this run holds alone; their number.

    Links are not followed.
    """
    count = 0
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if not (Path(place) / name).is_symlink()]
        for name in names:
            if name.startswith(UNFINISHED):
                (Path(place) / name).unlink(missing_ok=True)
                count += 1
    return count


@contextlib.contextmanager
def atomic_path(target: Path) -> Iterator[Path]:
    """Yield a temporary path beside `target`; it takes the name only when all went well."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=UNFINISHED, suffix=target.suffix)
    except OSError as error:
        raise cannot_write(target, error) from error
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        with temporary.open("rb") as stream:
            os.fsync(stream.fileno())
        temporary.chmod(0o644)
        temporary.replace(target)
    except OSError as error:
        raise cannot_write(target, error) from error
    finally:
        temporary.unlink(missing_ok=True)


def cannot_write(target: Path, error: OSError) -> CannotWriteError:
    """The sentence for a failed write."""
    reason = error.strerror or str(error)
    return CannotWriteError(
        f"{target}: cannot be written ({reason}); free space, close the file, "
        "or name another folder with --output"
    )


def write_bytes(target: Path, content: bytes) -> None:
    """Write a file whole or not at all."""
    with atomic_path(target) as temporary:
        temporary.write_bytes(content)


def write_text(target: Path, content: str) -> None:
    """Write a UTF-8 text file whole or not at all, with plain newlines."""
    write_bytes(target, content.encode("utf-8"))


def write_json(target: Path, value: Any) -> None:
    """Write JSON whole or not at all, with sorted keys and no NaN."""
    write_text(target, json.dumps(value, indent=2, sort_keys=True, allow_nan=False) + "\n")


CLAIM = ".noisemap"
CLAIM_TEXT = "Results of noisemap: this folder is written anew by every run.\n"


def claim_folder(folder: Path) -> None:
    """Take a folder for results: a new or empty one, or one that was taken before.

    Raises
    ------
    CannotWriteError
        When the folder holds files of somebody else, or a link: we never make one, and
        whoever did would lead what is written elsewhere.
    """
    marker = folder / CLAIM
    try:
        if not marker.exists() and folder.exists() and any(folder.iterdir()):
            raise CannotWriteError(
                f"{folder}: holds files that are not noisemap's results; "
                "name a new or empty folder with --output"
            )
    except OSError as error:
        raise cannot_write(folder, error) from error
    for place, folders, names in os.walk(folder):
        for name in (*folders, *names):
            if (Path(place) / name).is_symlink():
                raise CannotWriteError(
                    f"{Path(place) / name}: is a link to another place; "
                    "outputs follow no link, remove it"
                )
    if not marker.exists():
        write_text(marker, CLAIM_TEXT)


class FolderLock:
    """Hold a folder for one run; a second run ends with exit code 75.

    Runs that share a folder (each writes other files of it) hold it together, against
    those that want it alone. The lock is the operating system's own lock on a file, so
    it ends with the process that held it, however that process ended.
    """

    def __init__(self, folder: Path, *, shared: bool = False) -> None:
        self.path = folder / ".noisemap.lock"
        self.shared = shared
        self._stream: IO[str] | None = None

    def __enter__(self) -> FolderLock:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._stream = open(self.path, "a+", encoding="utf-8", opener=_open_own)
        except OSError as error:
            raise cannot_write(self.path.parent, error) from error
        if not _try_lock(self._stream, self.shared):
            self._stream.seek(0)
            holder = self._stream.read().strip() or "another process"
            self._stream.close()
            raise BusyError(
                f"{self.path.parent}: held by {holder}; wait for it, or name another --output"
            )
        self._stream.truncate(0)
        self._stream.write(f"process {os.getpid()} on {socket.gethostname()}")
        self._stream.flush()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._stream is not None:
            self._stream.truncate(0)
            self._stream.close()
            self._stream = None


def _open_own(path: str, flags: int) -> int:
    """Open a file, but never what a link of this name leads to."""
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0), 0o644)


def _try_lock(stream: IO[str], shared: bool) -> bool:
    """Whether the operating system gave this process the lock."""
    if os.name == "nt":  # pragma: no cover
        import msvcrt

        try:
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(stream.fileno(), (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
