"""Verdicts and their evidence, as the store holds and reports read them.

Plain frozen values of strings, numbers, tuples and datetimes only, so that they pass through
JSON unchanged. Pins are named, never numbered: a reader needs no shuttle file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Self

from harness.records.long_window import LongWindow
from harness.records.reasons import Origin, Reason
from harness.records.serial_interface import SerialInterface
from harness.records.verdict import Verdict

UNKNOWN_CHIP = "serial number not given"
"""The serial number in a record if none was given for a chip at a port."""


@dataclass(frozen=True)
class PinResult:
    """One tested pin in one cycle. ``expected`` is H, L or Z; ``observed`` is 0, 1 or Z."""

    pin: str
    signal: str
    expected: str
    observed: str


@dataclass(frozen=True)
class EvidenceCycle:
    """One failing cycle: where it is in the table, and every pin that was wrong."""

    cycle: int
    row: int
    line: int
    repetition: int
    label: str
    wrong: tuple[PinResult, ...]


SATISFIES = {"H": "1", "L": "0", "Z": "Z"}
"""What must be observed where a table expects H, L or Z."""


@dataclass(frozen=True)
class BusValue:
    """A bus with a wrong bit in one cycle; values as numbers, bit by bit if one is ``x`` or ``Z``.

    ``differs`` marks the wrong bits; it is empty for a single bit.
    """

    bus: str
    expected: str
    observed: str
    differs: str

    @classmethod
    def of(cls, bus: str, expected: Sequence[str], observed: Sequence[str]) -> Self:
        """Make it from levels (``0 1 Z``, ``x`` where not tested), the highest bit first."""
        pairs = zip(expected, observed, strict=True)
        differs = "".join(str(int(one != other)) for one, other in pairs)
        mask = levels_text(differs) if len(differs) > 1 else ""
        return cls(bus, levels_text("".join(expected)), levels_text("".join(observed)), mask)

    def __str__(self) -> str:
        """``crc[7:0] expected 0x29, observed 0x2B, differs 0x02``."""
        text = f"{self.bus} expected {self.expected}, observed {self.observed}"
        return f"{text}, differs {self.differs}" if self.differs else text


def levels_text(levels: str) -> str:
    """Write levels, highest bit first: as a number, or bit by bit if one is not 0 or 1."""
    if len(levels) < 2:
        return levels
    if set(levels) <= {"0", "1"}:
        return f"0x{int(levels, 2):0{(len(levels) + 3) // 4}X}"
    return f"0b{levels}"


@dataclass(frozen=True)
class SourceLine:
    """A line of the table's file, counted from 1, as its author wrote it."""

    line: int
    text: str


@dataclass(frozen=True)
class Wave:
    """One pin through a window of cycles, a character a cycle.

    ``driven``: ``0 1 C K`` as in the table, ``.`` where the controller did not drive.
    ``observed``: ``0 1 Z`` as read, ``.`` where not read. ``expected``: ``H L Z``, ``.`` where not
    tested.
    """

    pin: str
    signal: str
    driven: str
    observed: str
    expected: str


@dataclass(frozen=True)
class Window:
    """The cycles around the first mismatch, read back whole from the board.

    ``cycles``, ``lines``, ``labels`` and each text of a wave have one entry per cycle of the
    window; anything else raises ValueError.
    """

    cycles: tuple[int, ...]
    lines: tuple[int, ...]
    labels: tuple[str, ...]
    waves: tuple[Wave, ...]

    def __post_init__(self) -> None:
        texts = [text for w in self.waves for text in (w.driven, w.observed, w.expected)]
        if {len(part) for part in (self.lines, self.labels, *texts)} - {len(self.cycles)}:
            raise ValueError("its parts do not have the same number of cycles")


@dataclass(frozen=True)
class PinCount:
    """How often one pin was wrong in the run that is reported."""

    pin: str
    signal: str
    mismatches: int


@dataclass(frozen=True)
class UntilEnd:
    """Where a match loop (a row with ``until``) ended in one run, after ``cycles`` cycles.

    ``matched`` says whether its outputs matched in the last one.
    """

    row: int
    line: int
    cycles: int
    matched: bool


