"""Who may talk to the page: its own browser tabs, from its own address, with its own key.

Another page in the same browser can send requests here, and a name on the network
can be pointed at this machine; another user of the machine can open its ports.  So
every request must name this address as its host, come from no foreign page, and
carry the key that the command printed; one that writes must also carry a second
token, which only our own page can read.
"""

from __future__ import annotations

import contextlib
import hmac
import ipaddress
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

ENTRY = "/open"
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
READING = ("GET", "HEAD")
TOKEN_HEADER = "x-noisemap-token"

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; media-src 'self'; frame-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'self'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "SAMEORIGIN",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


def _secret() -> str:
    return secrets.token_urlsafe(24)


@dataclass(frozen=True)
class Door:
    """Address and secrets of one start of the server."""

    port: int
    network: bool = False  # reachable from other machines
    key: str = field(default_factory=_secret)  # in the printed address, then in a cookie
    token: str = field(default_factory=_secret)  # in our page, then in a header of what writes

    @property
    def cookie(self) -> str:
        """Name of the cookie; servers on other ports of this machine share the jar."""
        return f"noisemap-{self.port}"

    def knows_host(self, host: str) -> bool:
        """Whether a Host header names this server.

        On a network an address in figures is taken too; a name never is, because
        names can be pointed anywhere.
        """
        name, colon, port = host.rpartition(":")
        if not colon or "]" in port:
            name, port = host, "80"
        if port != str(self.port):
            return False
        if name.lower() in LOOPBACK:
            return True
        if not self.network:
            return False
        with contextlib.suppress(ValueError):
            return bool(ipaddress.ip_address(name.strip("[]")))
        return False

    def knows_cookie(self, cookies: Mapping[str, str]) -> bool:
        """Whether the browser was let in."""
        return same(cookies.get(self.cookie, ""), self.key)


def same(given: str, wanted: str) -> bool:
    """Comparison that takes as long for a near miss as for a far one."""
    return hmac.compare_digest(given.encode(), wanted.encode())


def cookies_of(headers: Headers) -> dict[str, str]:
    """Cookies of a request."""
    found = {}
    for part in headers.get("cookie", "").split(";"):
        name, _, value = part.strip().partition("=")
        found[name] = value
    return found


def refusal(door: Door, method: str, path: str, headers: Headers) -> str | None:
    """Why a request is refused, in a sentence; None when it may pass."""
    host = headers.get("host", "")
    if not door.knows_host(host):
        return "This page answers only to its own address on this machine."
    origin = headers.get("origin")
    if origin is not None and origin != f"http://{host}":
        return "A page of another address may not talk to this one."
    if path == ENTRY:
        return None
    if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
        return "A page of another address may not talk to this one."
    if not door.knows_cookie(cookies_of(headers)):
        return (
            "Open the whole address that `noisemap serve` printed in its window; "
            "it ends in a key that is made anew at every start."
        )
    if method not in READING and not same(headers.get(TOKEN_HEADER, ""), door.token):
        return "The page is older than the server: reload it, then do it again."
    return None


class Guard:
    """Lets in what `refusal` does not refuse, and puts the safety headers on every answer."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self.app = app
        self.door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        dressed = _dressed(send)
        why = refusal(self.door, scope["method"], scope["path"], Headers(scope=scope))
        if why is not None:
            await sentence(why, 403)(scope, receive, dressed)
            return
        await self.app(scope, receive, dressed)


def sentence(text: str, status: int) -> Response:
    """A plain answer of one sentence."""
    return PlainTextResponse(f"noisemap: {text}\n", status)


def _dressed(send: Send) -> Send:
    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return with_headers
