"""Tasks for the back ends: each leaves a file, some end their process on the way."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

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
