"""News of what takes long enough for a person to wonder, and seldom enough for people.

One rule: what is quick says nothing.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from harness.board import Heard
from harness.netlist import news_if_compiled
from harness.rack.boundary import harmless
from harness.rack.events import CyclesDone, Observer

News = TypeVar("News")

SLOW_SECONDS = 2.0
SELDOM_SECONDS = 10.0
"""Minimum time to news of work before a board is touched, and between two of them."""

EVERY_SECONDS = 1.0
"""Minimum time between two events of a slot at a long table: most tables have none."""


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


def cycles_done(slot: str, observe: Observer, now: Callable[[], float] = time.monotonic) -> Heard:
    """Make a function that passes on how far a long table is, at most once a second.

    It is what a session hears: what its board answers anyway.
    """
    report = harmless(observe)
    return seldom(lambda cycles: report(CyclesDone(slot, cycles)), EVERY_SECONDS, now)
