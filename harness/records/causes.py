"""What a failure may be due to, as a run keeps it: causes, and the kinds of cause in one table.

One rule: a kind is added here and nowhere else. Stores keep the codes, so a code is never renamed
or reused.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Self

from harness.records.reasons import Origin
from harness.records.suspects import Diagnosis


class CauseKind(StrEnum):
    """One kind of cause.

    ``party`` is what it belongs to, ``prior`` its probability for one place in one slot before
    anything was seen, ``meaning`` a line of the reference. Priors are a choice of this project, no
    measurement of silicon; pairs of pins that are not neighbours have a lower one.
    """

    party: Origin
    prior: float
    meaning: str

    def __new__(cls, code: str, party: Origin, prior: float, meaning: str) -> Self:
        """Attach the other columns to the code."""
        member = str.__new__(cls, code)
        member._value_ = code
        member.party, member.prior, member.meaning = party, prior, meaning
        return member

    GOOD = "good", Origin.NONE, 1.0, "Nothing is wrong in the slot."
    OPEN = "open", Origin.BOARD, 1e-3, "A pin has no connection between controller and chip."
    OPEN_NEIGHBOURS = (
        "open-neighbours",
        Origin.BOARD,
        2e-4,
        "Two or three neighbouring pins have no connection.",
    )
    STUCK = "stuck", Origin.BOARD, 5e-4, "A line between controller and chip keeps one level."
    SHORT = "short", Origin.BOARD, 3e-4, "Two lines are connected to each other."
    EXCHANGED = "exchanged", Origin.BOARD, 3e-4, "Two lines are exchanged."
    FLAKY_CONTACT = "flaky-contact", Origin.BOARD, 7e-4, "A pin connects only at times."
    NO_CLOCK = "no-clock", Origin.BOARD, 1e-3, "The chip gets no clock."
    RESET_HELD = "reset-held", Origin.BOARD, 5e-4, "The chip is held in reset."
    RESET_NEVER = "reset-never", Origin.BOARD, 1e-3, "No reset reaches the chip."
    SELECTION = "selection", Origin.BOARD, 3e-4, "A line of the design selection is dead."
    SELECTION_BIT = "selection-bit", Origin.BOARD, 2e-4, "A bit of the design selection is stuck."
    NO_SUPPLY = "no-supply", Origin.BOARD, 1e-3, "The chip has no supply, or none of it responds."
    OTHER_MAP = "other-map", Origin.BOARD, 1e-3, "The pins are wired as on another board."
    TURNED = "turned", Origin.BOARD, 1e-3, "The chip is seated the wrong way round."
    OTHER_SHUTTLE = "other-shuttle", Origin.BOARD, 1e-3, "The chip is one of another shuttle."
    BOARD_UNKNOWN = "board-unknown", Origin.BOARD, 3e-4, "A fault of the board of no kind known."
    DEAD_PAD = "dead-pad", Origin.CHIP, 5e-4, "A pad of the chip is dead."
    ONE_LEVEL_PAD = (
        "one-level-pad",
        Origin.CHIP,
        2e-5,
        "A pad of the chip drives one level only.",
    )
    DESIGN_DEFECT = "design-defect", Origin.CHIP, 1e-3, "This design is defective in this chip."
    DESIGN_MARGIN = (
        "design-margin",
        Origin.DESIGN,
        1e-3,
        "The design fails alike on several chips but not on most: its margin, or the lot.",
    )
    DESIGN_WRONG = (
        "design-wrong",
        Origin.DESIGN,
        1e-3,
        "The design or its table fails alike on most chips.",
    )
    TABLE_WRONG = (
        "table-wrong",
        Origin.TABLE,
        1e-3,
        "The table fails on the netlist of its own design.",
    )
    PROFILE_WRONG = (
        "profile-wrong",
        Origin.BOARD,
        1e-3,
        "Several designs fail on most chips by one set of pins: profile or board revision.",
    )
    BOARD_UNUSABLE = (
        "board-unusable",
        Origin.LINK,
        1e-3,
        "The slot's board could not be reached, did not come back, or is the wrong one.",
    )


@dataclass(frozen=True)
class Candidate:
    """One explanation. ``odds`` is its probability in relation to the best candidate's (1.0).

    ``pins`` are chip pins; ``design`` and ``table`` are empty unless it lies in one, or a defect of
    that design goes with it; ``detail`` is a level, a wire or an address, in a word. Two faults at
    once are candidates of the same ``explanation``, a number from 1; 0 is one of its own.
    """

    kind: CauseKind
    pins: tuple[str, ...]
    design: str
    table: str
    detail: str
    odds: float
    explanation: int = 0


@dataclass(frozen=True)
class Observation:
    """What one table (``design/table``) in one slot says for the best candidate.

    ``weight`` is the natural logarithm of the odds that it adds for the best candidate against the
    second; negative if it speaks against the best.
    """

    slot: str
    table: str
    text: str
    weight: float


@dataclass(frozen=True)
class Overruling:
    """A person's decision on a cause, in place of the tool's."""

    kind: CauseKind
    name: str
    reason: str
    when: datetime


@dataclass(frozen=True)
class Cause:
    """Why tables of a run did not pass.

    ``key`` names it within the run. ``candidates`` are the explanations at odds that matter, best
    first, and the next one. It is ``settled`` if the first is named alone; ``odds`` is then how
    much more probable it is than the next. ``tables`` (``design/table``) are explained by it in
    each of ``slots``. ``swap`` is a slot to exchange the chip with and ``ask`` the tables to run
    then, where that would settle it. ``overruled`` is None unless a person decided otherwise.
    ``suspects`` are those inside each design that may be defective, if they were looked for.
    """

    key: str
    slots: tuple[str, ...]
    chips: tuple[str, ...]
    candidates: tuple[Candidate, ...]
    odds: float
    settled: bool
    tables: tuple[str, ...]
    summary: str
    advice: str
    swap: str
    ask: tuple[str, ...]
    observations: tuple[Observation, ...]
    overruled: Overruling | None
    suspects: tuple[Diagnosis, ...] = ()

    @property
    def explanations(self) -> tuple[tuple[Candidate, ...], ...]:
        """The candidates, those that belong together as one."""
        grouped: dict[int, tuple[Candidate, ...]] = {}
        for place, one in enumerate(self.candidates):
            key = one.explanation or -1 - place
            grouped[key] = (*grouped.get(key, ()), one)
        return tuple(grouped.values())
