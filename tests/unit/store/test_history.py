"""History: what was seen when, what changed when, and how often it passed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import text, update

from harness.errors import RunUnfit, StoreError
from harness.records import Coverage, Rehearsal, RehearsalResult, RunKind, Verdict
from harness.store import (
    PassRate,
    Standing,
    Store,
    of_chip,
    of_design,
    of_slot,
    pass_rate,
)
from harness.store.models import RunRow
from tests.unit.judge.test_changes import baseline_of
from tests.unit.reports.samples import chip as chip_of
from tests.unit.reports.samples import passed, run_of
from tests.unit.store.nights import LETTERS, keep_nights, night, tonight
from tests.unit.store.samples import chip, heading
from tests.unit.store.test_store import failing_outcome


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "s.sqlite") as opened:
        yield opened


def line(store: Store, design: str) -> Standing:
    (found,) = store.history(of_design(design)).lines
    assert (found.chip_serial, found.design, found.table) == ("PK-01", design, "all")
    return found.standing


def test_a_line_says_when_a_table_was_seen_and_last_changed(store: Store) -> None:
    keep_nights(store, {"a": "PPFFPP"})
    assert line(store, "a") == Standing(
        first_seen=night(0),
        last_seen=night(5),
        last_judged=night(5),
        last_changed=night(4),
        changed_from=Verdict.FAIL,
        verdict=Verdict.PASS,
        rate=pass_rate(4, 6),
        untested=0,
        left_out=0,
        strip=tuple(LETTERS[letter] for letter in "PPFFPP"),
    )


def test_the_history_of_a_design_has_the_fault_coverage_of_its_tables(store: Store) -> None:
    found = Coverage(0.951, 0.934, ("AND", "flip-flop"))
    graded = Rehearsal(RehearsalResult.PASSES, coverage=found)
    chips = [
        chip_of(slot, serial, passed(rehearsal=graded), passed(table="wrap"))
        for slot, serial in (("A1", "SP2-0001"), ("A2", "SP2-0002"))
    ]
    run = run_of(*chips)
    store.start_run(replace(run, chips=()))
    for each in run.chips:
        store.record_chip(run.run_id, each)
        store.record_outcomes(run.run_id, each.outcomes)
    assert store.history(of_design("ctr163")).coverages == (("count", found),)
    assert store.history(of_chip("SP2-0001")).coverages == ()


@pytest.mark.parametrize(
    ("letters", "before", "now"),
    [
        ("PPPP", None, Verdict.PASS),
        ("FEPE-", Verdict.FAIL, Verdict.NOT_RUN),
        ("EPUWE", Verdict.UNSTABLE, Verdict.ERROR),
        ("PFE", Verdict.PASS, Verdict.FAIL),
        ("E-", None, Verdict.NOT_RUN),
    ],
)
def test_a_line_says_what_it_was_before_and_what_needs_a_look(
    store: Store, letters: str, before: Verdict | None, now: Verdict
) -> None:
    """A chip that was not tested in the latest run needs a look, though it passed before."""
    keep_nights(store, {"a": letters})
    found = line(store, "a")
    assert (found.changed_from, found.now) == (before, now)


def test_a_strip_has_a_place_for_each_of_the_latest_thirty_runs(store: Store) -> None:
    keep_nights(store, {"a": "F" + "P" * 31, "b": " " * 30 + "F"})
    assert line(store, "a").strip == (Verdict.PASS,) * 30
    (both,) = (one.standing for one in store.history(of_chip("PK-01")).lines if one.design == "b")
    assert both.strip == (None,) * 28 + (Verdict.FAIL, None)


def test_nights_without_a_test_are_no_change_and_count_in_no_rate(store: Store) -> None:
    keep_nights(store, {"a": "EPE-PE"})
    found = line(store, "a")
    assert (found.verdict, found.last_changed) == (Verdict.PASS, night(1))
    seen = found.first_seen, found.last_judged, found.last_seen
    assert seen == (night(0), night(4), night(5))
    assert (found.rate, found.untested) == (pass_rate(2, 2), 4)


def test_a_table_that_was_never_tested_has_no_verdict(store: Store) -> None:
    keep_nights(store, {"a": "E-"})
    found = line(store, "a")
    assert (found.verdict, found.last_changed, found.untested) == (None, None, 2)
    assert found.rate == PassRate(0, 0, 0.0, 1.0)


def test_what_belongs_to_a_table_or_design_counts_against_no_chip_and_no_slot(store: Store) -> None:
    """One design is wrong everywhere, one chip is bad: the design has all, the chip its own."""
    keep_nights(store, {"good": "PPP", "bad": "PFP", "wrong": "fuf", "late": "PFf"})
    for which in (of_chip("PK-01"), of_slot("bench", "A1")):
        found = store.history(which)
        assert [(dict(run.counts), run.left_out) for run in found.runs] == [
            ({Verdict.PASS: 3}, 1),
            ({Verdict.PASS: 1, Verdict.FAIL: 2}, 1),
            ({Verdict.PASS: 2}, 2),
        ]
        lines = {line.design: line.standing for line in found.lines}
        wrong, late = lines["wrong"], lines["late"]
        assert (wrong.verdict, wrong.now, wrong.left_out, wrong.untested) == (None, None, 3, 0)
        assert (wrong.rate, wrong.strip) == (pass_rate(0, 0), (None, None, None))
        assert (late.verdict, late.last_changed, late.last_judged, late.left_out) == (
            Verdict.FAIL, night(1), night(1), 1)  # fmt: skip
        assert (late.rate, late.last_seen) == (pass_rate(1, 2), night(2))
    assert line(store, "wrong").rate == pass_rate(0, 3)
    standings = {one.subject: one.standing for one in store.standings().subjects if one.standing}
    both = standings[of_chip("PK-01")], standings[of_slot("bench", "A1")]
    assert {one.strip for one in both} == {(Verdict.PASS, Verdict.FAIL, Verdict.PASS)}
    (rack,) = store.standings().racks
    assert dict(rack.runs[0].counts) == {Verdict.PASS: 3, Verdict.FAIL: 1}, "the rack has it all"


def test_a_run_with_nothing_but_a_wrong_design_has_no_verdict_on_its_chip(store: Store) -> None:
    keep_nights(store, {"wrong": "ff"})
    standing = {one.subject: one.standing for one in store.standings().subjects}[of_chip("PK-01")]
    assert standing is not None
    assert (standing.now, standing.left_out, standing.strip) == (None, 2, (None, None))


def test_a_history_says_why_the_board_could_not_be_used_in_its_latest_run(store: Store) -> None:
    keep_nights(store, {"a": "PP"})
    store.record_chip("bench-1", replace(chip(), trouble="slot A1: nothing came back"))
    for which in (of_chip("PK-01"), of_slot("bench", "A1")):
        assert store.history(which).trouble == "slot A1: nothing came back"
    assert store.history(of_design("a")).trouble == ""
    store.start_run(replace(heading("again", night(2)), chips=(chip(),)))
    assert store.history(of_chip("PK-01")).trouble == "", "it answers again"


def test_waived_and_unstable_are_no_passes(store: Store) -> None:
    keep_nights(store, {"a": "PWU"})
    assert line(store, "a").rate == pass_rate(1, 3)


def test_a_slots_history_is_of_its_own_rack_only(store: Store) -> None:
    keep_nights(store, {"a": "PP"}, rack="bench")
    keep_nights(store, {"a": "F"}, rack="shelf")
    assert [n.run_id for n in store.history(of_slot("shelf", "A1")).runs] == ["shelf-0"]
    assert [line.standing.rate.tested for line in store.history(of_slot("bench", "A1")).lines] == [
        2
    ]
    assert store.history(of_slot("bench", "A9")).lines == ()


def test_a_chips_history_has_every_table_and_every_night(store: Store) -> None:
    keep_nights(store, {"b": "PFP", "a": " PE"})
    found = store.history(of_chip("PK-01"))
    assert [(line.design, line.standing.rate.passes) for line in found.lines] == [
        ("a", 1),
        ("b", 2),
    ]
    assert [(n.started, dict(n.counts)) for n in found.runs] == [
        (night(0), {Verdict.PASS: 1}),
        (night(1), {Verdict.PASS: 1, Verdict.FAIL: 1}),
        (night(2), {Verdict.PASS: 1, Verdict.ERROR: 1}),
    ]


def test_the_baseline_is_the_run_that_was_accepted_last(store: Store) -> None:
    keep_nights(store, {"a": "PPP"})
    assert store.baseline(tonight()) is None
    store.accept("bench-2", night(7))
    store.accept("bench-0", night(8), "the right chips again")
    baseline = store.baseline(tonight())
    assert baseline is not None
    assert (baseline.run_id, baseline.accepted) == ("bench-0", night(8))
    assert baseline.reason == "the right chips again"
    assert store.baseline(tonight("shelf")) is None


@pytest.mark.parametrize(
    "other",
    [
        {"rack": "shelf"},
        {"shuttle": "Sandpiper 3"},
        {"organisation": "High Tide Club"},
        {"run_id": "bench-0"},
    ],
)
def test_a_run_is_compared_with_its_own_rack_and_shuttle_and_never_with_itself(
    store: Store, other: dict[str, str]
) -> None:
    """A rack's name alone is soon given twice."""
    keep_nights(store, {"a": "F"})
    store.accept("bench-0", night(1))
    assert store.baseline(tonight()) is not None
    assert store.baseline(replace(tonight(), **other)) is None  # type: ignore[arg-type]


