"""Names for the bits of a capture: failing cycles, pins, the window's waves, match loops.

One rule: bits go in, names come out; nothing here decides a verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from harness.board import Capture, CaptureWindow
from harness.records import Attempt, EvidenceCycle, PinCount, UntilEnd, Wave, Window
from harness.table import Names, Pattern, observed

MAX_EVIDENCE_CYCLES = 8
"""Maximum number of failing cycles kept with a verdict."""

MAX_UNTIL_ENDS = 64
"""Maximum number of match loops kept with an attempt."""


def evidence(pattern: Pattern, capture: Capture, names: Names) -> tuple[EvidenceCycle, ...]:
    """Name the first failing cycles of one run."""
    return tuple(
        EvidenceCycle(
            cycle=mismatch.cycle,
            row=mismatch.row,
            line=int(pattern.line[mismatch.row]),
            repetition=mismatch.pass_,
            label=pattern.labels.get(mismatch.row, ""),
            wrong=names.wrong_pins(mismatch.row, mismatch.wrong, mismatch.seen, mismatch.floating),
        )
        for mismatch in capture.mismatches[:MAX_EVIDENCE_CYCLES]
    )


def pin_counts(capture: Capture, names: Names) -> tuple[PinCount, ...]:
    """Mismatches per pin, worst first."""
    counts = [(count, bit) for bit, count in capture.pin_counts.items() if count]
    counts.sort(key=lambda item: (-item[0], item[1]))
    return tuple(PinCount(names.pin(bit), names.signal(bit), count) for count, bit in counts)


def attempts(pattern: Pattern, captures: Sequence[Capture], names: Names) -> tuple[Attempt, ...]:
    """One record per run of the table; with its match loops only if any run has a mismatch."""
    failed = any(capture.mismatch_count for capture in captures)
    return tuple(
        replace(
            _attempt(number, capture, names),
            until=until_ends(pattern, capture) if failed else (),
        )
        for number, capture in enumerate(captures, 1)
    )


def _attempt(number: int, capture: Capture, names: Names) -> Attempt:
    plain = Attempt(
        number=number,
        mismatches=capture.mismatch_count,
        signature=f"{capture.signature:08x}",
        seconds=capture.seconds,
        bytes_sent=capture.wire.sent,
        bytes_received=capture.wire.received,
        round_trips=capture.wire.round_trips,
        frames_resent=capture.wire.resent,
    )
    if not capture.mismatches:
        return plain
    first = capture.mismatches[0]
    wrong = names.all(first.wrong)
    return replace(plain, first_cycle=first.cycle, first_row=first.row, first_wrong=wrong)


def until_ends(pattern: Pattern, capture: Capture) -> tuple[UntilEnd, ...]:
    """Where the first rows that waited for their outputs ended.

    A row that took its limit matched only if the board, which keeps the first mismatches, would
    have kept one there and did not.
    """
    complete = len(capture.mismatches) == capture.mismatch_count
    last = capture.mismatches[-1].row if capture.mismatches else -1
    wrong = {bad.row for bad in capture.mismatches}
    return tuple(
        UntilEnd(
            row=row,
            line=int(pattern.line[row]),
            cycles=used,
            matched=row not in wrong
            and (used < int(pattern.repeat[row]) or complete or row < last),
        )
        for row, used in sorted(capture.until_used.items())[:MAX_UNTIL_ENDS]
    )


def window(pattern: Pattern, read: CaptureWindow, names: Names) -> Window:
    """Name the cycles read back whole, with one wave for each pin that the design uses."""
    rows = [int(row) for row in read.row]
    answers = list(zip(read.seen.tolist(), read.floating.tolist(), strict=True))
    waves = []
    for bit in names.used():
        driven = [pattern.driven_symbol(row, bit) for row in rows]
        seen = [
            observed(bit, word, floating) if level == "." else "."
            for level, (word, floating) in zip(driven, answers, strict=True)
        ]
        tested = [pattern.tested_symbol(row, bit) for row in rows]
        waves.append(Wave(names.pin(bit), names.signal(bit), *map("".join, (driven, seen, tested))))
    return Window(
        cycles=tuple(int(cycle) for cycle in read.cycle),
        lines=tuple(int(pattern.line[row]) for row in rows),
        labels=tuple(  # a row's label stands at its first cycle in the window
            pattern.labels.get(row, "") if row != before else ""
            for before, row in pairwise([-1, *rows])
        ),
        waves=tuple(waves),
    )
