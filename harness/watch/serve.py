"""Open the port and serve the pages until Ctrl-C.

One rule: a missing store or a port in use is reported before anything is served.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

import uvicorn

from harness.errors import PageUnavailable
from harness.watch.app import make_app
from harness.watch.guard import KnownHosts, is_local
from harness.watch.source import StoreSource

CAUTION = "Caution: anyone on that network can read the results."


@dataclass(frozen=True)
class Watching:
    """A page that is ready to be served.

    ``caution`` is empty if only this computer can reach it.
    """

    address: str
    place: str
    caution: str
    server: uvicorn.Server
    socket: socket.socket

    def serve(self) -> None:
        """Serve until the process is stopped, usually by Ctrl-C."""
        with suppress(KeyboardInterrupt):
            self.server.run(sockets=[self.socket])


@contextmanager
def watching(store: str, host: str, port: int) -> Iterator[Watching]:
    """Open store and port; a port of 0 means any free one.

    Raises StoreError if there is no store, PageUnavailable if the port cannot be opened.
    """
    source = StoreSource(store)
    with source.opened() as opened:
        place = opened.place
    try:
        with _bound(host, port) as bound:
            config = uvicorn.Config(
                make_app(source, KnownHosts(host)),
                log_level="warning",
                access_log=False,
                server_header=False,
                proxy_headers=False,
                lifespan="off",
                ws="none",
                timeout_graceful_shutdown=2,
            )
            caution = "" if is_local(host) else CAUTION
            address = _address(host, bound.getsockname()[1])
            yield Watching(address, place, caution, uvicorn.Server(config), bound)
    finally:
        source.close()


def _address(host: str, port: int) -> str:
    shown = f"[{host}]" if ":" in host else host
    return f"http://{shown}:{port}/"


def _bound(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family)
    except (OSError, OverflowError) as error:
        reason = os.strerror(error.errno) if isinstance(error, OSError) and error.errno else error
        raise PageUnavailable(
            f"{_address(host, port)} cannot be opened ({reason}); "
            "give another --port, or another --host if this computer does not have the address"
        ) from error