def test_the_baseline_is_what_the_run_itself_says_of_every_table(store: Store) -> None:
    keep_nights(store, dict(zip("fedcba", "PFUEW-", strict=True)))
    store.accept("bench-0", night(1))
    expected = replace(baseline_of(store.run("bench-0")), accepted=night(1), reason="")
    assert store.baseline(tonight()) == expected


def test_a_baseline_needs_no_evidence_and_so_none_that_is_whole(store: Store) -> None:
    keep_nights(store, {"a": "F"})
    store.accept("bench-0", night(1))
    before = store.baseline(tonight())
    with store._engine.begin() as connection:
        connection.execute(text("UPDATE outcomes SET body = '{}'"))
    assert store.run("bench-0").chips[0].verdict is Verdict.ERROR
    assert before is not None
    assert store.baseline(tonight()) == before


def test_a_run_that_is_not_whole_can_be_no_baseline(store: Store) -> None:
    store.start_run(heading("r1"))
    with pytest.raises(StoreError, match="run r1 is not finished, so it cannot be a baseline"):
        store.accept("r1", night(1))
    store.finish_run("r1", night(1), cancelled=True)
    with pytest.raises(StoreError, match="run r1 was stopped, so it cannot be a baseline"):
        store.accept("r1", night(1))
    with pytest.raises(StoreError, match="no run r9 is kept here; the latest is r1"):
        store.accept("r9", night(1))


