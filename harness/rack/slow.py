"""News of work before a board is touched, if it takes long enough for a person to wonder.

One rule: what is quick says nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from harness.rack.boundary import harmless

SLOW_SECONDS = 2.0


@contextmanager
def news_if_slow(
    tell: Callable[[str], None], text: str, seconds: float = SLOW_SECONDS
) -> Iterator[None]:
    """Report a sentence, from another thread, if the work here takes longer than ``seconds``."""
    timer = threading.Timer(seconds, harmless(tell), [text])
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
