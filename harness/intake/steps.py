"""The steps of an intake: what becomes of each, and the words around them.

Values and texts only. A step has a result or has not been reached; there is no third way round it.
Cautions stand before whatever could hurt a person or a chip.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class StepKind(StrEnum):
    """What a step asks for."""

    CONFIRM = "confirm"
    CURRENT = "current"
    SERIAL = "serial"
    WORK = "work"


class Result(StrEnum):
    """What became of a step."""

    DONE = "done"
    FAILED = "failed"
    SKIPPED = "skipped"
    NOT_REACHED = "not reached"
    BROKEN_OFF = "could not be done"


class PinState(StrEnum):
    """What the pin check found out about one pin."""

    REACHED = "reached"
    OPEN = "open"
    STUCK = "stuck"
    SHORTED = "shorted"
    NOT_PROVEN = "not proven"


BAD_PINS = frozenset({PinState.OPEN, PinState.STUCK, PinState.SHORTED})


@dataclass(frozen=True)
class IntakeStep:
    """One step; ``notes`` are shown before ``prompt``. ``{limit}`` stands for the supply limit."""

    key: str
    title: str
    prompt: str
    kind: StepKind = StepKind.CONFIRM
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class StepResult:
    """What became of a step: ``text`` is the answer, the reason, or what was found."""

    key: str
    result: Result
    text: str
    at: str


@dataclass(frozen=True)
class PinResult:
    """One pin of the chip: what was found, and by what."""

    pin: str
    state: PinState
    text: str


NEEDED = frozenset({"serial", "board", "pins", "tables"})
"""Steps without which nobody can say that the chip works."""

STOPPING = frozenset({"damage", "seated", "broken", "cautions", "rails", "current", "board"})
"""Steps after whose failure the chip must not be powered, or cannot be."""

AFRESH = frozenset({"rails", "current", "board"})
"""Steps after whose failure a chip or a board is changed: its seat is looked at again then."""

GENERAL_HELP = (
    "At a step: skip leaves it out, again goes back one. At every question: aside keeps the chip "
    "for later, Ctrl-C leaves. Every answer is kept at once."
)

HANDLING = (
    "The local rules for electrical work and the practice of licensed people come first.",
    "Static electricity: grounded wrist strap and mat; touch the case, not the pins.",
    "The board is switched off and unplugged while a chip is looked at, inserted or removed.",
)
"""Shown before somebody handles a chip."""

CAUTIONS = (
    "The local rules for electrical work and the practice of licensed people come first.",
    "Static electricity: grounded wrist strap and mat; touch the case, not the pins.",
    "Polarity and orientation: pin 1 of chip, carrier and board agree; supply leads not crossed.",
    "Supply limited to {limit} mA before it is switched on.",
    "A part that gets hot is a fault: switch off first, then look. Not with a finger.",
    "Unplug the board before the chip is inserted, removed or reseated.",
)

RESEATING = (
    "The local rules for electrical work and the practice of licensed people come first.",
    "Switch the supply off and unplug the board before you touch the chip.",
    "Static electricity: grounded wrist strap and mat; touch the case, not the pins.",
    "Seat the chip flat, all the way in, pin 1 in place. Then plug in and switch on again.",
    "Something gets hot or smells? Switch off at once, and answer end.",
)
"""Shown before a chip is seated again."""

SWITCHING_OFF = (
    "Switch the supply off now and unplug the board.",
    "Then look for the cause: orientation, polarity, a bent pin, a short. Parts may be hot.",
)
"""Shown when something is wrong with the power."""

STEPS = (
    IntakeStep(
        "damage",
        "Shipping damage",
        "Packing, board and chip came without damage?",
        notes=HANDLING,
    ),
    IntakeStep(
        "seated",
        "Chip carrier",
        "Chip carrier seated: flat, all the way in, pin 1 in place?",
        notes=("The board is unplugged, and you are grounded.",),
    ),
    IntakeStep("broken", "Nothing broken", "Nothing broken, bent, burnt or loose?"),
    IntakeStep("cautions", "Cautions before power", "Read, and done?", notes=CAUTIONS),
    IntakeStep(
        "rails",
        "Rail indicators",
        "Plug in and switch on. Do all rail indicators light?",
    ),
    IntakeStep(
        "current", "Supply current", "Supply current in mA, at most {limit}", StepKind.CURRENT
    ),
    IntakeStep(
        "serial",
        "Chip serial number",
        "Serial number on the chip, typed or scanned",
        StepKind.SERIAL,
    ),
    IntakeStep("board", "Board identity", "Ask the board who it is", StepKind.WORK),
    IntakeStep("pins", "Pin check", "Check that each pin reaches the chip", StepKind.WORK),
    IntakeStep(
        "tables",
        "Intake tables",
        "Run every design's intake tables, quick ones first",
        StepKind.WORK,
    ),
)

PLACES = {step.key: place for place, step in enumerate(STEPS)}

_TITLES = {step.key: step.title for step in STEPS}


def title_of(key: str) -> str:
    """Give the title of a step by its key."""
    return _TITLES[key]
