"""Commits rows of many threads together.

One rule: a caller returns when its own rows are durable, or raises the reason why they are not;
rows of other callers that cannot be kept do not affect it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from harness.errors import StoreError
from harness.store.inserts import Row
from harness.store.patience import is_away

Commit = Callable[[Sequence[Row]], None]
"""Makes rows durable in one transaction, or raises and keeps none of them."""


def _locked() -> threading.Lock:
    lock = threading.Lock()
    lock.acquire()
    return lock


@dataclass(eq=False)
class _Waiting:
    """One caller's rows and their result; the caller is woken when they are done, or to lead.

    ``bed`` is locked until then. A bare lock costs less than an event, and every outcome needs
    one.
    """

    rows: Sequence[Row]
    bed: threading.Lock = field(default_factory=_locked)
    leads: bool = False
    done: bool = False
    failure: BaseException | None = None


class Together:
    """Group commit: callers that arrive during one transaction share the next.

    One caller at a time leads: it commits its own rows with those of all waiting callers, then
    the first that arrived meanwhile leads. ``turn`` is held for every transaction; other writers
    take it too.
    """

    def __init__(self, turn: threading.Lock, commit: Commit) -> None:
        self._turn = turn
        self._commit = commit
        self._lock = threading.Lock()
        self._waiting: list[_Waiting] = []
        self._led = False

    def keep(self, rows: Sequence[Row]) -> None:
        """Return when the rows are durable; raises StoreError if they are not."""
        mine = _Waiting(rows)
        self._join(mine)
        try:
            mine.bed.acquire()
            if mine.leads:
                with self._turn:
                    self._serve_all(self._take())
        finally:
            self._leave(mine)
        if mine.failure is not None:
            # the same error may be raised in many threads: each gets an exception of its own
            raise StoreError(str(mine.failure)) from mine.failure

    def _join(self, mine: _Waiting) -> None:
        """Join the waiting callers; lead if none does."""
        with self._lock:
            self._waiting.append(mine)
            if not self._led:
                self._appoint()

    def _leave(self, mine: _Waiting) -> None:
        """Stop waiting, also when interrupted; a leader hands the lead on."""
        with self._lock:
            if not mine.done and mine in self._waiting:
                self._waiting.remove(mine)
            if mine.leads:
                self._appoint()

    def _appoint(self) -> None:
        self._led = bool(self._waiting)
        if self._led:
            self._waiting[0].leads = True
            self._waiting[0].bed.release()

    def _take(self) -> list[_Waiting]:
        with self._lock:
            taken, self._waiting = self._waiting, []
        return taken

    def _serve_all(self, group: Sequence[_Waiting]) -> None:
        """Commit a group; no caller is left waiting, however that ends."""
        try:
            self._serve(group)
        except BaseException as error:
            _end([one for one in group if not one.done], error)
            raise

    def _serve(self, group: Sequence[_Waiting]) -> None:
        """Commit a group; if some rows make that fail, commit each caller's alone."""
        try:
            self._commit([row for one in group for row in one.rows])
        except StoreError as error:
            if len(group) > 1 and not is_away(error.__cause__):
                for one in group:
                    self._serve([one])
            else:
                _end(group, error)
        else:
            _end(group, None)


def _end(group: Sequence[_Waiting], failure: BaseException | None) -> None:
    for one in group:
        one.done, one.failure = True, failure
        if not one.leads:  # the leader is awake
            one.bed.release()
