"""An author's own slips, named from what a failing table read. Pure.

One rule: a slip is named only if it makes every mismatch that was kept vanish, and if what was
read varies enough that this is no chance.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from harness.blame.trace import BusBits, Trace
from harness.errors import many
from harness.records import LongWindow, Outcome, Verdict

MIN_COMPARED = 4
"""Minimum number of tested cycles, and of bits that would be wrong otherwise, to name a slip."""

Levels = NDArray[np.uint8]


def slips(outcome: Outcome) -> tuple[str, ...]:
    """Say what the author of a failing table may have got wrong; empty if nothing fits."""
    return (*_unreset(outcome), *_waits(outcome), *_repeats(outcome), *_values(outcome))


def _unreset(outcome: Outcome) -> Iterator[str]:
    conditions = outcome.conditions
    differs = len({attempt.signature for attempt in outcome.attempts}) > 1
    if differs and conditions is not None and not conditions.reset_cycles:
        yield (
            "The answers differ from run to run and no reset was requested (reset_cycles = 0): "
            "the design begins in whatever state it was left."
        )


def _waits(outcome: Outcome) -> Iterator[str]:
    failing = next((attempt for attempt in outcome.attempts if attempt.mismatches), None)
    ends = failing.until if failing is not None else ()
    end = next((end for end in ends if not end.matched), None)
    if end is not None:
        yield f"Line {end.line} waited {many(end.cycles, 'cycle')} and its outputs never matched."


def _repeats(outcome: Outcome) -> Iterator[str]:
    """Say that a row failed in its last repetition only, as when it repeats once too often."""
    trace = trace_of(outcome)
    if trace is None or not outcome.evidence:
        return
    first = outcome.evidence[0]
    of_row = np.flatnonzero(trace.row == first.row)
    whole = len(of_row) and (of_row[-1] + 1 < len(trace.row) or trace.complete)
    count = first.repetition + len(of_row[of_row >= first.cycle - trace.first])
    if whole and count > 1 and first.repetition == count - 1:
        yield (
            f"Line {first.line} first fails in the last of its {count:,} repetitions: is one of "
            "them too many?"
        )


def trace_of(outcome: Outcome) -> Trace | None:
    """Unpack what was kept of a table; None if nothing was, or it is damaged."""
    if outcome.long_window is None:
        return None
    try:
        return _unpacked(outcome.long_window)
    except ValueError:
        return None


@lru_cache(maxsize=1)
def _unpacked(window: LongWindow) -> Trace:
    """Unpack a long window, which takes a while, once for all that is said of one table."""
    return Trace.of(window)


def _values(outcome: Outcome) -> Iterator[str]:
    """Try what else the table could have expected."""
    trace = trace_of(outcome)
    if trace is None or outcome.verdict is Verdict.UNSTABLE or not trace.wrong.any():
        return
    kept = "every mismatch vanishes" if trace.complete else "every mismatch that was kept vanishes"
    for text in (*_one_row(trace), *_other_values(trace)):
        yield f"{text}: {kept}."


def _one_row(trace: Trace) -> Iterator[str]:
    rows = set(trace.row[trace.wrong != 0].tolist())
    if len(rows) != 1 or len(set(trace.row[trace.care != 0].tolist())) < MIN_COMPARED:
        return
    at = int(np.flatnonzero(trace.wrong)[0])
    seen = ", ".join(f"{bus.title} = {trace.value(at, bus)}" for bus in trace.wrong_buses)
    yield f"If line {int(trace.line[at])} alone expects {seen}"


def _other_values(trace: Trace) -> Iterator[str]:
    wrong = trace.wrong_buses
    names = ", ".join(bus.title for bus in wrong)
    word = "row" if (np.diff(trace.row) == 1).all() else "cycle"
    own = {bus: _expected(trace, bus) for bus in wrong}
    tries = []
    for step, when in ((1, "later"), (-1, "earlier")):
        text = f"If {names} {'is' if len(wrong) == 1 else 'are'} expected one {word} {when}"
        tries.append((text, {bus: _shifted(*planes, step) for bus, planes in own.items()}))
    if len(wrong) == 1:
        (bus,), ((expect, care),) = wrong, own.values()
        tries.append((f"If {names} is inverted", {bus: (1 - expect, care)}))
        backwards = {bus: (expect[:, ::-1], care[:, ::-1])}
        tries.append((f"If {names} is read in the reverse order", backwards))
    if len(wrong) == 2 and len(wrong[0].places) == len(wrong[1].places):
        one, other = wrong
        text = f"If {one.title} and {other.title} are exchanged"
        tries.append((text, {one: own[other], other: own[one]}))
    for text, planes in tries:
        if all(_fits(trace, bus, *levels) for bus, levels in planes.items()):
            yield text


def _expected(trace: Trace, bus: BusBits) -> tuple[Levels, Levels]:
    return trace.bits(trace.expect, bus), trace.bits(trace.care, bus)


def _shifted(expect: Levels, care: Levels, step: int) -> tuple[Levels, Levels]:
    """Move what is expected by one cycle; nothing is tested where nothing moved in."""
    moved = np.roll(care, step, axis=0)
    moved[0 if step > 0 else -1] = 0
    return np.roll(expect, step, axis=0), moved


def _fits(trace: Trace, bus: BusBits, expect: Levels, care: Levels) -> bool:
    """Whether this expectation explains what was read, and the table's own one does not."""
    seen = trace.bits(trace.seen, bus)
    compared = care.astype(bool)
    if compared.any(axis=1).sum() < MIN_COMPARED or (seen != expect)[compared].any():
        return False
    # what was read has to tell the two expectations apart, and to move
    differs = (expect != trace.bits(trace.expect, bus)) & compared
    moves = (np.diff(seen, axis=0) != 0).sum()
    return int(differs.sum()) >= MIN_COMPARED and int(moves) >= MIN_COMPARED
