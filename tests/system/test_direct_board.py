"""A virtual board without interpreter and wire gives the outcomes of the whole stack."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from harness.board import Session
from harness.judge import Case, RetryPolicy, examine
from harness.records import Attempt, Outcome
from harness.table import load_table
from harness.virtual import BoardFault, ChipDefect, DirectBoard, VirtualRack
from harness.virtual.faults import (
    DeadPad,
    MovedPins,
    NetStuck,
    NeverLow,
    OpenPin,
    ShortedPins,
    StuckPin,
)
from tests.racks import forked
from tests.system.virtual import profile, session, shuttle, spec

TABLES = (("ctr163", "sequence"), ("ram16x4", "bus"), ("uart", "directed"))
WRONG: tuple[tuple[BoardFault | ChipDefect, ...], ...] = (
    (OpenPin("out3"),),
    (ShortedPins("in0", "out0", "or"), OpenPin("in2", probability=0.02, seed=7)),
    (StuckPin("seld", 1), MovedPins(("out1", "out2", "io0"))),
    (OpenPin("in1", probability=0.5, per="run"), NetStuck("ctr163", "q[1]", 1, 0.1)),
    (DeadPad("in4", 1), NeverLow("io1")),
    (ShortedPins("io0", "io1"), ShortedPins("io1", "io2", "or")),
)


def outcomes(board: Session | DirectBoard) -> list[Outcome]:
    """Every table, selected and examined; without the time and the bytes that it took."""
    found, day = [], datetime(2026, 1, 1, tzinfo=UTC)
    for design_name, table in TABLES:
        design = shuttle().designs_by_name[design_name]
        (spec,) = (spec for spec in design.tables if spec.name == table)
        case = Case(
            "A1", "SP2-0001", "WB-01", shuttle(), design, spec, load_table(spec, design, shuttle())
        )
        board.select(design)
        outcome = examine(board, case, RetryPolicy(), day.date()).outcome
        attempts = tuple(
            Attempt(one.number, one.mismatches, one.signature, 0.0) for one in outcome.attempts
        )
        found.append(replace(outcome, started=day, seconds=0.0, attempts=attempts))
    return found


@pytest.mark.slow
def test_the_direct_board_gives_the_outcomes_of_the_whole_stack() -> None:
    specs = [
        spec(
            slot=f"A{number}",
            board_serial=f"WB-0{number}",
            defects=tuple(fault for fault in faults if isinstance(fault, ChipDefect)),
            board_faults=tuple(fault for fault in faults if isinstance(fault, BoardFault)),
        )
        for number, faults in enumerate(WRONG, 1)
    ]
    with VirtualRack(specs, launch=forked) as rack:
        for wanted in specs:
            direct = outcomes(DirectBoard(wanted, shuttle(), profile()))
            with session(rack.ports[wanted.slot]) as opened:
                assert direct == outcomes(opened), wanted
            assert any(outcome.verdict.value != "PASS" for outcome in direct)
