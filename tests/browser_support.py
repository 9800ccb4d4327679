"""A headless Chromium for the tests that must see a page run."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking")


@dataclass
class Watched:
    """A page and what it did: console errors, script errors, requests, dialogs."""

    page: Any
    faults: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


@contextlib.contextmanager
def opened(path: Path, width: int = 1280, height: int = 800) -> Iterator[Watched]:
    """Open a file in Chromium and watch it; skip the test where there is none."""
    with opened_at(path.as_uri(), width, height) as watched:
        yield watched


@contextlib.contextmanager
def opened_at(address: str, width: int = 1280, height: int = 800) -> Iterator[Watched]:
    """Open an address in Chromium and watch it; skip the test where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not CHROMIUM.exists():
        pytest.skip(f"no Chromium at {CHROMIUM}")
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=list(ARGUMENTS))
        try:
            page = browser.new_context(viewport={"width": width, "height": height}).new_page()
            page.set_default_timeout(90_000)  # a machine at work may stand still for a while
            watched = Watched(page)
            page.on("console", lambda m: watched.faults.append(m.text) if m.type == "error" else 0)
            page.on("pageerror", lambda error: watched.faults.append(str(error)))
            page.on("dialog", lambda dialog: watched.faults.append(dialog.message))
            page.on("request", lambda request: watched.requests.append(request.url))
            page.goto(address)
            yield watched
        finally:
            browser.close()
