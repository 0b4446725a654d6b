"""The guided session as a pure step machine: events in, what to ask next out.

One rule: no clock, no file, no terminal and no board here. What a person typed and what work
found are events; the same events always lead to the same state, which is how a session that was
interrupted goes on.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from harness.intake.model import Kind, Result, Step, StepResult
from harness.intake.progress import (
    Event,
    Halted,
    Lost,
    Measured,
    Progress,
    Replied,
    Stage,
    TakenUp,
    Worked,
)
from harness.intake.steps import PLACES, RESEATING, STEPS, STOPPING, SWITCHING_OFF


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
class Aside:
    """The chip was put aside; its intake goes on when it is taken up."""


@dataclass(frozen=True)
class Over:
    """Every step has a result."""


_HINTS = {
    Kind.CONFIRM: "yes, no or skip",
    Kind.CURRENT: "a number, or skip",
    Kind.SERIAL: "serial number, or skip",
    Kind.WORK: "Enter to start, or skip",
}
_REASON_WANTED = {
    Result.FAILED: "What is wrong",
    Result.SKIPPED: "Why is it skipped; this is printed on the card",
}


def upcoming(progress: Progress) -> Ask | Work | Aside | Over:
    """Say what happens next."""
    step = progress.step
    if step is None:
        return Over()
    if progress.aside:
        return Aside()
    if progress.stage is Stage.WORK:
        return Work(step)
    return _ASKED[progress.stage](progress, step)


def advance(progress: Progress, event: Event) -> Progress:
    """Take an event in. An answer that is no answer changes nothing but the complaint."""
    step = progress.step
    if step is None:
        return progress
    match event:
        case Replied(text, at):
            return _replied(progress, step, text.strip(), at)
        case Worked(result, text, at, pins):
            return _came_to(replace(progress, pins=pins or progress.pins), step, result, text, at)
        case Measured(milliamperes, at):
            told = round(milliamperes, 1)
            return _current(progress, step, told, ", measured by the board", at)
        case Lost(text, at):
            lost = StepResult(step.key, Result.BROKEN_OFF, text, at)
            earlier = (*progress.earlier, lost)
            return replace(progress, earlier=earlier, stage=Stage.ANSWER, complaint="")
        case Halted(text):
            return replace(progress, stage=Stage.CHOICE, told=text, complaint="")
        case TakenUp():
            return _taken_up(progress)


def interrupted(progress: Progress) -> Progress:
    """Note that the session ended here: work that was under way is offered again."""
    if progress.stage is not Stage.WORK or _measures(progress):
        return progress
    return replace(progress, stage=Stage.ANSWER)


def _ask_step(progress: Progress, step: Step) -> Ask:
    limit = f"{progress.limit_ma:g}"
    notes = tuple(note.format(limit=limit) for note in step.notes)
    hint = _HINTS[step.kind]
    if step.kind is Kind.CURRENT and progress.sensor:
        hint = "a number, Enter to ask the sensor again, or skip"
    return Ask(step, step.prompt.format(limit=limit), hint, progress.complaint, notes)


def _ask_reason(progress: Progress, step: Step) -> Ask:
    return Ask(step, _REASON_WANTED[progress.owed], "in a few words", progress.complaint)


def _ask_after_failure(progress: Progress, step: Step) -> Ask:
    if step.key == "pins":
        prompt = "Seat the chip again and repeat the pin check, go on to the next step, or end"
        hint = "reseated when that is done, next, end or aside"
        return Ask(step, prompt, hint, progress.complaint, RESEATING)
    if step.key == "tables":
        prompt = "Repeat what could not be tested (a FAIL stays), or end this chip's intake"
        return Ask(step, prompt, "again, end or aside", progress.complaint)
    notes = SWITCHING_OFF if step.key in {"rails", "current"} else ()
    prompt = "End this chip's intake with a hold card, or repeat the step when it was put right"
    return Ask(step, prompt, "end, again or aside", progress.complaint, notes)


def _ask_choice(progress: Progress, step: Step) -> Ask:
    prompt = f"{progress.told}. Stop here, or continue with the other tables"
    return Ask(step, prompt, "stop or continue", progress.complaint)


def _ask_return(progress: Progress, step: Step) -> Ask:
    prompt = f"{progress.chip} was put aside. Was it off its board, or its supply off, since then?"
    return Ask(step, prompt, "yes or no", progress.complaint)


_ASKED = {
    Stage.ANSWER: _ask_step,
    Stage.REASON: _ask_reason,
    Stage.FAILED: _ask_after_failure,
    Stage.CHOICE: _ask_choice,
    Stage.RETURN: _ask_return,
}


def _replied(progress: Progress, step: Step, text: str, at: str) -> Progress:
    if progress.stage is Stage.REASON:
        return _reason(progress, step, text, at)
    if text.casefold() == "aside":
        return replace(progress, aside=True, complaint="")
    return _TAKEN[progress.stage](progress, step, text, at)


def _reason(progress: Progress, step: Step, text: str, at: str) -> Progress:
    if not any(letter.isalnum() for letter in text):
        return replace(progress, complaint="A reason is needed.")
    return _came_to(progress, step, progress.owed, text, at)


def _answer(progress: Progress, step: Step, text: str, at: str) -> Progress:
    word = text.casefold()
    if word == "skip":
        return _owing(progress, Result.SKIPPED)
    if word == "again":
        return _back(progress)
    return _READERS[step.kind](progress, step, text, at)


def _owing(progress: Progress, result: Result) -> Progress:
    return replace(progress, stage=Stage.REASON, owed=result, complaint="")


def _back(progress: Progress) -> Progress:
    """Take the step before once more; what it came to is kept.

    A step that nobody is asked for, for a sensor answers it, is passed over.
    """
    if not progress.results:
        return replace(progress, complaint="This is the first step.")
    place = len(progress.results) - 1
    back = _reopened(progress, place)
    return _reopened(progress, place - 1) if back.stage is Stage.WORK and place else back


def _reopened(progress: Progress, place: int) -> Progress:
    """Go back to a step; results from there on become earlier ones."""
    earlier = (*progress.earlier, *progress.results[place:])
    return _opened(replace(progress, results=progress.results[:place], earlier=earlier))


def _opened(progress: Progress) -> Progress:
    """Open the step that is next: asked for, or measured where the board has a sensor."""
    clean = replace(progress, stage=Stage.ANSWER, failed=None, told="", complaint="")
    return replace(clean, stage=Stage.WORK) if _measures(clean) else clean


def _measures(progress: Progress) -> bool:
    step = progress.step
    return progress.sensor and step is not None and step.kind is Kind.CURRENT


def _came_to(progress: Progress, step: Step, result: Result, text: str, at: str) -> Progress:
    """Give a step its result; a failure is settled when a person has decided about it."""
    if step.key == "pins" and progress.reseated:
        passed = "passed " if result is Result.DONE else ""
        text = f"{text}; {passed}after reseating {_times(progress.reseated)}"
    found = StepResult(step.key, result, text, at)
    if result is Result.FAILED:
        return replace(progress, stage=Stage.FAILED, failed=found, complaint="")
    return _opened(replace(progress, results=(*progress.results, found)))


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _after_failure(progress: Progress, step: Step, text: str, at: str) -> Progress:
    word, failed = text.casefold(), progress.failed
    assert failed is not None
    seating = step.key == "pins"
    if word == "again" or (seating and word == "reseated"):
        again = replace(progress, earlier=(*progress.earlier, failed))
        if word == "reseated":
            again = replace(again, reseated=progress.reseated + 1)
        if step.key == "tables":
            again = replace(again, choice="")  # whoever asks for more is asked again
        opened = _opened(again)
        return replace(opened, stage=Stage.WORK) if step.kind is Kind.WORK else opened
    if word not in ({"next", "end"} if seating else {"end"}):
        words = "reseated, again, next, end" if seating else "end, again"
        return replace(progress, complaint=f"Please answer {words} or aside.")
    results = (*progress.results, failed)
    if word == "end" and step.key in {"pins", *STOPPING}:
        why = f"the intake ended at “{step.title}”"
        rest = STEPS[len(results) :]
        results += tuple(StepResult(left.key, Result.NOT_REACHED, why, at) for left in rest)
    return _opened(replace(progress, results=results))


def _choice(progress: Progress, step: Step, text: str, at: str) -> Progress:
    del step, at
    word = text.casefold()
    if word in {"stop", "continue"}:
        return replace(progress, choice=word, stage=Stage.WORK, told="", complaint="")
    return replace(progress, complaint="Please answer stop or continue.")


def _taken_up(progress: Progress) -> Progress:
    """Go on where the chip was put aside; if it was powered, ask what happened to it since."""
    if len(progress.results) <= PLACES["seated"]:
        return interrupted(replace(progress, aside=False))
    return replace(progress, aside=False, stage=Stage.RETURN, complaint="")


def _returned(progress: Progress, step: Step, text: str, at: str) -> Progress:
    del at
    word = text.casefold()
    if word in {"y", "yes"}:
        kept = (progress.failed,) if progress.failed is not None else ()
        back = _reopened(progress, PLACES["seated"])
        return replace(back, earlier=(*back.earlier, *kept))
    if word in {"n", "no"}:
        stage = Stage.FAILED if progress.failed is not None else Stage.ANSWER
        stage = Stage.CHOICE if progress.told else stage
        return replace(progress, stage=stage, complaint="")
    del step
    return replace(progress, complaint="Please answer yes or no.")


_TAKEN = {
    Stage.ANSWER: _answer,
    Stage.WORK: _answer,  # the work before was broken off and offered anew
    Stage.FAILED: _after_failure,
    Stage.CHOICE: _choice,
    Stage.RETURN: _returned,
}


def _confirm(progress: Progress, step: Step, text: str, at: str) -> Progress:
    word = text.casefold()
    if word in {"y", "yes"}:
        return _came_to(progress, step, Result.DONE, "yes", at)
    if word in {"n", "no"}:
        return _owing(progress, Result.FAILED)
    return replace(progress, complaint="Please answer yes, no or skip.")


def _typed_current(progress: Progress, step: Step, text: str, at: str) -> Progress:
    if not text and progress.sensor:
        return replace(progress, stage=Stage.WORK, complaint="")
    plain = re.sub(r"\s*mA\s*$", "", text, flags=re.IGNORECASE)
    if not re.fullmatch(r"[0-9]{1,6}([.,][0-9]{1,2})?", plain):
        complaint = (
            "Please give milliamperes as a number such as 42 or 42.5, without thousands marks."
        )
        return replace(progress, complaint=complaint)
    return _current(progress, step, float(plain.replace(",", ".")), "", at)


def _current(progress: Progress, step: Step, current: float, by: str, at: str) -> Progress:
    """Hold a current against the profile's limit."""
    limit = f"{progress.limit_ma:g} mA"
    if current > progress.limit_ma:
        why = f"{current:g} mA, more than the limit of {limit}{by}"
        return _came_to(progress, step, Result.FAILED, why, at)
    return _came_to(progress, step, Result.DONE, f"{current:g} mA of at most {limit}{by}", at)


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
    return _came_to(progress, step, Result.DONE, text, at)


def _work(progress: Progress, step: Step, text: str, at: str) -> Progress:
    del step, at
    if text:
        return replace(progress, complaint="Please press Enter to start, or write skip.")
    return replace(progress, stage=Stage.WORK, complaint="")


_READERS = {
    Kind.CONFIRM: _confirm,
    Kind.CURRENT: _typed_current,
    Kind.SERIAL: _serial,
    Kind.WORK: _work,
}
