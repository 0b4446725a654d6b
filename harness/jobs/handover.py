"""Leave a board so that it starts a design by itself at power-up, and restore what it did before.

One rule: what was on the board is in the store before anything is written to the board.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import numpy as np

from harness.board import (
    MAIN,
    STARTED,
    RunConditions,
    Session,
    Startup,
    bring_back,
    check_room,
    named_handover,
    put_startup,
)
from harness.errors import BoardMisbehaved, ConfigError, RunUnfit, StoreError
from harness.hand import Value, held_levels
from harness.jobs.choices import RUNS, STORE
from harness.jobs.find import design_of
from harness.jobs.open_chip import slot_of
from harness.jobs.stores import AnyStore, existing, opened
from harness.rack import BoardSession, Policy, Rack, Slot, Station, reachable
from harness.records import HandoverRecord, Verdict, kept_program, latest_of_boards
from harness.shuttle import Design
from harness.store import Store, of_chip
from harness.table import Pattern
from harness_reports import write_power_up

HOLDER = "a handover"
LABELS = "handovers"
"""The folder of labels, in that of the runs."""
BOOT = "boot.py"
LOWEST_HZ = 0.25
"""The slowest clock that every backend can make."""
START_SECONDS = 20.0
"""Time for a board to compile its modules and start the design."""
RAISED = re.compile(r"\w+(Error|Refused|Interrupt)\b")
"""The line in which an interpreter names an exception."""
MAX_MEASURED = 2000
"""Maximum number of cycles by which the rate is measured."""

Done = TypeVar("Done")


@dataclass(frozen=True)
class HandedOver:
    """A handover that was done or undone; ``boot`` says that the board also has a ``boot.py``.

    ``label`` says what the board does at power-up, for whoever has it; None after an undo.
    ``displaced`` is the earlier handover of a board with this serial number, if the board did not
    start its design any more. ``trouble`` is why labels are not as they should be, or empty.
    """

    record: HandoverRecord
    boot: bool = False
    label: Path | None = None
    displaced: HandoverRecord | None = None
    trouble: str = ""


@dataclass(frozen=True)
class _Wish:
    """What a board is to wake up with."""

    slot: Slot
    design: Design
    rate_hz: float
    levels: Mapping[str, Value]
    held: Pattern
    passed: datetime | None
    reason: str

    @property
    def conditions(self) -> RunConditions:
        """The conditions of the clock, after as many reset cycles as any of the tables has."""
        cycles = max((spec.reset_cycles for spec in self.design.tables), default=2)
        return RunConditions(self.rate_hz, reset_cycles=cycles)


def hand_over(
    rack: Rack,
    slot: str,
    design: str,
    rate_hz: float | None = None,
    levels: Mapping[str, Value] | None = None,
    reason: str = "",
    store: AnyStore = STORE,
    out: str | Path = RUNS,
) -> HandedOver:
    """Leave a slot's board so that it starts ``design`` by itself at power-up.

    Then it selects the design, resets it, holds its inputs and clocks it at ``rate_hz`` (by default
    the rate of its fastest table), without a computer, until Ctrl-C. ``levels`` are held on inputs,
    by name, as :meth:`HandledChip.set` takes them; the others are low, or inactive. The board's own
    ``main.py`` is kept in the store. The board is restarted once, to see that it starts the design.

    A design that did not pass on this chip when its tables were judged last, or a rate above those
    of its tables, needs a ``reason``, which is kept. A label for the board is written to
    ``out/handovers/``.

    Raises ConfigError for names and slots that cannot be used, ValueError for levels or rates that
    cannot be, RunUnfit without a reason, LinkError if the board cannot be reached, has no room or
    does not start the design; then its own program is restored.
    """
    place = _real(rack, slot)
    with opened(store) as kept:
        wish = _wish(rack, place, design, rate_hz, levels or {}, reason.strip(), kept)

        def work(session: Session, board: str) -> HandedOver:
            return _handed(session, rack, board, wish, kept)

        try:
            done = _at_board(rack, place, work)
        except BaseException:
            with suppress(StoreError):  # what happened to the board matters more
                _labelled(place.chip, kept, out)
            raise
        return _with_label(done, kept, out)


def take_back(rack: Rack, slot: str, store: AnyStore = STORE, out: str | Path = RUNS) -> HandedOver:
    """Restore the ``main.py`` that a slot's board had before it was handed over, byte for byte.

    Its label in ``out/handovers/`` is removed.

    Raises RunUnfit if the store has no handover of this board, or the board has another program by
    now; otherwise as :func:`hand_over`.
    """
    place = _real(rack, slot)
    with existing(store) as kept:
        done = _at_board(rack, place, lambda session, board: _undone(session, board, kept))
        return _with_label(done, kept, out)


def _with_label(done: HandedOver, store: Store, out: str | Path) -> HandedOver:
    """Write or remove a label; what is done to the board stays done, whatever becomes of it."""
    try:
        return replace(done, label=_labelled(done.record.chip_serial, store, out))
    except StoreError as error:
        return replace(done, trouble=str(error))


def _labelled(chip: str, store: Store, out: str | Path) -> Path | None:
    """Write the label that a chip needs by the store; remove all that no longer hold.

    A board that goes on to another chip leaves a label behind.
    """
    known, folder = store.handovers(), Path(out) / LABELS
    latest = {one.chip_serial: one for one in latest_of_boards(known)}
    for left in {one.chip_serial for one in known} - latest.keys():
        write_power_up(left, None, folder)
    return write_power_up(chip, latest.get(chip), folder)


def _real(rack: Rack, name: str) -> Slot:
    """Return the slot; raises ConfigError for one that the rack lacks, and for a virtual one."""
    slot = slot_of(rack, name)
    if slot.virtual:
        raise ConfigError.of(
            "virtual-slot",
            rack.file,
            f"slot {slot.name} is virtual, and a virtual board has no flash",
            "hand over a board at a port",
        )
    return slot


def _wish(
    rack: Rack,
    slot: Slot,
    name: str,
    rate_hz: float | None,
    levels: Mapping[str, Value],
    reason: str,
    store: Store,
) -> _Wish:
    """Check everything that can be checked without the board."""
    design, highest = design_of(rack.shuttle, name), rack.profile.max_rate_hz
    tried = max((spec.clock_hz for spec in design.tables), default=design.clock_hz)
    rate = min(tried, highest) if rate_hz is None else rate_hz
    if not LOWEST_HZ <= rate <= highest:
        raise ValueError(
            f"a rate of {rate:,.10g} Hz; {rack.profile.name} can clock at {LOWEST_HZ:g} to "
            f"{highest:,.10g} Hz"
        )
    held = held_levels(design, rack.shuttle, levels)
    passed, against = _standing(store, slot.chip, design)
    if rate > tried:
        against = against or f"no table of {name} runs at {rate:,.10g} Hz, only at {tried:,.10g} Hz"
    if against and not reason:
        raise RunUnfit(f"{store.place}: {against}; give a reason to hand it over all the same")
    return _Wish(slot, design, rate, levels, held, passed, reason if against else "")


def _standing(store: Store, chip: str, design: Design) -> tuple[datetime | None, str]:
    """Return when a design's tables were judged last on a chip, and what speaks against it."""
    lines = [one for one in store.history(of_chip(chip)).lines if one.design == design.name]
    judged = [one.standing.last_judged for one in lines if one.standing.last_judged is not None]
    if not judged:
        return None, f"no table of {design.name} was judged on {chip} yet"
    now = dict.fromkeys(spec.name for spec in design.tables if not spec.unconfirmed)
    now |= {line.table: line.standing.now for line in lines}
    bad = [
        f"{design.name}/{table} {verdict or 'not judged'}"
        for table, verdict in now.items()
        if verdict is not Verdict.PASS
    ]
    against = f"{design.name} did not pass on {chip} ({', '.join(bad)})" if bad else ""
    return max(judged), against


