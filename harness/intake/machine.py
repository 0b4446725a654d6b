"""The guided session as a pure step machine: events in, what to ask next out.

One rule: no clock, no file, no terminal and no board here. What a person typed and what work
found are events; the same events always lead to the same state, which is how a session that was
interrupted goes on.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from harness.intake.model import STEPS, Kind, PinFinding, Result, Step, StepResult


@dataclass(frozen=True)
class Replied:
    """A line that a person typed."""

    text: str
    at: str


@dataclass(frozen=True)
class Worked:
    """What a working step found."""

    result: Result
    text: str
    at: str
    pins: tuple[PinFinding, ...] = ()


Event = Replied | Worked


@dataclass(frozen=True)
class Ask:
    """A question to put; ``complaint`` says why the last answer was no good."""

    step: Step
    prompt: str
    hint: str
    complaint: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Work:
    """Work to do now."""

    step: Step


@dataclass(frozen=True)
class Over:
    """Every step has a result."""


@dataclass(frozen=True)
class Progress:
    """How far the intake of one chip is.

    ``chip`` is the serial number in the rack file, ``serials`` the shuttle's regular expression,
    ``limit_ma`` the supply limit of the profile. ``owed`` is the result for which a reason is
    still wanted.
    """

    chip: str
    serials: str
    limit_ma: float
    results: tuple[StepResult, ...] = ()
    pins: tuple[PinFinding, ...] = ()
    owed: Result | None = None
    working: bool = False
    complaint: str = ""

    @property
    def step(self) -> Step | None:
        """The step that is open; None when all have a result."""
        return STEPS[len(self.results)] if len(self.results) < len(STEPS) else None

    def answer_to(self, key: str) -> str:
        """Text of a step's result; empty if it has none or was not done."""
        found = (r.text for r in self.results if r.key == key and r.result is Result.DONE)
        return next(found, "")


_HINTS = {
    Kind.CONFIRM: "yes, no or skip",
    Kind.NUMBER: "a number, or skip",
    Kind.SERIAL: "serial number, or skip",
    Kind.CHOICE: "stop or continue",
    Kind.WORK: "Enter to start, or skip",
}
_REASON_WANTED = {
    Result.FAILED: "What is wrong",
    Result.SKIPPED: "Why is it skipped; this is printed on the card",
}
STOPPING = frozenset({"damage", "seated", "broken", "rails", "current", "board"})
"""Steps after whose failure the chip must not be powered, or cannot be."""


def upcoming(progress: Progress) -> Ask | Work | Over:
    """Say what happens next."""
    step = progress.step
    if step is None:
        return Over()
    if progress.owed is not None:
        return Ask(step, _REASON_WANTED[progress.owed], "in a few words", progress.complaint)
    if progress.working:
        return Work(step)
    limit = f"{progress.limit_ma:g}"
    notes = tuple(note.format(limit=limit) for note in step.notes)
    return Ask(step, step.prompt.format(limit=limit), _HINTS[step.kind], progress.complaint, notes)


def advance(progress: Progress, event: Event) -> Progress:
    """Take an event in. An answer that is no answer changes nothing but the complaint."""
    step = progress.step
    if step is None:
        return progress
    if isinstance(event, Worked):
        pins = event.pins or progress.pins
        return _settled(replace(progress, pins=pins), step, event.result, event.text, event.at)
    text = event.text.strip()
    if progress.owed is not None:
        if not any(letter.isalnum() for letter in text):
            return replace(progress, complaint="A reason is needed.")
        return _settled(progress, step, progress.owed, text, event.at)
    if text.casefold() == "skip":
        return replace(progress, owed=Result.SKIPPED, complaint="", working=False)
    return _READERS[step.kind](progress, step, text, event.at)


def interrupted(progress: Progress) -> Progress:
    """Note that work under way came to nothing: it is offered again."""
    return replace(progress, working=False)


def _settled(progress: Progress, step: Step, result: Result, text: str, at: str) -> Progress:
    results = (*progress.results, StepResult(step.key, result, text, at))
    if result is Result.FAILED and step.key in STOPPING:
        why = f"the intake ended at “{step.title}”"
        rest = STEPS[len(results) :]
        results += tuple(StepResult(left.key, Result.NOT_REACHED, why, at) for left in rest)
    return replace(progress, results=results, owed=None, working=False, complaint="")


def _confirm(progress: Progress, step: Step, text: str, at: str) -> Progress:
    word = text.casefold()
    if word in {"y", "yes"}:
        return _settled(progress, step, Result.DONE, "yes", at)
    if word in {"n", "no"}:
        return replace(progress, owed=Result.FAILED, complaint="")
    return replace(progress, complaint="Please answer yes, no or skip.")


def _number(progress: Progress, step: Step, text: str, at: str) -> Progress:
    plain = re.sub(r"\s*mA\s*$", "", text, flags=re.IGNORECASE).replace(",", ".")
    try:
        current = float(plain)
    except ValueError:
        current = math.nan
    if not math.isfinite(current) or current < 0:
        return replace(progress, complaint="Please give milliamperes as a number, such as 42.")
    if current > progress.limit_ma:
        why = f"{current:g} mA, more than the limit of {progress.limit_ma:g} mA"
        return _settled(progress, step, Result.FAILED, why, at)
    told = f"{current:g} mA of at most {progress.limit_ma:g} mA"
    return _settled(progress, step, Result.DONE, told, at)


def _serial(progress: Progress, step: Step, text: str, at: str) -> Progress:
    if re.fullmatch(progress.serials, text) is None:
        told = f"“{text[:40]}” is not a serial number of this shuttle ({progress.serials})."
        return replace(progress, complaint=told)
    if text != progress.chip:
        told = (
            f"The rack file says that {progress.chip} is in this slot. Look again; if it is "
            "wrong, press Ctrl-C, correct the rack file and begin again."
        )
        return replace(progress, complaint=told)
    return _settled(progress, step, Result.DONE, text, at)


def _choice(progress: Progress, step: Step, text: str, at: str) -> Progress:
    word = text.casefold()
    if word in {"stop", "continue"}:
        return _settled(progress, step, Result.DONE, word, at)
    return replace(progress, complaint="Please answer stop or continue.")


def _work(progress: Progress, step: Step, text: str, at: str) -> Progress:
    del step, at
    if text:
        return replace(progress, complaint="Please press Enter to start, or write skip.")
    return replace(progress, working=True, complaint="")


_READERS = {
    Kind.CONFIRM: _confirm,
    Kind.NUMBER: _number,
    Kind.SERIAL: _serial,
    Kind.CHOICE: _choice,
    Kind.WORK: _work,
}
