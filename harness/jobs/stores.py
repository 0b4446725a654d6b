"""Open the store that a job was given, and wait for a store that is away."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path

from harness.jobs.choices import LATEST
from harness.rack import RackNews, StopSwitch, interrupts_stop
from harness.records import RunKind, RunRecord
from harness.store import Store

AnyStore = Store | str | Path
"""A file, a SQLAlchemy URL, or an open store, which is left open."""


def opened(
    store: AnyStore, opener: Callable[[str | Path], Store] = Store
) -> AbstractContextManager[Store]:
    """Open a store for the duration of a job. Raises StoreError."""
    return nullcontext(store) if isinstance(store, Store) else opener(store)


def existing(store: AnyStore) -> AbstractContextManager[Store]:
    """Open a store to read from; raises StoreError if there is none."""
    return opened(store, Store.existing)


def named_run(store: Store, name: str, latest: RunKind | None = None) -> RunRecord:
    """Read a run by its id, or the latest. Raises StoreError.

    ``latest`` is the kind of run that ``latest`` means; None includes intakes.
    """
    return store.latest_run(latest) if name == LATEST else store.run(name)


@contextmanager
def patiently(
    store: Store, observe: Callable[[RackNews], None], stop: StopSwitch
) -> Iterator[None]:
    """Wait for a store that is away, inside this context, until Ctrl-C or ``stop``."""
    with (
        interrupts_stop(stop),
        store.waiting(lambda text: observe(RackNews(text)), lambda: stop.stopped),
    ):
        yield
