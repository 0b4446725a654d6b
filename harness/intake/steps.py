"""The steps of an intake, their possible results, and their texts.

Values and texts only. A step has a result or has not been reached; there is no way around it.
Cautions come before anything that could hurt a person or a chip.
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
    """The result of a step."""

    DONE = "done"
    FAILED = "failed"
    SKIPPED = "skipped"
    NOT_REACHED = "not reached"
    BROKEN_OFF = "could not be done"


@dataclass(frozen=True)
class IntakeStep:
    """One step; ``notes`` are shown before ``prompt``. ``{limit}`` becomes the supply limit."""

    key: str
    title: str
    prompt: str
    kind: StepKind = StepKind.CONFIRM
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class StepResult:
    """The result of a step; ``text`` is the answer, the reason, or what was found."""

    key: str
    result: Result
    text: str
    at: str


NEEDED = frozenset({"serial", "board", "pins", "tables"})
"""Steps without which a chip cannot be said to work."""

STOPPING = frozenset({"damage", "seated", "broken", "cautions", "rails", "current", "board"})
"""Steps whose failure means that the chip must not, or cannot, be powered."""

AFRESH = frozenset({"rails", "current", "board"})
"""Steps whose failure means exchanging chip or board, so the seating is checked again."""

GENERAL_HELP = (
    "At a step: skip leaves it out, again goes back one. At every question: aside keeps the chip "
    "for later, Ctrl-C leaves. Every answer is saved at once."
)

_RULES = "Local rules for electrical work and the practice of licensed professionals come first."
_STATIC = "Static electricity: grounded wrist strap and mat; touch the case, not the pins."

HANDLING = (
    _RULES,
    _STATIC,
    "Keep the board switched off and unplugged while you inspect, insert or remove a chip.",
)
"""Shown before a chip is handled."""

CAUTIONS = (
    _RULES,
    _STATIC,
    "Polarity and orientation: pin 1 of chip, carrier and board agree; supply leads not crossed.",
    "Supply limited to {limit} mA before it is switched on.",
    "A part that gets hot is a fault: switch off first, then look. Not with a finger.",
    "Unplug the board before the chip is inserted, removed or reseated.",
)

RESEATING = (
    _RULES,
    "Switch the supply off and unplug the board before you touch the chip.",
    _STATIC,
    "Seat the chip flat, all the way in, pin 1 in place. Then plug in and switch on again.",
    "If something gets hot or smells, switch off at once and answer end.",
)
"""Shown before a chip is reseated."""

SWITCHING_OFF = (
    "Switch the supply off now and unplug the board.",
    "Then look for the cause: orientation, polarity, a bent pin, a short. Parts may be hot.",
)
"""Shown when something is wrong with the power."""

STEPS = (
    IntakeStep(
        "damage",
        "Undamaged on arrival",
        "Packing, board and chip arrived undamaged?",
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
    IntakeStep("board", "Board identity", "Ask the board for its identity", StepKind.WORK),
    IntakeStep("pins", "Pin check", "Check that each pin reaches the chip", StepKind.WORK),
    IntakeStep(
        "tables",
        "Intake tables",
        "Run every design's intake tables, quick ones first",
        StepKind.WORK,
    ),
)

PLACES = {step.key: place for place, step in enumerate(STEPS)}


def numbered(step: IntakeStep) -> str:
    """``Step 3 of 10: Nothing broken, bent, burnt or loose?``, with its place for the limit."""
    return f"Step {PLACES[step.key] + 1} of {len(STEPS)}: {step.prompt}"


def title_of(key: str) -> str:
    """Return the title of a step by its key."""
    return STEPS[PLACES[key]].title
