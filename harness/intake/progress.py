"""The progress of one chip's intake, and the events that move it on.

Values only: events are typed answers and results of work, and the journal keeps all of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.intake.steps import PLACES, STEPS, IntakeStep, Result, StepResult
from harness.records import PinProof


@dataclass(frozen=True)
class Replied:
    """A line that a person typed."""

    text: str
    at: str


@dataclass(frozen=True)
class Worked:
    """The result of a step that does work.

    ``left`` is how many tables have no verdict yet: NOT RUN or ERROR.
    """

    result: Result
    text: str
    at: str
    pins: tuple[PinProof, ...] = ()
    left: int = 0


@dataclass(frozen=True)
class Measured:
    """The supply current from the board's sensor, in mA; ``text`` is about the link."""

    milliamperes: float
    at: str
    text: str = ""


@dataclass(frozen=True)
class Lost:
    """The board could not be reached; ``text`` says why."""

    text: str
    at: str


@dataclass(frozen=True)
class Halted:
    """A table did not pass and others remain: the person chooses how to go on."""

    text: str
    at: str


@dataclass(frozen=True)
class TakenUp:
    """A chip that was put aside or left unfinished is resumed."""

    at: str


@dataclass(frozen=True)
class Signed:
    """The name of the person who answers, before their first answer in a sitting."""

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
    """The state of one chip's intake.

    ``chip`` is the serial number in the rack file, ``serials`` the shuttle's regular expression,
    ``limit_ma`` the supply limit of the profile, ``sensor`` whether the board measures the
    current. ``choice`` is ``stop`` or ``continue`` after the first table that does not pass, empty
    until chosen; ``halted`` is the text about that table. ``owed`` is the result that needs a
    reason, ``failed`` the one that needs a decision, ``left`` how many tables could then run again.
    ``earlier`` has the results of repeated steps, ``kept`` those that count again once the steps
    before them have been repeated. ``seatings`` counts how often the chip may have been off its
    board since its intake began, ``by`` names the people who answered.
    """

    chip: str
    serials: str
    limit_ma: float
    sensor: bool = False
    choice: str = ""
    results: tuple[StepResult, ...] = ()
    earlier: tuple[StepResult, ...] = ()
    pins: tuple[PinProof, ...] = ()
    stage: Stage = Stage.ANSWER
    owed: Result = Result.SKIPPED
    failed: StepResult | None = None
    left: int = 0
    kept: tuple[StepResult, ...] = ()
    by: tuple[str, ...] = ()
    halted: str = ""
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
        """Whether the board may have been switched on with this chip."""
        if self.step is not None and len(self.results) >= PLACES["rails"]:
            return True
        return any(
            PLACES[done.key] >= PLACES["rails"] and done.result is not Result.NOT_REACHED
            for done in (*self.results, *self.earlier)
        )

    @property
    def tries(self) -> int:
        """How many results the open step had before."""
        step = self.step
        return sum(result.key == step.key for result in self.earlier) if step is not None else 0
