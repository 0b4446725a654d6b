"""Handovers are kept with what was there before; the latest of a board is in force."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import create_engine, text

from harness.records import HandoverRecord, decode, encode, kept_program, latest_of_boards
from harness.store import Store, of_chip, of_design
from harness_reports import wakes_text
from tests.unit.store.samples import NOON

OWN = b"print('own')\r\n\x00\xff"
HANDED = HandoverRecord(
    handover_id="one",
    begun=NOON,
    chip_serial="SP2-0001",
    board_serial="WB-01",
    rack="bench",
    slot="A1",
    design="gray",
    rate_hz=1000.0,
    achieved_hz=990.0,
    exact=False,
    levels=("en=1", "d=0x5"),
    passed=NOON,
    reason="",
    folder="handover-0123456789ab",
    before=kept_program(OWN),
    finished=NOON,
)


def later(days: int, **changes: object) -> HandoverRecord:
    """Another handover of the same board."""
    begun = NOON + timedelta(days=days)
    return replace(HANDED, handover_id=f"day {days}", begun=begun, **changes)  # type: ignore[arg-type]


@given(st.none() | st.binary(max_size=200))
def test_what_was_on_the_board_is_kept_byte_for_byte(program: bytes | None) -> None:
    record = replace(HANDED, before=kept_program(program))
    assert decode(HandoverRecord, encode(record), "handover").program == program


def test_a_handover_is_kept_before_and_after_it_is_done_and_undone(tmp_path: Path) -> None:
    begun = replace(HANDED, finished=None)
    undone = replace(HANDED, undone=NOON)
    with Store(tmp_path / "s.sqlite") as store:
        for state in (begun, HANDED, undone):
            store.record_handover(state)
            assert store.handovers() == (state,)


def test_the_latest_handover_of_each_board_is_the_one_in_force(tmp_path: Path) -> None:
    other = later(1, board_serial="WB-02", chip_serial="SP2-0002")
    again = later(2, chip_serial="SP2-0003")
    with Store(tmp_path / "s.sqlite") as store:
        for one in (again, other, HANDED):
            store.record_handover(one)
        assert store.handovers() == (HANDED, other, again)
        assert latest_of_boards(store.handovers()) == (other, again)
        assert store.history(of_chip("SP2-0001")).handovers == ()
        assert store.history(of_chip("SP2-0002")).handovers == (other,)
        assert store.history(of_design("gray")).handovers == ()
        store.record_handover(replace(again, undone=NOON))
        assert latest_of_boards(store.handovers()) == (other,)


def test_a_damaged_handover_says_so(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as store:
        store.record_handover(HANDED)
        with create_engine(f"sqlite:///{tmp_path / 's.sqlite'}").begin() as raw:
            raw.execute(text("UPDATE handovers SET body = '{}'"))
        (found,) = store.handovers()
    assert found.board_serial == "WB-01"
    assert found.finished is None
    assert wakes_text(found).startswith(
        "was handed over: the record of this handover is damaged (handover"
    )


def test_what_a_board_wakes_up_with_in_words() -> None:
    assert wakes_text(HANDED) == (
        "starts gray by itself at power-up; clock 990 Hz, paced by software; inputs held: en=1, "
        "d=0x5; handed over on 2026-06-01"
    )
    bare = replace(HANDED, levels=(), achieved_hz=2.5e6, exact=True, reason="only to look at")
    assert wakes_text(bare) == (
        "starts gray by itself at power-up; clock 2.5 MHz, exact; handed over on 2026-06-01, for "
        "this reason: only to look at"
    )
    assert "it has no clock" in wakes_text(replace(HANDED, rate_hz=0.0))
    assert wakes_text(replace(HANDED, finished=None)) == (
        "may start gray by itself at power-up: the handover of 2026-06-01 did not finish"
    )


@pytest.mark.parametrize("at", [0, 4, -3])
def test_a_program_that_has_changed_in_the_store_goes_to_no_board(tmp_path: Path, at: int) -> None:
    before = str(HANDED.before)
    letter = "A" if before[at] != "A" else "B"
    changed = f"{before[:at]}{letter}{before[len(before) + at + 1 if at < 0 else at + 1 :]}"
    assert len(changed) == len(before)
    with Store(tmp_path / "s.sqlite") as store:
        store.record_handover(replace(HANDED, before=changed))
        store.record_handover(later(1, before="no base 64"))
        known = [(one.board_serial, one.folder, one.program) for one in store.handovers()]
        assert known == [("WB-01", "", None)] * 2
        assert store.handovers()[0].reason == (
            "the record of this handover is damaged (the program that was there before has "
            "changed); restore the store from a backup"
        )