@dataclass(frozen=True)
class Attempt:
    """One run of the table. ``signature`` is the CRC-32 of every tested bit, in hex.

    ``first_cycle``, ``first_row`` and the pins ``first_wrong`` are those of the first mismatch;
    -1 and empty if there was none. ``until`` are the first 64 match loops; none are kept of a
    table without a mismatch in any run.
    """

    number: int
    mismatches: int
    signature: str
    seconds: float
    bytes_sent: int = 0
    bytes_received: int = 0
    round_trips: int = 0
    frames_resent: int = 0
    first_cycle: int = -1
    first_row: int = -1
    first_wrong: tuple[str, ...] = ()
    until: tuple[UntilEnd, ...] = ()


@dataclass(frozen=True)
class Conditions:
    """How the table was run: Hz asked for and achieved, whether every cycle was timed exactly.

    ``gaps`` counts the pauses between exact bursts, in which the clock stood still.
    """

    clock_hz: float
    achieved_hz: float
    exact: bool
    settle_us: float
    reset_cycles: int
    gaps: int = 0


@dataclass(frozen=True)
class WaiverRecord:
    """The waiver that was applied or had expired, as it was then. ``expiry`` is an ISO date."""

    owner: str
    reason: str
    ticket: str
    expiry: str


class RehearsalResult(StrEnum):
    """Whether a table passes on its own design's netlist, if there is one that can be used."""

    PASSES = "passes"
    FAILS = "fails"
    NO_NETLIST = "no-netlist"
    NOT_REHEARSED = "not-rehearsed"


@dataclass(frozen=True)
class TableRow:
    """One row of a table, and the pins to which something applies there."""

    row: int
    line: int
    pins: tuple[str, ...]


@dataclass(frozen=True)
class Coverage:
    """Stuck-at coverage beside a verdict, 0 to 1: of all the design's ``tables``, and ``alone``.

    ``tables`` is None if not all of them are known to be as they were graded. ``cells`` are the
    kinds of cells that faults were counted on.
    """

    tables: float | None
    alone: float
    cells: tuple[str, ...] = ()


@dataclass(frozen=True)
class Rehearsal:
    """One table run on its own design's netlist, from several power-up states.

    ``why`` says why it was not rehearsed (empty if it was). A table fails if it fails from any of
    the ``states``; ``failing_states`` counts those, ``mismatches`` the wrong cycles from the first
    of them, ``first`` is the earliest wrong cycle, None if there is none, and ``values`` are those
    of the buses that are wrong there.

    ``contention`` are the first rows in which the controller would drive a pin that the chip
    drives too, ``contended_rows`` counts all, and ``intended`` says that the table's settings allow
    it. ``unknown`` are the first rows that test an output which an unknown power-up state may
    reach, ``unknown_rows`` counts all. ``still`` names the inputs that no row moves,
    ``slips`` are changes of the table with any of which it would pass. ``coverage`` is what a kept
    grade says of the table; None if there is none, or if it is out of date.
    """

    result: RehearsalResult
    why: str = ""
    states: int = 0
    failing_states: int = 0
    mismatches: int = 0
    first: EvidenceCycle | None = None
    values: tuple[BusValue, ...] = ()
    contention: tuple[TableRow, ...] = ()
    contended_rows: int = 0
    intended: bool = False
    unknown: tuple[TableRow, ...] = ()
    unknown_rows: int = 0
    still: tuple[str, ...] = ()
    slips: tuple[str, ...] = ()
    coverage: Coverage | None = None

    @property
    def refused(self) -> bool:
        """Whether no board may run the table: two drivers would fight, and nobody asked for it."""
        return self.contended_rows > 0 and not self.intended

    @property
    def bad(self) -> bool:
        """Whether the table's author has something to mend."""
        return self.result is RehearsalResult.FAILS or self.refused

    @property
    def contention_text(self) -> str:
        """The pins of the first contended row, and how many rows there are besides."""
        if not self.contention:
            return ""
        pins = ", ".join(self.contention[0].pins)
        return f"controller and chip both drive {pins}{more_rows(self.contended_rows)}"


