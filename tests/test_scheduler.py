"""A scheduler that dies in mid-run, comes back or stays away: every tile once, in the same bits."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import hill
import pytest
from test_execution import AIR, files_of

from noisemap.errors import BusyError
from noisemap.execution import scheduler
from noisemap.transfer import build

pytest.importorskip("distributed", reason="the extra dask is not installed")

PATHS_PER_TILE = 30
OFFSETS = (60.0, 90.0, 120.0, 150.0, 200.0, 250.0, 300.0, 350.0)

# Fills a store; the scheduler is killed or asked to end by the client itself, when it has heard of
# the third tile, so that it always dies in the middle.
CLIENT = f"""
import os, sys
from functools import partial
from pathlib import Path
import hill
from execution_tasks import slowly
from noisemap.errors import NoisemapError
from noisemap.execution import scheduler
from noisemap.execution.tasks import Execution
from noisemap.transfer import build

build.PATHS_PER_TILE = {PATHS_PER_TILE}
folder, address, victim, kind, patience = sys.argv[1:]
scheduler.RETURN_S, scheduler.LOOK_S = float(patience), 0.2

class Watched(scheduler.Scheduler):
    heard = 0

    def run(self, task, numbers, told):
        def tell(number):
            told(number)
            self.heard += 1
            if self.heard == 3 and int(victim):
                os.kill(int(victim), int(kind))
                print("killed", len(numbers), flush=True)
        super().run(partial(slowly, task), numbers, tell)

if __name__ == "__main__":
    place, air = hill.scene(offsets={OFFSETS}), build.Air(10.0, 70.0, 101.325)
    try:
        build.build_store(Path(folder), place, hill.receivers(place), air, 500.0,
                          execution=Execution(Watched(address)))
    except NoisemapError as error:
        print(error, file=sys.stderr)
        sys.exit(error.exit_code)
"""
ENVIRONMENT = os.environ | {"NUMBA_NUM_THREADS": "1", "PYTHONPATH": str(Path(__file__).parent)}


class Cluster:
    """A scheduler with one worker, in processes of their own, that can be started again."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{self.port}"
        self.log = (folder / "cluster.log").open("w")
        self.processes: list[subprocess.Popen[bytes]] = []

    def start(self, *, worker: bool = True) -> int:
        """Start both; gives the process of the scheduler."""
        scheduler = self._process(
            "dask_scheduler", "--host", "127.0.0.1", "--port", str(self.port), "--no-show"
        )
        if worker:
            self._process("dask_worker", self.address, "--nthreads", "1", "--no-nanny")
        return scheduler.pid

    def _process(self, program: str, *options: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", f"distributed.cli.{program}", "--no-dashboard", *options]
        self.processes.append(
            subprocess.Popen(command, stderr=self.log, stdout=self.log, env=ENVIRONMENT)
        )
        return self.processes[-1]

    def wait(self, process: int) -> None:
        """Until a process has ended."""
        next(one for one in self.processes if one.pid == process).wait()

    def close(self) -> None:
        """End all of them."""
        for process in self.processes:
            process.kill()
            process.wait()
        self.log.close()


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    found = Cluster(tmp_path)
    yield found
    found.close()


def client(
    tmp_path: Path, address: str, victim: int = 0, kind: int = 0, patience: float = 60.0
) -> subprocess.Popen[str]:
    """A process that fills the store in `tmp_path / "store"`."""
    (tmp_path / "client.py").write_text(CLIENT)
    words = [tmp_path / "store", address, victim, kind, patience]
    return subprocess.Popen(
        [sys.executable, "-W", "ignore", str(tmp_path / "client.py"), *map(str, words)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=ENVIRONMENT,
    )  # fmt: skip


@pytest.fixture
def expected(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, bytes]:
    """What an undisturbed run in this process leaves."""
    monkeypatch.setattr(build, "PATHS_PER_TILE", PATHS_PER_TILE)
    place = hill.scene(offsets=OFFSETS)
    build.build_store(tmp_path / "quiet", place, hill.receivers(place), AIR, 500.0)
    return files_of(tmp_path / "quiet")


def tiles_of(tmp_path: Path) -> list[Path]:
    """Notes of the tiles that are there."""
    return sorted((tmp_path / "store").rglob("tile-*[0-9].json"))


def test_a_scheduler_that_is_killed_and_comes_back_goes_on(
    tmp_path: Path, cluster: Cluster, expected: dict[str, bytes]
) -> None:
    process = cluster.start()
    run = client(tmp_path, cluster.address, process, signal.SIGKILL)
    cluster.wait(process)
    tiles = len(tiles_of(tmp_path))
    cluster.start()
    heard, said = run.communicate(timeout=120)
    assert run.returncode == 0, said
    assert not said
    assert 3 <= tiles < int(heard.split()[1])
    assert files_of(tmp_path / "store") == expected


def test_a_scheduler_that_ends_and_stays_away_is_said_and_the_run_resumes(
    tmp_path: Path, cluster: Cluster, expected: dict[str, bytes]
) -> None:
    process = cluster.start()
    run = client(tmp_path, cluster.address, process, signal.SIGTERM, patience=1.0)
    heard, said = run.communicate(timeout=120)
    assert run.returncode == 75, said
    assert "went away and did not come back to stay within 1 s" in said
    assert said.count("\n") == 1
    kept = {
        path: path.stat().st_mtime_ns for path in (tmp_path / "store").rglob("tile-*-stretch.npy")
    }
    assert 3 <= len(kept) < int(heard.split()[1])
    cluster.start()
    again = client(tmp_path, cluster.address)
    said = again.communicate(timeout=120)[1]
    assert again.returncode == 0, said
    assert files_of(tmp_path / "store") == expected
    assert all(path.stat().st_mtime_ns == moment for path, moment in kept.items())


def test_a_scheduler_without_workers_is_not_waited_for_for_ever(
    cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scheduler, "RETURN_S", 0.5)
    monkeypatch.setattr(scheduler, "LOOK_S", 0.1)
    cluster.start(worker=False)
    told: list[int] = []
    with pytest.raises(BusyError, match=r"no worker for 0.5 s; the finished tiles are kept"):
        scheduler.Scheduler(cluster.address).run(str, [1, 2], told.append)
    assert not told
