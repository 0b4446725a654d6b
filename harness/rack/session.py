"""A slot's session with its board, what opens one, and the switch that stops all of them."""

from __future__ import annotations

import itertools
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from types import FrameType
from typing import Protocol

from harness.board import BoardIdentity
from harness.errors import Cancelled
from harness.judge import PatternRunner
from harness.rack.model import Slot
from harness.shuttle import Design

FORCED = 130
"""Exit code of a run that a second Ctrl-C ended: 128 and the number of the signal."""
STOPPING = "\nstopping: the boards are left as they were found; Ctrl-C again ends this at once\n"


class BoardSession(PatternRunner, Protocol):
    """The part of a board session that a slot needs."""

    @property
    def identity(self) -> BoardIdentity:
        """Who answered."""
        ...

    def supply_ma(self) -> float | None:
        """Measure the supply current in mA; None if the board cannot; raises LinkError."""
        ...

    def select(self, design: Design) -> None:
        """Select a design; raises LinkError."""
        ...

    def cancel(self) -> None:
        """Make a running ``run`` raise Cancelled; callable from another thread."""
        ...

    def close(self) -> None:
        """Leave the board as it was found."""
        ...


Opener = Callable[[Slot], BoardSession]


@dataclass
class StopSwitch:
    """Stops every slot: sets a flag and cancels the open sessions."""

    _stopped: threading.Event = field(default_factory=threading.Event)
    _sessions: list[BoardSession] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def stopped(self) -> bool:
        """Whether the run was asked to stop."""
        return self._stopped.is_set()

    def heed(self) -> None:
        """Raise Cancelled if the run was asked to stop."""
        if self.stopped:
            raise Cancelled("stopped")

    def stop(self) -> None:
        """Ask every slot to stop soon."""
        self._stopped.set()
        with self._lock:
            for session in self._sessions:
                session.cancel()

    def watch(self, session: BoardSession) -> None:
        """Cancel a session when the run stops."""
        with self._lock:
            self._sessions.append(session)
        if self.stopped:
            session.cancel()

    def forget(self, session: BoardSession) -> None:
        """Stop watching a session."""
        with self._lock, suppress(ValueError):
            self._sessions.remove(session)


@contextmanager
def interrupts_stop(stop: StopSwitch) -> Iterator[None]:
    """Make Ctrl-C throw the switch, and a second one end the process at once (SystemExit).

    The process's locks end with it. Outside the main thread nothing changes.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    presses = itertools.count()

    def on_interrupt(number: int, frame: FrameType | None) -> None:
        del number, frame
        if next(presses):  # counted before anything that takes time, where the next may come
            sys.exit(FORCED)
        sys.stderr.write(STOPPING)
        stop.stop()

    before = signal.signal(signal.SIGINT, on_interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
