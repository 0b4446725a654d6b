"""All slots of a rack side by side: a thread per slot, one switch that stops them all.

One rule: this file starts, waits for and stops threads; what a slot does is its worker's and its
plan's business.
"""

from __future__ import annotations

import itertools
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import FrameType
from typing import Protocol

from harness.errors import HarnessError
from harness.rack.boundary import within
from harness.rack.worker import StopSwitch

FORCED = 130
"""Exit code of a run that a second Ctrl-C ended: 128 and the number of the signal."""
STOPPING = "\nstopping: the boards are left as they were found; Ctrl-C again ends this at once\n"
_POLL_SECONDS = 0.2
"""How often the waiting thread looks up, so that signals are handled."""


class SlotWork(Protocol):
    """What one slot does, from first to last."""

    @property
    def slot(self) -> str:
        """The slot's name."""
        ...

    def run(self) -> None:
        """Work until done; looks at the switch now and then."""
        ...


class _SlotThread(threading.Thread):
    """A worker's thread; keeps the error that ended it for whoever waits."""

    def __init__(self, worker: SlotWork, stop: StopSwitch) -> None:
        super().__init__(name=f"slot {worker.slot}", daemon=True)
        self.failure: BaseException | None = None
        self._worker = worker
        self._stop_switch = stop

    def run(self) -> None:
        """Work; only what concerns every slot stops the others too."""
        try:
            within(self.name, self._worker.run, self._broke)
        except BaseException as error:  # noqa: BLE001 - raised again where the run is waited for
            self.failure = error
            self._stop_switch.stop()

    def _broke(self, error: HarnessError) -> None:
        self.failure = error


def run_slots(workers: Sequence[SlotWork], stop: StopSwitch) -> None:
    """Run every slot to its end.

    Once the switch is thrown this returns as soon as each has marked the rest as not run. A sink
    that cannot keep results stops every slot. That, and what a slot could not even make an ERROR
    of, is raised here when all have ended.
    """
    threads = [_SlotThread(worker, stop) for worker in workers]
    for thread in threads:
        thread.start()
    for thread in threads:
        while thread.is_alive():
            thread.join(_POLL_SECONDS)
    failure = next((thread.failure for thread in threads if thread.failure is not None), None)
    if failure is not None:
        raise failure


@contextmanager
def interrupts_stop(stop: StopSwitch) -> Iterator[None]:
    """Make Ctrl-C throw the switch, and a second one end the process as it stands (SystemExit).

    The process's locks end with it. Outside the main thread signals are somebody else's.
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
