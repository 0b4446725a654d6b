"""A swap settles what one run could not: the next run reads it without being told."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.blame.settle import Settled, settle
from harness.records import Origin, Reason, RunRecord, Verdict
from harness.virtual import faults as f
from tests.unit.blame.racks import GOOD, NOTHING, Wrong, answers, predictions, run_of

PAD = f.DeadPad("out3")
OPEN = f.OpenPin("out3")


def night(name: str, chips: dict[str, Wrong], boards: dict[str, Wrong], *order: str) -> RunRecord:
    """Chips by serial number on the boards of the slots A1, A2, …, in this order."""
    outcomes = []
    for slot, chip in enumerate(order, start=1):
        board = boards.get(f"A{slot}", NOTHING).board
        outcomes.append(answers(Wrong(board, chips.get(chip, NOTHING).chip)))
    run = run_of(*outcomes)
    seated = tuple(
        replace(
            chip,
            chip_serial=serial,
            outcomes=tuple(replace(o, chip_serial=serial) for o in chip.outcomes),
        )
        for chip, serial in zip(run.chips, order, strict=True)
    )
    return replace(run, run_id=name, chips=seated)


def settled(now: RunRecord, *earlier: RunRecord) -> Settled:
    return settle(now, predictions(), GOOD, earlier)


def reasons(result: Settled, slot: str) -> set[Reason]:
    return {o.reason for o in result.outcomes if o.slot == slot and o.verdict is not Verdict.PASS}


def test_before_the_swap_pad_and_contact_are_a_tie() -> None:
    for chips, boards in (({"P": Wrong(chip=(PAD,))}, {}), ({}, {"A1": Wrong(board=(OPEN,))})):
        (cause,) = settled(night("r1", chips, boards, "P", "Q", "R")).causes
        assert {c.kind.party for c in cause.candidates if c.odds > 0.05} == {
            Origin.BOARD,
            Origin.CHIP,
        }
        assert cause.swap in {"A2", "A3"}


def test_a_dead_pad_follows_its_chip_and_the_chip_fails() -> None:
    chips = {"P": Wrong(chip=(PAD,))}
    before = night("r1", chips, {}, "P", "Q", "R")
    result = settled(night("r2", chips, {}, "Q", "P", "R"), before)
    (cause,) = result.causes
    assert (cause.slots, cause.settled, cause.swap) == (("A2",), True, "")
    assert reasons(result, "A2") == {Reason.FOLLOWS_CHIP}
    assert reasons(result, "A1") == set()
    assert cause.summary.endswith(
        "This chip failed alike in slot A1 in run r1: the failure follows the chip."
    )


def test_an_open_contact_stays_with_the_board_and_no_chip_fails() -> None:
    boards = {"A1": Wrong(board=(OPEN,))}
    before = night("r1", {}, boards, "P", "Q", "R")
    result = settled(night("r2", {}, boards, "Q", "P", "R"), before)
    (cause,) = result.causes
    assert (cause.slots, cause.settled, cause.swap) == (("A1",), True, "")
    assert {o.verdict for o in result.outcomes if o.cause} == {Verdict.ERROR}
    assert {c.kind.party for c in cause.candidates if c.odds > 0.05} == {Origin.BOARD}
    assert cause.summary.endswith(
        "This board failed alike with chip P in run r1: the failure stays with the board."
    )


@pytest.mark.parametrize("defect", [f.SelectBitStuck(2, 1), f.OutputStuck("out3", 1)])
def test_whatever_follows_the_chip_is_the_chips(defect: f.ChipDefect) -> None:
    chips = {"P": Wrong(chip=(defect,))}
    before = night("r1", chips, {}, "P", "Q", "R")
    result = settled(night("r2", chips, {}, "Q", "P", "R"), before)
    assert reasons(result, "A2") == {Reason.FOLLOWS_CHIP}


def test_a_chip_of_another_shuttle_that_was_moved_is_still_no_bad_chip() -> None:
    chips = {"P": Wrong(chip=(f.OtherShuttle(1),))}
    before = night("r1", chips, {}, "P", "Q", "R")
    result = settled(night("r2", chips, {}, "Q", "P", "R"), before)
    assert reasons(result, "A2") == {Reason.WRONG_CHIP}


def test_a_wrong_design_on_the_only_board_is_chip_or_design_with_every_chip() -> None:
    chips = dict.fromkeys("PQ", Wrong(chip=(f.NetStuck("crc16", "rem[3]", 1),)))
    before = night("r1", chips, {}, "P")
    assert reasons(settled(night("r2", chips, {}, "Q"), before), "A1") == {Reason.CHIP_OR_DESIGN}


def test_what_a_swap_has_ruled_out_is_no_candidate() -> None:
    chips = {"P": Wrong(chip=(PAD,))}
    before = night("r1", chips, {}, "P", "Q", "R")
    (cause,) = settled(night("r2", chips, {}, "Q", "P", "R"), before).causes
    assert {c.kind.party for c in cause.candidates} == {Origin.CHIP}
    assert max(c.odds for c in cause.candidates) == 1.0


def test_a_design_that_fails_on_every_chip_convicts_no_board() -> None:
    wrong = Wrong(chip=(f.NetStuck("crc16", "crc[3]", 1),))
    chips = dict.fromkeys("PQRS", wrong)
    before = night("r1", chips, {}, "P", "Q", "R", "S")
    result = settled(night("r2", chips, {}, "Q", "P", "R", "S"), before)
    assert {o.origin for o in result.outcomes if o.verdict.failed} == {Origin.DESIGN}


def test_two_chips_that_changed_places_unrecorded_are_asked_about() -> None:
    chips = {"P": Wrong(chip=(PAD,))}
    before = night("r1", chips, {}, "P", "Q", "R")
    now = night("r2", {"Q": Wrong(chip=(PAD,))}, {}, "P", "Q", "R")
    (cause,) = settled(now, before).causes
    assert "Were the chips of A1 and A2 exchanged?" in cause.summary