def more_rows(rows: int) -> str:
    """``, and in 3 more rows``, after the first of them was named; nothing for one row."""
    if rows < 2:
        return ""
    return f", and in {rows - 1} more {'row' if rows == 2 else 'rows'}"


@dataclass(frozen=True)
class Outcome:
    """One design's table on one chip in one slot.

    ``reason`` says why the verdict is as it is, ``summary`` says so in a sentence for a person,
    and ``advice`` what to do next (empty for PASS). The verdict is final if ``rules``, the version
    of the rules that gave it, is not empty; until then it says what this table's evidence gave
    alone, for the reason ``provisional``, which stays. ``cause`` is the key of the run's cause
    that explains the failure, empty if there is none. ``floating`` are the chip pins that followed
    the weak pulls in a tested cycle; ``released`` are those of them that were driven in another,
    so that their contact is good. ``contention`` are the pins that read back another level than
    the controller drove, in the cycles of ``long_window``. ``rows`` counts the table's vectors,
    ``cycles`` what was run. ``conditions``, ``window``, ``long_window`` and ``waiver`` are None
    where there is none; FAIL and UNSTABLE have a waiver only if it has expired, ERROR only one that
    would cover what was wrong if it were the chip's or the design's. ``design_author``
    is empty if the design's file names none; ``rehearsal`` is None if nobody asked what the table
    does on the design's netlist. ``serial`` are the design's serial interfaces, by which the words
    of ``long_window`` can be read; none are kept without it. ``source`` are the table's header and
    the lines around the failing cycles in ``evidence``, unless the table is a spreadsheet.
    """

    slot: str
    chip_serial: str
    board_serial: str
    design: str
    design_title: str
    design_address: int
    design_source: str
    table: str
    table_file: str
    table_sha256: str
    verdict: Verdict
    reason: Reason
    summary: str
    advice: str
    rows: int
    cycles: int
    mismatches: int
    pin_counts: tuple[PinCount, ...]
    evidence: tuple[EvidenceCycle, ...]
    window: Window | None
    attempts: tuple[Attempt, ...]
    conditions: Conditions | None
    waiver: WaiverRecord | None
    started: datetime
    seconds: float
    design_author: str
    provisional: Reason
    rules: str
    cause: str
    floating: tuple[str, ...]
    contention: tuple[str, ...]
    released: tuple[str, ...] = ()
    long_window: LongWindow | None = None
    rehearsal: Rehearsal | None = None
    serial: tuple[SerialInterface, ...] = ()
    source: tuple[SourceLine, ...] = ()

    @property
    def key(self) -> tuple[str, str, str]:
        """Slot, design and table, which tell it from the others of its run."""
        return self.slot, self.design, self.table

    def because(self, reason: Reason) -> Self:
        """Return the same with the verdict, which must be one only, and the advice of a reason."""
        (verdict,) = reason.verdicts
        return replace(self, verdict=verdict, reason=reason, advice=reason.advice)

    @property
    def counts(self) -> bool:
        """Whether it counts for the chip: a fault of the table or the design does not."""
        return not (self.verdict.failed and self.origin in (Origin.TABLE, Origin.DESIGN))

    @property
    def unsettled(self) -> bool:
        """Whether the verdict is provisional: an answer was wrong, and nothing is blamed yet."""
        return not self.rules and (self.verdict.failed or self.reason is Reason.PINS_OPEN)

    @property
    def origin(self) -> Origin:
        """The likely cause."""
        return self.reason.origin

    @property
    def covered(self) -> bool:
        """Whether a waiver covers what was wrong, as long as no board is suspected instead."""
        held = self.verdict is Verdict.ERROR and self.waiver is not None
        return held or self.verdict is Verdict.WAIVED

    @property
    def expired(self) -> bool:
        """Whether a waiver covered this failure until it expired."""
        return self.verdict.failed and self.waiver is not None

    @property
    def ended(self) -> datetime:
        """When it was over; the start if a damaged record says a time that cannot be."""
        try:
            return self.started + timedelta(seconds=self.seconds)
        except (OverflowError, ValueError):
            return self.started
