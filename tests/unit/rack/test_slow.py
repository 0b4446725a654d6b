"""News of work that takes long."""

from __future__ import annotations

import threading

from harness.rack import news_if_slow
from harness.rack.slow import seldom


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


def test_work_that_goes_on_has_news_again_but_seldom() -> None:
    heard: list[str] = []
    moments = iter([0.0, 4.0, 11.0, 12.0, 21.5])
    tell = seldom(heard.append, now=lambda: next(moments))
    for number in range(1, 5):
        tell(f"table {number}")
    assert heard == ["table 2", "table 4"]
