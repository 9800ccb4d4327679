"""Paths per second on a CUDA device, held against the compiled loop and the memory's speed.

    python benchmarks/gpu.py [--json FILE] [--homes 20000]

Needs Python, numpy, scipy, numba and numba-cuda only.  The place is that of
`propagation.py`.  Levels on the device must agree with those of the processor to
0.01 dB, in every band of every path of a part of the job, before anything is timed.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from pathlib import Path
from typing import Any

import numba
import numpy as np
from propagation import ALPHA, HEIGHTS, Job, Table, landscape, machine

from noisemap.propagation import kernel
from noisemap.propagation.kernel import propagate
from noisemap.propagation.machine import cuda as device

CHECKED_HOMES, ROUNDS, HOUSES, STRETCHES = 60, 7, 500, 1900
KINDS: dict[str, tuple[int, dict[str, Any]]] = {
    "terrain only": (0, {}),
    f"{HOUSES} houses and their sides": (HOUSES, {}),
    f"{HOUSES} houses, sides and reflections": (HOUSES, {"reflection_order": 1}),
}


def whole(job: Job, homes: int, where: str, **options: Any) -> Any:
    """Transfers of the first homes of a job."""
    end = job.pointer[homes]
    return propagate(
        job.surface, job.receivers[:homes], job.sources, HEIGHTS, job.pointer[: homes + 1],
        job.source[:end], ALPHA, device=where, **options,
    )  # fmt: skip


def largest_difference(job: Job, **options: Any) -> float:
    """Between device and processor, over all bands [dB]; flags must be the same."""
    homes = min(CHECKED_HOMES, len(job.receivers))
    one, other = whole(job, homes, "cpu", **options), whole(job, homes, "cuda", **options)
    if not np.array_equal(one.flags, other.flags):
        raise SystemExit(f"{(one.flags != other.flags).sum()} flags differ; nothing was timed")
    heard = (one.t > 0.0) & (other.t > 0.0)
    if (heard != ((one.t > 0.0) | (other.t > 0.0))).any():
        raise SystemExit("a path is silent on one side only; nothing was timed")
    ratio = other.t[heard].astype(float) / one.t[heard]
    return float(np.abs(10.0 * np.log10(ratio)).max())


class Held:
    """A job whose inputs and answers stay on the device."""

    def __init__(self, job: Job, **options: Any) -> None:
        caught: dict[str, Any] = {}

        def catch(*arguments: Any) -> None:
            caught["job"] = arguments

        real, kernel.all_receivers_on_device = kernel.all_receivers_on_device, catch
        whole(job, len(job.receivers), "cuda", **options)
        kernel.all_receivers_on_device = real
        receivers, sources, heights, pointer, source, *groups, _ = caught["job"]
        self.pairs = min(len(source), device.PAIRS_AT_ONCE)
        owner = np.repeat(np.arange(len(receivers), dtype=np.int64), np.diff(pointer))
        plan = receivers[owner, :2] - sources[source, :2]
        farthest = float(np.hypot(*plan.T).max())
        self.work = device.DeviceJob(receivers, sources, heights, farthest, self.pairs, *groups)
        self.owner = self.work.cuda.to_device(owner[: self.pairs])
        self.source = self.work.cuda.to_device(source[: self.pairs])
        self.answer, self.needed = self.work.empty_answer(self.pairs)

    def run(self) -> None:
        self.work.run(self.owner, self.source, self.answer, self.needed)
        self.work.cuda.synchronize()

    @property
    def bytes_moved(self) -> float:
        """What must cross the device's memory: the pairs in, the answers out."""
        parts = (*self.answer, self.needed, self.owner, self.source)
        return float(sum(part.nbytes for part in parts))


def bytes_per_second(cuda: Any) -> float:
    """Reading and writing of a plain copy on the device, the best of five."""
    one, other = (cuda.device_array(2**27, np.float64) for _ in range(2))
    best = np.inf
    for _ in range(6):
        start = time.perf_counter()
        other.copy_to_device(one)
        cuda.synchronize()
        best = min(best, time.perf_counter() - start)
    return 2.0 * one.nbytes / best


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--json", type=Path, help="write the figures here as well")
    reader.add_argument("--homes", type=int, default=20_000)
    choice = reader.parse_args()
    cuda, _ = device.device_kernel()
    speed = bytes_per_second(cuda)
    name = cuda.get_current_device().name
    name = name.decode() if isinstance(name, bytes) else str(name)
    table = Table()
    table.add("copy in the device's memory", [speed / 1e9], "GB/s")
    for kind, (houses, options) in KINDS.items():
        job = Job(landscape(houses, foliage=True), choice.homes, STRETCHES)
        start = time.perf_counter()
        difference = largest_difference(job, **options)
        print(f"{kind}: first calls, compiling: {time.perf_counter() - start:.0f} s", flush=True)
        if difference > 0.01:
            raise SystemExit(f"{kind}: device and processor differ by {difference} dB")
        table.add(f"{kind}: largest difference to the processor", [difference], "dB")
        held = Held(job, **options)
        held.run()
        seconds = []
        for _ in range(ROUNDS):
            start = time.perf_counter()
            held.run()
            seconds.append(time.perf_counter() - start)
        left = float((held.needed.copy_to_host() > 0).mean())
        table.add(f"{kind}: paths left to the processor", [left], "1")
        table.add(f"{kind}: kernel", [held.pairs / s / 1e6 for s in seconds], "million paths/s")
        bound = held.bytes_moved / speed
        table.add(f"{kind}: memory bound / kernel", [bound / s for s in seconds], "1")
        calls: dict[str, list[float]] = {"cuda": [], "cpu": []}
        for where, values in calls.items():
            homes = len(job.receivers) if where == "cuda" else min(400, len(job.receivers))
            for _ in range(3):
                start = time.perf_counter()
                whole(job, homes, where, **options)
                values.append(job.pointer[homes] / (time.perf_counter() - start) / 1e6)
        table.add(f"{kind}: whole call, answers in host memory", calls["cuda"], "million paths/s")
        table.add(f"{kind}: {numba.get_num_threads()} cores", calls["cpu"], "million paths/s")
    said = f"{name}; {machine()}; {os.cpu_count()} cores"
    print(said)
    print(table.markdown())
    if choice.json:
        content = {"machine": said, "rounds": ROUNDS, "rows": table.rows}
        choice.json.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
