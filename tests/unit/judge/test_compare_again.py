"""Comparing a run again, or comparing half of it before the whole, changes nothing in the end."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from harness.judge import compared
from harness.records import ChipRecord, Outcome, Reason, RunRecord, Verdict
from tests.unit.judge.samples import good_chip
from tests.unit.judge.test_compare import changed, chip, chip_that_settles, with_others, wrong_at
from tests.unit.store.samples import heading

SAMPLES = tuple(
    chip("PK-01", *answers).outcomes[0]
    for answers in (
        (good_chip,),
        (wrong_at(1),),
        (wrong_at(2),),
        (wrong_at(1), good_chip),
    )
)
"""A PASS, two FAILs that differ, an UNSTABLE: all as the judge gives them."""

OTHERS = tuple(
    replace(SAMPLES[0], verdict=verdict, reason=reason, advice=reason.advice)
    for reason in (Reason.PINS_OPEN, Reason.WAIVED, Reason.RUN_STOPPED)
    for verdict in reason.verdicts
)

SLOTS, DESIGNS = ("A1", "A2", "A3"), ("adder", "crc16")


def whole_runs() -> st.SearchStrategy[RunRecord]:
    places = [(slot, design) for slot in SLOTS for design in DESIGNS]
    found = st.tuples(*(st.sampled_from(SAMPLES + OTHERS) for _ in places))
    return found.map(lambda outcomes: run_of(dict(zip(places, outcomes, strict=True))))


def run_of(outcomes: dict[tuple[str, str], Outcome]) -> RunRecord:
    chips = (
        replace(
            chip("PK-01", good_chip),
            slot=slot,
            chip_serial=f"PK-{slot}",
            outcomes=tuple(
                replace(outcome, slot=slot, chip_serial=f"PK-{slot}", design=design)
                for (where, design), outcome in outcomes.items()
                if where == slot
            ),
        )
        for slot in SLOTS
    )
    return replace(heading(), chips=tuple(chips))


def with_outcomes(run: RunRecord, outcomes: tuple[Outcome, ...]) -> RunRecord:
    """Put outcomes into the places that they have in a run, as the store does."""
    new = {(o.slot, o.design, o.table): o for o in outcomes}
    return replace(run, chips=tuple(_renewed(chip, new) for chip in run.chips))


def _renewed(chip: ChipRecord, new: dict[tuple[str, str, str], Outcome]) -> ChipRecord:
    kept = (new.get((o.slot, o.design, o.table), o) for o in chip.outcomes)
    return replace(chip, outcomes=tuple(kept))


def after_comparing(run: RunRecord) -> RunRecord:
    return with_outcomes(run, compared(run))


def all_outcomes(run: RunRecord) -> tuple[Outcome, ...]:
    return tuple(outcome for chip in run.chips for outcome in chip.outcomes)


@given(whole_runs())
def test_comparing_again_finds_nothing_to_change(run: RunRecord) -> None:
    assert compared(after_comparing(run)) == ()


@given(whole_runs(), st.sets(st.integers(0, len(SLOTS) * len(DESIGNS) - 1)))
def test_a_half_run_that_was_compared_ends_as_if_it_had_never_been_stopped(
    run: RunRecord, late: set[int]
) -> None:
    measured = [outcome for number, outcome in enumerate(all_outcomes(run)) if number in late]
    waiting = tuple(
        replace(o, verdict=Verdict.NOT_RUN, reason=Reason.RUN_STOPPED) for o in measured
    )
    half = after_comparing(with_outcomes(run, waiting))
    assert after_comparing(with_outcomes(half, tuple(measured))) == after_comparing(run)


@given(whole_runs())
def test_only_reason_and_advice_of_failures_ever_change(run: RunRecord) -> None:
    pairs = zip(all_outcomes(run), all_outcomes(after_comparing(run)), strict=True)
    for before, after in pairs:
        assert replace(after, reason=before.reason, advice=before.advice) == before
        assert before == after or before.verdict in {Verdict.FAIL, Verdict.UNSTABLE}


def test_the_table_is_no_longer_blamed_once_another_chip_passes_it() -> None:
    """Two defective chips ran, the run was stopped, and the third chip passes on resuming."""
    bad = [chip(serial, wrong_at(1)) for serial in ("PK-01", "PK-02")]
    blamed = [replace(record, outcomes=(changed(*bad)[record.chip_serial],)) for record in bad]
    assert {record.outcomes[0].reason for record in blamed} == {Reason.ALIKE_ON_EVERY_CHIP}
    found = changed(*blamed, chip("PK-03", good_chip))
    assert found == {record.chip_serial: record.outcomes[0] for record in bad}


def test_a_chip_is_no_longer_blamed_alone_once_a_second_design_fails_in_its_slot() -> None:
    good = chip("PK-01", good_chip)
    half = with_others(chip("PK-02", wrong_at(1)), adder=Verdict.PASS)
    first = changed(good, half)["PK-02"]
    assert first.reason is Reason.THIS_CHIP_ALONE
    second = replace(chip_that_settles("PK-02").outcomes[0], design="crc16")
    whole = replace(half, outcomes=(first, *half.outcomes[1:], second))
    found = {o.design: o for o in compared(replace(heading(), chips=(good, whole)))}
    assert found["follow"].reason is Reason.SEVERAL_DESIGNS_OF_SLOT
    assert found["follow"].advice.startswith("2 designs fail here")
