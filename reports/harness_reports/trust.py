"""How a verdict is put in a sentence, and how far it can be trusted.

The one rule: nothing is claimed that the record does not hold, and what was not measured is said.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.errors import many
from harness.records import ChipOverview, ChipRecord, Conditions, Outcome, Verdict
from harness_reports.texts import first_mismatch, hertz


def chip_headline(chip: ChipOverview) -> str:
    """Sum up a chip's result in a sentence or two."""
    if chip.trouble:
        return f"The slot was not tested completely: {chip.trouble}"
    if not chip.tables:
        return "Nothing was run on this chip."
    verdict, tables = chip.verdict, len(chip.tables)
    apart = sum(not table.counts for table in chip.tables)
    if apart == tables:
        return f"{many(apart, 'table')} failed for the table or the design; nothing else was run."
    if apart and verdict is Verdict.PASS:
        return (
            f"{many(tables - apart, 'table')} passed. {many(apart, 'table')} failed for the table "
            "or the design, not for this chip."
        )
    if verdict is Verdict.PASS:
        return "The only table passed." if tables == 1 else f"All {tables} tables passed."
    own = sum(table.verdict is verdict and table.counts for table in chip.tables)
    first = next(
        outcome for outcome in chip.firsts if outcome.verdict is verdict and outcome.counts
    )
    count = f"{own} of {many(tables, 'table')} {_BECAME[verdict]}."
    if apart:
        count += f" {apart} more failed for the table or the design, not for this chip."
    text = f"{count} First: {first.design} / {first.table}"
    if not verdict.judged:  # its reason says nothing of the chip
        return f"{text}: {first.summary}"
    where = first_mismatch(first)
    return f"{text}, {where}." if where else f"{text}."


_BECAME = {
    Verdict.FAIL: "failed",
    Verdict.UNSTABLE: "answered differently when repeated",
    Verdict.ERROR: "could not be tested",
    Verdict.NOT_RUN: "not run",
    Verdict.WAIVED: "failed under a waiver",
}


def trust_of(chip: ChipRecord) -> tuple[str, ...]:
    """Say what a pass on this page rests on, and what it does not cover."""
    passed = [outcome for outcome in chip.outcomes if outcome.verdict is Verdict.PASS]
    return (*_kind(chip), *_reach(passed), *_pace(passed), *_repeats(passed), *_LIMITS)


_LIMITS = (
    "Only outputs that a table tests are judged; a defect that no table shows goes unseen.",
    "Supply voltage and temperature were not recorded in this run.",
)


def _kind(chip: ChipRecord) -> tuple[str, ...]:
    if not chip.virtual:
        return ()
    return ("The board was virtual: this page describes a model of the chip, not silicon.",)


def _reach(passed: Sequence[Outcome]) -> tuple[str, ...]:
    if not passed:
        return ("No table passed, so nothing here vouches for the chip.",)
    cycles = sum(outcome.cycles for outcome in passed)
    return (f"{many(len(passed), 'passed table')} ran {many(cycles, 'cycle')} in all.",)


def _pace(passed: Sequence[Outcome]) -> tuple[str, ...]:
    asked = [outcome.conditions for outcome in passed if outcome.conditions]
    if not asked:
        return ()
    low, high = min(c.achieved_hz for c in asked), max(c.achieved_hz for c in asked)
    span = f"at {hertz(low)}" if low == high else f"at {hertz(low)} to {hertz(high)}"
    if all(c.exact for c in asked):
        return (f"They ran {span}, every cycle timed by hardware.{_pauses(asked)}",)
    slower = sum(c.achieved_hz < 0.9 * c.clock_hz for c in asked)
    text = (
        f"They ran {span} on average, paced by software: single cycles may be longer, so speed"
        " is not proven."
    )
    late = f"{slower} of them ran more than 10 % slower than requested."
    return (text, late) if slower else (text,)


def _pauses(asked: Sequence[Conditions]) -> str:
    """Say how often the clock stood still between exact bursts; empty if never."""
    gaps = sum(conditions.gaps for conditions in asked)
    return f" The clock paused between bursts, {many(gaps, 'time')} in all." if gaps else ""


def _repeats(passed: Sequence[Outcome]) -> tuple[str, ...]:
    once = sum(len(outcome.attempts) == 1 for outcome in passed)
    if not once:
        return ()
    of = many(len(passed), "passed table")
    return (f"{once} of {of} ran only once: an intermittent fault can be missed.",)
