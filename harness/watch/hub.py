"""The listeners, and the one look per second at the store that they share.

One rule: without listeners the store is not read. A store that cannot be read is news like any
other.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncGenerator, AsyncIterator, Callable
from contextlib import aclosing, asynccontextmanager
from datetime import UTC, datetime
from functools import partial
from typing import Any

import anyio
import anyio.to_thread
from sse_starlette import ServerSentEvent

from harness.errors import StoreError
from harness.watch.pages import Snapshot, snapshot_of, troubled
from harness.watch.state import Overview

LOOK_SECONDS = 1.0
"""The pause between two looks at the store."""

RETRY_MILLISECONDS = 2000
"""How soon a browser reconnects after it lost the connection."""

Look = Callable[[str | None], Overview]


class Subscription:
    """The listeners to one rack, or to the rack that ran last."""

    def __init__(self, look: Callable[[], Overview]) -> None:
        self._look = look
        self._listeners = 0
        self._latest: Snapshot | None = None
        self._sound: Snapshot | None = None
        self._bad_since: datetime | None = None
        self._news = asyncio.Condition()
        self._looking: asyncio.Task[None] | None = None

    @property
    def listeners(self) -> int:
        """The number of listeners now."""
        return self._listeners

    async def events(
        self, known: str | None, ending: anyio.Event
    ) -> AsyncGenerator[ServerSentEvent, None]:
        """Yield the whole state, unless its mark is ``known``, then each change.

        Ends when ``ending`` is set.
        """
        async with self._joined(ending):
            before: Snapshot | None = None
            mark = known
            while True:
                async with self._news:
                    await self._news.wait_for(partial(self._differs_or, ending, mark))
                    now = self._latest
                if ending.is_set():
                    return
                if now is not None:
                    yield _event(before, now)
                    before, mark = now, now.mark

    def _differs_or(self, ending: anyio.Event, mark: str | None) -> bool:
        differs = self._latest is not None and self._latest.mark != mark
        return differs or ending.is_set()

    async def _wake(self, ending: anyio.Event) -> None:
        await ending.wait()
        async with self._news:
            self._news.notify_all()

    @asynccontextmanager
    async def _joined(self, ending: anyio.Event) -> AsyncIterator[None]:
        self._listeners += 1
        waking = asyncio.create_task(self._wake(ending))
        if self._looking is None:
            self._latest = None  # what was seen before the last listener left is stale
            self._looking = asyncio.create_task(self._keep_looking())
        try:
            yield
        finally:
            waking.cancel()
            self._listeners -= 1
            if not self._listeners and self._looking is not None:
                self._looking.cancel()
                self._looking = None

    async def _keep_looking(self) -> None:
        while True:
            snapshot = await anyio.to_thread.run_sync(self._snapshot, abandon_on_cancel=True)
            if self._latest is None or snapshot.mark != self._latest.mark:
                async with self._news:
                    self._latest = snapshot
                    self._news.notify_all()
            await asyncio.sleep(LOOK_SECONDS)

    def _snapshot(self) -> Snapshot:
        """Look once; called in a thread, because a database may block."""
        try:
            self._sound = snapshot_of(self._look())
        except StoreError as error:
            self._bad_since = self._bad_since or datetime.now(UTC)
            return troubled(self._sound, str(error), self._bad_since)
        self._bad_since = None
        return self._sound


class Hub:
    """All subscriptions; each exists while it has listeners."""

    def __init__(self, look: Look) -> None:
        self._look = look
        self._subscriptions: dict[str | None, Subscription] = {}

    async def events(
        self, rack: str | None, known: str | None, ending: anyio.Event
    ) -> AsyncGenerator[ServerSentEvent, None]:
        """Yield events of one rack, or of the latest (None); see :meth:`Subscription.events`."""
        subscription = self._subscriptions.setdefault(rack, Subscription(lambda: self._look(rack)))
        try:
            async with aclosing(subscription.events(known, ending)) as events:
                async for event in events:
                    yield event
        finally:
            if not subscription.listeners:
                self._subscriptions.pop(rack, None)


def news_since(before: Snapshot | None, now: Snapshot) -> dict[str, Any]:
    """Return what is not shown yet: everything at first, then only the changes."""
    news: dict[str, Any] = {"title": now.title, "said": now.said}
    if before is None or before.head != now.head:
        news["head"] = now.head
    if before is None or before.runs != now.runs:
        news["runs"] = now.runs
    if before is None or before.order != now.order:
        news["cards"] = now.cards
    else:
        pairs = enumerate(zip(before.cards, now.cards, strict=True))
        changed = {str(at): card for at, (old, card) in pairs if old != card}
        if changed:
            news["changed"] = changed
    return news


def _event(before: Snapshot | None, now: Snapshot) -> ServerSentEvent:
    data = {"now": datetime.now(UTC).isoformat(), **news_since(before, now)}
    return ServerSentEvent(json.dumps(data), event="rack", id=now.mark, retry=RETRY_MILLISECONDS)
