"""Work on many rows without garbage collection in between.

One rule: records and rows have no reference cycles, so nothing is missed; with tens of thousands of
them the repeated search for cycles takes as long as the work itself.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def undisturbed() -> Iterator[None]:
    """Suspend the collector, inside; for work of a second or two, never for waiting."""
    if not gc.isenabled():
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
