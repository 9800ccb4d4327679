"""The invented demo town, and a study file to start from."""

from __future__ import annotations

import shutil
from importlib.resources import files
from pathlib import Path

from noisemap.errors import CannotWriteError, MissingInputError
from noisemap.storage import atomic_path, write_text

DEMO_FILES = (
    "study.toml",
    "terrain.tif",
    "roads.geojson",
    "homes.geojson",
    "ground.geojson",
    "obstacles.geojson",
    "traffic.csv",
    "readings.csv",
    "README.md",
)


def demo_folder() -> Path:
    """Where the demo's files lie: inside the installed package, or in the checkout."""
    package = Path(str(files("noisemap")))
    for folder in (package / "demo_data", package.parent / "data"):
        if (folder / "study.toml").is_file():
            return folder
    raise MissingInputError("the demo's data are not installed; install noisemap again")


def copy_demo(target: Path) -> Path:
    """Copy the demo's files into a folder; returns the study file there.

    A file that is there already stays as it is, so that an edited study is kept.
    """
    source = demo_folder()
    for name in DEMO_FILES:
        if (target / name).exists():
            continue
        with atomic_path(target / name) as temporary:
            shutil.copyfile(source / name, temporary)
    return target / "study.toml"


def new_study(folder: Path) -> Path:
    """Write the commented study file into a folder that has none; returns its path."""
    target = folder / "study.toml"
    if target.exists() or target.is_symlink():
        raise CannotWriteError(f"{target}: is there already; name another folder")
    template = files("noisemap.study").joinpath("template.toml").read_text(encoding="utf-8")
    write_text(target, template)
    return target
