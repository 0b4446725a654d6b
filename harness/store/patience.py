"""Waits for a database that is away for a while: stopped, restarted, locked by another program.

One rule: only a database that is away is waited for, and only while a listener is informed and
lets it go on; a full disk or a damaged file will not mend itself and is reported at once.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from sqlalchemy.exc import DBAPIError, OperationalError

from harness.errors import StoreError

Tell = Callable[[str], None]
Asked = Callable[[], bool]

T = TypeVar("T")

PATIENCE_SECONDS = 120.0
"""How long a run waits for its store to come back."""

GIVEN_UP = "the run was stopped, so the wait for the store ended"

_PAUSE_SECONDS = 0.25
_MAX_PAUSE_SECONDS = 2.0
_LOOK_SECONDS = 0.1
"""How soon a pause ends once the wait is over."""

_AWAY_STATES = ("08", "57P", "53300", "40")
"""Beginnings of SQLSTATE: no connection, shutting down or starting, too many clients, rolled back.

PostgreSQL documentation, appendix A, "PostgreSQL Error Codes".
"""


def is_away(error: BaseException | None) -> bool:
    """Tell whether a database error may go away by itself within a minute."""
    if not isinstance(error, DBAPIError):
        return False
    if error.connection_invalidated:
        return True
    if not isinstance(error, OperationalError):
        return False
    state = getattr(error.orig, "sqlstate", "")
    if state:
        return str(state).startswith(_AWAY_STATES)
    # psycopg gives no state when there is no connection at all; the errors of sqlite3 have none
    return state is None or "locked" in str(error.orig).lower()


class Patience:
    """Tries again while the database is away, for ``seconds`` from when it was first missed.

    Without a listener it does not wait. Any thread may call; the listener hears of it once.
    """

    def __init__(self, place: str, seconds: float) -> None:
        self._place = place
        self._seconds = seconds
        self._lock = threading.Lock()
        self._tell: Tell | None = None
        self._to_end: Asked = _never
        self._missed: float | None = None

    @property
    def listened_to(self) -> bool:
        """Whether a database that is away is waited for at the moment."""
        return self._tell is not None

    @contextmanager
    def while_told(self, tell: Tell, to_end: Asked) -> Iterator[None]:
        """Wait, inside, for a database that is away; report when it goes and comes back."""
        self._tell, self._to_end = tell, to_end
        try:
            yield
        finally:
            self._tell, self._to_end = None, _never

    def see_through(self, action: Callable[[], T]) -> T:
        """Repeat an action until it succeeds; raises any other error, and its own after the wait.

        Raises StoreError if the wait is ended.
        """
        pause = _PAUSE_SECONDS
        while True:
            try:
                result = action()
            except DBAPIError as error:
                if self._tell is None or not is_away(error):
                    raise
                if not self._to_end() and not self._may_wait(error):
                    raise
                if self._is_to_end_within(pause):
                    raise StoreError(f"{self._place}: {_cause(error)}; {GIVEN_UP}") from error
            else:
                self._is_back()
                return result
            pause = min(2 * pause, _MAX_PAUSE_SECONDS)

    def _is_to_end_within(self, pause: float) -> bool:
        """Pause; tell whether the wait was ended meanwhile, which ends the pause at once."""
        end = time.monotonic() + pause
        while not self._to_end():
            left = end - time.monotonic()
            if left <= 0:
                return False
            time.sleep(min(left, _LOOK_SECONDS))
        return True

    def _may_wait(self, error: DBAPIError) -> bool:
        """Note that the database is away, and report it the first time."""
        with self._lock:
            now = time.monotonic()
            if self._missed is not None:
                return now - self._missed < self._seconds
            self._missed = now
        self._say(
            f"{self._place}: results cannot be kept at the moment ({_cause(error)}); waiting up to "
            f"{self._seconds:g} s for it, nothing measured is lost"
        )
        return True

    def _is_back(self) -> None:
        with self._lock:
            missed, self._missed = self._missed, None
        if missed is not None:
            gone = time.monotonic() - missed
            self._say(
                f"{self._place}: results are kept again after {gone:.0f} s; the run continues"
            )

    def _say(self, text: str) -> None:
        if self._tell is not None:
            self._tell(text)


def _cause(error: DBAPIError) -> str:
    return " ".join(str(error.orig).split())


def _never() -> bool:
    return False
