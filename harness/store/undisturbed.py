"""Work on many rows at once without the search for reference cycles in between.

One rule: records and rows have no cycles, so nothing is missed; with tens of thousands of them
the search through all that is in memory, again and again, takes as long as the work itself.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def undisturbed() -> Iterator[None]:
    """Put the search off, inside; for work that takes a second or two, never for waiting."""
    if not gc.isenabled():
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
