"""Hand-made intakes for the tests of cards: good ones, bad ones, and ones of many words."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from harness.intake import ChipIntake, Result, StepResult
from harness.intake.steps import STEPS
from harness.records import PinProof, PinState
from tests.unit.reports.samples import START, chip, failed, passed, run_of

WORDS = "the lamp over the bench is broken and nobody could see whether anything was scratched "
LONG = WORDS * 40
"""More than anybody reads on a card."""


def results(*changes: StepResult) -> tuple[StepResult, ...]:
    """Every step done, but for the changes."""
    by_key = {change.key: change for change in changes}
    return tuple(
        by_key.get(step.key, StepResult(step.key, Result.DONE, "yes", "t")) for step in STEPS
    )


def good_intake(**changes: Any) -> ChipIntake:
    """A chip that may be handed out, but for the changes."""
    record = chip("A1", "SP2-0001", passed())
    whole = ChipIntake(
        run=run_of(record),
        chip=record,
        by=("Ada Example",),
        at=START,
        results=results(),
        pins=(PinProof("in0", PinState.PROVEN, ("gray/all",), ""),),
        report_sha256="ab" * 32,
    )
    return replace(whole, **changes)


def wordy_hand_out() -> ChipIntake:
    """A chip that passed, with many skipped and repeated steps, and remarks on them."""
    skipped = [step.key for step in STEPS[:6]]
    told = [StepResult(key, Result.SKIPPED, LONG, "t") for key in skipped]
    earlier = [StepResult(step.key, Result.FAILED, LONG, "t") for step in STEPS for _ in range(12)]
    pins = tuple(PinProof(f"pin{k}", PinState.NOT_PROVEN, (), "") for k in range(32))
    return good_intake(
        by=(LONG, "Grace Example"),
        results=results(*told),
        earlier=tuple(earlier),
        pins=pins,
        uncovered=tuple(f"design{k}" for k in range(120)),
    )


def wordy_hold() -> ChipIntake:
    """A chip with forty failures, each with a long text."""
    outcomes = [failed(f"d{k}", summary=LONG) for k in range(40)]
    record = chip("A1", "SP2-0001", *outcomes)
    pins = StepResult("pins", Result.FAILED, LONG, "t")
    tables = StepResult("tables", Result.FAILED, LONG, "t")
    told = [StepResult(step.key, Result.SKIPPED, LONG, "t") for step in STEPS[:6]]
    return replace(
        wordy_hand_out(), run=run_of(record), chip=record, results=results(*told, pins, tables)
    )


def almost_crowded() -> ChipIntake:
    """A chip whose card is as full as one in large print can be."""
    told = [StepResult(step.key, Result.SKIPPED, "w " * 34, "t") for step in STEPS[:6]]
    earlier = [StepResult("pins", Result.FAILED, "x" * 69, "t") for _ in range(3)]
    pins = tuple(PinProof(f"p{k}", PinState.NOT_PROVEN, (), "") for k in range(32))
    record = chip("A1", "SP2-0001", *(failed(f"d{k}", summary="q " * 22) for k in range(7)))
    return good_intake(
        run=run_of(record),
        chip=record,
        results=results(*told),
        earlier=tuple(earlier),
        pins=pins,
    )
