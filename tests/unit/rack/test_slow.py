"""News of work that takes long."""

from __future__ import annotations

import threading

from harness.rack import news_if_slow


def test_only_work_that_takes_long_is_reported() -> None:
    news: list[str] = []
    told = threading.Event()

    def tell(text: str) -> None:
        news.append(text)
        told.set()

    with news_if_slow(tell, "quick", seconds=60.0):
        pass
    with news_if_slow(tell, "slow", seconds=0.01):
        assert told.wait(10.0)
    assert news == ["slow"]
