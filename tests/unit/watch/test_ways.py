"""From every page to every page: each link leads to something, and none of them is a dead end."""

from __future__ import annotations

import asyncio
import posixpath
import re
from collections.abc import Callable, MutableMapping
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urljoin

import pytest
from lxml import html

import harness
from harness.records import RunRecord, Verdict
from harness.store import Store
from harness.watch.app import make_app
from harness.watch.guard import KnownHosts
from harness.watch.source import StoreSource
from tests.unit.reports.margin_samples import search
from tests.unit.reports.samples import sample_run
from tests.unit.reports.test_causes import OPEN
from tests.unit.watch.test_listeners import SCOPE

_RUN = sample_run()
LATER = replace(_RUN, chips=(_RUN.chips[2], _RUN.chips[0], _RUN.chips[5]))
EARLIER = replace(LATER, run_id="before", started=LATER.started - timedelta(days=1))
KINDS = {
    "rack": r"^/(\?rack=.*)?",
    "run": "index.html",
    "chip": "chips/[^/]+/[^/]+.html",
    "design": "designs/[^/]+.html",
    "changes": "since-before.html",
    "all histories": "(/histories|history/index.html)",
    "history": r"(/history\?|history/(chip|design|slot)-).*",
}


@dataclass(frozen=True)
class Page:
    """Where the links of a page lead, and the places in it; a file that is no page has neither."""

    links: frozenset[str]
    places: frozenset[str]


def keep(store: Store) -> tuple[RunRecord, RunRecord]:
    """Two runs of a rack: in the later one a chip has failed with a cause, and margins."""
    chips = list(LATER.chips)
    chips[0] = replace(
        chips[0],
        outcomes=tuple(
            replace(one, cause=OPEN.key if one.verdict is Verdict.FAIL else "")
            for one in chips[0].outcomes
        ),
    )
    later = replace(LATER, chips=tuple(chips), causes=(replace(OPEN, slots=("A3",)),))
    for run in (EARLIER, later):
        store.start_run(replace(run, finished=None))
        store.record_causes(run.run_id, run.causes)
        store.finish_run(run.run_id, run.started, cancelled=False)
    store.record_margin(replace(search(), chip_serial="SP2-0001", rack=LATER.rack))
    return store.run(EARLIER.run_id), store.run(LATER.run_id)


def crawl(start: str, read: Callable[[str], bytes]) -> dict[str, Page]:
    """Read every page that can be reached, by its address."""
    pages, waiting = dict[str, Page](), [start]
    while waiting:
        address = waiting.pop()
        if address in pages:
            continue
        data = read(address)
        if not data.lstrip().startswith(b"<!DOCTYPE html"):
            pages[address] = Page(frozenset(), frozenset())
            continue
        tree = html.fromstring(data)
        given = (link for _, name, link, _ in tree.iterlinks() if name == "href")
        links = frozenset(urljoin(address, link) for link in given if not link.startswith("data:"))
        pages[address] = Page(links, frozenset(tree.xpath("//@id")))
        waiting += [link.partition("#")[0] for link in links]
    return pages


def check(pages: dict[str, Page], home: str, *missing: str) -> None:
    """Find no link to a place that is not there, every kind of page, and a way home from each."""
    for address, page in pages.items():
        for link in page.links:
            target, _, place = link.partition("#")
            assert not place or unquote(place) in pages[target].places, (address, link)
    kinds = (
        k for k, pattern in KINDS.items() if any(re.search(f"{pattern}$", one) for one in pages)
    )
    assert set(kinds) == KINDS.keys() - set(missing)
    ways = {
        address: {link.partition("#")[0] for link in page.links} for address, page in pages.items()
    }
    home_bound, grown = {home}, True
    while grown:
        more = {one for one, to in ways.items() if to & home_bound} - home_bound
        home_bound, grown = home_bound | more, bool(more)
    lost = {one for one, page in pages.items() if page.places} - home_bound
    assert lost == set()


async def asked(app: Any, path: str) -> bytes:
    """Ask the pages of a store for one of them; anything but an answer is an error."""
    target, _, query = path.partition("?")
    scope = {**SCOPE, "path": unquote(target), "query_string": query.encode()}
    body = []

    async def receive() -> MutableMapping[str, Any]:
        await asyncio.Event().wait()  # the browser stays
        raise AssertionError

    async def send(message: MutableMapping[str, Any]) -> None:
        assert message.get("status", 200) == 200, path
        body.append(message.get("body", b""))

    await app(scope, receive, send)
    return b"".join(body)


def test_every_served_page_leads_to_every_other(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as store:
        keep(store)
    source = StoreSource(str(tmp_path / "s.sqlite"))
    app = make_app(source, KnownHosts("127.0.0.1"))
    with asyncio.Runner() as runner:
        pages = crawl("/", lambda path: runner.run(asked(app, path)))
    source.close()
    check(pages, "/")


def test_every_written_page_leads_to_every_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with Store("runs/s.sqlite") as store:
        earlier, later = keep(store)
        for run in (earlier, later):
            harness.write_reports(run, store=store)
        (margins,) = harness.write_margin_pages(store.margins(), store=store)
    found = crawl(str(margins), lambda path: Path(posixpath.normpath(unquote(path))).read_bytes())
    assert any("history/chip-SP2-0001.html" in one for one in found)
    home = f"runs/{later.run_id}/index.html"
    pages = crawl(home, lambda path: Path(posixpath.normpath(unquote(path))).read_bytes())
    check(pages, home, "rack")
