"""Tasks on a dask.distributed scheduler: any by its address, or a cluster of this machine."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from queue import Empty, SimpleQueue
from typing import Any

from noisemap import __version__
from noisemap.errors import BusyError, MissingProgramError
from noisemap.execution.tasks import Task, Told

RETRIES = 3
CONNECT_S = 20.0
RETURN_S = 120.0
"""How long a scheduler that went away, or the last of its workers, may stay away."""
LOSSES = 3
"""How often a scheduler may go away without a tile being done in between."""
LOOK_S = 2.0
LOCAL = "local"


class _WentAwayError(Exception):
    """The scheduler does not answer any more."""


class Scheduler:
    """Workers of a dask scheduler, which see the results' folder under the same path.

    The scheduler carries numbers only: each task reads its job from the folder and writes its files
    there. A scheduler that comes back at its address has forgotten all: it is given what is not
    done.
    """

    elsewhere = True

    def __init__(self, address: str, workers: int | None = None) -> None:
        self.address, self.workers = address, workers

    def require_memory(self, each: float, tasks: int) -> None:
        """Take no notice: the scheduler's workers have limits of their own."""

    def run(self, task: Task, numbers: Sequence[int], told: Told) -> None:
        """Run every number; tasks of lost workers are run again by the scheduler.

        Raises
        ------
        MissingProgramError
            When no scheduler answers at the start, or a worker has another version.
        BusyError
            When a tile ends its workers again and again, or when the scheduler or all workers
            stay away for `RETURN_S`. What was done is kept.
        """
        if not numbers:
            return
        distributed = _distributed()
        left, losses = dict.fromkeys(numbers), 0
        while left:
            before = len(left)
            with self._client(distributed, again=losses > 0) as client:
                try:
                    self._same_program(client)
                    self._work_off(distributed, client, task, left, told)
                except _WentAwayError as error:
                    losses = 1 if len(left) < before else losses + 1
                    if losses > LOSSES:
                        raise self._gone() from error

    def _gone(self) -> BusyError:
        return BusyError(
            f"{self.address}: the scheduler went away and did not come back to stay within "
            f"{RETURN_S:g} s; the finished tiles are kept: run again"
        )

    def _work_off(
        self, distributed: Any, client: Any, task: Task, left: dict[int, None], told: Told
    ) -> None:
        """Run what is left and strike off what is done.

        A task's result is its file, so none is fetched: it might lie with a worker that died since.
        """
        numbers = list(left)
        done: SimpleQueue[Any] = SimpleQueue()
        with _lost():
            futures = client.map(task, numbers, retries=RETRIES, pure=False, key=None)
        under_way = {
            future.key: (number, future) for number, future in zip(numbers, futures, strict=True)
        }
        for future in futures:
            future.add_done_callback(done.put)
        del futures  # what is done is let go, so that the scheduler forgets it too
        seen = time.monotonic()
        while left:
            try:
                future = done.get(timeout=LOOK_S)
            except Empty:
                seen = self._last_seen(client, seen)
                continue
            number, _ = under_way.pop(future.key)
            if future.cancelled():
                raise _WentAwayError
            if future.status == "error":
                raise self._failed(distributed, number, future.exception())
            del left[number]
            told(number)

    def _last_seen(self, client: Any, before: float) -> float:
        """When there was a worker for the last time; an end where that is too long ago."""
        with _lost():
            if client.status != "running":
                raise _WentAwayError
            if client.nthreads():
                return time.monotonic()
        if time.monotonic() - before > RETURN_S:
            raise BusyError(
                f"{self.address}: the scheduler has had no worker for {RETURN_S:g} s; the "
                "finished tiles are kept: start workers and run again"
            )
        return before

    def _failed(self, distributed: Any, number: int, error: BaseException) -> BaseException:
        if isinstance(error, (distributed.scheduler.KilledWorker, MemoryError)):
            return BusyError(
                f"tile {number}: its workers ended again and again, most likely for want of "
                "memory; the other tiles are kept: run again with more memory a worker"
            )
        return error

    @contextmanager
    def _client(self, distributed: Any, *, again: bool) -> Iterator[Any]:
        """A connection; `again` waits for a scheduler that went away."""
        if self.address == LOCAL:
            with (
                distributed.LocalCluster(
                    n_workers=self.workers, threads_per_worker=1, dashboard_address=None
                ) as cluster,
                distributed.Client(cluster) as client,
            ):
                yield client
            return
        try:
            client = distributed.Client(self.address, timeout=RETURN_S if again else CONNECT_S)
        except (OSError, TimeoutError, ValueError) as error:
            if again:
                raise self._gone() from error
            raise MissingProgramError(
                f"--dask {self.address}: no scheduler answers there ({error}); give its "
                f"address, such as tcp://10.0.0.5:8786, or '{LOCAL}'"
            ) from error
        try:
            yield client
        finally:
            with suppress(OSError, TimeoutError):
                client.close(timeout=LOOK_S)

    def _same_program(self, client: Any) -> None:
        """Refuse workers that would compute with another version."""
        with _lost():
            versions = set(client.run(_version).values())
        if versions - {__version__}:
            raise MissingProgramError(
                f"--dask {self.address}: workers run noisemap "
                f"{', '.join(sorted(versions))}, this is {__version__}; install the same there"
            )


@contextmanager
def _lost() -> Iterator[None]:
    """Calls to a scheduler that end in a lost connection."""
    try:
        yield
    except (OSError, TimeoutError, CancelledError) as error:
        raise _WentAwayError from error


def _version() -> str:
    return __version__


def _distributed() -> Any:
    try:
        import distributed
    except ImportError as error:
        raise MissingProgramError(
            "--dask needs the package distributed; install it with: pip install 'noisemap[dask]'"
        ) from error
    # what it tells of a lost connection, with traces, is said by this module in a sentence
    for name in ("distributed.client", "distributed.batched"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    return distributed
