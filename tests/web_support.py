"""A page over a folder of its own, a server in a thread, and a stand-in for slow work."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import uvicorn
from starlette.testclient import TestClient

from noisemap.web import jobs as jobs_module
from noisemap.web.app import build_app
from noisemap.web.jobs import Jobs
from noisemap.web.security import TOKEN_HEADER, Door
from noisemap.web.server import bind
from noisemap.web.workspace import Workspace

PORT = 8622
STUDY = """# my own comment
schema = 1
units = "metric"

[study]
name = "Test hill"   # kept

[terrain]
files = ["terrain.tif"]

[roads]
file = "roads.geojson"

[homes]
file = "homes.geojson"

[traffic]
file = "traffic.csv"

[[zone]]
name = "town"        # the first
road = "SR 1"
from_m = 100.0
to_m = 900.0
hours = "22-7"
"""


def study_in(folder: Path, text: str = STUDY) -> Path:
    """A study file with its inputs, all of them empty but for a mark."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "study.toml").write_text(text, encoding="utf-8")
    for name in ("terrain.tif", "roads.geojson", "homes.geojson", "traffic.csv"):
        (folder / name).write_text("stand-in")
    return folder / "study.toml"


class Site:
    """A page in this process, and a client that was let in."""

    def __init__(self, root: Path, *, network: bool = False) -> None:
        self.door = Door(PORT, network=network)
        self.workspace = Workspace(root)
        self.jobs = Jobs()
        self.app = build_app(self.workspace, self.door, self.jobs)
        self.client = self.guest()
        self.client.cookies.set(self.door.cookie, self.door.key)
        self.client.headers[TOKEN_HEADER] = self.door.token

    def guest(self) -> TestClient:
        """A client that knows no key."""
        return TestClient(self.app, base_url=f"http://127.0.0.1:{PORT}")

    @property
    def key(self) -> str:
        """Key of the one study."""
        return self.workspace.places()[0].key

    def study(self) -> dict[str, Any]:
        """The one study as the page gets it."""
        answer: dict[str, Any] = self.client.get(f"/api/study/{self.key}").json()
        return answer


class Stand:
    """Work that waits for a word: what it tells stands in a script, not in the library."""

    def __init__(self, folder: Path, script: str) -> None:
        self.folder = folder
        self.script = script

    def child(self, notes: Any) -> subprocess.Popen[str]:
        """The process in place of a worker."""
        head = (
            "import json, os, pathlib, sys, time\n"
            "ask = json.loads(sys.stdin.readline())\n"
            f"folder = pathlib.Path({str(self.folder)!r})\n"
            "def tell(**content):\n    print(json.dumps(content), flush=True)\n"
            "def wait(name):\n"
            "    while not (folder / name).exists():\n        time.sleep(0.02)\n"
        )
        return subprocess.Popen(
            [sys.executable, "-c", head + self.script],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=notes,
            text=True,
            start_new_session=True,
        )

    def let(self, name: str) -> None:
        """Give the word that the script waits for."""
        (self.folder / name).touch()


def stand_in(monkeypatch: Any, folder: Path, script: str) -> Stand:
    """Have every job run a script instead of the worker."""
    stand = Stand(folder, script)
    monkeypatch.setattr(jobs_module, "_child", stand.child)
    return stand


@contextlib.contextmanager
def served(root: Path) -> Iterator[tuple[str, Jobs]]:
    """A real server over a folder; yields the address that opens it."""
    listener = bind("127.0.0.1", 0)
    door, work = Door(listener.getsockname()[1]), Jobs()
    config = uvicorn.Config(
        build_app(Workspace(root), door, work), log_level="error", ws="none", lifespan="off"
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, args=([listener],), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{door.port}/open?key={door.key}", work
    finally:
        server.should_exit = True
        thread.join(10)
        work.close()
        listener.close()
