"""Where results are kept, as a job is given it, and how long a store that is away is waited for."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path

from harness.rack import Observer, RackNews, StopSwitch, interrupts_stop
from harness.records import RunKind, RunRecord
from harness.store import Store

RUNS = Path("runs")
"""Where reports are written unless told otherwise, below the current folder."""

STORE = str(RUNS / "harness.sqlite")
"""The store unless another is named: a file, or any SQLAlchemy URL."""

LATEST = "latest"
"""The word that stands for the run that was started last; an intake where one is of use."""

AnyStore = Store | str | Path
"""A store as jobs take it: a file, a SQLAlchemy URL, or one that is open and stays so."""


def opened(
    store: AnyStore, opener: Callable[[str | Path], Store] = Store
) -> AbstractContextManager[Store]:
    """Open a store for as long as a job takes. Raises StoreError."""
    return nullcontext(store) if isinstance(store, Store) else opener(store)


def existing(store: AnyStore) -> AbstractContextManager[Store]:
    """Open a store to read from; raises StoreError if there is none."""
    return opened(store, Store.existing)


def named_run(store: Store, name: str, latest: RunKind | None = None) -> RunRecord:
    """Read the run that a person named, by its id or as the latest. Raises StoreError.

    ``latest`` is the kind of run that is meant by that; None takes an intake too.
    """
    return store.latest_run(latest) if name == LATEST else store.run(name)


@contextmanager
def patiently(store: Store, observe: Observer, stop: StopSwitch) -> Iterator[None]:
    """Wait, inside, for a store that is away, until Ctrl-C or the switch ends that."""
    with (
        interrupts_stop(stop),
        store.waiting(lambda text: observe(RackNews(text)), lambda: stop.stopped),
    ):
        yield
