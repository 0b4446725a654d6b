"""Reaches a slot's board: waits for one that went away, cycles the power of one that hangs.

One rule: a session that is handed out is with the board that the slot has had all along; whatever
was done to get it is said in words.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol, TypeVar

from harness.board import BoardIdentity
from harness.errors import BoardSilent, Cancelled, HostMisuse, LinkError, PortUnavailable
from harness.link import is_remote
from harness.rack.model import Slot
from harness.rack.ports import find_port
from harness.rack.power import PowerCycle, cycle_power

RETRY_SECONDS = 0.25
POWER_ADVICE = 'or name a command in the rack file that switches it off and on ("power_cycle")'


class Identified(Protocol):
    """The part of a session that is needed here."""

    @property
    def identity(self) -> BoardIdentity:
        """Who answered."""
        ...


Session = TypeVar("Session", bound=Identified)


@dataclass
class Reacher:
    """Opens sessions with one slot's board.

    ``names`` fills the words of the power command: ``port`` and others. ``stopped`` tells
    whether the person stopped the run; ``say`` is told what goes on, in words.
    """

    slot: Slot
    names: dict[str, str]
    stopped: Callable[[], bool]
    say: Callable[[str], None]
    done: list[str] = field(default_factory=list)
    """What was done to the board since somebody last took these remarks."""

    def remarks(self) -> tuple[str, ...]:
        """Take what was done to the board since the last call."""
        done, self.done = tuple(self.done), []
        return done

    def first(self, opener: Callable[[Slot], Session]) -> Session:
        """Open the slot's first session.

        A board that is not there, loses its link or does not give its prompt has ``patience_s`` to
        come to itself; a silent board's power is cycled once. Raises LinkError when that does not
        help, Cancelled when the run stops.
        """
        return self._reach(opener, self.slot)

    def again(self, opener: Callable[[Slot], Session], board: str) -> Session:
        """Open a session after the link was lost, with the board of serial number ``board``.

        It may be at another port by now, if it is one of this computer. Raises as :meth:`first`.
        """
        return self._reach(lambda slot: opener(_found(slot)), replace(self.slot, board=board))

    def _reach(self, opener: Callable[[Slot], Session], slot: Slot) -> Session:
        cycle = slot.power_cycle
        try:
            return self._within(opener, slot, slot.patience_s)
        except BoardSilent as error:
            if cycle is None:
                message = f"{error}; {POWER_ADVICE}"
                raise BoardSilent(message) from error
            did = self._cycle(cycle, error)
        try:
            return self._within(opener, replace(slot, power_cycle=None), cycle.wait_s)
        except LinkError as error:
            message = f"{error}; {did} before"
            raise type(error)(message) from error

    def _cycle(self, cycle: PowerCycle, error: BoardSilent) -> str:
        self.say(f"the board hangs ({error}); cycling its power")
        try:
            did = cycle_power(cycle, self.names)
        except BoardSilent as failed:
            message = f"{error}; {failed}"
            raise BoardSilent(message) from failed
        self.say(did)
        self.done.append(f"The board did not answer, so {did}.")
        return did

    def _within(self, opener: Callable[[Slot], Session], slot: Slot, seconds: float) -> Session:
        """Try until it works or the time is over; a board that hangs is not waited for."""
        end = time.monotonic() + seconds
        place, told = slot, False
        while True:
            try:
                return opener(place)
            except HostMisuse:
                raise
            except LinkError as error:
                hangs = isinstance(error, BoardSilent) and slot.power_cycle is not None
                if hangs or time.monotonic() >= end:
                    raise
                if not told:
                    self.say(f"{error}; trying for {seconds:g} s")
                told = True
            if self.stopped():
                raise Cancelled("stopped")
            time.sleep(RETRY_SECONDS)
            place = _found(slot)


def _found(slot: Slot) -> Slot:
    """Return the slot at the port where its board is now; as it is if no port tells its board."""
    if not slot.board or not slot.port or slot.virtual or is_remote(slot.port):
        return slot
    try:
        return replace(slot, port=find_port(slot.board))
    except PortUnavailable:
        return slot
