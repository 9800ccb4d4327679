"""Real disks: one that is full, one that is read-only, a folder of somebody else, odd dates.

Each part runs in a mount namespace of its own, so that nothing stays mounted.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import small_study
from test_kill import CREATED

# Runs the study into the folder `disk` while it is full, read-only or closed to the user, and then
# while it is not; tells what happened a line each.
SCRIPT = f"""
import ctypes, json, os, shutil, subprocess, sys
from datetime import datetime
from pathlib import Path
sys.path.insert(0, {str(Path(__file__).parent)!r})
from noisemap.errors import NoisemapError
from noisemap.study.progress import Silent
from noisemap.study.run import run_study
from noisemap.transfer import build
build.PATHS_PER_TILE = 60

study, disk, quiet, kept = map(Path, sys.argv[1:])

def mount(*options):
    subprocess.run(["mount", *options, str(disk)], check=True)

def run(folder):
    try:
        run_study(study, folder, Silent(), allow_outside=True,
                  created=datetime.fromisoformat({CREATED!r}))
    except NoisemapError as error:
        return error.exit_code, str(error)
    return 0, ""

def told(name, outcome, folder=None):
    left = sorted(path.name for path in folder.rglob("*")) if folder else []
    print(json.dumps([name, *outcome, left]), flush=True)

def as_anybody():
    # no right to pass over the modes of files: capabilities 1 and 2 of Linux are given up
    library = ctypes.CDLL(None, use_errno=True)
    header = (ctypes.c_uint32 * 2)(0x20080522, 0)
    sets = (ctypes.c_uint32 * 6)()
    assert library.capget(header, sets) == 0
    sets[0] &= ~0b110
    assert library.capset(header, sets) == 0, os.strerror(ctypes.get_errno())

told("quiet", run(quiet))
for kilobytes in (64, 300, 600):
    mount("-t", "tmpfs", "-o", f"size={{kilobytes}}k", "tmpfs")
    results = disk / "results"
    told("full", run(results), results)
    mount("-o", "remount,size=50m")
    told("after", run(results), results)
    shutil.copytree(results, kept / str(kilobytes))
    subprocess.run(["umount", str(disk)], check=True)

disk = Path("/mnt")  # where everybody may look, in this namespace alone
mount("-t", "tmpfs", "-o", "size=50m", "tmpfs")
shutil.copytree(study.parent, disk / "study")
study = disk / "study" / study.name
(disk / "results").mkdir()
os.chown(disk / "results", 65534, 65534)
mount("-o", "remount,ro")
told("read-only", run(disk / "results"), disk / "results")
mount("-o", "remount,rw")
closed = study.parent / "homes.geojson"
closed.chmod(0)
for name in ("closed input", "not ours"):
    number = os.fork()
    if number == 0:
        as_anybody()
        told(name, run(disk / "results"), disk / "results")
        os._exit(0)
    assert os.waitpid(number, 0)[1] == 0
    closed.chmod(0o644)
"""


def content(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != ".noisemap.lock"
    }


def namespaces() -> bool:
    """Whether folders may be mounted here without touching anybody else's."""
    if shutil.which("unshare") is None or not hasattr(os, "geteuid") or os.geteuid() != 0:
        return False
    return subprocess.run(["unshare", "--mount", "true"], check=False).returncode == 0


@pytest.mark.skipif(not namespaces(), reason="no disk may be mounted here")
def test_full_read_only_and_closed_disks(tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    study = small_study.write(tmp_path / "study")
    disk, kept = tmp_path / "disk", tmp_path / "kept"
    disk.mkdir()
    kept.mkdir()
    quiet_run = (
        tmp_path / "quiet" / "results"
    )  # as deep as the others, so that its links are theirs
    words = [study, disk, quiet_run, kept]
    done = subprocess.run(
        ["unshare", "--mount", sys.executable, "-W", "ignore", "-c", SCRIPT, *map(str, words)],
        capture_output=True, text=True, check=False, timeout=300,
        env=os.environ | {"NUMBA_NUM_THREADS": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (_, *quiet), *rest = map(json.loads, done.stdout.splitlines())
    assert quiet[0] == 0
    expected = content(quiet_run)
    order = ["full", "after"] * 3 + ["read-only", "closed input", "not ours"]
    assert [name for name, *_ in rest] == order
    reasons = {"full": "No space left", "read-only": "Read-only", "not ours": "Permission denied"}
    for name, code, sentence, left in rest:
        assert not [one for one in left if one.startswith(".unfinished-")], (name, left)
        if name == "after":
            assert code == 0, sentence
        elif name == "closed input":
            assert code == 66
            assert "homes.geojson: cannot be read (Permission denied)" in sentence
        else:
            assert code == 73
            assert reasons[name] in sentence
            assert "free space, close the file, or name another folder" in sentence
    # the three disks were full at different steps: at the first tiles, and further on
    assert len({len(left) for name, _, _, left in rest if name == "full"}) == 3
    for folder in kept.iterdir():
        assert content(folder) == expected
    assert [left for *_, left in rest[-3:]] == [[], [], []]