def _at_board(rack: Rack, slot: Slot, work: Callable[[Session, str], Done]) -> Done:
    """Work on the session with a slot's board, whose serial number it is given."""
    with reachable(rack, HOLDER) as reached:
        station = Station(slot, reached.open_slot, Policy(must_be=slot.board))

        def on(session: BoardSession) -> Done:
            board = station.record.board_serial
            if not board or not isinstance(session, Session):
                raise BoardMisbehaved(
                    "the board has no serial number, so nothing can be kept for it"
                )
            return work(session, board)

        with closing(station):
            return station.once(on)


def _handed(session: Session, rack: Rack, board: str, wish: _Wish, store: Store) -> HandedOver:
    record = _clocked(session, rack, board, wish)
    startup = session.startup(wish.design, wish.held, wish.conditions, record.key)
    files = session.files()
    program = files.read(MAIN)
    earlier = _started_by(program, board, store)
    own = program if earlier is None else earlier.program
    displaced = _in_force(board, store) if earlier is None else None
    record = replace(record, folder=startup.folder, before=kept_program(own))
    boot = BOOT in files.entries()
    check_room(files, startup)
    store.record_handover(record)
    put_startup(files, startup, own)
    _see_start(session, record, startup, store)
    record = replace(record, finished=datetime.now(UTC))
    store.record_handover(record)
    return HandedOver(record, boot, displaced=displaced)


