"""The pages and their addresses.

One rule: every page is made from the store when it is requested; a store that cannot be read gives
a page that says so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import anyio
from sse_starlette import EventSourceResponse
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from harness.errors import StoreError
from harness.judge import changes
from harness.store import Store
from harness.watch import addresses
from harness.watch.guard import Guard, KnownHosts
from harness.watch.hub import Hub
from harness.watch.pages import live_page, live_script, live_style, message_page, snapshot_of
from harness.watch.source import StoreSource, look_at
from harness_reports import (
    Beyond,
    PartOfRun,
    design_of_file,
    history_html,
    history_policy,
    margins_of,
    run_file,
    run_of_file,
    slot_of_file,
    subjects_html,
)

MAX_LISTENERS = 64
"""Maximum number of browsers that listen at once; others are asked to close some pages."""

INDEX = "index.html"
"""The page of a run; it needs no evidence."""

GRACE_SECONDS = 1.0
"""How long a listener's response may take to end when the program stops."""


class _Listening(EventSourceResponse):
    """A response that is among its listeners from before its first event until it ends."""

    def __init__(self, listeners: set[_Listening], *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._listeners = listeners
        listeners.add(self)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._listeners.discard(self)


class Pages:
    """Every page of one store."""

    def __init__(self, source: StoreSource) -> None:
        self._source = source
        self._hub = Hub(lambda rack: look_at(source, rack))
        self._listeners: set[_Listening] = set()

    def home(self, request: Request) -> Response:
        """The live page of a rack."""
        rack = request.query_params.get("rack")
        seen = look_at(self._source, rack)
        page = live_page(snapshot_of(seen), seen.racks, rack, datetime.now(UTC))
        return HTMLResponse(page)

    async def events(self, request: Request) -> Response:
        """The changes of a rack, as server-sent events."""
        if len(self._listeners) >= MAX_LISTENERS:
            return _message(503, "Too many listeners", "Close some of the open pages.")
        rack, known = request.query_params.get("rack"), request.headers.get("last-event-id")
        ending = anyio.Event()
        return _Listening(
            self._listeners,
            self._hub.events(rack, known, ending),
            shutdown_event=ending,
            shutdown_grace_period=GRACE_SECONDS,
        )

    def histories(self, request: Request) -> Response:
        """The list of all histories."""
        del request
        with self._source.opened() as store:
            standings = store.standings()
        return _reported(subjects_html(standings, addresses.LINKS))

    def history(self, request: Request) -> Response:
        """The history of one chip, design or slot."""
        subject = addresses.subject_of(request.query_params)
        if subject is None:
            raise HTTPException(404)
        with self._source.opened() as store:
            history = store.history(subject)
            margins = margins_of(store, subject)
        if not history.met and not margins.own:
            raise HTTPException(404)
        return _reported(history_html(subject, history, addresses.LINKS, margins))

    def run(self, request: Request) -> Response:
        """One file of a run's reports; a chip's file needs only that chip's outcomes."""
        run_id, name = request.path_params["run"], request.path_params["name"]
        with self._source.opened() as store:
            if run_id not in store.runs():
                raise HTTPException(404)
            beyond = Beyond(addresses.LINKS, *store.beside(run_id))
            beyond = replace(beyond, margins=store.margins_behind(run_id))
            earlier = run_of_file(store.runs(), name)
            if earlier is None:
                record = _enough(store, run_id, name)
            else:
                record = whole = store.run(run_id)
                beyond = replace(beyond, since=changes(whole, store.as_baseline(earlier)))
        file = run_file(record, name, beyond)
        if file is None:
            raise HTTPException(404)
        policy = {"Content-Security-Policy": file.policy}
        return StreamingResponse(file.pieces, media_type=file.media_type, headers=policy)


def _enough(store: Store, run_id: str, name: str) -> PartOfRun:
    """Read only the records that a file of a run needs."""
    slot = slot_of_file(store.chips(run_id), name)
    if slot is not None:
        return store.chip(run_id, slot)
    design = design_of_file(store.designs(run_id), name)
    if design is not None:
        return store.design(run_id, design)
    return store.overview(run_id) if name == INDEX else store.run(run_id)


def make_app(source: StoreSource, hosts: KnownHosts) -> Starlette:
    """Route the addresses to their pages."""
    pages = Pages(source)
    return Starlette(
        routes=[
            Route(addresses.HOME, pages.home),
            Route(addresses.EVENTS, pages.events),
            Route(addresses.HISTORIES, pages.histories),
            Route(addresses.HISTORY, pages.history),
            Route("/runs/{run}/{name:path}", pages.run),
            Route(addresses.STYLE, _served(live_style(), "text/css")),
            Route(addresses.SCRIPT, _served(live_script(), "text/javascript")),
        ],
        middleware=[Middleware(Guard, hosts=hosts)],
        exception_handlers={HTTPException: _not_found, StoreError: _not_readable},
    )


def _served(data: bytes, media_type: str) -> Callable[[Request], Response]:
    return lambda _: Response(data, media_type=media_type)


def _reported(page: bytes) -> Response:
    return HTMLResponse(page, headers={"Content-Security-Policy": history_policy()})


def _not_found(request: Request, error: Exception) -> Response:
    del request, error
    return _message(404, "Not found", "This store has nothing of that name.")


def _not_readable(request: Request, error: Exception) -> Response:
    del request
    return _message(503, "The store cannot be read", f"{error}. Reload this page to try again.")


def _message(status: int, title: str, text: str) -> Response:
    return HTMLResponse(message_page(title, text), status_code=status)
