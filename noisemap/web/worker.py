"""The process that does one job: a line in asks for it, lines out tell of it."""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
import traceback
from typing import IO, Any

from noisemap.errors import NoisemapError
from noisemap.web.jobs import FAULT, INTERRUPTED

SELDOM_S = 0.1
"""Least time between two notes of progress [s]."""


class Teller:
    """A reporter that writes each note as one line of JSON."""

    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream
        self._last = 0.0

    def tell(self, **content: Any) -> None:
        """Write one line."""
        self._stream.write(json.dumps(content, allow_nan=False) + "\n")
        self._stream.flush()

    def stage(self, text: str) -> None:
        """A new stage begins."""
        self.tell(stage=text)

    def advance(self, done: int, total: int) -> None:
        """Part of the stage is done."""
        now = time.monotonic()
        if done >= total or now - self._last >= SELDOM_S:
            self._last = now
            self.tell(done=done, total=total)


def main() -> int:
    """Do the job that the first line of input asks for."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    # What libraries print must not mix with what is told.
    teller = Teller(os.fdopen(os.dup(1), "w", encoding="utf-8"))
    os.dup2(2, 1)
    try:
        request = json.loads(sys.stdin.readline())
        threading.Thread(target=_end_with_the_server, daemon=True).start()
        teller.stage("starting")
        from noisemap.web.tasks import TASKS

        teller.tell(result=TASKS[request.pop("kind")](teller, **request))
        return 0
    except NoisemapError as error:
        from noisemap.web.form import problems_of

        teller.tell(
            error={
                "text": str(error),
                "exit_code": error.exit_code,
                "problems": problems_of(error),
            }
        )
        return error.exit_code
    except KeyboardInterrupt:
        return INTERRUPTED
    except MemoryError:
        return _fault(teller, "Out of memory; lower run.max_distance_m or the number of homes.")
    except Exception as error:
        traceback.print_exc()
        return _fault(
            teller,
            f"A fault of noisemap itself: {type(error).__name__}: {error}. The window in which "
            "`noisemap serve` runs shows where; please report it.",
        )


def _fault(teller: Teller, text: str) -> int:
    teller.tell(error={"text": text, "exit_code": FAULT, "problems": []})
    return FAULT


def _end_with_the_server() -> None:
    """The server keeps this end of the pipe open as long as it lives."""
    while os.read(0, 4096):
        pass
    os._exit(INTERRUPTED)


if __name__ == "__main__":
    sys.exit(main())
