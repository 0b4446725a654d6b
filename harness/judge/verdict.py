"""The verdict on one table of one chip, from everything gathered about it. Pure.

The rules, in order: wrong pins that all follow the weak pulls are no evidence from the chip
(ERROR); answers that differ under one stimulus are UNSTABLE, never PASS; the same mismatches in
every run are FAIL; no mismatch in any run is PASS. Waivers come last: one can turn FAIL or
UNSTABLE into WAIVED, nothing else, and only until it expires.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from harness.board import Capture
from harness.errors import Contention, HarnessError, LinkError, ModelMissing, ToolFault
from harness.judge import texts
from harness.judge.artefacts import void_from, without_void
from harness.judge.case import Case
from harness.judge.evidence import attempts, evidence, pin_counts
from harness.judge.probe import NONE, Floating
from harness.judge.reading import Reading
from harness.records import Conditions, Outcome, PinCount, Reason, Verdict, WaiverRecord
from harness.shuttle import Waiver
from harness.table import Names, Pattern, bits


@dataclass(frozen=True, eq=False)
class Gathered:
    """What the runs of the table gave: every capture, the words read back, and floating pins."""

    captures: tuple[Capture, ...] = ()
    reading: Reading | None = None
    floating: Floating = NONE

    def without_void(self, pattern: Pattern) -> Gathered:
        """Leave out mismatches after a row that waited for a pin that nothing drives."""
        row = void_from(pattern, self.floating.every)
        if row is None:
            return self
        wrong = self.reading.wrong(row) if self.reading is not None else 0
        return replace(self, captures=tuple(without_void(c, row, wrong) for c in self.captures))


def judge(case: Case, gathered: Gathered, today: date, started: datetime) -> Outcome:
    """Give the verdict of one table on one chip, with its evidence and its waiver.

    ``gathered`` has at least one capture. Raises ValueError if it has none.
    """
    if not gathered.captures:
        raise ValueError("a verdict needs at least one run of the table")
    names = Names(case.shuttle, case.pattern)
    valid = gathered.without_void(case.pattern)
    plain = _with_evidence(case, gathered, names, _classified(case, valid, names, started))
    return _waived(case, plain, _all_wrong_pins(valid.captures, names), today)


def _classified(case: Case, gathered: Gathered, names: Names, started: datetime) -> Outcome:
    """Decide between ERROR, UNSTABLE, FAIL and PASS, without waivers and evidence."""
    captures = gathered.captures
    wrong = _wrong_mask(captures)
    failing = first_failing(captures)
    unjudged, released = gathered.floating.every, gathered.floating.released & wrong
    open_names = [names.both(bit) for bit in bits(unjudged)]
    if unjudged and not wrong & ~unjudged:
        reason, summary = Reason.PINS_OPEN, texts.open_pins(open_names)
    elif not answers_agree(captures):
        reason = unstable_reason([capture.signature for capture in captures])
        summary = texts.unstable([capture.mismatch_count for capture in captures], reason)
    elif failing is None:
        reason, summary = Reason.AS_EXPECTED, texts.passed(captures)
    else:
        reason = Reason.SAME_MISMATCH
        summary = texts.failed(case.pattern, captures[failing], len(captures), names)
        summary += texts.released([names.both(bit) for bit in bits(released)])
        summary += texts.also_open(open_names)
    return case.outcome(reason, summary, started)


def _with_evidence(case: Case, gathered: Gathered, names: Names, plain: Outcome) -> Outcome:
    """Add the evidence of the runs; ``gathered`` may be empty."""
    if not gathered.captures:
        return plain
    captures = gathered.without_void(case.pattern).captures
    shown = captures[first_failing(captures) or 0]
    read, floating = gathered.reading, gathered.floating
    return replace(
        plain,
        cycles=shown.cycles,
        mismatches=shown.mismatch_count,
        pin_counts=pin_counts(shown, names),
        evidence=evidence(case.pattern, shown, names),
        window=read.drawn(names) if read is not None else None,
        long_window=read.long(names) if read is not None else None,
        serial=case.design.serial if read is not None else (),
        contention=names.all(read.contention()) if read is not None else (),
        floating=names.all(floating.some),
        released=names.all(floating.released),
        attempts=attempts(case.pattern, gathered.captures, names),
        conditions=_conditions(case, shown),
        seconds=sum(capture.seconds for capture in captures),
    )


def untested(case: Case, gathered: Gathered, error: LinkError, started: datetime) -> Outcome:
    """Make the outcome of a table that a lost link cut short: ERROR, no verdict.

    Runs completed before are kept as attempts and evidence.
    """
    summary = texts.link_lost(error, gathered.captures)
    plain = case.outcome(Reason.LINK_LOST, summary, started)
    return _with_evidence(case, gathered, Names(case.shuttle, case.pattern), plain)


def unusable(case: Case, error: HarnessError, started: datetime) -> Outcome:
    """Make the outcome of a table that could not run: ERROR.

    A virtual chip without a model of the design is no mistake in the table: the rack lacks it.
    """
    match error:
        case LinkError():
            return untested(case, Gathered(), error, started)
        case Contention():
            reason = Reason.CONTENTION
        case ModelMissing():
            reason = Reason.NO_MODEL
        case ToolFault():
            reason = Reason.TOOL_FAULT
        case _:
            reason = Reason.TABLE_UNFIT
    return case.outcome(reason, f"Could not be run: {error}", started)


def not_run(case: Case, reason: Reason, why: str, started: datetime) -> Outcome:
    """Make the outcome of a table that was not run."""
    return case.outcome(reason, f"Not run: {why}", started)


def _waived(case: Case, outcome: Outcome, wrong: Sequence[PinCount], today: date) -> Outcome:
    """Apply the waivers to FAIL and UNSTABLE; mention them on a PASS."""
    named = fitting_waivers(
        case.shuttle.waivers, case.design.name, case.spec.name, case.chip_serial
    )
    good = [waiver for waiver in named if waiver.expiry >= today]
    if outcome.verdict is Verdict.PASS:
        return replace(outcome, summary=outcome.summary + texts.needless_waivers(good))
    if not outcome.verdict.failed:
        return outcome
    waiver = covering_waiver(good, wrong)
    if waiver is not None:
        summary = texts.waived(waiver, outcome.summary)
        waived = outcome.because(Reason.WAIVED)
        return replace(waived, waiver=waiver_record(waiver), summary=summary)
    expired = covering_waiver([waiver for waiver in named if waiver.expiry < today], wrong)
    if expired is None:
        return outcome
    summary = outcome.summary + texts.expired_waiver(expired)
    return replace(outcome, waiver=waiver_record(expired), summary=summary)


def _wrong_mask(captures: Sequence[Capture]) -> int:
    mask = 0
    for capture in captures:
        for bit, count in capture.pin_counts.items():
            mask |= (1 << bit) if count else 0
    return mask


def _all_wrong_pins(captures: Sequence[Capture], names: Names) -> tuple[PinCount, ...]:
    """Every pin that was wrong in any run, once."""
    pins = {pin.pin: pin for capture in captures for pin in pin_counts(capture, names)}
    return tuple(pins.values())


def _conditions(case: Case, capture: Capture) -> Conditions:
    asked = case.conditions
    return Conditions(
        clock_hz=asked.clock_hz,
        achieved_hz=capture.achieved_hz,
        exact=capture.exact,
        settle_us=asked.settle_us,
        reset_cycles=asked.reset_cycles,
        gaps=capture.gaps,
    )


def first_failing(captures: Sequence[Capture]) -> int | None:
    """Index of the first capture with a mismatch, or None."""
    return next((k for k, capture in enumerate(captures) if capture.mismatch_count), None)


def answers_agree(captures: Sequence[Capture]) -> bool:
    """Whether every run of the stimulus gave the same answer.

    A match loop that took another number of cycles is another stimulus: if that is the only
    difference and no run has a mismatch, the runs agree.
    """
    if all(capture.mismatch_count == 0 for capture in captures) and _loops_differ(captures):
        return True
    return len({_answer(capture) for capture in captures}) <= 1


def unstable_reason(signatures: Sequence[object]) -> Reason:
    """Say how runs of one stimulus differ: only the first one from all later ones, or otherwise."""
    later = signatures[1:]
    settled = len(later) > 1 and signatures[0] not in later and len(set(later)) == 1
    return Reason.FIRST_RUN_DIFFERS if settled else Reason.ANSWERS_DIFFER


def _loops_differ(captures: Sequence[Capture]) -> bool:
    return len({tuple(sorted(capture.until_used.items())) for capture in captures}) > 1


def _answer(capture: Capture) -> tuple[object, ...]:
    """Return what must be equal in two runs."""
    return (
        capture.signature,
        capture.mismatch_count,
        tuple(sorted(capture.pin_counts.items())),
        tuple((m.cycle, m.wrong) for m in capture.mismatches),
    )


def fitting_waivers(waivers: Sequence[Waiver], design: str, table: str, chip: str) -> list[Waiver]:
    """Return the waivers of this chip, design and table (an empty table means every table)."""
    return [
        waiver
        for waiver in waivers
        if waiver.design == design
        and not waiver.fault
        and waiver.table in ("", table)
        and (not waiver.chips or chip in waiver.chips)
    ]


def covering_waiver(waivers: Sequence[Waiver], wrong: Sequence[PinCount]) -> Waiver | None:
    """Find the waiver that covers every wrong pin; several one-pin waivers may do so together.

    A waiver for a pin names the chip pin or the design's signal. It covers no failure whose
    wrong pins are unknown.
    """
    whole = next((waiver for waiver in waivers if not waiver.pin), None)
    if whole is not None or not wrong:
        return whole
    fits = [_for_pin(waivers, pin) for pin in wrong]
    return fits[0] if all(fits) else None


def waiver_record(waiver: Waiver) -> WaiverRecord:
    """Return the waiver in the form kept with the outcome."""
    return WaiverRecord(waiver.owner, waiver.reason, waiver.ticket, waiver.expiry.isoformat())


def _for_pin(waivers: Sequence[Waiver], wrong: PinCount) -> Waiver | None:
    names = (wrong.pin, wrong.signal, wrong.signal.partition("[")[0])
    return next((waiver for waiver in waivers if waiver.pin and waiver.pin in names), None)
