"""What a listener gets: everything once, then changes, and trouble as news."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import anyio
import pytest

from harness.errors import StoreError
from harness.store import Store
from harness.watch import hub
from harness.watch.hub import Hub, news_since
from harness.watch.pages import Snapshot, troubled
from harness.watch.source import StoreSource, look_at
from harness.watch.state import Overview
from tests.unit.store.nights import keep_nights, night
from tests.unit.store.samples import NOON, heading
from tests.unit.store.test_store import failing_outcome

ONE = Snapshot("t", "s", "h", ("a", "b"), "r", ("r1", "A1", "A2"))


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hub, "LOOK_SECONDS", 0.02)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"a": "PF"})
        yield opened


def test_a_new_listener_hears_everything_and_later_only_what_changed() -> None:
    assert news_since(None, ONE) == {"title": "t", "said": "s", "head": "h", "runs": "r",
                               "cards": ("a", "b")}  # fmt: skip
    assert news_since(ONE, replace(ONE, cards=("a", "c"))) == {
        "title": "t", "said": "s", "changed": {"1": "c"}}  # fmt: skip
    other = replace(ONE, cards=("c",), order=("r2", "A1"))
    assert news_since(ONE, other)["cards"] == ("c",)


def test_the_same_content_has_the_same_mark_and_any_change_another() -> None:
    assert replace(ONE).mark == ONE.mark
    changes = [{"title": ""}, {"head": ""}, {"cards": ("a",)}, {"runs": ""}, {"order": ()}]
    marks = {replace(ONE, **change).mark for change in changes}  # type: ignore[arg-type]
    assert len(marks | {ONE.mark}) == 6


def test_trouble_is_told_beside_what_was_seen_last_without_its_paths() -> None:
    seen = troubled(ONE, "/home/me/s.sqlite: results cannot be read", NOON)
    assert "since 12:00:00 UTC" in seen.head
    assert seen.head.endswith("h")
    assert "/home" not in seen.head
    assert seen.cards == ONE.cards


async def _next(events: Any) -> tuple[str, dict[str, Any]]:
    event = await asyncio.wait_for(anext(events), 10)
    return event.id, json.loads(event.data)


def test_listeners_share_the_looks_and_hear_of_a_new_outcome(store: Store, tmp_path: Path) -> None:
    source = StoreSource(str(tmp_path / "s.sqlite"))

    async def scenario() -> None:
        shared = Hub(lambda rack: look_at(source, rack))
        first, second = (
            shared.events(None, None, anyio.Event()),
            shared.events(None, None, anyio.Event()),
        )
        mark, whole = await _next(first)
        assert "FAIL" in "".join(whole["cards"])
        assert (await _next(second))[0] == mark
        store.record_outcome("bench-1", replace(failing_outcome(), design="b", started=night(1)))
        for listener in (first, second):
            later, change = await _next(listener)
            assert later != mark
            assert "b" in change["changed"]["0"]
        await first.aclose()
        await second.aclose()
        assert shared._subscriptions == {}

    asyncio.run(scenario())
    source.close()


def test_who_knows_the_state_already_hears_only_what_is_new(store: Store, tmp_path: Path) -> None:
    source = StoreSource(str(tmp_path / "s.sqlite"))

    async def scenario() -> None:
        shared = Hub(lambda rack: look_at(source, rack))
        first = shared.events(None, None, anyio.Event())
        mark, _ = await _next(first)
        again = shared.events(None, mark, anyio.Event())
        waiting = asyncio.ensure_future(_next(again))
        await asyncio.sleep(0.2)
        assert not waiting.done()
        store.start_run(heading("newer", night(9)))
        assert (await waiting)[1]["title"] == "No news: bench"
        await first.aclose()
        await again.aclose()

    asyncio.run(scenario())
    source.close()


def test_a_store_that_goes_and_comes_back_is_news_both_times() -> None:
    answers: list[Overview | StoreError] = [
        Overview(None, (), ()), StoreError("gone"), StoreError("still gone"),
        Overview(None, (), ()),
    ]  # fmt: skip

    def look(rack: str | None) -> Overview:
        answer = answers.pop(0) if len(answers) > 1 else answers[0]
        if isinstance(answer, StoreError):
            raise answer
        return answer

    async def scenario() -> list[str]:
        events = Hub(look).events(None, None, anyio.Event())
        titles = [(await _next(events))[1]["title"] for _ in range(4)]
        await events.aclose()
        return titles

    gone = "The store cannot be read"
    assert asyncio.run(scenario()) == ["No run yet", gone, gone, "No run yet"]


def test_the_end_of_the_program_is_the_end_of_every_listening(store: Store, tmp_path: Path) -> None:
    source = StoreSource(str(tmp_path / "s.sqlite"))

    async def scenario() -> None:
        shared, ending = Hub(lambda rack: look_at(source, rack)), anyio.Event()
        events = shared.events(None, None, ending)
        await _next(events)
        ending.set()
        assert await asyncio.wait_for(anext(events, None), 10) is None
        assert shared._subscriptions == {}

    asyncio.run(scenario())
    source.close()


def test_a_file_that_was_replaced_is_opened_anew_and_a_missing_one_not_made(
    tmp_path: Path,
) -> None:
    path = tmp_path / "s.sqlite"
    for name in ("bench", "shelf"):
        with Store(tmp_path / name) as store:
            store.start_run(replace(heading(), rack=name))
    (tmp_path / "bench").rename(path)
    source = StoreSource(str(path))
    assert look_at(source, None).racks == ("bench",)
    path.rename(tmp_path / "old")
    with pytest.raises(StoreError, match="no results are kept here yet"):
        look_at(source, None)
    assert not path.exists()
    (tmp_path / "shelf").rename(path)
    assert look_at(source, None).racks == ("shelf",)
    source.close()
