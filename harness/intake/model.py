"""What an intake is made of: its steps, what became of each, and the record of a chip.

Values only. A step has a result or has not been reached; there is no third way round it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from harness.judge import ChipRecord, RunRecord, Verdict


class Kind(StrEnum):
    """What a step asks for."""

    CONFIRM = "confirm"
    NUMBER = "number"
    SERIAL = "serial"
    CHOICE = "choice"
    WORK = "work"


class Result(StrEnum):
    """What became of a step."""

    DONE = "done"
    FAILED = "failed"
    SKIPPED = "skipped"
    NOT_REACHED = "not reached"


class PinState(StrEnum):
    """What the pin check found out about one pin."""

    REACHED = "reached"
    OPEN = "open"
    STUCK = "stuck"
    SHORTED = "shorted"
    NOT_PROVEN = "not proven"


BAD_PINS = frozenset({PinState.OPEN, PinState.STUCK, PinState.SHORTED})


@dataclass(frozen=True)
class Step:
    """One step; ``notes`` are shown before ``prompt``. ``{limit}`` stands for the supply limit."""

    key: str
    title: str
    prompt: str
    kind: Kind = Kind.CONFIRM
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class StepResult:
    """What became of a step: ``text`` is the answer, the reason, or what was found."""

    key: str
    result: Result
    text: str
    at: str


@dataclass(frozen=True)
class PinFinding:
    """One pin of the chip: what was found, and by what."""

    pin: str
    state: PinState
    text: str


@dataclass(frozen=True)
class ChipIntake:
    """All that is known of one chip when its intake is over; a card is made from this alone.

    ``report_sha256`` is that of the chip's HTML report as written.
    """

    run: RunRecord
    chip: ChipRecord
    by: str
    at: datetime
    results: tuple[StepResult, ...]
    pins: tuple[PinFinding, ...]
    report_sha256: str

    @property
    def hold_reasons(self) -> tuple[str, ...]:
        """Why the chip may not be handed out; empty if it may."""
        return (*self._failed(), *self._unchecked(), *self._tables())

    def _failed(self) -> tuple[str, ...]:
        return tuple(
            f"{title_of(r.key)}: {r.text}" for r in self.results if r.result is Result.FAILED
        )

    def _unchecked(self) -> tuple[str, ...]:
        done = {r.key for r in self.results if r.result is not Result.NOT_REACHED}
        lost = [step for step in STEPS if step.key not in done]
        skipped = [
            f"{title_of(r.key)} was skipped: {r.text}"
            for r in self.results
            if r.result is Result.SKIPPED and r.key in NEEDED
        ]
        missing = [f"{lost[0].title} was not reached"] if lost else []
        return (*skipped, *missing)

    def _tables(self) -> tuple[str, ...]:
        if self.chip.trouble:
            return (self.chip.trouble,)
        fine = {Verdict.PASS, Verdict.WAIVED, Verdict.NOT_RUN}
        bad = [o for o in self.chip.outcomes if o.verdict not in fine]
        left = sum(o.verdict is Verdict.NOT_RUN for o in self.chip.outcomes)
        told = tuple(f"{o.design} / {o.table} is {o.verdict}: {o.summary}" for o in bad)
        told += (f"{left} intake tables were not run",) if left else ()
        return told or (() if self.chip.outcomes else ("no table was run on the chip",))


NEEDED = frozenset({"serial", "board", "pins", "choice", "tables"})
"""Steps without which nobody can say that the chip works."""

CAUTIONS = (
    "The local rules for electrical work and the practice of licensed people come first.",
    "Static electricity: grounded wrist strap and mat; touch the case, not the pins.",
    "Polarity and orientation: pin 1 of chip, carrier and board agree; supply leads not crossed.",
    "Supply limited to {limit} mA before it is switched on.",
    "A part that gets hot is a fault: switch off first, then look. Not with a finger.",
    "Unplug the board before the chip is inserted, removed or reseated.",
)

STEPS = (
    Step("damage", "Shipping damage", "Packing, board and chip came without damage?"),
    Step("seated", "Chip carrier", "Chip carrier seated: flat, all the way in, pin 1 in place?"),
    Step("broken", "Nothing broken", "Nothing broken, bent, burnt or loose?"),
    Step("cautions", "Cautions before power", "Read, and done?", notes=CAUTIONS),
    Step(
        "rails",
        "Rail indicators",
        "Plug in and switch on. Do all rail indicators light?",
    ),
    Step("current", "Supply current", "Supply current in mA, at most {limit}", Kind.NUMBER),
    Step(
        "serial", "Chip serial number", "Serial number on the chip, typed or scanned", Kind.SERIAL
    ),
    Step("board", "Board identity", "Ask the board who it is", Kind.WORK),
    Step("pins", "Pin check", "Check that each pin reaches the chip", Kind.WORK),
    Step(
        "choice",
        "When a table does not pass",
        "After a table that does not pass: stop or continue",
        Kind.CHOICE,
    ),
    Step(
        "tables", "Intake tables", "Run every design's intake tables, quick ones first", Kind.WORK
    ),
)

_TITLES = {step.key: step.title for step in STEPS}


def title_of(key: str) -> str:
    """Give the title of a step by its key."""
    return _TITLES[key]
