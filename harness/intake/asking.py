"""The questions of an intake, and their wording.

One rule: the next question follows from the progress alone; answers are handled elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.intake.progress import Progress, Stage
from harness.intake.steps import (
    AFRESH,
    HANDLING,
    RESEATING,
    SWITCHING_OFF,
    IntakeStep,
    Result,
    StepKind,
    numbered,
)


@dataclass(frozen=True)
class Ask:
    """A question to ask; ``complaint`` says why the last answer was refused."""

    step: IntakeStep
    prompt: str
    hint: str
    complaint: str
    notes: tuple[str, ...] = ()


_HINTS = {
    StepKind.CONFIRM: "yes, no or skip",
    StepKind.CURRENT: "a number, or skip",
    StepKind.SERIAL: "serial number, or skip",
    StepKind.WORK: "Enter to start, or skip",
}
_REASON_WANTED = {
    Result.FAILED: "what is wrong",
    Result.SKIPPED: "why is it skipped (printed on the card)",
}


def upcoming(progress: Progress) -> Ask | None:
    """Return the next question; None if there is work to do or no step is open."""
    step = progress.step
    if step is None or progress.aside or progress.stage is Stage.WORK:
        return None
    return _ASKED[progress.stage](progress, step)


def _ask_step(progress: Progress, step: IntakeStep) -> Ask:
    limit = f"{progress.limit_ma:g}"
    notes = tuple(note.format(limit=limit) for note in step.notes)
    hint = _HINTS[step.kind]
    if step.kind is StepKind.CURRENT and progress.sensor:
        hint = "a number, Enter to ask the sensor again, or skip"
    return Ask(step, numbered(step).format(limit=limit), hint, progress.complaint, notes)


def _ask_reason(progress: Progress, step: IntakeStep) -> Ask:
    prompt = f"{step.title}: {_REASON_WANTED[progress.owed]}"
    return Ask(step, prompt, "in a few words", progress.complaint)


def _ask_after_failure(progress: Progress, step: IntakeStep) -> Ask:
    if step.key == "pins":
        prompt = "Reseat the chip and repeat the pin check, go on to the next step, or end"
        hint = "reseated once it is done, next, end or aside"
        return Ask(step, prompt, hint, progress.complaint, RESEATING)
    if step.key == "tables":
        return _ask_after_tables(progress, step)
    prompt, hint = "End this chip's intake with a hold card", "end, again or aside"
    if step.key in AFRESH:
        prompt += ", or go back to its seating once it is put right"
        return Ask(step, prompt, hint, progress.complaint, SWITCHING_OFF)
    prompt += ", or repeat the step once it is put right"
    return Ask(step, prompt, hint, progress.complaint, HANDLING)


def _ask_after_tables(progress: Progress, step: IntakeStep) -> Ask:
    if not progress.left:
        prompt = "End this chip's intake with a hold card"
        return Ask(step, prompt, "end or aside", progress.complaint)
    tables = "1 table" if progress.left == 1 else f"{progress.left} tables"
    prompt = f"Run what has no verdict yet ({tables}; a FAIL stands), or end this chip's intake"
    return Ask(step, prompt, "again, end or aside", progress.complaint)


def _ask_choice(progress: Progress, step: IntakeStep) -> Ask:
    prompt = f"{progress.halted}. Stop here, or continue with the other tables"
    return Ask(step, prompt, "stop, continue or aside", progress.complaint)


def _ask_return(progress: Progress, step: IntakeStep) -> Ask:
    prompt = (
        f"The intake of {progress.chip} stopped at “{step.title}”. Has the chip been off its "
        "board, or its supply off, since then"
    )
    return Ask(step, prompt, "yes, no or aside", progress.complaint, HANDLING)


_ASKED = {
    Stage.ANSWER: _ask_step,
    Stage.REASON: _ask_reason,
    Stage.FAILED: _ask_after_failure,
    Stage.CHOICE: _ask_choice,
    Stage.RETURN: _ask_return,
}
