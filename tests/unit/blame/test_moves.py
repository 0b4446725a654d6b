"""What a swap has settled: the failure stayed with the board, or it followed the chip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from harness.blame.moves import Exchange, Move, exchanges, moves, same_answer
from harness.records import Attempt, ChipRecord, Outcome, RunRecord
from tests.unit.reports import samples

TABLES = ("crc16", "uart", "secded")


def passing(slot: str, chip: str, design: str) -> Outcome:
    return samples.passed(design, "all", slot=slot, chip_serial=chip)


def failing(slot: str, chip: str, design: str, signature: str, first: int = 5) -> Outcome:
    attempts = tuple(
        Attempt(n, 9, signature, 0.1, first_cycle=first, first_wrong=("out2",)) for n in (1, 2, 3)
    )
    return samples.failed(design, "all", slot=slot, chip_serial=chip, attempts=attempts)


def seat(
    slot: str, chip: str, board: str, bad: Sequence[str] = (), signature: str = ""
) -> ChipRecord:
    """A chip with all tables; those of ``bad`` designs fail, each with an answer of its own."""
    outcomes = tuple(
        failing(slot, chip, d, signature or f"{d}-wrong") if d in bad else passing(slot, chip, d)
        for d in TABLES
    )
    return samples.chip(slot, chip, *outcomes, board_serial=board)


def run(name: str, *chips: ChipRecord) -> RunRecord:
    return samples.run_of(*chips, run_id=name)


BEFORE = run("r1", seat("A1", "SP2-1", "WB-1", ("crc16", "uart")), seat("A2", "SP2-2", "WB-2"))


def of(now: RunRecord, slot: str, earlier: Sequence[RunRecord]) -> list[Move]:
    chip = next(chip for chip in now.chips if chip.slot == slot)
    bad = [outcome for outcome in chip.outcomes if any(a.mismatches for a in outcome.attempts)]
    return list(moves(now, chip, bad, earlier))


def test_a_failure_that_stays_while_the_chip_changes_is_the_boards() -> None:
    now = run("r2", seat("A1", "SP2-2", "WB-1", ("crc16", "uart")), seat("A2", "SP2-1", "WB-2"))
    assert of(now, "A1", [BEFORE]) == [Move(True, "r1", "A1", "SP2-1", ("crc16/all", "uart/all"))]


def test_a_failure_that_follows_the_chip_is_the_chips() -> None:
    now = run("r2", seat("A1", "SP2-2", "WB-1"), seat("A2", "SP2-1", "WB-2", ("crc16", "uart")))
    assert of(now, "A2", [BEFORE]) == [Move(False, "r1", "A1", "SP2-1", ("crc16/all", "uart/all"))]


def test_nothing_moved_says_nothing() -> None:
    assert of(replace(BEFORE, run_id="r2"), "A1", [BEFORE]) == []


def test_chip_and_board_moved_together_say_nothing() -> None:
    now = run("r2", seat("A2", "SP2-1", "WB-1", ("crc16", "uart")))
    assert of(now, "A2", [BEFORE]) == []


def test_another_failure_on_the_same_board_is_not_the_old_one() -> None:
    now = run("r2", seat("A1", "SP2-2", "WB-1", ("crc16", "uart"), signature="another"))
    other = [replace(o, attempts=tuple(replace(a, first_cycle=77) for a in o.attempts))
             for o in now.chips[0].outcomes]  # fmt: skip
    changed = replace(now, chips=(replace(now.chips[0], outcomes=tuple(other)),))
    assert of(changed, "A1", [BEFORE]) == []


def test_a_board_without_a_serial_number_is_known_by_its_slot() -> None:
    before = run("r1", seat("A1", "SP2-1", "", ("crc16",)), seat("A2", "SP2-2", ""))
    now = run("r2", seat("A1", "SP2-2", "", ("crc16",)))
    assert [move.stayed for move in of(now, "A1", [before])] == [True]


def test_a_design_that_never_passed_elsewhere_convicts_neither_board_nor_chip() -> None:
    before = run("r1", seat("A1", "SP2-1", "WB-1", ("crc16",)))
    assert of(run("r2", seat("A1", "SP2-2", "WB-1", ("crc16",))), "A1", [before]) == []
    assert of(run("r2", seat("A2", "SP2-1", "WB-2", ("crc16",))), "A2", [before]) == []


def test_designs_that_fail_alike_with_two_chips_on_the_only_board_stay_with_it() -> None:
    before = run("r1", seat("A1", "SP2-1", "WB-1", ("crc16", "uart")))
    now = run("r2", seat("A1", "SP2-2", "WB-1", ("crc16", "uart")))
    assert [move.stayed for move in of(now, "A1", [before])] == [True]


def test_a_design_that_is_wrong_everywhere_goes_with_no_other_failure() -> None:
    before = run(
        "r1", seat("A1", "SP2-1", "WB-1", ("crc16", "uart")), seat("A2", "SP2-2", "WB-2", ("uart",))
    )
    now = run(
        "r2", seat("A1", "SP2-2", "WB-1", ("uart",)), seat("A2", "SP2-1", "WB-2", ("crc16", "uart"))
    )
    assert [move.tables for move in of(now, "A2", [before])] == [("crc16/all",)]


def test_a_chip_without_a_serial_number_is_not_known_to_have_changed() -> None:
    before = run("r1", seat("A1", "", "WB-1", ("crc16", "uart")))
    assert of(run("r2", seat("A1", "", "WB-1", ("crc16", "uart"))), "A1", [before]) == []


def test_a_table_that_was_edited_in_between_is_not_compared() -> None:
    now = run("r2", seat("A1", "SP2-2", "WB-1", ("crc16", "uart")))
    edited = tuple(replace(o, table_sha256="00" * 32) for o in now.chips[0].outcomes)
    changed = replace(now, chips=(replace(now.chips[0], outcomes=edited),))
    assert of(changed, "A1", [BEFORE]) == []


def test_a_flaky_failure_is_known_by_its_first_cycle_and_pins() -> None:
    one = failing("A1", "SP2-1", "crc16", "aa")
    assert same_answer(one, failing("A2", "SP2-2", "crc16", "bb"))
    assert not same_answer(one, failing("A2", "SP2-2", "crc16", "bb", first=6))
    assert not same_answer(one, failing("A2", "SP2-2", "uart", "aa"))


def test_two_untouched_slots_with_each_others_failures_are_asked_about() -> None:
    now = run("r2", seat("A1", "SP2-1", "WB-1"), seat("A2", "SP2-2", "WB-2", ("crc16", "uart")))
    assert list(exchanges(now, BEFORE)) == [Exchange("r1", ("A1", "A2"), ("crc16/all", "uart/all"))]


def test_a_recorded_move_is_no_unrecorded_exchange() -> None:
    now = run("r2", seat("A1", "SP2-2", "WB-1"), seat("A2", "SP2-1", "WB-2", ("crc16", "uart")))
    assert list(exchanges(now, BEFORE)) == []


def test_failures_that_differ_are_no_exchange() -> None:
    now = run("r2", seat("A1", "SP2-1", "WB-1"), seat("A2", "SP2-2", "WB-2", ("secded",)))
    assert list(exchanges(now, BEFORE)) == []
