"""How far the intake of one chip is, and what can happen to it.

Values only: events are what a person typed and what work found, all of them kept in the journal.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.intake.steps import PLACES, STEPS, IntakeStep, PinResult, Result, StepResult


@dataclass(frozen=True)
class Replied:
    """A line that a person typed."""

    text: str
    at: str


@dataclass(frozen=True)
class Worked:
    """What a working step found.

    ``left`` is how many tables have no verdict yet: not run, or not tested.
    """

    result: Result
    text: str
    at: str
    pins: tuple[PinResult, ...] = ()
    left: int = 0


@dataclass(frozen=True)
class Measured:
    """What the board's sensor says that the chip draws, in mA; ``text`` tells of the link."""

    milliamperes: float
    at: str
    text: str = ""


@dataclass(frozen=True)
class Lost:
    """The board could not be talked to; ``text`` says why."""

    text: str
    at: str


@dataclass(frozen=True)
class Halted:
    """A table did not pass, others are left: a person chooses how to go on."""

    text: str
    at: str


@dataclass(frozen=True)
class TakenUp:
    """A chip that was put aside, or left in the middle, has its turn again."""

    at: str


@dataclass(frozen=True)
class Signed:
    """Somebody began to answer for the chip; stands before the first answer of a sitting."""

    by: str
    at: str


Event = Replied | Worked | Measured | Lost | Halted | TakenUp | Signed


class Stage(StrEnum):
    """What is expected next."""

    ANSWER = "answer"
    REASON = "reason"
    WORK = "work"
    FAILED = "failed"
    CHOICE = "choice"
    RETURN = "return"


@dataclass(frozen=True)
class Progress:
    """How far the intake of one chip is.

    ``chip`` is the serial number in the rack file, ``serials`` the shuttle's regular expression,
    ``limit_ma`` the supply limit of the profile, ``sensor`` whether the board measures the
    current. ``choice`` is ``stop`` or ``continue`` after the first table that does not pass,
    empty until somebody chose. ``owed`` is the result for which a reason is wanted, ``failed``
    the one about which a person decides, ``left`` how many tables could run again then.
    ``earlier`` has results of steps that were repeated, ``kept`` those that stand again once the
    steps before them are repeated. ``seatings`` counts how often the chip may have been off its
    board since its intake began, ``by`` names who answered.
    """

    chip: str
    serials: str
    limit_ma: float
    sensor: bool = False
    choice: str = ""
    results: tuple[StepResult, ...] = ()
    earlier: tuple[StepResult, ...] = ()
    pins: tuple[PinResult, ...] = ()
    stage: Stage = Stage.ANSWER
    owed: Result = Result.SKIPPED
    failed: StepResult | None = None
    left: int = 0
    kept: tuple[StepResult, ...] = ()
    by: tuple[str, ...] = ()
    told: str = ""
    reseated: int = 0
    seatings: int = 0
    aside: bool = False
    complaint: str = ""

    @property
    def step(self) -> IntakeStep | None:
        """The step that is open; None when all have a result."""
        return STEPS[len(self.results)] if len(self.results) < len(STEPS) else None

    @property
    def powered(self) -> bool:
        """Whether somebody may have switched the board on with this chip."""
        if self.step is not None and len(self.results) >= PLACES["rails"]:
            return True
        return any(
            PLACES[found.key] >= PLACES["rails"] and found.result is not Result.NOT_REACHED
            for found in (*self.results, *self.earlier)
        )

    @property
    def tries(self) -> int:
        """How often the open step came to something before."""
        step = self.step
        return sum(found.key == step.key for found in self.earlier) if step is not None else 0
