"""The guided session as a pure step machine, advanced by one event at a time.

One rule: no clock, no file, no terminal and no board here. Typed answers and results of work are
events; the same events always lead to the same state, which is how an interrupted session resumes.
"""

from __future__ import annotations

import re
from dataclasses import replace

from harness.intake.progress import (
    Event,
    Halted,
    Lost,
    Measured,
    Progress,
    Replied,
    Signed,
    Stage,
    TakenUp,
    Worked,
)
from harness.intake.steps import (
    AFRESH,
    PLACES,
    STEPS,
    STOPPING,
    IntakeStep,
    Result,
    StepKind,
    StepResult,
)
from harness.shuttle import is_serial

_NO_REASON = {
    *("y", "yes", "n", "no", "skip", "end", "next", "stop", "continue", "reseated"),
}
"""Answers to other questions, which are not taken as a reason."""


def advance(progress: Progress, event: Event) -> Progress:
    """Apply an event. An invalid answer changes nothing but the complaint."""
    step = progress.step
    if step is None:
        return progress
    match event:
        case Replied(text, at):
            return _replied(progress, step, text.strip(), at)
        case Worked(result, text, at, pins, left):
            ahead = replace(progress, pins=pins or progress.pins, left=left)
            return _came_to(ahead, step, result, text, at)
        case Measured(milliamperes, at, text):
            by = ", measured by the board" + (f". {text}" if text else "")
            return _current(progress, step, round(milliamperes, 1), by, at)
        case Lost(text, at):
            lost = StepResult(step.key, Result.BROKEN_OFF, text, at)
            earlier = (*progress.earlier, lost)
            return replace(progress, earlier=earlier, stage=Stage.ANSWER, complaint="")
        case Halted(text):
            return replace(progress, stage=Stage.CHOICE, halted=text, complaint="")
        case TakenUp():
            return _taken_up(progress)
        case Signed(by):
            return progress if by in progress.by else replace(progress, by=(*progress.by, by))


def _replied(progress: Progress, step: IntakeStep, text: str, at: str) -> Progress:
    if text.casefold() == "aside":
        return replace(progress, aside=True, complaint="")
    return _TAKEN[progress.stage](progress, step, text, at)


def _reason(progress: Progress, step: IntakeStep, text: str, at: str) -> Progress:
    word = text.casefold()
    if word == "again":
        return replace(progress, stage=Stage.ANSWER, complaint="")
    if word in _NO_REASON or not any(letter.isalnum() for letter in text):
        return replace(progress, complaint="Please give a reason; again goes back to the question.")
    return _came_to(progress, step, progress.owed, text, at)


def _answer(progress: Progress, step: IntakeStep, text: str, at: str) -> Progress:
    word = text.casefold()
    if word == "skip":
        return _owing(progress, Result.SKIPPED)
    if word == "again":
        return _back(progress)
    return _READERS[step.kind](progress, step, text, at)


def _owing(progress: Progress, result: Result) -> Progress:
    return replace(progress, stage=Stage.REASON, owed=result, complaint="")


def _back(progress: Progress) -> Progress:
    """Go back one step; its earlier result is kept.

    A step that a sensor answers is passed over.
    """
    if not progress.results:
        return replace(progress, complaint="This is the first step.")
    place = len(progress.results) - 1
    back = _reopened(progress, place)
    return _reopened(progress, place - 1) if back.stage is Stage.WORK and place else back


def _reopened(progress: Progress, place: int) -> Progress:
    """Go back to a step; results from there on become earlier ones.

    Going back to the seating counts as reseating: the chip may have been taken out.
    """
    earlier = (*progress.earlier, *progress.results[place:])
    back = replace(progress, results=progress.results[:place], earlier=earlier)
    if place <= PLACES["seated"]:
        earlier = (*earlier, *progress.kept)
        back = replace(back, earlier=earlier, kept=(), seatings=progress.seatings + 1)
    return _opened(back)


def _afresh(progress: Progress) -> Progress:
    """Begin again at the seating, because chip or board may have been exchanged."""
    failed = (progress.failed,) if progress.failed is not None else ()
    back = _reopened(progress, PLACES["seated"])
    return replace(back, earlier=(*back.earlier, *failed))


def _seated_again(progress: Progress, failed: StepResult) -> Progress:
    """Repeat rails and current before the pins; the serial numbers of chip and board are kept."""
    first, after = PLACES["rails"], PLACES["current"] + 1
    return _opened(
        replace(
            progress,
            results=progress.results[:first],
            earlier=(*progress.earlier, *progress.results[first:after], failed),
            kept=progress.results[after:],
            reseated=progress.reseated + 1,
            seatings=progress.seatings + 1,
        )
    )


def _opened(progress: Progress) -> Progress:
    """Open the next step: ask for it, or measure it if the board has a sensor."""
    clean = replace(progress, stage=Stage.ANSWER, failed=None, halted="", complaint="")
    return replace(clean, stage=Stage.WORK) if _measures(clean) else clean


def _measures(progress: Progress) -> bool:
    step = progress.step
    return progress.sensor and step is not None and step.kind is StepKind.CURRENT


