"""Passes the words of repeated rows to the engine: all at once while they are as expected.

One rule: cycles are looked at one by one only where some are reported: a mismatch, the window.
"""

from __future__ import annotations

from collections.abc import Sequence

from .cpython import addressof
from .engine import Engine
from .rp2_plan import BurstPlan
from .rp2_stream import differs


def give_repeats(
    plan: BurstPlan, engine: Engine, piece: Sequence[int], table: Sequence[int]
) -> None:
    """Pass on a piece of the plan; ``table`` moves bits into the host's order."""
    row, rows, done, left, kept = piece
    while left:
        size = min(left, plan.most)
        before = plan.picked
        if kept:
            plan.pick(engine.words_at(size), size, table)
        if not passed(plan, engine, row, rows, size):
            plan.picked = before
            for one in range(row, row + rows):
                again = engine.block.repeat[one] if rows > 1 else size
                give_slowly(plan, engine, one, (done, again, kept), table)
        done += size
        left -= size


def passed(plan: BurstPlan, engine: Engine, row: int, rows: int, size: int) -> bool:
    """Whether the words picked last are passed on: none of their cycles is reported by itself."""
    if engine.cycle < engine.stop and engine.cycle + size > engine.first:
        return False
    care, expect = plan.spread_tests(row, rows, size)
    if not engine.checked and differs(addressof(engine.seen), expect, care, size):
        return False
    engine.sum_words(plan.stream, size)
    engine.go_on(size)
    return True


def give_slowly(
    plan: BurstPlan, engine: Engine, row: int, cycles: tuple[int, ...], table: Sequence[int]
) -> None:
    """Pass on repetitions of a row, ``cycles``: the first, their number, whether captured."""
    done, left, kept = cycles
    while left:
        part = min(left, engine.work.size)
        engine.place(row, done, 0, part)
        if kept:
            plan.pick(engine.words_at(part), part, table)
        engine.judge(engine.work, 0, part, -1, 0)
        done += part
        left -= part
