"""Racks of direct boards with faults, and what the rules make of them: for tests of this room."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache

import numpy as np

from harness.blame.settle import Settled, settle
from harness.judge import Case, RetryPolicy, examine
from harness.records import Cause, ChipRecord, Outcome, RunRecord, Verdict
from harness.rehearse import Cache, Key, Predictions, predict
from harness.table import Pattern, load_table
from harness.virtual import BoardFault, ChipDefect, DirectBoard
from tests.published import demo
from tests.system.virtual import profile, shuttle, spec
from tests.unit.store.samples import heading

KEYS: tuple[Key, ...] = (
    ("cmp85", "directed"),
    ("prio148", "function"),
    ("ctr163", "sequence"),
    ("crc16", "check"),
    ("aessbox", "directed"),
    ("chachaqr", "published"),
    ("present80", "published"),
    ("ram16x4", "bus"),
    ("secded", "errors"),
    ("alu181", "directed"),
)
"""Short tables of ten designs: together they convict nearly every fault of a line."""
CHIPS = 4
GOOD = dict.fromkeys(KEYS, True)


@dataclass(frozen=True)
class Wrong:
    """What is wrong in a slot: faults of the board, defects of the chip."""

    board: tuple[BoardFault, ...] = ()
    chip: tuple[ChipDefect, ...] = ()


NOTHING = Wrong()


@cache
def patterns() -> Mapping[Key, Pattern]:
    """The tables as patterns."""
    return {key: load_table(demo.table_spec(*key), demo.design(key[0]), shuttle()) for key in KEYS}


@cache
def predictions() -> Predictions:
    """What every hypothesis says of them."""
    jobs = [(demo.design(d), demo.table_spec(d, t), p) for (d, t), p in patterns().items()]
    return predict(shuttle(), jobs, profile(), cache=Cache())


@cache
def answers(
    wrong: Wrong, spoiled: Key | None = None, keys: tuple[Key, ...] = KEYS
) -> tuple[Outcome, ...]:
    """What the tables of one slot come to, before any comparison.

    ``spoiled``: a table with one wrong expectation.
    """
    board = DirectBoard(spec(defects=wrong.chip, board_faults=wrong.board), shuttle(), profile())
    found = []
    for key in keys:
        pattern = patterns()[key]
        if key == spoiled:
            row = int(np.flatnonzero(pattern.care)[-2])
            expect = pattern.expect.copy()
            expect[row] ^= pattern.care[row] & (~pattern.care[row] + np.uint32(1))
            pattern = replace(pattern, expect=expect)
        design = demo.design(key[0])
        board.select(design)
        case = Case("", "", "", shuttle(), design, demo.table_spec(*key), pattern)
        found.append(examine(board, case, RetryPolicy(), date(2026, 11, 29)).outcome)
    return tuple(found)


def rack(*slots: Wrong, spoiled: Key | None = None, keys: tuple[Key, ...] = KEYS) -> RunRecord:
    """A run of these slots, filled up with good ones to ``CHIPS``."""
    filled = (*slots, *[NOTHING] * (CHIPS - len(slots)))
    return run_of(*(answers(wrong, spoiled, keys) for wrong in filled))


def run_of(*chips: Sequence[Outcome]) -> RunRecord:
    """A run of chips with these outcomes, in slots A1, A2 and so on."""
    records = []
    for number, outcomes in enumerate(chips, start=1):
        slot, chip, board = f"A{number}", f"SP2-000{number}", f"WB-0{number}"
        own = tuple(replace(o, slot=slot, chip_serial=chip, board_serial=board) for o in outcomes)
        texts = (slot, chip, board, "direct", True, "", "none", "direct")
        records.append(ChipRecord(*texts, exact=False, trouble="", outcomes=own))
    return replace(heading(), chips=tuple(records), causes=(), continuity=())


def settled(run: RunRecord, rehearsed: Mapping[Key, bool] = GOOD) -> Settled:
    """What the rules make of a run."""
    return settle(run, predictions(), rehearsed)


def verdicts(result: Settled, slot: str = "A1") -> dict[Key, Verdict]:
    """Final verdicts of a slot's tables that are not PASS."""
    return {
        (o.design, o.table): o.verdict
        for o in result.outcomes
        if o.slot == slot and o.verdict is not Verdict.PASS
    }


def cause(result: Settled) -> Cause:
    """The only cause."""
    (only,) = result.causes
    return only