def _came_to(progress: Progress, step: IntakeStep, result: Result, text: str, at: str) -> Progress:
    """Give a step its result; a failure first waits for the person's decision."""
    if step.key == "pins" and progress.reseated:
        passed = "passed " if result is Result.DONE else ""
        text = f"{text.rstrip('.')}; {passed}after reseating {_times(progress.reseated)}"
    outcome = StepResult(step.key, result, text, at)
    if result is Result.FAILED:
        return replace(progress, stage=Stage.FAILED, failed=outcome, complaint="")
    results = (*progress.results, outcome)
    if progress.kept and len(results) == PLACES[progress.kept[0].key]:
        return _opened(replace(progress, results=(*results, *progress.kept), kept=()))
    return _opened(replace(progress, results=results))


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _after_failure(progress: Progress, step: IntakeStep, text: str, at: str) -> Progress:
    word, failed = text.casefold(), progress.failed
    assert failed is not None
    words = _words_after_failure(progress, step)
    if word not in words:
        return replace(progress, complaint=f"Please answer {', '.join(words)} or aside.")
    if word == "reseated":
        return _seated_again(progress, failed)
    if word == "again":
        return _repeated(progress, step, failed)
    results = (*progress.results, failed)
    if word == "end" and step.key in {"pins", *STOPPING}:
        results += _unreached(progress, step, len(results), at)
    return _opened(replace(progress, results=results, kept=()))


def _words_after_failure(progress: Progress, step: IntakeStep) -> tuple[str, ...]:
    if step.key == "pins":
        return ("reseated", "next", "end")
    if step.key == "tables" and not progress.left:
        return ("end",)
    return ("end", "again")


def _repeated(progress: Progress, step: IntakeStep, failed: StepResult) -> Progress:
    """Repeat a step; before tables run again, the choice after a failure is asked for again."""
    if step.key in AFRESH:
        return _afresh(progress)
    choice = "" if step.key == "tables" else progress.choice
    earlier = (*progress.earlier, failed)
    opened = _opened(replace(progress, earlier=earlier, choice=choice))
    return replace(opened, stage=Stage.WORK) if step.kind is StepKind.WORK else opened


def _unreached(progress: Progress, step: IntakeStep, place: int, at: str) -> tuple[StepResult, ...]:
    """Give the remaining steps a result: the one that was kept, or why there is none."""
    why = f"the intake ended at “{step.title}”"
    kept = {result.key: result for result in progress.kept}
    return tuple(
        kept.get(left.key) or StepResult(left.key, Result.NOT_REACHED, why, at)
        for left in STEPS[place:]
    )


def _choice(progress: Progress, _step: IntakeStep, text: str, _at: str) -> Progress:
    word = text.casefold()
    if word in {"stop", "continue"}:
        return replace(progress, choice=word, stage=Stage.WORK, halted="", complaint="")
    return replace(progress, complaint="Please answer stop or continue.")


def _taken_up(progress: Progress) -> Progress:
    """Resume a chip; if it was seated, ask what has happened to it since."""
    here = replace(progress, aside=False, complaint="")
    if len(progress.results) <= PLACES["seated"]:
        return here
    return replace(here, stage=Stage.RETURN)


def _returned(progress: Progress, _step: IntakeStep, text: str, _at: str) -> Progress:
    word = text.casefold()
    if word in {"y", "yes"}:
        return _afresh(progress)
    if word in {"n", "no"}:
        stage = Stage.FAILED if progress.failed is not None else Stage.ANSWER
        stage = Stage.CHOICE if progress.halted else stage
        return replace(progress, stage=stage, complaint="")
    return replace(progress, complaint="Please answer yes or no.")


_TAKEN = {
    Stage.ANSWER: _answer,
    Stage.WORK: _answer,  # no question is open then; a reply answers the step
    Stage.REASON: _reason,
    Stage.FAILED: _after_failure,
    Stage.CHOICE: _choice,
    Stage.RETURN: _returned,
}


def _confirm(progress: Progress, step: IntakeStep, text: str, at: str) -> Progress:
    word = text.casefold()
    if word in {"y", "yes"}:
        return _came_to(progress, step, Result.DONE, "yes", at)
    if word in {"n", "no"}:
        return _owing(progress, Result.FAILED)
    return replace(progress, complaint="Please answer yes, no or skip.")


def _typed_current(progress: Progress, step: IntakeStep, text: str, at: str) -> Progress:
    if not text and progress.sensor:
        return replace(progress, stage=Stage.WORK, complaint="")
    plain = re.sub(r"\s*mA\s*$", "", text, flags=re.IGNORECASE)
    if not re.fullmatch(r"[0-9]{1,6}([.,][0-9]{1,2})?", plain):
        complaint = (
            "Please give milliamperes as a number such as 42 or 42.5, without thousands separators."
        )
        return replace(progress, complaint=complaint)
    return _current(progress, step, float(plain.replace(",", ".")), "", at)


def _current(progress: Progress, step: IntakeStep, current: float, by: str, at: str) -> Progress:
    """Compare a current with the profile's limit."""
    limit = f"{progress.limit_ma:g} mA"
    if current > progress.limit_ma:
        why = f"{current:g} mA, more than the limit of {limit}{by}"
        return _came_to(progress, step, Result.FAILED, why, at)
    return _came_to(progress, step, Result.DONE, f"{current:g} mA of at most {limit}{by}", at)


def _serial(progress: Progress, step: IntakeStep, text: str, at: str) -> Progress:
    if not is_serial(progress.serials, text):
        complaint = f"“{text[:40]}” is not a serial number of this shuttle ({progress.serials})."
        return replace(progress, complaint=complaint)
    if text != progress.chip:
        complaint = (
            f"The rack file has {progress.chip} in this slot. Check again; if the rack file is "
            "wrong, answer aside. When the other chips are done, correct the rack file and do "
            "this slot with --slot."
        )
        return replace(progress, complaint=complaint)
    return _came_to(progress, step, Result.DONE, text, at)


def _work(progress: Progress, _step: IntakeStep, text: str, _at: str) -> Progress:
    if text:
        return replace(progress, complaint="Please press Enter to start, or type skip.")
    return replace(progress, stage=Stage.WORK, complaint="")


_READERS = {
    StepKind.CONFIRM: _confirm,
    StepKind.CURRENT: _typed_current,
    StepKind.SERIAL: _serial,
    StepKind.WORK: _work,
}
