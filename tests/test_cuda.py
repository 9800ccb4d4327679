"""The device path: a clear error where there is none, and the same figures in the simulator.

The simulator runs the device's threads on the processor, as plain Python, with the
device's layout of scratch memory.  It runs in a process of its own, because the compiler
chooses it when it is imported.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from propagation_support import ALPHA, place

from noisemap.cli.execution import execution_of
from noisemap.errors import MissingProgramError, OutOfDomainError
from noisemap.propagation.kernel import propagate
from noisemap.propagation.machine import cuda as device

ONE = ([[200.0, 50.0, 4.0]], [[10.0, 10.0, 0.0]], [1.0], [0, 1], [0], ALPHA)

COMPARED = """
import numpy as np
from propagation_support import ALPHA, place
from noisemap.propagation.kernel import propagate
from noisemap.propagation.machine import cuda as device

device.THREADS_PER_BLOCK = device.MOST_THREADS = 4
device.PAIRS_AT_ONCE = 7
device.ROOM = 6
rng = np.random.default_rng(3)
height = 8.0 * rng.random((60, 60))
ring = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]])
corners = rng.uniform(60.0, 540.0, (40, 1, 2)) + 12.0 * ring
edges = np.concatenate([corners[:, :-1], corners[:, 1:]], axis=2).reshape(-1, 4)
land = place(
    height, rng.random((60, 60)), edges=edges, edge_height=np.full(160, 9.0),
    edge_block=np.repeat(np.arange(40), 4), foliage=rng.random((60, 60)) < 0.2,
)
receivers = np.column_stack([rng.uniform(20.0, 570.0, (4, 2)), [4.0, 1.5, 4.0, 8.0]])
sources = np.column_stack([rng.uniform(20.0, 570.0, (5, 2)), np.full(5, 4.0)])
pairs = (np.array([0, 5, 5, 9, 14]), np.array([0, 1, 2, 3, 4, 0, 1, 2, 3, 0, 1, 2, 3, 4]))
for options in ({}, {"reflection_order": 1}):
    one, other = (
        propagate(land, receivers, sources, (0.5, 3.7), *pairs, ALPHA, device=name, **options)
        for name in ("cpu", "cuda")
    )
    for name in ("t", "cmet_factor", "distance", "flags", "grazing_z", "top"):
        assert np.array_equal(getattr(one, name), getattr(other, name)), (options, name)
    assert (one.grazing_z > 0.0).any() and (one.grazing_z < 0.0).any()
print("same")
"""


def test_no_device_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    from numba import cuda

    device.device_kernel.cache_clear()
    monkeypatch.setattr(cuda, "is_available", lambda: False)
    with pytest.raises(MissingProgramError, match=r'device cuda: no CUDA .*extra "gpu"') as caught:
        propagate(place(), *ONE, device="cuda")
    assert caught.value.exit_code == 69


def test_the_command_says_it_before_anything_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    from numba import cuda

    device.device_kernel.cache_clear()
    monkeypatch.setattr(cuda, "is_available", lambda: False)
    with pytest.raises(MissingProgramError, match=r"device cuda: no CUDA"):
        execution_of(None, None, None, False, "cuda")
    assert execution_of(None, None, None, False, "cpu").device == "cpu"


def test_unknown_device_is_said() -> None:
    with pytest.raises(OutOfDomainError, match=r"'gpu' is not allowed \(allowed: cpu, cuda\)"):
        propagate(place(), *ONE, device="gpu")  # type: ignore[arg-type]


def test_the_simulator_gives_the_same_bits() -> None:
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", COMPARED],
        env={**os.environ, "NUMBA_ENABLE_CUDASIM": "1", "NUMBA_DISABLE_JIT": "1",
             "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *sys.path])},
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "same"
