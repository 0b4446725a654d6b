"""An author's own slips: named if they explain everything that was read, and only then."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from harness.blame.slips import slips, trace_of
from harness.blame.trace import Trace, buses_of
from harness.records import (
    Attempt,
    Conditions,
    EvidenceCycle,
    LongWindow,
    Outcome,
    UntilEnd,
    Verdict,
    packed_words,
)
from tests.unit.reports import samples

WIDTH, CYCLES = 4, 24
SIGNALS = (*(f"q[{k}]" for k in range(WIDTH)), *(f"p[{k}]" for k in range(WIDTH)), "ready")
PINS = tuple(f"out{k}" for k in range(len(SIGNALS)))
Q, P, READY = 0, WIDTH, 2 * WIDTH
ALL_TESTED = (1 << len(SIGNALS)) - 1
VALUES = random.Random(3).choices(range(1 << len(SIGNALS)), k=CYCLES)


def window(
    expect: Sequence[int],
    seen: Sequence[int],
    care: int = ALL_TESTED,
    rows: Sequence[int] = range(CYCLES),
    **changes: Any,
) -> LongWindow:
    none = [0] * len(seen)
    columns = {
        "row": list(rows),
        "line": [row + 2 for row in rows],
        **dict.fromkeys(("drive", "enable", "pulse", "highz", "floating"), none),
        "expect": list(expect),
        "care": [care] * len(seen),
        "seen": list(seen),
    }
    whole = LongWindow(0, len(seen), PINS, SIGNALS, packed_words(columns), "")
    return replace(whole, **changes)


def failing(kept: LongWindow | None, **changes: Any) -> Outcome:
    return samples.failed(long_window=kept, **{"evidence": (), **changes})


def field(word: int, place: int, width: int = WIDTH) -> int:
    return word >> place & (1 << width) - 1


def with_field(word: int, place: int, value: int) -> int:
    return word & ~(((1 << WIDTH) - 1) << place) | value << place


def backwards(value: int) -> int:
    return int(f"{value:0{WIDTH}b}"[::-1], 2)


def on_q(change: Callable[[int], int]) -> list[int]:
    return [with_field(word, Q, change(field(word, Q))) for word in VALUES]


def exchanged(word: int) -> int:
    return with_field(with_field(word, Q, field(word, P)), P, field(word, Q))


def late(step: int) -> list[int]:
    """What is read if q comes ``step`` rows later than the table expects."""
    return [
        with_field(word, Q, field(VALUES[(k - step) % CYCLES], Q)) for k, word in enumerate(VALUES)
    ]


CORRECTED = (
    f"If line 9 alone expects q[3:0] = 0x{field(VALUES[7], Q) ^ 5:X}: every mismatch vanishes."
)


@pytest.mark.parametrize(
    ("seen", "text"),
    [
        (late(1), "If q[3:0] is expected one row later: every mismatch vanishes."),
        (late(-1), "If q[3:0] is expected one row earlier: every mismatch vanishes."),
        (on_q(backwards), "If q[3:0] is read in the reverse order: every mismatch vanishes."),
        (on_q(lambda v: v ^ 15), "If q[3:0] is inverted: every mismatch vanishes."),
        (
            [word ^ 1 << READY for word in VALUES],
            "If ready is inverted: every mismatch vanishes.",
        ),
        (
            [exchanged(word) for word in VALUES],
            "If q[3:0] and p[3:0] are exchanged: every mismatch vanishes.",
        ),
        (
            [word ^ (5 if k == 7 else 0) for k, word in enumerate(VALUES)],
            CORRECTED,
        ),
    ],
)
def test_a_slip_that_explains_everything_is_named(seen: list[int], text: str) -> None:
    assert slips(failing(window(VALUES, seen))) == (text,)


def test_a_slip_that_leaves_a_mismatch_is_not_named() -> None:
    seen = late(1)
    seen[12] ^= 1 << READY
    assert slips(failing(window(VALUES, seen))) == ()
    assert slips(failing(window(VALUES, [word ^ (k & 3) for k, word in enumerate(VALUES)]))) == ()


def test_a_signal_that_never_moves_is_no_evidence() -> None:
    expect = [0] * CYCLES
    stuck = [15] * CYCLES
    assert slips(failing(window(expect, stuck))) == ()


def test_both_signals_late_is_one_slip() -> None:
    seen = [VALUES[k - 1] for k in range(CYCLES)]
    assert slips(failing(window(VALUES, seen))) == (
        "If q[3:0], p[3:0], ready are expected one row later: every mismatch vanishes.",
    )


def test_a_window_that_was_cut_promises_less() -> None:
    kept = window(VALUES, on_q(backwards), cut="9 later cycles are not kept: why")
    assert slips(failing(kept)) == (
        "If q[3:0] is read in the reverse order: every mismatch that was kept vanishes.",
    )


def test_repeated_rows_move_by_cycles() -> None:
    rows = [k // 2 for k in range(CYCLES)]
    assert slips(failing(window(VALUES, late(1), rows=rows))) == (
        "If q[3:0] is expected one cycle later: every mismatch vanishes.",
    )


def test_nothing_is_named_from_an_unstable_table() -> None:
    assert slips(failing(window(VALUES, late(1)), verdict=Verdict.UNSTABLE)) == ()


def test_a_damaged_window_names_nothing() -> None:
    assert slips(failing(window(VALUES, late(1), words="AAAA"))) == ()
    assert slips(failing(None)) == ()


def test_a_wait_that_never_ended_is_named_with_its_line() -> None:
    ends = (UntilEnd(3, 5, 4, matched=True), UntilEnd(6, 8, 20, matched=False))
    attempts = (Attempt(1, 3, "aa", 0.1, until=ends),)
    assert slips(failing(None, attempts=attempts)) == (
        "Line 8 waited 20 cycles and its outputs never matched.",
    )


def test_the_last_repetition_is_named() -> None:
    rows = [0, 1, *[2] * 20, 3, 4]
    seen = [word ^ (3 if k == 21 else 0) for k, word in enumerate(VALUES)]
    cycle = EvidenceCycle(21, 2, 4, 19, "", ())
    assert slips(failing(window(VALUES, seen, rows=rows), evidence=(cycle,)))[0] == (
        "Line 4 first fails in the last of its 20 repetitions: is one of them too many?"
    )


def test_answers_that_differ_without_a_reset_are_named() -> None:
    attempts = tuple(Attempt(k, k, f"{k}", 0.1) for k in (1, 2, 3))
    none = Conditions(1e4, 1e4, exact=False, settle_us=0.0, reset_cycles=0)
    told = failing(None, verdict=Verdict.UNSTABLE, attempts=attempts, conditions=none)
    assert slips(told) == (
        (
            "The answers differ from run to run and no reset was requested (reset_cycles = 0): "
            "the design begins in whatever state it was left."
        ),
    )
    assert slips(replace(told, conditions=replace(none, reset_cycles=2))) == ()


def test_a_window_is_unpacked_once_for_all_that_is_said_of_its_table() -> None:
    told = failing(window(VALUES, on_q(backwards)))
    assert trace_of(told) is not None
    assert trace_of(replace(told, seconds=2.0)) is trace_of(told)
    assert trace_of(failing(window(VALUES, VALUES))) is not trace_of(told)


def test_bus_values_are_numbers_and_bits_that_are_not_tested_are_x() -> None:
    trace = Trace.of(window(VALUES, on_q(backwards)))
    q = trace.buses[0]
    value = field(VALUES[2], Q)
    assert trace.value(2, q) == f"0x{backwards(value):X}"
    part = Trace.of(window([0b0101] * 4, [0b0110] * 4, care=0b0011, rows=range(4)))
    assert part.value(0, part.buses[0]) == "0bxx10"
    assert trace.value(2, trace.buses[2]) == str(VALUES[2] >> READY & 1)


def test_buses_are_collected_by_the_names_of_their_bits() -> None:
    (q, busy) = buses_of(("q[1]", "", "busy", "q[0]"))
    assert (q.title, q.places, q.mask) == ("q[1:0]", (3, 0), 0b1001)
    assert (busy.title, busy.places) == ("busy", (2,))
