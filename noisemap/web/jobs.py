"""Long work, each piece in a process of its own, so that it can be watched, stopped and may die.

Browsers only look: a job belongs to its study, every tab sees the same one, and a
reload finds it again.  One study carries one job at a time.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import IO, Any

from noisemap.errors import BusyError, UsageError

PATIENCE_S = 4.0
"""How long a job may tidy up after it was told to stop [s]."""

FAULT = 70
INTERRUPTED = 130
LOG_SHOWN = 4000

TITLES = {
    "check": "Reading everything the study names",
    "run": "Computing the study",
    "weigh": "Searching every zone",
    "listen": "Making passes audible",
    "route": "Finding routes",
    "descend": "Planning quiet descents",
    "inspect": "Judging readings",
}

log = logging.getLogger("noisemap.web")


@dataclass
class Job:
    """One piece of work and what it has told so far."""

    number: int
    kind: str
    stages: list[str] = field(default_factory=list)
    done: int = 0
    total: int = 0
    state: str = "running"  # then "done", "failed" or "cancelled"
    result: Any = None
    error: dict[str, Any] | None = None
    started: float = field(default_factory=time.monotonic)
    ended: float | None = None
    stopping: bool = False
    process: subprocess.Popen[str] | None = None

    def told(self, *, whole: bool = True) -> dict[str, Any]:
        """The job as a tab sees it, with its result or without."""
        return {
            "number": self.number,
            "kind": self.kind,
            "title": TITLES[self.kind],
            "state": self.state,
            "stopping": self.stopping,
            "stages": list(self.stages),
            "done": self.done,
            "total": self.total,
            "seconds": round((self.ended or time.monotonic()) - self.started, 1),
            "error": self.error,
            "result": self.result if whole else None,
        }


class Jobs:
    """The jobs of all studies, the last of each kind remembered."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._current: dict[str, Job] = {}
        self._last: dict[tuple[str, str], Job] = {}
        self._count = 0

    def current(self, owner: str) -> Job | None:
        """The job that runs or ran last for a study."""
        return self._current.get(owner)

    def last(self, owner: str, kind: str) -> Job | None:
        """The last job of a kind that was begun for a study."""
        return self._last.get((owner, kind))

    def begin(self, owner: str, kind: str, request: Mapping[str, Any]) -> Job:
        """Start a job.

        Raises
        ------
        UsageError
            For a kind that is not known.
        BusyError
            When one runs for this study already.
        """
        if kind not in TITLES:
            raise UsageError(f"{kind[:40]!r} is no work of this page; there is {', '.join(TITLES)}")
        with self._lock:
            running = self._current.get(owner)
            if running is not None and running.state == "running":
                raise BusyError(
                    f"{TITLES[running.kind]} is still going on for this study; wait for it, or "
                    "stop it first."
                )
            self._count += 1
            job = Job(self._count, kind)
            notes = tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace")  # noqa: SIM115
            job.process = _child(notes)
            self._current[owner] = self._last[owner, kind] = job
        threading.Thread(
            target=_follow, args=(job, {"kind": kind, **request}, notes), daemon=True
        ).start()
        return job

    def cancel(self, owner: str) -> None:
        """Tell the running job of a study to stop; it is ended when it does not."""
        job = self._current.get(owner)
        if job is None or job.state != "running" or job.stopping:
            return
        job.stopping = True
        threading.Thread(target=_stop, args=(job,), daemon=True).start()

    def close(self) -> None:
        """End every job at once; what they wrote stays whole."""
        for job in self._current.values():
            if job.process is not None and job.process.poll() is None:
                job.stopping = True
                _kill(job.process)


def _child(notes: IO[str]) -> subprocess.Popen[str]:
    # -P: a folder `noisemap` beside the user's files must not be imported.
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "noisemap.web.worker"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=notes,
        text=True,
        encoding="utf-8",
        start_new_session=os.name != "nt",
    )


def _stop(job: Job) -> None:
    assert job.process is not None
    with contextlib.suppress(ProcessLookupError):
        job.process.send_signal(signal.SIGTERM)
        try:
            job.process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            _kill(job.process)


def _kill(process: subprocess.Popen[str]) -> None:
    """End a job and whatever it started."""
    with contextlib.suppress(ProcessLookupError, PermissionError):
        if os.name == "nt":  # pragma: no cover
            process.kill()
        else:
            os.killpg(process.pid, signal.SIGKILL)


def _follow(job: Job, request: Mapping[str, Any], notes: IO[str]) -> None:
    """Read what a job tells until it ends, then say how it ended."""
    process = job.process
    assert process is not None
    assert process.stdin is not None
    assert process.stdout is not None
    with process.stdin, process.stdout, notes:
        with contextlib.suppress(OSError):
            process.stdin.write(json.dumps(request) + "\n")
            process.stdin.flush()
        for line in process.stdout:
            _take(job, json.loads(line))
        code = process.wait()
        notes.seek(0, os.SEEK_END)
        notes.seek(max(0, notes.tell() - LOG_SHOWN))
        text = notes.read().strip()
    if text:
        log.warning("%s, job %d:\n%s", job.kind, job.number, text)
    if job.error is None and job.result is None and not job.stopping:
        job.error = {"text": _died(code), "exit_code": FAULT, "problems": []}
    job.ended = time.monotonic()
    if job.result is not None:
        job.state = "done"
    elif job.stopping or (job.error or {}).get("exit_code") == INTERRUPTED:
        job.state, job.error = "cancelled", None
    else:
        job.state = "failed"


def _take(job: Job, told: Mapping[str, Any]) -> None:
    if "stage" in told:
        job.stages.append(told["stage"])
        job.done = job.total = 0
    elif "done" in told:
        job.done, job.total = told["done"], told["total"]
    elif "result" in told:
        job.result = told["result"]
    elif "error" in told:
        job.error = told["error"]


def _died(code: int) -> str:
    how = f"by signal {-code}" if code < 0 else f"with code {code}"
    return (
        f"The computing process ended {how} before it was done, perhaps for want of memory: lower "
        "run.max_distance_m or leave homes out. What was finished is kept; start it again to go on."
    )


def log_to_window() -> None:
    """Let the page's own log appear where the command runs."""
    handler = logging.StreamHandler()
    handler.setFormatter(logging.Formatter("noisemap: %(message)s"))
    log.addHandler(handler)
    log.setLevel(logging.WARNING)
    log.propagate = False
