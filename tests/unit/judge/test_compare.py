"""What the chips of one run say about each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import fields, replace

from harness.judge import RetryPolicy, compared, examine
from harness.records import ChipRecord, Outcome, Reason, Verdict
from tests.unit.judge.samples import OUT0, TODAY, FunctionSession, case, good_chip
from tests.unit.store.samples import heading


def wrong_at(cycle_wrong: int) -> Callable[[int, int], int]:
    return lambda cycle, drive: good_chip(cycle, drive) ^ (cycle == cycle_wrong) << OUT0


def chip_that_settles(serial: str) -> ChipRecord:
    return chip(serial, wrong_at(1), good_chip)


def chip(serial: str, *answers: Callable[[int, int], int]) -> ChipRecord:
    mine = replace(case(), chip_serial=serial, slot=serial)
    outcome = examine(FunctionSession(answers), mine, RetryPolicy(), TODAY).outcome
    return ChipRecord(serial, serial, "WB", "p", True, "1", "none", "virtual", True, "", (outcome,))


def changed(*chips: ChipRecord) -> dict[str, Outcome]:
    return {outcome.chip_serial: outcome for outcome in compared(replace(heading(), chips=chips))}


def with_others(record: ChipRecord, **verdicts: Verdict) -> ChipRecord:
    """Put outcomes of other designs into the same slot, with the first outcome's evidence."""
    first = record.outcomes[0]
    reasons = {
        Verdict.FAIL: Reason.SAME_MISMATCH,
        Verdict.UNSTABLE: Reason.ANSWERS_DIFFER,
        Verdict.PASS: Reason.AS_EXPECTED,
    }
    others = [
        replace(first, design=name, verdict=verdict, reason=reason, advice=reason.advice)
        for name, verdict in verdicts.items()
        for reason in [reasons[verdict]]
    ]
    return replace(record, outcomes=(first, *others))


def test_one_failing_design_of_several_that_passes_elsewhere_points_at_the_chip() -> None:
    bad = with_others(chip("PK-02", wrong_at(1)), other=Verdict.PASS)
    found = changed(chip("PK-01", good_chip), bad)
    assert list(found) == ["PK-02"]
    assert found["PK-02"].reason is Reason.THIS_CHIP_ALONE
    assert "passes on PK-01" in found["PK-02"].advice


def test_one_failing_design_alone_in_its_slot_blames_nobody() -> None:
    assert changed(chip("PK-01", good_chip), chip("PK-02", wrong_at(1))) == {}


def test_several_failing_designs_in_a_slot_point_at_what_they_share() -> None:
    bad = with_others(chip("PK-02", wrong_at(1)), other=Verdict.UNSTABLE)
    found = changed(chip("PK-01", good_chip), bad)
    assert found["PK-02"].reason is Reason.SEVERAL_DESIGNS_OF_SLOT
    assert found["PK-02"].advice.startswith("2 designs fail here and this table passes on PK-01")
    assert "or out0, which is wrong in all of them" in found["PK-02"].advice


def test_the_same_failure_on_every_chip_points_at_design_or_table() -> None:
    found = changed(chip("PK-01", wrong_at(1)), chip("PK-02", wrong_at(1)))
    assert {outcome.reason for outcome in found.values()} == {Reason.ALIKE_ON_EVERY_CHIP}


def test_different_failures_on_all_chips_say_nothing() -> None:
    assert changed(chip("PK-01", wrong_at(1)), chip("PK-02", wrong_at(2))) == {}


def test_one_failing_chip_alone_says_nothing() -> None:
    assert changed(chip("PK-01", wrong_at(1))) == {}


def test_a_table_that_is_unstable_on_every_chip_points_at_design_or_table() -> None:
    found = changed(*(chip_that_settles(serial) for serial in ("PK-01", "PK-02")))
    assert {outcome.reason for outcome in found.values()} == {Reason.UNSTABLE_ON_EVERY_CHIP}
    assert "a register that is not reset" in found["PK-01"].advice
    assert "Only the first run differed" in found["PK-01"].summary


def test_an_unstable_record_that_lost_its_attempts_can_be_compared() -> None:
    (outcome,) = chip_that_settles("PK-01").outcomes
    bare = replace(outcome, attempts=())
    found = changed(replace(chip_that_settles("PK-01"), outcomes=(bare,)))
    assert found["PK-01"].reason is Reason.ANSWERS_DIFFER


def test_unstable_here_and_fail_there_says_nothing() -> None:
    assert changed(chip_that_settles("PK-01"), chip("PK-02", wrong_at(1))) == {}


def test_what_two_thousand_failing_tables_share_is_found_once_for_all() -> None:
    reads = Counter[str]()

    class Watched(Outcome):
        def __getattribute__(self, name: str) -> object:
            reads[name] += 1
            return super().__getattribute__(name)

    def many(record: ChipRecord) -> ChipRecord:
        values = {item.name: getattr(record.outcomes[0], item.name) for item in fields(Outcome)}
        names = (f"d{number}" for number in range(2_000))
        return replace(
            record, outcomes=tuple(Watched(**values | {"design": name}) for name in names)
        )

    found = compared(
        replace(heading(), chips=(many(chip("PK-02", wrong_at(1))), many(chip("PK-01", good_chip))))
    )
    assert reads["verdict"] < 4_000 * 20
    assert len(found) == 2_000
    assert {outcome.advice for outcome in found} == {
        Reason.SEVERAL_DESIGNS_OF_SLOT.advice.format(
            designs=2_000, passing="PK-01", pins=", or out0, which is wrong in all of them"
        )
    }
