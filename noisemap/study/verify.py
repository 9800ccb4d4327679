"""Whether a folder of results still is what a run left, and still stands on its inputs."""

from __future__ import annotations

import json
import os
import platform
import re
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path, PurePosixPath
from typing import Any

from noisemap import __version__
from noisemap.errors import BadDataError, MissingInputError, NoisemapError
from noisemap.storage import is_own_file, is_there, sha256_file
from noisemap.study.prepare import hashes_of
from noisemap.study.progress import Reporter
from noisemap.study.run import CHECKSUMS, STORE_FOLDER, run_study
from noisemap.transfer.store import MANIFEST, tile_is_whole

STANDS = "stands"
FALLEN = "does not stand"
LARGEST_RECORD = 50_000_000  # bytes
_TILE_NOTE = re.compile(r"tile-(\d{5,9})\.json")
RESOLVED = "study.resolved.toml"
"""Names its inputs from the folder it lies in, so that it differs in another one."""


@dataclass(frozen=True)
class Compared:
    """Names that are the same as recorded, that changed, and that are gone."""

    same: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether all are as they were recorded."""
        return not self.changed and not self.gone

    def sentence(self, what: str) -> str:
        """How many are the same, and which are not."""
        text = f"{what}: {len(self.same)} as recorded"
        if self.changed:
            text += f"; changed: {', '.join(self.changed)}"
        if self.gone:
            text += f"; gone: {', '.join(self.gone)}"
        return text + "."


@dataclass(frozen=True)
class Verification:
    """What was found in a folder of results."""

    folder: Path
    outputs: Compared
    inputs: Compared
    program: tuple[str, ...]  # versions that are not those of the run
    tiles: int
    damaged_tiles: int
    rerun: Compared | None
    rerun_error: str

    @property
    def verdict(self) -> str:
        """`stands` where outputs, inputs and, if asked for, the computation are those recorded."""
        again = self.rerun is None or self.rerun.whole
        whole = self.outputs.whole and self.inputs.whole and again and not self.rerun_error
        return STANDS if whole else FALLEN

    @property
    def summary(self) -> str:
        """The verdict and its reasons, a line each."""
        lines = [
            f"{self.folder}: the report {self.verdict}.",
            "  " + self.outputs.sentence("outputs"),
            "  " + self.inputs.sentence("inputs"),
        ]
        if self.program:
            lines.append(
                "  other versions than in the run, so figures may differ slightly: "
                f"{', '.join(self.program)}."
            )
        if self.tiles:
            lines.append(
                f"  kept sound paths: {self.tiles} tiles, {self.damaged_tiles} damaged"
                + (" (the next run computes those again)." if self.damaged_tiles else ".")
            )
        if self.rerun_error:
            lines.append(f"  computed again: not possible: {self.rerun_error}")
        elif self.rerun is not None:
            lines.append("  " + self.rerun.sentence("computed again from the inputs"))
        else:
            lines.append("  not computed again; --rerun does so.")
        return "\n".join(lines)

    def as_json(self) -> dict[str, Any]:
        """The same as plain data."""
        return {
            "folder": str(self.folder),
            "verdict": self.verdict,
            "outputs": asdict(self.outputs),
            "inputs": asdict(self.inputs),
            "program": list(self.program),
            "tiles": self.tiles,
            "damaged_tiles": self.damaged_tiles,
            "rerun": None if self.rerun is None else asdict(self.rerun),
            "rerun_error": self.rerun_error,
        }


def verify(
    folder: Path,
    reporter: Reporter,
    *,
    study: Path | None = None,
    rerun: bool = False,
    allow_outside: bool = False,
) -> Verification:
    """Compare a folder of results with what its run recorded; with `rerun` compute it again.

    Raises
    ------
    MissingInputError
        When the folder or its record is not there.
    BadDataError
        When the record cannot be read.
    """
    record = _record(folder)
    reporter.stage("checksums")
    outputs = _compare(record["files"], folder)
    place = study if study is not None else folder / record["study"]
    inputs = _inputs(record["inputs_sha256"], place, folder / CHECKSUMS, allow_outside)
    tiles, damaged = _tiles(folder / STORE_FOLDER)
    again, error = None, ""
    if rerun:
        try:
            again = _again(folder, record, place, reporter, allow_outside)
        except NoisemapError as found:
            error = str(found)
    return Verification(
        folder, outputs, inputs, tuple(_program(record)), tiles, damaged, again, error
    )


def _record(folder: Path) -> dict[str, Any]:
    path = folder / CHECKSUMS
    if not path.is_file():
        raise MissingInputError(
            f"{path}: not there; name a folder that `noisemap run` has finished writing"
        )
    if path.stat().st_size > LARGEST_RECORD:
        raise BadDataError(f"{path}: too large for a record of checksums")
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise BadDataError(f"{path}: cannot be read as a record of checksums") from error
    shape = {"files": dict, "inputs_sha256": dict, "libraries": dict, "study": str,
             "noisemap": str, "python": str, "created": str}  # fmt: skip
    if not isinstance(record, dict) or any(
        not isinstance(record.get(key), kind) for key, kind in shape.items()
    ):
        raise BadDataError(f"{path}: lacks parts of a record of checksums; run the study again")
    for table in ("files", "inputs_sha256", "libraries"):
        if not all(isinstance(value, str) for value in record[table].values()):
            raise BadDataError(f"{path}: {table} does not hold text; run the study again")
    return record


def _compare(recorded: Mapping[str, str], folder: Path) -> Compared:
    same, changed, gone = [], [], []
    for name, digest in sorted(recorded.items()):
        parts = PurePosixPath(name).parts
        if ".." in parts or PurePosixPath(name).is_absolute():
            raise BadDataError(f"{folder / CHECKSUMS}: {name!r} lies outside the folder")
        path = folder / name
        if not is_own_file(path):
            gone.append(name)
        elif sha256_file(path) == digest:
            same.append(name)
        else:
            changed.append(name)
    return Compared(tuple(same), tuple(changed), tuple(gone))


def _inputs(
    recorded: Mapping[str, str], study: Path, record: Path, allow_outside: bool
) -> Compared:
    same, changed, gone = [], [], []
    root = os.path.realpath(study.parent)
    for name, digest in sorted(recorded.items()):
        path = study if name == study.name else study.parent / name
        outside = not Path(os.path.realpath(path)).is_relative_to(root)
        if outside and path != study and not allow_outside:
            raise BadDataError(
                f"{record}: the input {name!r} lies outside the study's folder; "
                "allow it with --allow-outside"
            )
        if not (is_there(path) and (path.is_file() or path.is_dir())):
            gone.append(name)
        elif hashes_of(name, path).get(name) == digest:
            same.append(name)
        else:
            changed.append(name)
    return Compared(tuple(same), tuple(changed), tuple(gone))


def _program(record: Mapping[str, Any]) -> list[str]:
    """Versions that differ from those of the run."""
    now = {"noisemap": __version__, "python": platform.python_version()}
    then = {"noisemap": record["noisemap"], "python": record["python"]} | record["libraries"]
    for name in record["libraries"]:
        try:
            now[name] = version(name)
        except (PackageNotFoundError, ValueError):
            now[name] = "none"
    return [
        f"{name} {then[name]} then, {now[name]} now" for name in then if then[name] != now[name]
    ]


def _tiles(store: Path) -> tuple[int, int]:
    """Number of kept tiles, and of those that are damaged or missing."""
    tiles = damaged = 0
    for manifest in sorted(store.glob(f"*/{MANIFEST}")):
        count = _promised(manifest)
        if count is None or manifest.parent.is_symlink():
            tiles, damaged = tiles + 1, damaged + 1
            continue
        whole = sum(
            tile_is_whole(manifest.parent, number)
            for number in _numbers(manifest.parent)
            if number < count
        )
        tiles, damaged = tiles + count, damaged + count - whole
    return tiles, damaged


def _numbers(store: Path) -> list[int]:
    """Numbers of the tiles that have a note."""
    found = (_TILE_NOTE.fullmatch(path.name) for path in store.glob("tile-*.json"))
    return sorted(int(match[1]) for match in found if match)


def _promised(manifest: Path) -> int | None:
    """Number of tiles by a manifest; none where it cannot be."""
    try:
        count = json.loads(manifest.read_text(encoding="utf-8"))["tiles"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    return count if isinstance(count, int) and count >= 0 else None


def _again(
    folder: Path, record: Mapping[str, Any], study: Path, reporter: Reporter, allow_outside: bool
) -> Compared:
    """Run the study into a temporary folder and compare what it writes, byte by byte."""
    try:
        created = datetime.fromisoformat(record["created"])
    except ValueError as error:
        raise BadDataError(f"{folder / CHECKSUMS}: created is no moment") from error
    with tempfile.TemporaryDirectory(prefix="noisemap-verify-") as scratch:
        target = Path(scratch) / "results"
        run_study(study, target, reporter, allow_outside=allow_outside, created=created)
        names = {name: digest for name, digest in record["files"].items() if name != RESOLVED}
        return _compare(names, target)
