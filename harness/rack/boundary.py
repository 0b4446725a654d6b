"""The boundary of a slot: what goes wrong behind it is that slot's trouble, and no other's.

One rule: whoever runs several slots calls what belongs to one of them by :func:`within`, and
whoever tells watchers what happens does it by :func:`harmless`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

from harness.errors import Cancelled, HarnessError, StoreError, ToolFault

LOG = logging.getLogger("harness")
"""Where tracebacks go; commands and nights give it a file."""

SHOWN = 200
"""So many letters of a foreign exception's text stand in a message."""

Result = TypeVar("Result")
Told = TypeVar("Told")


def within(
    where: str, work: Callable[[], Result], failed: Callable[[HarnessError], Result]
) -> Result:
    """Do a part of a slot's work; ``failed`` turns what went wrong into what the slot says of it.

    An exception that nobody thought of comes to ``failed`` as a ToolFault, its traceback and
    ``where`` in the log. What is not this slot's alone passes: KeyboardInterrupt, Cancelled, and
    StoreError, for a store that keeps nothing keeps nothing of any slot.
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
    """Leave a board. One that is gone cannot be left, and that is no news."""
    with suppress(Cancelled):
        within(where, close, lambda _: None)


def harmless(tell: Callable[[Told], None]) -> Callable[[Told], None]:
    """Make a watcher that cannot disturb what it watches; what it raises is logged."""

    def told(event: Told) -> None:
        within("a watcher of the run", lambda: tell(event), lambda _: None)

    return told


def _fault(error: Exception) -> ToolFault:
    text = " ".join(str(error).split())[:SHOWN]
    name = f"{type(error).__name__}: {text}" if text else type(error).__name__
    return ToolFault(
        f"harness itself failed ({name}); please report it, with the traceback in the run's log"
    )
