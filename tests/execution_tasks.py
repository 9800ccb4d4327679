"""Tasks for the back ends: each leaves a file, some end their process on the way."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from noisemap.errors import BadDataError


def write(folder: str, number: int) -> None:
    with (Path(folder) / "calls").open("a") as stream:
        stream.write(f"{number} {os.getpid()}\n")
    (Path(folder) / f"{number}.txt").write_text(str(number))


def die_once(folder: str, victims: tuple[int, ...], number: int) -> None:
    """Ends its process without a word the first time that a victim's number comes."""
    marker = Path(folder) / f"died-{number}"
    if number in victims and not marker.exists():
        marker.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    write(folder, number)


def die_always(folder: str, victim: int, number: int) -> None:
    if number == victim:
        with (Path(folder) / "deaths").open("a") as stream:
            stream.write("x")
        os.kill(os.getpid(), signal.SIGKILL)
    write(folder, number)


def want_memory_once(folder: str, victim: int, number: int) -> None:
    marker = Path(folder) / f"wanted-{number}"
    if number == victim and not marker.exists():
        marker.touch()
        raise MemoryError
    write(folder, number)


def refuse(folder: str, number: int) -> None:
    raise BadDataError(f"{folder}: number {number} is not liked")


def slowly(task: Callable[[int], None], number: int) -> None:
    """Leaves time for something to happen in between."""
    time.sleep(0.3)
    task(number)


def want_memory_really_once(folder: str, victim: int, number: int) -> None:
    """Asks for a gigabyte in a process that may have 200 MB more, the first time."""
    import resource

    marker = Path(folder) / f"wanted-{number}"
    if number == victim and not marker.exists():
        marker.touch()
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        room = pages * os.sysconf("SC_PAGE_SIZE") + 200_000_000
        resource.setrlimit(resource.RLIMIT_AS, (room, room))
        marker.write_text(f"lived with {len(np.ones(125_000_000))} numbers")
    write(folder, number)


def outgrow_once(folder: str, victim: int, cell: str, number: int) -> None:
    """Moves into a control group of little memory and fills it, until the system ends it."""
    marker = Path(folder) / f"outgrown-{number}"
    if number == victim and not marker.exists():
        marker.touch()
        (Path(cell) / "cgroup.procs").write_text(str(os.getpid()))
        kept = [bytearray(os.urandom(1 << 20)) for _ in range(1024)]
        marker.write_text(f"lived with {len(kept)} MB")
    write(folder, number)


def peak_after(task: Callable[[int], None], folder: str, number: int) -> None:
    """Leaves the largest memory that its process has had [kB]."""
    task(number)
    lines = Path("/proc/self/status").read_text().splitlines()
    peak = next(line.split()[1] for line in lines if line.startswith("VmHWM:"))
    (Path(folder) / f"peak-{number}").write_text(peak)
