"""Faults of boards beside good chips, and of chips, tables and designs: who gets the blame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from harness.blame.settle import settle
from harness.records import CauseKind, Origin, Outcome, Reason, Verdict, WaiverRecord
from harness.rehearse import predict
from harness.virtual import BoardFault, ChipDefect
from harness.virtual import faults as f
from tests.system.virtual import profile, shuttle
from tests.unit.blame.racks import (
    GOOD,
    KEYS,
    NOTHING,
    Wrong,
    answers,
    cause,
    patterns,
    rack,
    run_of,
    settled,
    verdicts,
)

K = CauseKind
OUTPUTS = [f"out{k}" for k in range(9)]
OPEN = [*OUTPUTS, "io3", "in0", "in4", "io1", "clk", "nreset"]
BOARD_FAULTS: list[tuple[tuple[BoardFault, ...], CauseKind, tuple[str, ...]]] = [
    ((f.NoClock(),), K.NO_CLOCK, ("clk",)),
    ((f.SwappedPins("out2", "out3"),), K.EXCHANGED, ("out2", "out3")),
    ((f.SwappedPins("in2", "in3"),), K.EXCHANGED, ("in2", "in3")),
    ((f.ShortedPins("out2", "out3"),), K.SHORT, ("out2", "out3")),
    ((f.ShortedPins("in2", "in3", "or"),), K.SHORT, ("in2", "in3")),
    ((f.ShortedPins("in8", "out0"),), K.SHORT, ("in8", "out0")),
    ((f.StuckPin("in4", 1),), K.STUCK, ("in4",)),
    ((f.StuckPin("nreset", 0),), K.RESET_HELD, ("nreset",)),
    ((f.OpenPin("out3"), f.OpenPin("out4")), K.OPEN_NEIGHBOURS, ("out3", "out4")),
    ((f.MovedPins(tuple(OUTPUTS)),), K.OTHER_MAP, ()),
]
NO_ANSWER: list[tuple[BoardFault, ...]] = [
    (f.NoSupply(),),
    (f.OpenPin("seld"),),
    (f.TurnedChip(),),
]


def board_only(*faults: BoardFault) -> Wrong:
    return Wrong(board=faults)


def chip_only(*defects: ChipDefect) -> Wrong:
    return Wrong(chip=defects)


@pytest.mark.parametrize("pin", OPEN)
def test_an_open_pin_is_named_and_the_chip_is_not_blamed(pin: str) -> None:
    result = settled(rack(board_only(f.OpenPin(pin))))
    found = cause(result)
    assert found.settled
    assert found.slots == ("A1",)
    assert {c.pins for c in found.candidates if c.odds > 0.05} == {(pin,)}
    assert set(verdicts(result).values()) == {Verdict.ERROR}
    assert {o.reason for o in result.outcomes if o.cause} == {Reason.WIRING_OPEN}


@pytest.mark.parametrize(("faults", "kind", "pins"), BOARD_FAULTS)
def test_a_fault_of_the_board_is_named_with_its_pins(
    faults: tuple[BoardFault, ...], kind: CauseKind, pins: tuple[str, ...]
) -> None:
    result = settled(rack(board_only(*faults)))
    found = cause(result)
    near = [c for c in found.candidates if c.odds > 0.05]
    assert (kind, pins) in {(c.kind, c.pins) for c in near}
    assert set(verdicts(result).values()) == {Verdict.ERROR}


@pytest.mark.parametrize("faults", NO_ANSWER)
def test_a_chip_that_does_not_answer_at_all_is_one_place_to_look(
    faults: tuple[BoardFault, ...],
) -> None:
    result = settled(rack(board_only(*faults)))
    kinds = {c.kind for c in cause(result).candidates}
    assert kinds & {K.NO_SUPPLY, K.SELECTION, K.TURNED}
    assert set(verdicts(result).values()) == {Verdict.ERROR}


@pytest.mark.parametrize("pin", ["out3", "in3"])
def test_a_contact_that_comes_and_goes_is_the_contact_of_that_pin(pin: str) -> None:
    result = settled(rack(board_only(f.OpenPin(pin, probability=0.05))))
    found = cause(result)
    assert (found.candidates[0].kind, found.candidates[0].pins) == (K.FLAKY_CONTACT, (pin,))
    assert Verdict.FAIL not in verdicts(result).values()


def test_a_selection_bit_and_a_chip_of_another_shuttle_are_told() -> None:
    bit = cause(settled(rack(chip_only(f.SelectBitStuck(1, 0)))))
    assert (bit.candidates[0].kind, bit.candidates[0].detail) == (K.SELECTION_BIT, "bit 1 low")
    other = settled(rack(chip_only(f.OtherShuttle(1))))
    assert cause(other).candidates[0].kind is K.OTHER_SHUTTLE
    assert {o.reason for o in other.outcomes if o.cause} == {Reason.WRONG_CHIP}


@pytest.mark.parametrize(
    "fault",
    [
        f.OpenPin("in4"),
        f.SwappedPins("out2", "out3"),
    ],
)
def test_one_fault_on_most_boards_is_the_profile_or_their_revision(fault: BoardFault) -> None:
    result = settled(rack(*[board_only(fault)] * 3))
    found = cause(result)
    assert (found.candidates[0].kind, found.slots) == (K.PROFILE_WRONG, ("A1", "A2", "A3"))
    assert set(verdicts(result).values()) == {Verdict.ERROR}
    assert {o.reason for o in result.outcomes if o.cause} == {Reason.PROFILE_SUSPECTED}


DEFECTS: list[ChipDefect] = [
    f.NetBridge("crc16", "rem[3]", "rem[12]"),
    f.NetStuck("crc16", "rem[3]", 0),
    f.SlowPath("crc16", "rem[3]", 1000.0),
]


@pytest.mark.parametrize("defect", DEFECTS)
def test_a_defect_in_one_design_is_the_chip(defect: ChipDefect) -> None:
    result = settled(rack(chip_only(defect)))
    assert verdicts(result) == {("crc16", "check"): Verdict.FAIL}
    (failed,) = (o for o in result.outcomes if o.cause)
    assert (failed.reason, failed.origin, failed.counts) == (
        Reason.CHIP_DEFECT,
        Origin.CHIP,
        True,
    )
    assert cause(result).settled


def test_two_defective_designs_are_the_chip_and_both_are_named() -> None:
    two = DEFECTS[0], f.NetStuck("prio148", "a_n[1]", 1)
    result = settled(rack(chip_only(*two)))
    assert set(verdicts(result)) == {("crc16", "check"), ("prio148", "function")}
    assert set(verdicts(result).values()) == {Verdict.FAIL}
    assert cause(result).candidates[0].design == "crc16, prio148"


@pytest.mark.parametrize("defect", [f.OutputStuck("out3", 1), f.DeadPad("in3", 0)])
def test_a_dead_pad_is_a_tie_with_the_board_and_the_swap_is_named(defect: ChipDefect) -> None:
    result = settled(rack(chip_only(defect)))
    found = cause(result)
    assert K.DEAD_PAD in {c.kind for c in found.candidates}
    assert (found.swap, bool(found.ask)) == ("A2", True)
    assert Verdict.FAIL not in verdicts(result).values()


ONE_LEVEL: list[tuple[ChipDefect, tuple[str, ...], str]] = [
    *((f.NeverLow(pin), (pin,), "low") for pin in ("out0", "out3", "out8", "io3")),
    *((f.NeverHigh(pin), (pin,), "high") for pin in ("out3", "io3")),
]


@pytest.mark.parametrize(("defect", "pins", "level"), ONE_LEVEL)
def test_a_pad_that_never_drives_one_level_is_the_chip_wherever_a_table_asks_for_it(
    defect: ChipDefect, pins: tuple[str, ...], level: str
) -> None:
    result = settled(rack(chip_only(defect)))
    first = cause(result).candidates[0]
    assert (first.kind, first.pins, first.detail) == (K.ONE_LEVEL_PAD, pins, level)
    assert cause(result).settled
    bit = np.uint32(shuttle().pins_by_name[pins[0]].mask)
    for key, pattern in patterns().items():
        tested = pattern.care & ~pattern.highz & ~pattern.enable & bit
        low, high = (bool((tested & levels).any()) for levels in (~pattern.expect, pattern.expect))
        verdict = verdicts(result).get(key, Verdict.PASS)
        if low and high:
            assert verdict is Verdict.FAIL, key
        elif {"low": low, "high": high}[level]:
            assert verdict is Verdict.ERROR, key
        else:
            assert verdict is Verdict.PASS, key


def test_one_table_is_enough_to_see_a_pad_that_never_drives_low() -> None:
    one = (("crc16", "check"),)
    for defect in (f.NeverLow("out3"), f.NeverHigh("out3")):
        result = settled(run_of(answers(chip_only(defect), keys=one)))
        assert set(verdicts(result).values()) == {Verdict.FAIL}


def test_a_net_that_is_wrong_at_times_is_a_tie_and_never_fail() -> None:
    flaky = f.NetStuck("crc16", "rem[3]", 0, 0.05)
    result = settled(rack(chip_only(flaky)))
    assert set(verdicts(result)) == {("crc16", "check")}
    assert Verdict.FAIL not in verdicts(result).values()
    assert not cause(result).settled


def test_a_design_that_is_wrong_alike_on_most_chips_is_told_once_and_counts_for_no_chip() -> None:
    wrong = chip_only(DEFECTS[0])
    result = settled(rack(wrong, wrong, wrong))
    found = cause(result)
    assert (found.candidates[0].kind, found.slots) == (K.DESIGN_WRONG, ("A1", "A2", "A3"))
    assert {(o.reason, o.counts) for o in result.outcomes if o.cause} == {
        (Reason.DESIGN_ALIKE, False)
    }


def test_one_more_chip_with_a_defect_of_its_own_does_not_hide_the_design() -> None:
    wrong, own = chip_only(DEFECTS[0]), chip_only(f.NetStuck("crc16", "rem[9]", 1))
    result = settled(rack(wrong, wrong, wrong, own))
    assert {c.candidates[0].kind for c in result.causes} == {K.DESIGN_WRONG, K.DESIGN_DEFECT}
    assert {o.reason for o in result.outcomes if o.slot == "A4" and o.cause} == {
        Reason.CHIP_OR_DESIGN
    }


def test_most_chips_that_fail_each_in_its_own_way_are_not_called_alike() -> None:
    own = [answers(chip_only(f.NetStuck("crc16", f"rem[{k}]", 1))) for k in (3, 9, 12)]
    found = cause(settled(run_of(*own, answers(NOTHING))))
    assert found.summary == (
        "crc16/check: 3 of the 4 chips that answered fail, each in its own way: "
        "table or design, not a chip."
    )


def test_where_no_other_slot_passes_the_advice_asks_for_another_chip() -> None:
    found = cause(settled(run_of(answers(chip_only(f.NetStuck("crc16", "rem[3]", 0, 0.05))))))
    assert (found.settled, found.swap) == (False, "")
    assert found.advice == (
        "No other slot passes what would settle it. Put another chip into A1, and run crc16/check: "
        "what stays is the board's, what goes is the chip's."
    )


def test_half_of_the_chips_alike_are_a_margin_or_a_lot() -> None:
    wrong = chip_only(DEFECTS[0])
    result = settled(rack(wrong, wrong))
    assert cause(result).candidates[0].kind is K.DESIGN_MARGIN
    assert {o.reason for o in result.outcomes if o.cause} == {Reason.DESIGN_MARGIN}


def test_every_cause_has_a_key_of_its_own() -> None:
    one, other = (chip_only(f.NetStuck("crc16", f"rem[{k}]", 1)) for k in (3, 12))
    run = run_of(*[answers(one)] * 2, *[answers(other)] * 2, *[answers(NOTHING)] * 4)
    result = settled(run)
    keys = [cause.key for cause in result.causes]
    assert keys == ["design-margin:crc16", "design-margin:crc16:2"]
    (blamed,) = (o.cause for o in result.outcomes if o.slot == "A4" and o.cause)
    assert blamed == "design-margin:crc16:2"


def test_a_table_that_fails_its_rehearsal_fails_no_chip() -> None:
    key = ("aessbox", "directed")
    result = settled(rack(spoiled=key), {**GOOD, key: False})
    assert cause(result).candidates[0].kind is K.TABLE_WRONG
    assert {(o.reason, o.counts) for o in result.outcomes if o.cause} == {
        (Reason.TABLE_FAILS_REHEARSAL, False)
    }


def test_a_wrong_table_of_a_design_without_rehearsal_is_table_or_design() -> None:
    key = ("aessbox", "directed")
    rest = {k: True for k in KEYS if k != key}
    result = settled(rack(spoiled=key), rest)
    assert {o.reason for o in result.outcomes if o.cause} == {Reason.TABLE_ALIKE}


def test_one_design_on_one_board_fails_after_a_continuity_test_that_passed() -> None:
    alone = run_of(answers(chip_only(DEFECTS[0])))
    result = settled(alone)
    assert {o.reason for o in result.outcomes if o.cause} == {Reason.CHIP_OR_DESIGN}


def test_one_design_alone_fails_with_wiring_not_proven() -> None:
    only = (("crc16", "check"),)
    alone = run_of(answers(chip_only(DEFECTS[0]), keys=only))
    result = settled(alone)
    (failed,) = (o for o in result.outcomes if o.cause)
    assert failed.verdict is Verdict.FAIL
    assert failed.reason in (Reason.WIRING_NOT_PROVEN, Reason.CHIP_OR_DESIGN)


def test_a_board_fault_and_a_defect_in_one_slot_are_both_told() -> None:
    both = Wrong((f.OpenPin("io3"),), (f.NetStuck("aessbox", "s[2]", 1),))
    result = settled(rack(both))
    found = {(c.kind, c.pins, c.design) for c in cause(result).candidates}
    assert (K.OPEN, ("io3",), "aessbox") in found
    assert verdicts(result)["aessbox", "directed"] is Verdict.FAIL


def test_two_faults_of_a_board_at_once_are_one_explanation() -> None:
    result = settled(rack(board_only(f.OpenPin("in4"), f.ShortedPins("out2", "out3"))))
    first = cause(result).explanations[0]
    assert {(part.kind, part.pins) for part in first} == {
        (K.OPEN, ("in4",)),
        (K.SHORT, ("out2", "out3")),
    }
    assert {part.odds for part in first} == {1.0}


def test_a_board_that_cannot_be_used_is_a_cause_and_no_verdict_on_its_chip() -> None:
    run = rack(NOTHING)
    silent = run.chips[0]
    waiting = tuple(
        replace(o, verdict=Verdict.NOT_RUN, reason=Reason.BOARD_UNUSABLE, provisional=o.reason)
        for o in silent.outcomes
    )
    trouble = "slot A1, port /dev/tty7: nothing came back from the board within 2 s; power?"
    first = replace(silent, outcomes=waiting, trouble=trouble)
    result = settled(replace(run, chips=(first, *run.chips[1:])))
    found = cause(result)
    assert (found.key, found.slots, found.settled) == ("board-unusable:A1", ("A1",), True)
    assert found.summary == (
        f"A1 ({silent.chip_serial}): the board cannot be used: port /dev/tty7: nothing came back "
        "from the board within 2 s; power?"
    )
    assert len(found.tables) == len(waiting)
    changed = [outcome for outcome in result.outcomes if outcome.slot == "A1"]
    assert {(o.verdict, o.rules, o.cause) for o in changed} == {
        (Verdict.NOT_RUN, waiting[0].rules, found.key)
    }
    assert {o.verdict for o in result.outcomes if o.slot != "A1"} == {Verdict.PASS}


def test_a_good_rack_has_no_causes_and_its_verdicts_are_final() -> None:
    result = settled(rack(NOTHING))
    assert result.causes == ()
    assert {(o.verdict, o.rules, o.cause) for o in result.outcomes} == {(Verdict.PASS, "1", "")}


def test_settling_twice_changes_nothing() -> None:
    run = rack(board_only(f.OpenPin("in4")), chip_only(DEFECTS[0]))
    first = settled(run)
    places = {(o.slot, o.design, o.table): o for o in first.outcomes}
    again = run_of(
        *([places[o.slot, o.design, o.table] for o in chip.outcomes] for chip in run.chips)
    )
    second = settled(again)
    assert second.outcomes == ()
    assert second.causes == first.causes


CHECK = "crc16", "check"
WAIVER = WaiverRecord("ops", "known", "T-1", "2027-01-01")


def with_waiver(wrong: Wrong, verdict: Verdict, reason: Reason) -> tuple[Outcome, ...]:
    """A chip whose table is covered by a waiver, with this verdict."""
    return tuple(
        replace(o, verdict=verdict, reason=reason, waiver=WAIVER)
        if (o.design, o.table) == CHECK
        else o
        for o in answers(wrong)
    )


@pytest.mark.parametrize(
    ("wrong", "verdict", "reason"),
    [
        (board_only(f.OpenPin("in3")), Verdict.ERROR, Reason.WIRING_OPEN),
        (chip_only(DEFECTS[0]), Verdict.WAIVED, Reason.WAIVED),
    ],
)
@pytest.mark.parametrize(
    ("before", "why"), [(Verdict.WAIVED, Reason.WAIVED), (Verdict.ERROR, Reason.NOT_SETTLED)]
)
def test_a_waiver_covers_no_fault_of_the_board_but_the_chip_again_once_none_is_suspected(
    wrong: Wrong, verdict: Verdict, reason: Reason, before: Verdict, why: Reason
) -> None:
    result = settled(run_of(with_waiver(wrong, before, why), *[answers(NOTHING)] * 2))
    (found,) = (o for o in result.outcomes if o.slot == "A1" and (o.design, o.table) == CHECK)
    assert (found.verdict, found.reason, found.waiver) == (verdict, reason, WAIVER)


def test_the_stand_in_of_a_damaged_record_never_takes_its_place() -> None:
    first, *others = answers(NOTHING)
    damaged = Reason.RECORD_DAMAGED
    lost = replace(first, attempts=(), verdict=Verdict.ERROR, reason=damaged, provisional=damaged)
    result = settled(run_of((lost, *others)))
    assert {(o.design, o.table) for o in result.outcomes} == set(KEYS[1:])


def test_two_designs_that_are_wrong_at_one_pin_may_have_one_cause_that_is_not_known() -> None:
    result = settled(
        rack(chip_only(f.NetStuck("cmp85", "lt", 0), f.NetStuck("crc16", "crc[1]", 0)))
    )
    assert {o.reason for o in result.outcomes if o.cause} == {Reason.NOT_SETTLED}
    assert (cause(result).settled, cause(result).swap) == (False, "A2")


def test_a_table_that_no_prediction_knows_still_tells_of_pins_that_follow_the_pulls() -> None:
    run = run_of(answers(board_only(f.OpenPin("out3"))), answers(board_only(f.OpenPin("in3"))))
    result = settle(run, predict(shuttle(), (), profile()), GOOD)
    reasons = {slot: {o.reason for o in result.outcomes if o.slot == slot} for slot in ("A1", "A2")}
    assert reasons == {
        "A1": {Reason.PINS_OPEN, Reason.AS_EXPECTED},
        "A2": {Reason.WIRING_NOT_PROVEN, Reason.AS_EXPECTED},
    }


def test_a_pin_that_followed_the_pulls_once_may_be_nothing() -> None:
    first, second, *others = answers(NOTHING)
    result = settled(run_of((first, replace(second, floating=("out3",)), *others)))
    found = cause(result)
    assert found.candidates[0].kind is CauseKind.GOOD
    assert found.summary.startswith("A1 (SP2-0001): not settled: nothing is wrong; or ")


def test_a_signature_that_is_no_number_is_no_answer_that_was_predicted() -> None:
    wrong = answers(chip_only(DEFECTS[0]))
    damaged = [replace(o, attempts=tuple(replace(a, signature="xyz") for a in o.attempts))
               for o in wrong]  # fmt: skip
    assert set(verdicts(settled(run_of(damaged, answers(NOTHING))))) == {CHECK}


def test_a_waiver_covers_no_table_that_fails_its_rehearsal() -> None:
    wrong = with_waiver(chip_only(DEFECTS[0]), Verdict.WAIVED, Reason.WAIVED)
    key = ("crc16", "check")
    result = settled(run_of(wrong, *[answers(NOTHING)] * 2), {**GOOD, key: False})
    (found,) = (o for o in result.outcomes if o.cause)
    assert (found.verdict, found.reason, found.waiver) == (
        Verdict.FAIL,
        Reason.TABLE_FAILS_REHEARSAL,
        None,
    )