def _clocked(session: Session, rack: Rack, board: str, wish: _Wish) -> HandoverRecord:
    """Clock the design for a moment, to see the rate; begin the record."""
    session.select(wish.design)
    cycles = max(1, min(MAX_MEASURED, round(wish.rate_hz / 5)))
    measured = replace(wish.held, repeat=np.array([cycles], np.uint32))
    capture = session.run(measured, wish.conditions)
    clocked = bool(wish.held.pulse.any())
    return HandoverRecord(
        handover_id=f"{datetime.now(UTC):%Y%m%d-%H%M%S-%f}-{wish.slot.name}",
        begun=datetime.now(UTC),
        chip_serial=wish.slot.chip,
        board_serial=board,
        rack=rack.name,
        slot=wish.slot.name,
        design=wish.design.name,
        rate_hz=wish.rate_hz if clocked else 0.0,
        achieved_hz=capture.achieved_hz if clocked else 0.0,
        exact=capture.exact,
        levels=tuple(f"{name}={value}" for name, value in wish.levels.items()),
        passed=wish.passed,
        reason=wish.reason,
        folder="",
        before=None,
    )


def _started_by(program: bytes | None, board: str, store: Store) -> HandoverRecord | None:
    """Return the handover that wrote this ``main.py``; a later one may have been cut short."""
    key = named_handover(program)
    mine = [one for one in store.handovers() if (one.board_serial, one.key) == (board, key)]
    return mine[0] if mine and mine[0].folder else None  # a damaged record has no folder


def _in_force(board: str, store: Store) -> HandoverRecord | None:
    """Return the latest handover of a board with this serial number, unless it is undone."""
    known = {one.board_serial: one for one in latest_of_boards(store.handovers())}
    return known.get(board)


def _see_start(session: Session, record: HandoverRecord, startup: Startup, store: Store) -> None:
    """Restart the board; if it does not start the design, restore its own program and raise."""
    printed = session.own_program(STARTED, START_SECONDS)
    if STARTED in printed:
        return
    bring_back(session.files(), record.program)
    store.record_handover(replace(record, undone=datetime.now(UTC)))
    lines = [line.strip() for line in printed.splitlines() if line.strip()]
    errors = [line for line in lines if RAISED.match(line)]
    said = f"it said {(errors or lines)[-1][:120]!r}" if lines else "it said nothing"
    raise BoardMisbehaved(
        f"the board did not start {record.design} from {startup.folder} ({said}), so its own "
        "program is back; if it has a boot.py, that may be in the way"
    )


def _undone(session: Session, board: str, store: Store) -> HandedOver:
    files = session.files()
    program = files.read(MAIN)
    record = _started_by(program, board, store) or _not_started(program, board, store)
    bring_back(files, record.program)
    record = replace(record, undone=datetime.now(UTC))
    for one in store.handovers():  # those that were cut short before the board started their design
        cut = one.finished is None and one.undone is None and one.before == record.before
        if one.board_serial == board and cut and one.folder:
            store.record_handover(replace(one, undone=record.undone))
    store.record_handover(record)
    return HandedOver(record)


def _not_started(program: bytes | None, board: str, store: Store) -> HandoverRecord:
    """Return the handover of a board that has its own program, since it was cut short."""
    record = _in_force(board, store)
    if record is None and named_handover(program):
        raise RunUnfit(
            f"{store.place}: board {board} was handed over, but not with this store; name the one "
            "in which its own program is kept"
        )
    if record is None:
        raise RunUnfit(f"{store.place}: board {board} was not handed over, or it is undone already")
    if not record.folder:
        raise RunUnfit(f"{store.place}: {record.reason}")
    if program != record.program:
        raise RunUnfit(
            f"{store.place}: {MAIN} on board {board} is not the one that was handed over, and was "
            "left alone; hand the board over again to keep it and replace it"
        )
    return record
