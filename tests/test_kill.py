"""A run that is killed at any moment: the next one resumes and leaves the files of a quiet run."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import small_study

GROUPS, KILLS_IN_A_GROUP = 5, 10
SEED = 20261125
CREATED = "2026-01-01T00:00:00+00:00"
KINDS = ("event", "processor")

# A process that has everything loaded, and forks a run for each line that it reads: folder,
# kind of moment, moment. The run is killed at that event of the interpreter (a file opened, a
# name replaced, ...) or at that time of its processor; then its status is told.
SERVER = f"""
import json, os, resource, signal, sys
from datetime import datetime
from pathlib import Path
sys.path.insert(0, {str(Path(__file__).parent)!r})
from noisemap.study.progress import Silent
from noisemap.study.run import run_study
from noisemap.transfer import build
build.PATHS_PER_TILE = 60

def run(study, folder):
    created = datetime.fromisoformat({CREATED!r})
    run_study(Path(study), Path(folder), Silent(), allow_outside=True, created=created)

study, seen = sys.argv[1], 0

def child(folder, kind, moment):
    def count(*event):
        global seen
        seen += 1
        if kind == "event" and seen == int(moment):
            os.kill(os.getpid(), signal.SIGKILL)
    sys.addaudithook(count)
    if kind == "processor":
        signal.setitimer(signal.ITIMER_PROF, float(moment))   # ends the process, no handler
    run(study, folder)
    if kind == "count":
        (Path(folder).parent / "events").write_text(str(seen))

def lines():
    yield json.dumps([sys.argv[2], "none", 0])   # compiles and imports; threads stay out of here
    yield from sys.stdin

for line in lines():
    number = os.fork()
    if number == 0:
        os.close(0)
        try:
            child(*json.loads(line))
        except BaseException as error:
            print(repr(error), file=sys.stderr, flush=True)
            os._exit(1)
        os._exit(0)
    _, status, used = os.wait4(number, 0)
    print(json.dumps([status, used.ru_utime + used.ru_stime]), flush=True)
"""


class Server:
    """Runs of the study, each a process of its own that ends at a given moment."""

    def __init__(self, study: Path, warm: Path) -> None:
        environment = os.environ | {"NUMBA_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        self.process = subprocess.Popen(
            [sys.executable, "-W", "ignore", "-c", SERVER, str(study), str(warm)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment,
        )  # fmt: skip
        assert self.process.stdout is not None
        assert json.loads(self.process.stdout.readline())[0] == 0

    def run(self, folder: Path, kind: str = "none", moment: float = 0.0) -> tuple[int, float]:
        """How a run ended (0, or the signal), and the processor time that it used."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps([str(folder), kind, moment]) + "\n")
        self.process.stdin.flush()
        status, used = json.loads(self.process.stdout.readline())
        return int(status), float(used)

    def close(self) -> None:
        """End the server."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait()
        self.process.stdout.close()


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    found = Server(small_study.write(tmp_path / "study"), tmp_path / "warm")
    yield found
    found.close()


def content(folder: Path) -> dict[str, bytes]:
    """Every file of a results' folder; no lock, and the study's own text is the same in all."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != ".noisemap.lock"
    }


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork processes")
def test_fifty_kills_lose_nothing(server: Server, tmp_path: Path) -> None:
    quiet = tmp_path / "quiet"
    assert server.run(tmp_path / "counted", "count")[0] == 0
    events = int((tmp_path / "events").read_text())
    status, used = server.run(quiet)
    assert status == 0
    expected = content(quiet)
    assert len([name for name in expected if name.startswith("store")]) > 30
    draw = random.Random(SEED)
    print(f"seed {SEED}, {events} events, {used:.2f} s of the processor")
    killed = 0
    for group in range(GROUPS):
        folder = tmp_path / f"group{group}"
        for number in range(4 * KILLS_IN_A_GROUP):  # a resumed run may end before its moment
            kind = KINDS[number % 2]
            moment = draw.randrange(1, events) if kind == "event" else draw.uniform(0.01, used)
            status, _ = server.run(folder, kind, moment)
            assert status in (0, signal.SIGKILL, signal.SIGPROF), (kind, moment)
            killed += status != 0
            if killed == KILLS_IN_A_GROUP * (group + 1):
                break
        assert server.run(folder)[0] == 0
        assert content(folder) == expected
    assert killed == GROUPS * KILLS_IN_A_GROUP


@pytest.mark.parametrize("moment", [0.0, 4102444800.0], ids=["1970", "2100"])
def test_no_date_of_a_file_decides_anything(server: Server, tmp_path: Path, moment: float) -> None:
    """As after a clock that jumped: inputs, tiles and outputs are dated long before or ahead."""
    results = tmp_path / "results"
    assert server.run(results)[0] == 0
    expected = content(results)
    for path in (*results.rglob("*"), *(tmp_path / "study").iterdir()):
        os.utime(path, (moment, moment))
    assert server.run(results)[0] == 0
    assert content(results) == expected
    tiles = list(results.rglob("tile-*.npy"))
    assert len(tiles) > 30
    assert {tile.stat().st_mtime for tile in tiles} == {moment}, "tiles were computed again"


def test_a_damaged_tile_is_computed_again(server: Server, tmp_path: Path) -> None:
    results = tmp_path / "results"
    assert server.run(results)[0] == 0
    expected = content(results)
    tiles = sorted(results.rglob("tile-*.npy"))
    draw = random.Random(SEED)
    for tile in draw.sample(tiles, 5):
        spoiled = bytearray(tile.read_bytes())
        spoiled[draw.randrange(len(spoiled))] ^= 1 << draw.randrange(8)
        tile.write_bytes(spoiled)
    assert content(results) != expected
    assert server.run(results)[0] == 0
    assert content(results) == expected


@pytest.mark.parametrize(
    "surroundings",
    [
        {"TZ": "Asia/Kathmandu"},
        {"TZ": "America/St_Johns", "LC_ALL": "tr_TR.UTF-8"},
        {"LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0"},
        {"LC_ALL": "de_DE.UTF-8", "PYTHONHASHSEED": "7", "SOURCE_DATE_EPOCH": "0"},
    ],
    ids=str,
)
def test_time_zone_and_locale_change_no_byte(
    tmp_path: Path, surroundings: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    study = small_study.write(tmp_path / "study")
    here = Server(study, tmp_path / "here")
    here.close()
    for name, value in surroundings.items():
        monkeypatch.setenv(name, value)
    there = Server(study, tmp_path / "there")
    there.close()
    assert content(tmp_path / "here") == content(tmp_path / "there")
