"""Where tiles run: every number once to its end, whatever dies on the way."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import execution_tasks as tasks
import hill
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from noisemap.cli.execution import execution_of
from noisemap.errors import (
    BadDataError,
    BusyError,
    MissingInputError,
    MissingProgramError,
    UsageError,
)
from noisemap.execution import pool
from noisemap.execution.pool import TRIES, LocalPool
from noisemap.execution.scheduler import LOCAL, Scheduler
from noisemap.execution.tasks import Execution, Serial, Share
from noisemap.transfer import build, job
from noisemap.transfer.build import Air, build_store, fill_store
from noisemap.transfer.store import ARRAYS

AIR = Air(10.0, 70.0, 101.325)
BACKENDS = [Serial(), LocalPool(1), LocalPool(3)]


def done(folder: Path) -> list[int]:
    return sorted(int(path.stem) for path in folder.glob("*.txt"))


@given(count=st.integers(1, 40), tiles=st.integers(0, 200))
def test_shares_are_all_the_tiles_and_none_twice(count: int, tiles: int) -> None:
    shares = [Share(index, count).of(range(tiles)) for index in range(1, count + 1)]
    assert sorted(number for share in shares for number in share) == list(range(tiles))
    assert max(map(len, shares)) - min(map(len, shares)) <= 1


def test_a_share_does_not_depend_on_what_is_missing() -> None:
    share = Share(2, 3)
    assert share.of([4, 5, 7]) == [n for n in share.of(range(9)) if n in (4, 5, 7)]


@pytest.mark.parametrize("text", ["0/3", "4/3", "3", "1/0", "-1/3", "1/3/5", "a/b", "١/٣", ""])
def test_a_wrong_share_is_said(text: str) -> None:
    with pytest.raises(UsageError, match="allowed: 1/N to N/N"):
        Share.parse(text)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ((2, None, None, True), "--merge computes no tile"),
        ((None, None, "1/2", True), "--merge computes no tile"),
        ((None, "local", None, True), "--merge computes no tile"),
        ((2, "tcp://127.0.0.1:1", None, False), "--jobs goes with --dask local only"),
        ((0, None, None, False), "--jobs 0 is not allowed"),
        ((10_000, None, None, False), "allowed: 1..256"),
    ],
)
def test_options_that_contradict_each_other(options: tuple, sentence: str) -> None:
    with pytest.raises(UsageError, match=sentence):
        execution_of(*options)


@pytest.mark.parametrize("backend", BACKENDS, ids=["serial", "one process", "three processes"])
def test_every_number_is_run_and_told_once(tmp_path: Path, backend) -> None:
    told: list[int] = []
    backend.run(partial(tasks.write, str(tmp_path)), range(20), told.append)
    assert done(tmp_path) == sorted(told) == list(range(20))
    calls = (tmp_path / "calls").read_text().splitlines()
    assert len(calls) == 20
    processes = {line.split()[1] for line in calls}
    assert (str(os.getpid()) in processes) == (not backend.elsewhere)


def test_a_killed_process_costs_no_tile(tmp_path: Path) -> None:
    told: list[int] = []
    task = partial(tasks.die_once, str(tmp_path), (0, 3, 11))
    LocalPool(2).run(task, range(16), told.append)
    assert sorted(told) == done(tmp_path) == list(range(16))
    assert len(list(tmp_path.glob("died-*"))) == 3


def test_a_tile_that_always_kills_is_named_and_the_rest_is_kept(tmp_path: Path) -> None:
    told: list[int] = []
    task = partial(tasks.die_always, str(tmp_path), 5)
    with pytest.raises(BusyError, match=rf"tile 5: its process ended {TRIES} times") as raised:
        LocalPool(2).run(task, range(10), told.append)
    assert raised.value.exit_code == 75
    assert set(told) == set(done(tmp_path)) == set(range(10)) - {5}
    assert len((tmp_path / "deaths").read_text()) == TRIES + 1  # in company, then alone


def test_want_of_memory_is_tried_again_alone(tmp_path: Path) -> None:
    told: list[int] = []
    LocalPool(2).run(partial(tasks.want_memory_once, str(tmp_path), 2), range(6), told.append)
    assert sorted(told) == done(tmp_path) == list(range(6))


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="the system tells no memory")
def test_an_allocation_that_really_fails_is_tried_again_alone(tmp_path: Path) -> None:
    task = partial(tasks.want_memory_really_once, str(tmp_path), 2)
    told: list[int] = []
    LocalPool(2).run(task, range(6), told.append)
    assert sorted(told) == done(tmp_path) == list(range(6))
    assert (tmp_path / "wanted-2").read_text() == ""


@pytest.fixture
def cell() -> Iterator[Path]:
    """A control group whose processes may have 150 MB together."""
    roots = {"memory": "memory.limit_in_bytes", ".": "memory.max"}
    for root, limit in roots.items():
        group = Path("/sys/fs/cgroup") / root / f"noisemap-test-{os.getpid()}"
        try:
            group.mkdir()
        except OSError:
            continue
        try:
            (group / limit).write_text("150000000")
        except OSError:
            group.rmdir()
            continue
        yield group
        group.rmdir()
        return
    pytest.skip("no control group may be made here")


def test_a_process_that_the_system_ends_for_its_memory_costs_no_tile(
    tmp_path: Path, cell: Path
) -> None:
    told: list[int] = []
    LocalPool(2).run(
        partial(tasks.outgrow_once, str(tmp_path), 2, str(cell)), range(6), told.append
    )
    assert sorted(told) == done(tmp_path) == list(range(6))
    assert (tmp_path / "outgrown-2").read_text() == ""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the system tells no memory")
@pytest.mark.parametrize("paths_per_tile", [60, 200_000])
def test_a_process_keeps_to_the_memory_that_is_stated(
    tmp_path: Path, paths_per_tile: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """40 m between stretches and 1,500 homes: one tile of 150,000 paths, or 1,500 of 100."""
    monkeypatch.setattr(build, "PATHS_PER_TILE", paths_per_tile)
    stated: list[float] = []

    class Watched(LocalPool):
        def require_memory(self, each: float, tasks: int) -> None:
            stated.append(each)
            super().require_memory(each, tasks)

        def run(self, task, numbers, told) -> None:
            super().run(partial(tasks.peak_after, task, str(tmp_path)), numbers[:2], told)

    # compiles the kernels for arrays as a process reads them, where that was not done
    build_store(*arguments(tmp_path / "warm"), execution=Execution(LocalPool(1)))
    place = hill.scene(offsets=tuple(np.linspace(60.0, 400.0, 1500)))
    fill_store(
        tmp_path / "store", place, hill.receivers(place), AIR, 2000.0,
        execution=Execution(Watched(1)),
    )  # fmt: skip
    peak = max(int(path.read_text()) * 1024.0 for path in tmp_path.glob("peak-*"))
    print(f"stated {stated[0] / 1e6:.0f} MB, needed {peak / 1e6:.0f} MB")
    assert 0.6 * stated[0] < peak <= stated[0]


def test_more_processes_than_the_memory_bears_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(build, "PATHS_PER_TILE", 60)
    monkeypatch.setattr(pool, "memory_of_machine", lambda: 5e8)
    sentence = r"--jobs 3 .*: a process needs up to 0\.2. GB and .* 0.5 GB \(allowed: 1\.\.2\)"
    with pytest.raises(UsageError, match=sentence):
        build_store(*arguments(tmp_path), execution=Execution(LocalPool(3)))
    assert not list(tmp_path.rglob("*.npy"))
    LocalPool(40).require_memory(2.4e8, 2)  # two tiles keep two processes busy
    LocalPool(1).require_memory(1e12, 100)  # one process is what a run without --jobs is, too
    monkeypatch.setattr(pool, "memory_of_machine", lambda: None)
    LocalPool(40).require_memory(1e12, 100)


@pytest.mark.parametrize("backend", BACKENDS, ids=["serial", "one process", "three processes"])
def test_a_sentence_of_ours_comes_through(tmp_path: Path, backend) -> None:
    with pytest.raises(BadDataError, match="number 0 is not liked"):
        backend.run(partial(tasks.refuse, str(tmp_path)), [0], lambda number: None)


def test_no_process_outlives_a_parent_that_was_killed(tmp_path: Path) -> None:
    script = textwrap.dedent(
        f"""
        import sys, time
        sys.path.insert(0, {str(Path(__file__).parent)!r})
        from concurrent.futures import wait
        from noisemap.execution.pool import LocalPool
        if __name__ == "__main__":
            pool = LocalPool(2)._pool(2)
            wait([pool.submit(int, 1) for _ in range(8)])
            print(*[process.pid for process in pool._processes.values()], flush=True)
            time.sleep(600)
        """
    )
    (tmp_path / "parent.py").write_text(script)
    parent = subprocess.Popen(
        [sys.executable, str(tmp_path / "parent.py")], stdout=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None
    children = [int(word) for word in parent.stdout.readline().split()]
    assert children
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    parent.stdout.close()
    for _ in range(300):
        if not any(Path(f"/proc/{pid}").exists() for pid in children):
            break
        time.sleep(0.1)
    assert not any(Path(f"/proc/{pid}").exists() for pid in children)


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "job" not in path.relative_to(folder).parts
    }


@pytest.fixture
def small_tiles(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build, "PATHS_PER_TILE", 60)


def arguments(folder: Path) -> tuple:
    place = hill.scene()
    return folder, place, hill.receivers(place), AIR, 500.0


@pytest.mark.usefixtures("small_tiles")
def test_a_pool_leaves_the_bits_of_the_run_here(tmp_path: Path) -> None:
    build_store(*arguments(tmp_path / "here"))
    build_store(*arguments(tmp_path / "pool"), execution=Execution(LocalPool(2)))
    here, pool = files_of(tmp_path / "here"), files_of(tmp_path / "pool")
    assert len(here) > 2 * len(ARRAYS)
    assert here == pool


@pytest.mark.usefixtures("small_tiles")
def test_shares_and_a_merge_leave_the_bits_of_the_run_here(tmp_path: Path) -> None:
    whole = build_store(*arguments(tmp_path / "here"))
    merge = Execution(merge=True)
    for index in (2, 1):
        with pytest.raises(BusyError, match="tiles are not there or not whole"):
            build_store(*arguments(tmp_path / "queue"), execution=merge)
        filled = fill_store(
            *arguments(tmp_path / "queue"), execution=Execution(share=Share(index, 2))
        )
        assert filled.tiles > 2
    merged = build_store(*arguments(tmp_path / "queue"), execution=merge)
    assert np.array_equal(merged.t, whole.t)
    assert files_of(tmp_path / "here") == files_of(tmp_path / "queue")


@pytest.mark.usefixtures("small_tiles")
def test_a_damaged_tile_stops_the_merge(tmp_path: Path) -> None:
    fill_store(*arguments(tmp_path), execution=Execution(share=Share(1, 1)))
    tile = next(tmp_path.rglob("tile-00001-twin.npy"))
    content = bytearray(tile.read_bytes())
    content[-1] ^= 1
    tile.write_bytes(content)
    with pytest.raises(BusyError, match=r"1 of .* tiles .* the first is number 2"):
        build_store(*arguments(tmp_path), execution=Execution(merge=True))


@pytest.mark.usefixtures("small_tiles")
def test_a_damaged_job_is_not_computed_with(tmp_path: Path) -> None:
    class Damaging(LocalPool):
        def run(self, task, numbers, told) -> None:
            file = next(tmp_path.rglob("job-sources.npy"))
            content = bytearray(file.read_bytes())
            content[-1] ^= 1
            file.write_bytes(content)
            super().run(task, numbers, told)

    with pytest.raises(BadDataError, match=r"job-sources.npy: damaged"):
        build_store(*arguments(tmp_path), execution=Execution(Damaging(1)))
    job._read.cache_clear()


def test_a_machine_that_does_not_see_the_folder_says_so(tmp_path: Path) -> None:
    with pytest.raises(MissingInputError, match="under the same path on every machine"):
        job.write_saved(str(tmp_path), "0" * 64, 0)


def test_a_machine_with_another_program_computes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Another(Serial):
        elsewhere = True

        def run(self, task, numbers, told) -> None:
            monkeypatch.setattr(job, "program_digest", lambda: "another")
            task(numbers[0])

    with pytest.raises(MissingProgramError, match="install the same on every machine"):
        build_store(*arguments(tmp_path), execution=Execution(Another()))
    assert not list(tmp_path.rglob("tile-*"))


def test_a_scheduler_that_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="the extra dask is not installed")
    monkeypatch.setattr("noisemap.execution.scheduler.CONNECT_S", 0.5)
    with pytest.raises(MissingProgramError, match="no scheduler answers") as raised:
        Scheduler("tcp://127.0.0.1:9").run(tasks.write, [1], lambda number: None)  # type: ignore[arg-type]
    assert raised.value.exit_code == 69


def test_a_scheduler_survives_its_workers(tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="the extra dask is not installed")
    script = textwrap.dedent(
        f"""
        import sys
        sys.path.insert(0, {str(Path(__file__).parent)!r})
        from functools import partial
        import execution_tasks as tasks
        from noisemap.execution.scheduler import LOCAL, Scheduler
        if __name__ == "__main__":
            told = []
            task = partial(tasks.die_once, {str(tmp_path)!r}, (2, 5))
            Scheduler(LOCAL, 2).run(task, range(8), told.append)
            print(sorted(told))
        """
    )
    (tmp_path / "client.py").write_text(script)
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parent)}
    found = subprocess.run(
        [sys.executable, str(tmp_path / "client.py")],
        env=environment, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert found.stdout.strip() == str(list(range(8))), found.stderr[-2000:]
    assert done(tmp_path) == list(range(8))
    assert len(list(tmp_path.glob("died-*"))) == 2
    assert LOCAL == "local"
