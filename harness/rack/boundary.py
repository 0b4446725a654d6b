"""The boundary of a slot: what goes wrong inside concerns that slot and no other.

One rule: code that runs several slots calls the work of each through :func:`within`, and reports to
watchers through :func:`harmless`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

from harness.errors import Cancelled, HarnessError, StoreError, ToolFault

LOG = logging.getLogger("harness")
"""The logger for tracebacks; commands and nights give it a file."""

MAX_SHOWN = 200
"""Maximum number of characters of an unexpected exception's text in a message."""

Result = TypeVar("Result")
News = TypeVar("News")


def within(
    where: str, work: Callable[[], Result], failed: Callable[[HarnessError], Result]
) -> Result:
    """Do part of a slot's work; ``failed`` turns an error into the slot's result.

    An unexpected exception reaches ``failed`` as a ToolFault; its traceback and ``where`` go to the
    log. What concerns more than this slot passes through: KeyboardInterrupt, Cancelled, and
    StoreError, because a store that fails fails for every slot.
    """
    try:
        return work()
    except (Cancelled, StoreError):
        raise
    except HarnessError as error:
        return failed(error)
    except Exception as error:
        LOG.exception("%s: please report this fault of harness itself", where)
        return failed(_fault(error))


def leave(where: str, close: Callable[[], None]) -> None:
    """Leave a board; errors are ignored, because a board that is gone cannot be left."""
    with suppress(Cancelled):
        within(where, close, lambda _: None)


def harmless(watcher: Callable[[News], None]) -> Callable[[News], None]:
    """Wrap a watcher so that it cannot disturb the run; what it raises is logged."""

    def guarded(event: News) -> None:
        within("a watcher of the run", lambda: watcher(event), lambda _: None)

    return guarded


def _fault(error: Exception) -> ToolFault:
    text = " ".join(str(error).split())[:MAX_SHOWN]
    name = f"{type(error).__name__}: {text}" if text else type(error).__name__
    return ToolFault(
        f"harness itself failed ({name}); please report it, with the traceback in the run's log"
    )
