"""Binding the address and running the page until it is stopped."""

from __future__ import annotations

import contextlib
import ipaddress
import socket
import threading
from collections.abc import Callable
from pathlib import Path

import uvicorn

from noisemap.errors import BusyError, MissingInputError, UsageError
from noisemap.web.app import build_app
from noisemap.web.jobs import Jobs, log_to_window
from noisemap.web.security import Door
from noisemap.web.workspace import STUDY, Workspace

PORT = 8622


def workspace_of(study: Path | None) -> Workspace:
    """The workspace around what the command names: a study file, a folder, or nothing.

    Raises
    ------
    MissingInputError
        When it is not there.
    """
    where = Path() if study is None else study
    if where.is_dir():
        named = where / STUDY
        return Workspace(where, named if named.is_file() else None)
    if where.is_file():
        return Workspace(where.resolve().parent, where)
    raise MissingInputError(
        f"{where}: is not there; name a study file or a folder of studies, or leave it out"
    )


def check_host(host: str, network: bool) -> None:
    """Refuse an address that other machines reach, unless that is asked for.

    Raises
    ------
    UsageError
        When it is no loopback address and the leave is missing.
    """
    if network or is_loopback(host):
        return
    raise UsageError(
        f"--host {host}: other machines could reach the page there, and whoever has its key can "
        "change the studies; add --allow-network if that is what you want"
    )


def is_loopback(host: str) -> bool:
    """Whether an address is reached from this machine alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def bind(host: str, port: int) -> socket.socket:
    """A socket that listens at an address.

    Raises
    ------
    BusyError
        When the port is taken, or the address is not this machine's.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen(64)
    except OSError as error:
        listener.close()
        raise BusyError(
            f"{host}:{port}: cannot listen there ({error.strerror or error}); "
            "name another with --port, or --port 0 for any free one"
        ) from error
    return listener


def serve(workspace: Workspace, host: str, port: int, tell: Callable[[str], None]) -> None:
    """Serve a workspace until the command is stopped; `tell` gets the address to open."""
    listener = bind(host, port)
    port = listener.getsockname()[1]
    door = Door(port, network=not is_loopback(host))
    shown = f"[{host}]" if ":" in host else host
    jobs = Jobs()
    log_to_window()
    config = uvicorn.Config(
        build_app(workspace, door, jobs),
        log_level="error",
        access_log=False,
        server_header=False,
        ws="none",
        lifespan="off",
        timeout_graceful_shutdown=2,
    )
    server = uvicorn.Server(config)
    tell(f"http://{shown}:{port}/open?key={door.key}")
    threading.Thread(target=warm, daemon=True).start()
    # Ctrl-C is the ordinary end; the work that still runs ends with the server.
    with contextlib.suppress(KeyboardInterrupt), listener:
        try:
            server.run([listener])
        finally:
            jobs.close()


def warm() -> None:
    """Load what the first requests need while the browser opens."""
    import noisemap.outputs.offline
    import noisemap.study.load  # noqa: F401
