"""News of work before a board is touched, if it takes long enough for a person to wonder.

One rule: what is quick says nothing.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from harness.netlist import news_if_compiled
from harness.rack.boundary import harmless

News = TypeVar("News")

SLOW_SECONDS = 2.0
SELDOM_SECONDS = 10.0
"""Minimum time to news of such work, and between two of them."""


@contextmanager
def news_if_slow(
    tell: Callable[[str], None], text: str, seconds: float = SLOW_SECONDS
) -> Iterator[None]:
    """Report a sentence, from another thread, if the work here takes longer than ``seconds``.

    Also if something has to be compiled for it.
    """
    timer = threading.Timer(seconds, harmless(tell), [text])
    timer.daemon = True
    timer.start()
    try:
        with news_if_compiled(harmless(tell)):
            yield
    finally:
        timer.cancel()


def seldom(
    tell: Callable[[News], None],
    seconds: float = SELDOM_SECONDS,
    now: Callable[[], float] = time.monotonic,
) -> Callable[[News], None]:
    """Make a function that passes news on if the last of them, or the start, is long ago."""
    last = now()

    def told(news: News) -> None:
        nonlocal last
        moment = now()
        if moment - last >= seconds:
            last = moment
            tell(news)

    return told
