"""A pool of processes that is built anew when one of them dies."""

from __future__ import annotations

import os
import threading
import time
from collections import Counter, deque
from collections.abc import Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context

from noisemap.errors import BusyError, UsageError
from noisemap.execution.tasks import Task, Told

TRIES = 3
MOST_WORKERS = 256
WATCH_S = 1.0


class LocalPool:
    """Processes of this machine; a task that was lost with its process is run again.

    After a process died, the tasks that were under way are run one at a time, so that
    the one that kills its process is known. A task that does so `TRIES` times ends the run; all
    that was finished stays.
    """

    elsewhere = True

    def __init__(self, workers: int) -> None:
        if not 1 <= workers <= MOST_WORKERS:
            raise UsageError(f"--jobs {workers} is not allowed (allowed: 1..{MOST_WORKERS})")
        self.workers = workers

    def require_memory(self, each: float, tasks: int) -> None:
        """Nothing, when the machine has memory for all processes that so many tasks keep busy.

        Raises
        ------
        UsageError
            When it has less; says how many processes it has memory for.
        """
        here, processes = memory_of_machine(), min(self.workers, tasks)
        if here is not None and processes > 1 and processes * each > here:
            raise UsageError(
                f"--jobs {self.workers} is not allowed: a process needs up to {each / 1e9:.2f} GB "
                f"and this machine has {here / 1e9:.1f} GB (allowed: 1..{max(int(here / each), 1)})"
            )

    def run(self, task: Task, numbers: Sequence[int], told: Told) -> None:
        """Run every number; raise `BusyError` for one that kills its process again and again."""
        suspects = self._together(task, numbers, told)
        deaths: Counter[int] = Counter()
        while suspects:
            number = suspects.popleft()
            if self._alone(task, number):
                told(number)
                continue
            deaths[number] += 1
            if deaths[number] >= TRIES:
                raise BusyError(
                    f"tile {number}: its process ended {TRIES} times without a result, most "
                    "likely for want of memory; the other tiles are kept: run again with fewer "
                    "--jobs or more memory"
                )
            suspects.append(number)

    def _together(self, task: Task, numbers: Sequence[int], told: Told) -> deque[int]:
        """Run the tasks side by side; give those that were under way when a process died.

        The first task runs alone: it compiles the kernels once, and the others find them.
        """
        left, suspects, abreast = deque(numbers), deque[int](), 1
        while left:
            under_way: dict[Future[None], int] = {}
            pool = self._pool(min(self.workers, len(left)))
            try:
                while left or under_way:
                    while left and len(under_way) < abreast:
                        number = left.popleft()
                        under_way[pool.submit(task, number)] = number
                    for future in wait(under_way, return_when=FIRST_COMPLETED).done:
                        future.result()
                        told(under_way.pop(future))
                        abreast = self.workers
            except (BrokenProcessPool, MemoryError):
                suspects.extend(under_way.values())
            finally:
                _end(pool)
        return suspects

    def _alone(self, task: Task, number: int) -> bool:
        """Whether a task ends when it is the only one."""
        pool = self._pool(1)
        try:
            pool.submit(task, number).result()
        except (BrokenProcessPool, MemoryError):
            return False
        finally:
            _end(pool)
        return True

    def _pool(self, workers: int) -> ProcessPoolExecutor:
        threads = max((os.cpu_count() or 1) // self.workers, 1)
        return ProcessPoolExecutor(
            workers,
            mp_context=get_context("spawn"),
            initializer=_begin,
            initargs=(os.getpid(), threads),
        )


def memory_of_machine() -> float | None:
    """Memory of this machine [B]; none where the system does not tell."""
    try:
        return float(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    except (AttributeError, ValueError, OSError):
        return None


def _begin(parent: int, threads: int) -> None:
    """Share the cores with the other processes, and end when the parent has ended."""
    import numba

    numba.set_num_threads(min(threads, int(numba.config.NUMBA_NUM_THREADS)))
    threading.Thread(target=_watch, args=(parent,), daemon=True).start()


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(WATCH_S)
    os._exit(0)


def _end(pool: ProcessPoolExecutor) -> None:
    """End a pool at once; its processes hold nothing that is not on disk."""
    processes = list((pool._processes or {}).values())
    pool.shutdown(wait=False, cancel_futures=True)
    for process in processes:
        process.terminate()
    for process in processes:
        process.join()
