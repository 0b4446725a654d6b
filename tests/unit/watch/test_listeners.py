"""No more listeners than are said, however many come at once."""

from __future__ import annotations

import asyncio
from collections.abc import MutableMapping
from pathlib import Path
from typing import Any

from harness.store import Store
from harness.watch.addresses import EVENTS
from harness.watch.app import MAX_LISTENERS, make_app
from harness.watch.guard import KnownHosts
from harness.watch.source import StoreSource

SCOPE: dict[str, Any] = {
    "type": "http",
    "method": "GET",
    "path": EVENTS,
    "query_string": b"",
    "headers": [(b"host", b"127.0.0.1:80")],
    "client": ("127.0.0.1", 1),
    "server": ("127.0.0.1", 80),
    "scheme": "http",
}


async def statuses(path: Path, rounds: tuple[int, ...]) -> list[list[int]]:
    """The answers to many requests at once, round by round; a round leaves when it ends."""
    source = StoreSource(str(path))
    app = make_app(source, KnownHosts("127.0.0.1"))

    async def listen(leave: asyncio.Event, got: list[int]) -> None:
        async def receive() -> MutableMapping[str, Any]:
            await leave.wait()
            return {"type": "http.disconnect"}

        async def send(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                got.append(message["status"])

        await app(dict(SCOPE), receive, send)

    found = []
    for number in rounds:
        leave, got = asyncio.Event(), list[int]()
        tasks = [asyncio.create_task(listen(leave, got)) for _ in range(number)]
        while len(got) < number:
            await asyncio.sleep(0.01)
        leave.set()
        await asyncio.gather(*tasks)
        found.append(got)
    source.close()
    return found


def test_no_more_listen_than_are_said_and_a_seat_is_free_again(tmp_path: Path) -> None:
    Store(tmp_path / "s.sqlite").close()
    many = MAX_LISTENERS + 100
    first, then = asyncio.run(statuses(tmp_path / "s.sqlite", (many, MAX_LISTENERS)))
    assert (first.count(200), first.count(503)) == (MAX_LISTENERS, 100)
    assert then.count(200) == MAX_LISTENERS
