"""The folder that the page works in: its studies, their files and results, nothing outside.

Symbolic links are never followed below the folder, names are checked, not repaired,
and a study is addressed by a key of its place, so that no path travels in a request.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from noisemap.errors import BadDataError, CannotWriteError, MissingInputError, UsageError
from noisemap.readers.toml_files import TomlError, toml_content
from noisemap.storage import cannot_write
from noisemap.study.demo import copy_demo, new_study

STUDY = "study.toml"
DEEPEST = 2  # folders below the workspace in which studies are looked for
MOST_FOLDERS = 2000
MOST_FILES = 500
MAX_UPLOAD_BYTES = 2 * 1024**3
DEFAULT_RESULTS = "noisemap-output"
INSPECTIONS = "inspections"

KINDS = {
    "terrain": (".tif", ".tiff", ".hgt", ".asc"),
    "layer": (
        ".gpkg", ".geojson", ".json", ".shp", ".fgb", ".kml", ".parquet", ".pbf", ".osm", ".gdb",
    ),
    "table": (".csv", ".xlsx"),
    "both": (".zip", ".gz"),
    "beside": (".shx", ".dbf", ".prj", ".cpg", ".tfw", ".png"),
    "truck": (".toml",),
}  # fmt: skip
"""Endings of the files that may be put into a study, by what they can be."""

RESULT_ENDINGS = (
    ".html", ".pdf", ".csv", ".json", ".geojson", ".gpkg", ".xlsx", ".png", ".svg", ".wav",
    ".txt", ".gpx", ".kml", ".toml",
)  # fmt: skip

_NAME = re.compile(r"[^\x00-\x1f\x7f<>:\"/\\|?*]{1,120}")
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


@dataclass(frozen=True)
class Place:
    """One study file of the workspace."""

    key: str
    path: Path

    @property
    def folder(self) -> Path:
        """Folder of the study."""
        return self.path.parent

    def content(self) -> dict[str, Any]:
        """The study as plain values, empty when it is no TOML."""
        try:
            return toml_content(self.path.read_text(encoding="utf-8-sig"))
        except (OSError, UnicodeDecodeError, TomlError):
            return {}

    @property
    def results(self) -> Path:
        """Folder of the results, always inside that of the study."""
        output = self.content().get("output")
        name = output.get("folder", DEFAULT_RESULTS) if isinstance(output, dict) else ""
        folder = self.folder / (name if isinstance(name, str) and name else DEFAULT_RESULTS)
        inside = folder.resolve().is_relative_to(self.folder)
        return folder if inside else self.folder / DEFAULT_RESULTS

    def digest(self) -> str:
        """SHA-256 of the study file as it stands."""
        return hashlib.sha256(self.path.read_bytes()).hexdigest()


class Workspace:
    """The studies below one folder."""

    def __init__(self, root: Path, named: Path | None = None) -> None:
        self.root = root.resolve()
        self.named = named.resolve() if named is not None else None

    def places(self) -> list[Place]:
        """Every study file, the one named at the start first."""
        found = list(dict.fromkeys([*([self.named] if self.named else []), *self._files()]))
        return [Place(self._key(path), path) for path in found if path.is_file()]

    def place(self, key: str) -> Place:
        """The study of a key.

        Raises
        ------
        MissingInputError
            When no study has it.
        """
        for place in self.places():
            if place.key == key:
                return place
        raise MissingInputError("This study is gone from its folder; choose another.")

    def shown(self, path: Path) -> str:
        """A path as the page shows it."""
        return (
            path.relative_to(self.root).as_posix() if path.is_relative_to(self.root) else str(path)
        )

    def start(self, name: str, demo: bool) -> Place:
        """A new study in a folder of its own.

        Raises
        ------
        UsageError
            When the name cannot be a folder's.
        CannotWriteError
            When there is a folder of this name.
        """
        folder = self.root / checked_name(name)
        if folder.exists() or folder.is_symlink():
            raise CannotWriteError(f"{name}: there is a folder of this name; choose another.")
        path = copy_demo(folder) if demo else new_study(folder)
        return Place(self._key(path), path)

    @property
    def inspections(self) -> Path:
        """Folder of all inspections.

        Raises
        ------
        CannotWriteError
            When it leads elsewhere.
        """
        folder = self.root / INSPECTIONS
        if folder.is_symlink():
            raise CannotWriteError(f"{INSPECTIONS}: is a link; noisemap does not follow links.")
        return folder

    def inspection_folder(self) -> Path:
        """A new folder for one set of readings."""
        folder = self.inspections
        for number in range(1, 10_000):
            target = folder / f"{number:03d}"
            try:
                target.mkdir(parents=True)
            except FileExistsError:
                continue
            except OSError as error:
                raise cannot_write(target, error) from error
            return target
        raise CannotWriteError(f"{folder}: holds ten thousand inspections; move some away.")

    def _key(self, path: Path) -> str:
        return hashlib.sha256(self.shown(path).encode()).hexdigest()[:12]

    def _files(self) -> Iterator[Path]:
        level, seen = [self.root], 0
        for _ in range(DEEPEST + 1):
            below: list[Path] = []
            for folder in level:
                file = folder / STUDY
                if file.is_file() and not file.is_symlink():
                    yield file
                below += plain_folders(folder)
                seen += 1
                if seen > MOST_FOLDERS:
                    return
            level = below


def plain_folders(folder: Path) -> list[Path]:
    """Folders inside a folder, without hidden ones and links."""
    try:
        with os.scandir(folder) as entries:
            found = [
                Path(entry.path)
                for entry in entries
                if entry.is_dir(follow_symlinks=False) and not entry.name.startswith(".")
            ]
    except OSError:
        return []
    return sorted(found)


def checked_name(name: str) -> str:
    """A file's or folder's own name, as it was given.

    Raises
    ------
    UsageError
        When it could lead elsewhere or cannot be stored everywhere.
    """
    text = name.strip()
    if (
        not _NAME.fullmatch(text)
        or text.startswith((".", "-"))
        or text.endswith((".", " "))
        or _RESERVED.fullmatch(text)
    ):
        raise UsageError(
            f"{name[:60]!r} cannot be a name here; write up to 120 letters, figures, blanks, dots "
            'or hyphens, without / \\ : * ? " < > |'
        )
    return text


def study_files(place: Place) -> list[dict[str, Any]]:
    """Files beside the study that it may name, with what they can be and their size."""
    found = []
    with os.scandir(place.folder) as entries:
        for entry in sorted(entries, key=lambda one: one.name.lower()):
            if entry.is_symlink() or entry.name.startswith(".") or entry.name == place.path.name:
                continue
            kinds = kinds_of(entry.name)
            folder = entry.is_dir(follow_symlinks=False)
            if not kinds or (folder and not entry.name.lower().endswith(".gdb")):
                continue
            size = 0 if folder else entry.stat(follow_symlinks=False).st_size
            found.append({"name": entry.name, "kinds": kinds, "bytes": size})
    return found[:MOST_FILES]


def kinds_of(name: str) -> list[str]:
    """What a file can be by its ending."""
    ending = Path(name).suffix.lower()
    kinds = [kind for kind, endings in KINDS.items() if ending in endings]
    return ["terrain", "layer"] if kinds == ["both"] else kinds


async def receive_file(
    folder: Path, name: str, replace: bool, parts: AsyncIterator[bytes], most: int
) -> int:
    """Put a file into a folder, whole or not at all; returns its size in bytes.

    Raises
    ------
    UsageError
        When its name or ending does not fit.
    CannotWriteError
        When one of this name is there, or the disk refuses.
    BadDataError
        When it is empty or larger than `most`.
    """
    target = folder / checked_name(name)
    if not kinds_of(target.name):
        known = ", ".join(ending for endings in KINDS.values() for ending in endings)
        raise UsageError(f"{name}: not a kind of file that a study reads; there are {known}")
    if target.name == STUDY:
        raise UsageError(f"{STUDY}: the study itself is edited in the form, not uploaded.")
    if target.is_symlink() or (target.exists() and not target.is_file()):
        raise CannotWriteError(f"{name}: is a link or a folder in the study; it is left alone.")
    if target.exists() and not replace:
        raise CannotWriteError(f"{name}: is there already; tick “replace files” to renew it.")
    try:
        handle, temporary = tempfile.mkstemp(dir=folder, prefix=".upload-")
    except OSError as error:
        raise cannot_write(target, error) from error
    size = 0
    try:
        with os.fdopen(handle, "wb") as stream:
            async for part in parts:
                size += len(part)
                if size > most:
                    raise too_large(name, most)
                stream.write(part)
        if size == 0:
            raise BadDataError(f"{name}: is empty; save it again where it comes from.")
        Path(temporary).chmod(0o644)
        Path(temporary).replace(target)
    except OSError as error:
        raise cannot_write(target, error) from error
    finally:
        Path(temporary).unlink(missing_ok=True)
    return size


def too_large(name: str, most: int) -> BadDataError:
    """The sentence for a file over the cap."""
    return BadDataError(
        f"{name}: larger than {most / 1024**2:,.0f} MB, the most that the page takes; "
        "copy it into the study's folder yourself."
    )


def result_file(folder: Path, name: str) -> Path:
    """A file of the results by its name below their folder.

    Raises
    ------
    MissingInputError
        When there is none that may be shown.
    """
    parts = name.split("/")
    path = folder
    good = all(part and not part.startswith(".") and "\\" not in part for part in parts)
    for part in ["", *parts] if good else []:
        path = path / part
        if path.is_symlink():
            good = False
    if not good or Path(name).suffix.lower() not in RESULT_ENDINGS or not path.is_file():
        raise MissingInputError("There is no such result; run the study first.")
    return path


def result_names(folder: Path) -> list[str]:
    """Names of all results below their folder."""
    found = []
    if folder.is_symlink() or not folder.is_dir():
        return []
    for parent, folders, files in os.walk(folder):
        folders[:] = sorted(one for one in folders if not one.startswith(".") and one != "store")
        for name in sorted(files):
            path = Path(parent) / name
            if not name.startswith(".") and path.suffix.lower() in RESULT_ENDINGS:
                found.append(path.relative_to(folder).as_posix())
    return found[:MOST_FILES]
