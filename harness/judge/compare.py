"""What the chips of one run say about each other: pure, over finished records.

One rule: a verdict is never changed here, only its reason and advice. The result of an earlier
comparison is discarded, since the run may have had fewer outcomes then.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.judge.verdict import unstable_reason
from harness.records import Outcome, Reason, RunRecord, Verdict


def compared(run: RunRecord) -> tuple[Outcome, ...]:
    """Return the outcomes that comparing all of a run's outcomes changes.

    A table that passes on another chip clears design and table: if its design is the only one
    that fails in its slot, and others pass there, the chip is suspect; if more designs fail
    there, what they share. A FAIL in the same first cycle and pins on every chip tested (two at
    least), or UNSTABLE on every one, points at the design or the table.
    """
    stored = [outcome for chip in run.chips for outcome in chip.outcomes]
    alone = [_alone(outcome) for outcome in stored]
    by_slot: dict[str, list[Outcome]] = defaultdict(list)
    by_table: dict[tuple[str, str], list[Outcome]] = defaultdict(list)
    for outcome in alone:
        by_slot[outcome.slot].append(outcome)
        by_table[outcome.design, outcome.table].append(outcome)
    slots = {slot: _slot(group) for slot, group in by_slot.items()}
    better = {_place(o): o for group in by_table.values() for o in _compare(group, slots)}
    now = (better.get(_place(outcome), outcome) for outcome in alone)
    return tuple(new for new, before in zip(now, stored, strict=True) if new != before)


@dataclass(frozen=True)
class _Slot:
    """The tables of one slot: how many designs fail, and which pins all of them have in common."""

    failing: int
    pins: str
    has_passed: bool


def _slot(outcomes: Sequence[Outcome]) -> _Slot:
    bad = [o for o in outcomes if o.verdict.failed]
    has_passed = any(o.verdict is Verdict.PASS for o in outcomes)
    return _Slot(len({o.design for o in bad}), _common_pins(bad), has_passed)


def _alone(outcome: Outcome) -> Outcome:
    """Return the outcome as the judge gave it, before any comparison."""
    match outcome.verdict:
        case Verdict.FAIL:
            return _because(outcome, Reason.SAME_MISMATCH)
        case Verdict.UNSTABLE:
            signatures = [attempt.signature for attempt in outcome.attempts]
            return _because(outcome, unstable_reason(signatures))
    return outcome


def _because(outcome: Outcome, reason: Reason, **values: object) -> Outcome:
    return replace(outcome, reason=reason, advice=reason.advice.format(**values))


def _place(outcome: Outcome) -> tuple[str, str, str]:
    return outcome.slot, outcome.design, outcome.table


def _compare(group: list[Outcome], slots: Mapping[str, _Slot]) -> Iterator[Outcome]:
    tested = [o for o in group if o.verdict.failed or o.verdict is Verdict.PASS]
    bad = [o for o in tested if o.verdict.failed]
    if bad and len(bad) < len(tested):
        passing = _chips(o for o in tested if o.verdict is Verdict.PASS)
        for outcome in bad:
            yield from _compare_in_slot(outcome, slots[outcome.slot], passing)
    elif len(bad) >= 2:
        yield from _blame_table(bad)


def _compare_in_slot(outcome: Outcome, slot: _Slot, passing: str) -> Iterator[Outcome]:
    """Judge a failure whose table passes elsewhere by the other designs in its slot."""
    if slot.failing > 1:
        shared = {"designs": slot.failing, "passing": passing, "pins": slot.pins}
        yield _because(outcome, Reason.SEVERAL_DESIGNS_OF_SLOT, **shared)
    elif outcome.verdict is Verdict.FAIL and slot.has_passed:
        yield _because(outcome, Reason.THIS_CHIP_ALONE, passing=passing)


def _blame_table(bad: list[Outcome]) -> Iterator[Outcome]:
    """Blame a table that no chip passes, unless the failures differ."""
    verdicts = {outcome.verdict for outcome in bad}
    if verdicts == {Verdict.UNSTABLE}:
        reason = Reason.UNSTABLE_ON_EVERY_CHIP
    elif verdicts == {Verdict.FAIL} and len({_first(outcome) for outcome in bad}) == 1:
        reason = Reason.ALIKE_ON_EVERY_CHIP
    else:
        return
    failing = _chips(bad)
    for outcome in bad:
        yield _because(outcome, reason, failing=failing)


def _common_pins(bad: list[Outcome]) -> str:
    """Name the pins that are wrong in all of these outcomes; empty if there are none."""
    pins = [{count.pin for count in outcome.pin_counts} for outcome in bad if outcome.pin_counts]
    common = sorted(set.intersection(*pins)) if pins else []
    if not common:
        return ""
    verb = "which is" if len(common) == 1 else "which are"
    return f", or {', '.join(common)}, {verb} wrong in all of them"


def _first(outcome: Outcome) -> object:
    return next(((cycle.cycle, cycle.wrong) for cycle in outcome.evidence), None)


def _chips(outcomes: Iterable[Outcome]) -> str:
    names = [outcome.chip_serial for outcome in outcomes]
    shown = ", ".join(names[:4])
    return shown if len(names) <= 4 else f"{shown} and {len(names) - 4} more"
