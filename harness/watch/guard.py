"""Checks on every request, and security headers on every response.

One rule: only reading is accepted, only under a name of this computer, and the headers let a
browser load nothing but our own files.
"""

from __future__ import annotations

import ipaddress
import re
import socket

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

READING = ("GET", "HEAD")

POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src data:; "
    "base-uri 'none'; form-action 'none'"
)
"""The content policy of our own pages. Pages with inline style have a policy of their own."""

HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}

_HOST = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[^:\[\]]+)(?::\d{1,5})?")
_LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})


class KnownHosts:
    """The host names that a request may use.

    Any other name could reach this page through DNS, and let a stranger's page read it. If bound to
    all addresses, any numeric address is accepted too, because it involves no DNS.
    """

    def __init__(self, bound: str) -> None:
        self._any_address = bound in {"0.0.0.0", "::", ""}  # noqa: S104 - compared, not bound
        own = (bound, socket.gethostname(), socket.getfqdn()) if not is_local(bound) else (bound,)
        self._names = _LOOPBACK | {name.lower() for name in own if name}

    def accept(self, host: str) -> bool:
        """Return whether a Host header names this page."""
        match = _HOST.fullmatch(host)
        if match is None:
            return False
        name = match.group(1).strip("[]").lower()
        return name in self._names or (self._any_address and _is_address(name))


class Guard:
    """Refuses requests that write or use another host name; adds the headers to every response."""

    def __init__(self, app: ASGIApp, hosts: KnownHosts) -> None:
        self._app = app
        self._hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                _complete(MutableHeaders(scope=message))
            await send(message)

        answer = self._refusal(scope)
        await (answer or self._app)(scope, receive, send_guarded)

    def _refusal(self, scope: Scope) -> ASGIApp | None:
        if not self._hosts.accept(Headers(scope=scope).get("host", "")):
            text = "This page answers only to the names of the computer that it runs on.\n"
            return PlainTextResponse(text, 421)
        if scope["method"] not in READING:
            allowed = {"Allow": ", ".join(READING)}
            return PlainTextResponse("This page can only be read.\n", 405, allowed)
        return None


def is_local(host: str) -> bool:
    """Return whether only this computer can reach a page at this address."""
    if host.lower() == "localhost":
        return True
    return _is_address(host) and ipaddress.ip_address(host).is_loopback


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _complete(headers: MutableHeaders) -> None:
    for name, value in HEADERS.items():
        headers[name] = value
    policy = headers.get("Content-Security-Policy", POLICY)
    headers["Content-Security-Policy"] = f"{policy}; frame-ancestors 'none'"
