"""One table on one slot as masks: what the rules look at, taken from a finished outcome.

One rule: nothing here judges; pins become bits, attempts become numbers.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum, auto

from harness.records import Attempt, Outcome, Reason

_SIGNATURE = re.compile(r"[0-9a-fA-F]{1,8}")


class Answer(Enum):
    """How a table came out, before anybody is blamed."""

    PASSED = auto()
    FAILED = auto()
    UNSTABLE = auto()
    NONE = auto()


_NOT_ANSWERED = (Reason.LINK_LOST, Reason.TABLE_UNFIT, Reason.TOOL_FAULT, Reason.RECORD_DAMAGED)


@dataclass(frozen=True)
class Try:
    """One run of a table: its signature, its first wrong cycle (-1: none), the pins wrong there."""

    signature: int
    mismatches: int
    first_cycle: int
    first_wrong: int


@dataclass(frozen=True)
class Seen:
    """What one table on one slot answered; pins are bits.

    ``wrong``: pins wrong in the run that is reported, ``cycles`` how many cycles were wrong.
    ``floating``: tested pins that followed the pulls, ``released``: those of them that were driven
    in other cycles. ``low``: pins wrong, in the first wrong cycles, where low was expected.
    ``answer`` NONE: the chip said nothing.
    """

    slot: str
    chip: str
    design: str
    table: str
    answer: Answer
    wrong: int
    cycles: int
    tries: tuple[Try, ...]
    floating: int
    released: int
    low: int

    @property
    def key(self) -> tuple[str, str]:
        """Design and table."""
        return self.design, self.table

    @property
    def bad(self) -> bool:
        """Whether something asks for an explanation."""
        return self.answer in (Answer.FAILED, Answer.UNSTABLE) or self.floating != 0

    @property
    def alike(self) -> tuple[object, ...]:
        """What is equal where two chips answer alike."""
        return self.answer, self.wrong, self.cycles, self.tries[:1]


def seen_of(outcome: Outcome, bits: Mapping[str, int]) -> Seen:
    """Reduce an outcome to masks; ``bits`` numbers the pins, others are left out."""
    tries = tuple(_try(attempt, bits) for attempt in outcome.attempts)
    return Seen(
        outcome.slot,
        outcome.chip_serial,
        outcome.design,
        outcome.table,
        _answer(outcome, tries),
        _mask((count.pin for count in outcome.pin_counts), bits),
        outcome.mismatches,
        tries,
        _mask(outcome.floating, bits),
        _mask(outcome.released, bits),
        _mask((w.pin for c in outcome.evidence for w in c.wrong if w.expected in "0L"), bits),
    )


def _answer(outcome: Outcome, tries: tuple[Try, ...]) -> Answer:
    if not tries or outcome.provisional in _NOT_ANSWERED:
        return Answer.NONE
    if not any(each.mismatches for each in tries):
        return Answer.PASSED
    return Answer.FAILED if len(set(tries)) == 1 else Answer.UNSTABLE


def _try(attempt: Attempt, bits: Mapping[str, int]) -> Try:
    hexadecimal = _SIGNATURE.fullmatch(attempt.signature) is not None
    signature = int(attempt.signature, 16) if hexadecimal else 0  # a store may be damaged
    first = _mask(attempt.first_wrong, bits)
    return Try(signature, attempt.mismatches, attempt.first_cycle, first)


def _mask(pins: Iterable[str], bits: Mapping[str, int]) -> int:
    return sum(1 << bits[pin] for pin in set(pins) if pin in bits)
