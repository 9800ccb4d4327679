"""Tasks on a dask.distributed scheduler: any by its address, or a cluster of this machine."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from noisemap import __version__
from noisemap.errors import BusyError, MissingProgramError
from noisemap.execution.tasks import Task, Told

RETRIES = 3
CONNECT_S = 20
LOCAL = "local"


class Scheduler:
    """Workers of a dask scheduler, which see the results' folder under the same path.

    The scheduler carries numbers only: each task reads its job from the folder and writes its files
    there.
    """

    elsewhere = True

    def __init__(self, address: str, workers: int | None = None) -> None:
        self.address, self.workers = address, workers

    def run(self, task: Task, numbers: Sequence[int], told: Told) -> None:
        """Run every number; tasks of lost workers are run again by the scheduler."""
        if not numbers:
            return
        distributed = _distributed()
        with self._client(distributed) as client:
            self._same_program(client)
            futures = client.map(task, list(numbers), retries=RETRIES, pure=False, key=None)
            number_of = dict(zip((future.key for future in futures), numbers, strict=True))
            for future in distributed.as_completed(futures):
                try:
                    future.result()
                except distributed.scheduler.KilledWorker as error:
                    raise BusyError(
                        f"tile {number_of[future.key]}: its workers ended again and again, most "
                        "likely for want of memory; the other tiles are kept: run again with "
                        "more memory a worker"
                    ) from error
                except (distributed.CancelledError, distributed.comm.CommClosedError) as error:
                    raise BusyError(
                        f"{self.address}: the scheduler went away; the finished tiles are kept: "
                        "run again"
                    ) from error
                told(number_of[future.key])

    def _client(self, distributed: Any) -> Any:
        if self.address == LOCAL:
            cluster = distributed.LocalCluster(
                n_workers=self.workers, threads_per_worker=1, dashboard_address=None
            )
            return _Both(distributed.Client(cluster), cluster)
        try:
            return distributed.Client(self.address, timeout=CONNECT_S)
        except (OSError, TimeoutError, ValueError) as error:
            raise MissingProgramError(
                f"--dask {self.address}: no scheduler answers there ({error}); give its address, "
                f"such as tcp://10.0.0.5:8786, or '{LOCAL}'"
            ) from error

    def _same_program(self, client: Any) -> None:
        """Refuse workers that would compute with another version."""
        versions = set(client.run(_version).values())
        if versions - {__version__}:
            raise MissingProgramError(
                f"--dask {self.address}: workers run noisemap "
                f"{', '.join(sorted(versions))}, this is {__version__}; install the same there"
            )


class _Both:
    """A client and the cluster that was started for it, closed together."""

    def __init__(self, client: Any, cluster: Any) -> None:
        self.client, self.cluster = client, cluster

    def __enter__(self) -> Any:
        return self.client

    def __exit__(self, *_: object) -> None:
        self.client.close()
        self.cluster.close()


def _version() -> str:
    return __version__


def _distributed() -> Any:
    try:
        import distributed
    except ImportError as error:
        raise MissingProgramError(
            "--dask needs the package distributed; install it with: pip install 'noisemap[dask]'"
        ) from error
    return distributed
