"""Names for the bits of a capture: failing cycles, pins, the window's waves, match loops.

One rule: bits go in, names come out; nothing here decides a verdict.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from harness.board import Capture, CaptureWindow, Mismatch
from harness.records import Attempt, EvidenceCycle, PinCount, PinResult, UntilEnd, Wave, Window
from harness.shuttle import Shuttle
from harness.table import Pattern

MAX_EVIDENCE_CYCLES = 8
"""Maximum number of failing cycles kept with a verdict."""

MAX_UNTIL_ENDS = 64
"""Maximum number of match loops kept with an attempt."""


class Names:
    """Chip pin and design signal names by bit position."""

    def __init__(self, shuttle: Shuttle, pattern: Pattern) -> None:
        self.pins = tuple(pin.name for pin in shuttle.pins)
        self._signals: dict[int, str] = {}
        for signal in pattern.signals:
            for index, pin in enumerate(reversed(signal.pins)):
                self._signals.setdefault(pin.bit, signal.bit_name(index))

    def pin(self, bit: int) -> str:
        """Name of the chip pin."""
        return self.pins[bit]

    def all(self, word: int) -> tuple[str, ...]:
        """Names of the chip pins whose bits are set."""
        return tuple(self.pins[bit] for bit in bits(word))

    def signal(self, bit: int) -> str:
        """Name of the design's signal on that pin, empty if the design does not use it."""
        return self._signals.get(bit, "")

    def both(self, bit: int) -> str:
        """``q[2] (pin out1)``, or the pin alone."""
        signal = self.signal(bit)
        return f"{signal} (pin {self.pin(bit)})" if signal else f"pin {self.pin(bit)}"

    def used(self) -> list[int]:
        """Bit positions of the design's signals, in the table's order."""
        return list(self._signals)


def bits(word: int) -> Iterator[int]:
    """Positions of the bits that are set, lowest first."""
    return (k for k in range(word.bit_length()) if word >> k & 1)


def wrong_pins(pattern: Pattern, mismatch: Mismatch, names: Names) -> tuple[PinResult, ...]:
    """Every wrong pin of one cycle, expected against observed."""
    return tuple(
        PinResult(
            pin=names.pin(bit),
            signal=names.signal(bit),
            expected=pattern.tested_symbol(mismatch.row, bit),
            observed=_observed(bit, mismatch.seen, mismatch.floating),
        )
        for bit in bits(mismatch.wrong)
    )


def evidence(pattern: Pattern, capture: Capture, names: Names) -> tuple[EvidenceCycle, ...]:
    """Name the first failing cycles of one run."""
    return tuple(
        EvidenceCycle(
            cycle=mismatch.cycle,
            row=mismatch.row,
            line=int(pattern.line[mismatch.row]),
            repetition=mismatch.pass_,
            label=pattern.labels.get(mismatch.row, ""),
            wrong=wrong_pins(pattern, mismatch, names),
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
    wrong = tuple(names.pin(bit) for bit in bits(first.wrong))
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
            _observed(bit, word, floating) if level == "." else "."
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


def _observed(bit: int, seen: int, floating: int) -> str:
    if floating >> bit & 1:
        return "Z"
    return "1" if seen >> bit & 1 else "0"