def test_an_intake_can_be_no_baseline_whatever_it_came_to(store: Store) -> None:
    keep_nights(store, {"a": "PP"}, kinds=" i")
    with pytest.raises(RunUnfit) as caught:
        store.accept("bench-1", night(3))
    assert str(caught.value) == (
        f"{store.place}: bench-1 is an intake, not a night of its rack, so it cannot be a "
        "baseline; accept a run of `harness run` or `harness nightly`. `harness intake RACK.toml` "
        "continues an unfinished intake"
    )
    with store._engine.begin() as connection:
        connection.execute(update(RunRow).values(accepted=night(4)))
        connection.execute(
            update(RunRow).where(RunRow.run_id == "bench-1").values(accepted=night(5))
        )
    baseline = store.baseline(tonight())
    assert baseline is not None
    assert baseline.run_id == "bench-0"


def test_an_intake_is_not_resumed_and_stays_as_it_was(store: Store) -> None:
    keep_nights(store, {"a": "P"}, kinds="i")
    for resume in (store.run_to_resume, store.resume_run):
        with pytest.raises(RunUnfit) as caught:
            resume("bench-0")
        assert str(caught.value) == (
            f"{store.place}: bench-0 is an intake, and --resume continues runs only; "
            "`harness intake RACK.toml` continues an unfinished intake"
        )
    assert store.run("bench-0").finished is not None


def test_the_latest_run_may_be_asked_for_without_intakes(store: Store) -> None:
    keep_nights(store, {"a": "PPP"}, kinds="  i")
    assert store.latest_run().run_id == "bench-2"
    assert store.latest_run().kind is RunKind.INTAKE
    assert store.latest_run(RunKind.RUN).run_id == "bench-1"
    assert store.latest_run(RunKind.INTAKE).run_id == "bench-2"


def test_a_store_with_nothing_but_intakes_has_no_latest_run(store: Store) -> None:
    keep_nights(store, {"a": "P"}, kinds="i")
    with pytest.raises(StoreError, match="no run is kept here yet, apart from intakes; run a"):
        store.latest_run(RunKind.RUN)


def test_an_intake_stands_in_a_history_as_what_it_is(store: Store) -> None:
    keep_nights(store, {"a": "PFP"}, kinds=" i")
    store.start_run(replace(heading("under way", night(3)), kind=RunKind.INTAKE, chips=(chip(),)))
    store.record_outcome("under way", failing_outcome("a"))
    for which in (of_chip("PK-01"), of_design("a"), of_slot("bench", "A1")):
        kinds = [one.kind for one in store.history(which).runs]
        assert kinds == [RunKind.RUN, RunKind.INTAKE, RunKind.RUN, RunKind.INTAKE]
    assert line(store, "a").rate == pass_rate(2, 4), "its tables are evidence on the chip"


def test_a_resumed_run_is_under_way_again(store: Store) -> None:
    store.start_run(heading("r1"))
    store.finish_run("r1", night(1), cancelled=True)
    store.resume_run("r1")
    found = store.run("r1")
    assert (found.finished, found.cancelled) == (None, False)


def test_more_passes_than_tests_are_refused() -> None:
    with pytest.raises(ValueError, match="3 passes of 2 tests"):
        pass_rate(3, 2)
