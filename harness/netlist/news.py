"""News that something is compiled, which happens once on a computer and takes a while.

The one rule: this loads no compiler; what compiles reports it here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

COMPILING = "compiling what evaluates gates for this computer; once only, it takes up to a minute"

_waiting: list[Callable[[str], None]] = []


@contextmanager
def news_if_compiled(tell: Callable[[str], None]) -> Iterator[None]:
    """Report it if something has to be compiled in this block, and in none before it."""
    _waiting.append(tell)
    try:
        yield
    finally:
        _waiting.remove(tell)


def report_compiling() -> None:
    """Report that something is about to be compiled, once in a process."""
    global _reported  # noqa: PLW0603 - a process compiles for all that runs in it
    if not _reported and _waiting:
        _reported = True
        _waiting[-1](COMPILING)


_reported = False
