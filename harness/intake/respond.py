"""Short pieces of a table, and what the answers to them prove about pins.

One rule: a piece tests what its table tests and no more; a pin that no piece moves stays unproven.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.board import CaptureWindow
from harness.shuttle import Design, Direction, TableSpec
from harness.table import Pattern, Words

MAX_CYCLES = 64
"""Maximum number of cycles that one run returns in full."""

PAIRS_PER_PIN = 3


@dataclass(frozen=True)
class Pair:
    """Two rows of a piece that differ in one input, and so in the outputs of ``answer``."""

    pin: int
    first: int
    second: int
    answer: int


@dataclass(frozen=True, eq=False)
class Piece:
    """At most ``MAX_CYCLES`` cycles of a table, read back in full."""

    design: Design
    spec: TableSpec
    pattern: Pattern
    pairs: tuple[Pair, ...]

    @property
    def name(self) -> str:
        """``design/table``."""
        return f"{self.design.name}/{self.spec.name}"

    @property
    def outputs(self) -> int:
        """Pins that the design always drives."""
        buses = (bus for bus in self.design.signals if bus.direction is Direction.OUTPUT)
        return sum(bus.mask for bus in buses)


@dataclass(frozen=True, eq=False)
class Answer:
    """The answer to a piece; ``contact`` has the outputs that did not float.

    ``expect``, ``care`` and ``seen`` have one word per cycle.
    """

    piece: Piece
    contact: int
    expect: Words
    care: Words
    seen: Words


def piece_of(design: Design, spec: TableSpec, pattern: Pattern) -> Piece:
    """Cut a piece: selected rows if rows are independent, else the beginning of the table."""
    if spec.reset_cycles or pattern.pulse.any() or pattern.until.any():
        return Piece(design, spec, pattern.rows(0, MAX_CYCLES), ())
    pairs = list(_pairs(pattern, design))[: MAX_CYCLES // 2]
    picks = [row for pair in pairs for row in (pair.first, pair.second)]
    rest = np.linspace(0, len(pattern) - 1, MAX_CYCLES - len(picks)).astype(int)
    rows = np.array([*picks, *rest], dtype=np.int64)
    placed = tuple(replace(pair, first=2 * k, second=2 * k + 1) for k, pair in enumerate(pairs))
    once = replace(pattern.pick(rows), repeat=np.ones(len(rows), np.uint32))
    return Piece(design, spec, once, placed)


def _pairs(pattern: Pattern, design: Design) -> Iterator[Pair]:
    """Find rows that differ in one driven pin and in the expected outputs; a few for each pin."""
    drive = pattern.drive & pattern.enable
    for bus in design.signals:
        for pin in bus.pins if bus.can_be_driven else ():
            found = 0
            for first, second in _neighbours(drive, pattern.enable, pin.mask):
                cared = int(pattern.care[first] & pattern.care[second])
                answer = int(pattern.expect[first] ^ pattern.expect[second]) & cared
                if answer and found < PAIRS_PER_PIN:
                    found += 1
                    yield Pair(pin.bit, first, second, answer)


def _neighbours(drive: Words, enable: Words, mask: int) -> Iterator[tuple[int, int]]:
    low = {}
    for row in np.flatnonzero(~drive & enable & np.uint32(mask)):
        low[int(drive[row]), int(enable[row])] = int(row)
    for row in np.flatnonzero(drive & enable & np.uint32(mask)):
        twin = low.get((int(drive[row]) ^ mask, int(enable[row])))
        if twin is not None:
            yield twin, int(row)


def answered(piece: Piece, contact: int, window: CaptureWindow) -> Answer:
    """Put what was seen beside what was expected."""
    row = window.row
    return Answer(piece, contact, piece.pattern.expect[row], piece.pattern.care[row], window.seen)


def right(answer: Answer) -> bool:
    """Return whether every tested output was as expected."""
    return not np.any((answer.seen ^ answer.expect) & answer.care)


def responses(answer: Answer) -> Iterator[tuple[int, bool]]:
    """Yield, for each input with a pair, its bit and whether an output moved as it should."""
    for pair in answer.piece.pairs:
        wanted = pair.answer & answer.contact
        if wanted:
            moved = int(answer.seen[pair.first] ^ answer.seen[pair.second]) & wanted
            yield pair.pin, bool(moved)


def stuck_level(answer: Answer, bit: int) -> int | None:
    """Return the level that an output always had where both were expected; None if it moved."""
    seen = set(_level(answer.seen[_cared(answer, 1 << bit)], bit).tolist())
    return int(seen.pop()) if tests_both_levels(answer, bit) and len(seen) == 1 else None


def tests_both_levels(answer: Answer, bit: int) -> bool:
    """Return whether the piece expects an output both high and low."""
    return len(set(_level(answer.expect[_cared(answer, 1 << bit)], bit).tolist())) == 2


def tied_pairs(answer: Answer, bits: Sequence[int]) -> Iterator[tuple[int, int, bool]]:
    """Yield each two outputs that should differ, and whether they moved but never differed."""
    for k, a in enumerate(bits):
        for b in bits[k + 1 :]:
            cared = _cared(answer, 1 << a | 1 << b)
            want_a, want_b = _level(answer.expect[cared], a), _level(answer.expect[cared], b)
            if np.any(want_a != want_b):
                seen_a, seen_b = _level(answer.seen[cared], a), _level(answer.seen[cared], b)
                tied = bool(np.all(seen_a == seen_b)) and len(set(seen_a.tolist())) == 2
                yield a, b, tied


def _cared(answer: Answer, pins: int) -> NDArray[np.bool_]:
    """The cycles in which all of these pins are tested."""
    tested: NDArray[np.bool_] = (answer.care & np.uint32(pins)) == np.uint32(pins)
    return tested


def _level(words: Words, bit: int) -> Words:
    return words >> np.uint32(bit) & np.uint32(1)
