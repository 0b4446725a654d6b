"""The board of one slot during an intake: opened when it is needed, waited for when it goes away.

One rule: a session that is handed out is with the board that was there before.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from harness.errors import BoardMisbehaved, LinkError
from harness.rack import BoardSession, Opener, Rack, Reacher, Slot, answered, leave, unreached
from harness.records import ChipRecord
from harness.store import Store
from harness.virtual import seat_virtual_chip

Say = Callable[[str], None]


@dataclass
class Seat:
    """A slot, its board and its record in the store.

    ``names`` fill the words of the command that cycles the board's power.
    """

    rack: Rack
    slot: Slot
    run_id: str
    store: Store
    open_slot: Opener
    names: Mapping[str, str]
    say: Say
    remarked: list[str] = field(default_factory=list)
    """What happened to the link since somebody last took these remarks."""
    _session: BoardSession | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        """Make ready to reach the board; nothing is opened yet."""
        words = {"slot": self.slot.name, "board": self.slot.board, "port": self.slot.port}
        self._reacher = Reacher(self.slot, words | dict(self.names), _never, self._hear)

    def session(self) -> BoardSession:
        """Give the session; opens it if there is none.

        A board that is away has ``patience_s`` to be there. Raises LinkError.
        """
        if self._session is None:
            known = self.record()
            if known.agent_version:
                self._session = self._reacher.again(self.open_slot, known.board_serial)
                self._check_same(known.board_serial)
            else:
                self._session = self._reacher.first(self.open_slot)
            self._keep(self._session)
        return self._session

    def introduced(self) -> BoardSession:
        """Give a session with whatever board is there, for it to say who it is."""
        if self._session is None:
            self._session = self._reacher.first(self.open_slot)
        self._keep(self._session)
        return self._session

    def lost(self, error: LinkError) -> None:
        """Note that the link broke in the middle of work that will be done once more."""
        self.close()
        self._hear(f"the link was lost ({error})")
        self.remarked.append("The link was lost once, and this was done again from its start.")

    def remarks(self) -> tuple[str, ...]:
        """Take what happened to the link since the last call."""
        told = (*self.remarked, *self._reacher.remarks())
        self.remarked.clear()
        return told

    def reseated(self) -> None:
        """Let a virtual chip be seated as a person seats a real one: with nothing plugged in."""
        self.close()
        if self.slot.virtual:
            seat_virtual_chip(self.names["switch"])

    def close(self) -> None:
        """Leave the board as it was found."""
        session, self._session = self._session, None
        if session is not None:
            leave(f"slot {self.slot.name}", session.close)

    def record(self) -> ChipRecord:
        """What the store holds of the chip, as far as it came."""
        chips = {chip.slot: chip for chip in self.store.run(self.run_id).chips}
        if self.slot.name not in chips:
            self.store.record_chip(self.run_id, unreached(self.slot))
            return unreached(self.slot)
        return chips[self.slot.name]

    def _check_same(self, known: str) -> None:
        assert self._session is not None
        told = self._session.identity.board_serial
        if known and told.casefold() != known.casefold():
            self.close()
            message = f"the board says it is {told or 'nobody'}, before it was {known}"
            raise BoardMisbehaved(f"{message}; plug every board in where it was")

    def _keep(self, session: BoardSession) -> None:
        """Keep who answered; the outcomes of an earlier sitting stay."""
        record = answered(self.record(), session.identity)
        self.store.record_chip(self.run_id, replace(record, outcomes=()))

    def _hear(self, text: str) -> None:
        self.say(f"  {text[:1].upper()}{text[1:]}.")


def _never() -> bool:
    """Nobody stops an intake but by Ctrl-C, which ends it at once."""
    return False
