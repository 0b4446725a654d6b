"""Summaries say what the outcomes say: before, while and after a run, and when it changes."""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select, update

from harness.records import Reason, RunKind, Verdict, worst
from harness.store import (
    History,
    HistoryLine,
    HistoryRun,
    RackTrend,
    Standing,
    Store,
    SubjectKind,
    of_chip,
    of_design,
    of_slot,
    pass_rate,
)
from harness.store.models import LayoutRow, OutcomeRow, RunRow
from harness.store.transactions import reading, writing
from tests.unit.store.margins import margin
from tests.unit.store.nights import LETTERS, keep_nights, night
from tests.unit.store.samples import NOON, chip, heading
from tests.unit.store.test_store import failing_outcome

CHIP, SLOT = of_chip("PK-01"), of_slot("bench", "A1")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "s.sqlite") as opened:
        yield opened


def summarised(store: Store) -> dict[str, bool]:
    with reading(store._engine) as connection:
        rows = connection.execute(select(RunRow.run_id, RunRow.summarised))
        return {row.run_id: row.summarised for row in rows}


def begin(store: Store, run_id: str, number: int, designs: Mapping[str, Verdict]) -> None:
    """Start a run, record these designs, and never finish it."""
    store.start_run(heading(run_id, night(number)))
    store.record_chip(run_id, chip())
    for design, verdict in designs.items():
        store.record_outcome(run_id, replace(failing_outcome(design), verdict=verdict))


def counted(history: History) -> list[dict[Verdict, int]]:
    return [dict(found.counts) for found in history.runs]


def test_a_run_that_ended_has_the_worst_verdict_on_a_chip(store: Store) -> None:
    keep_nights(store, {"a": "PPPf", "b": "PFWP"})
    begin(store, "killed", 4, {"a": Verdict.FAIL})
    begin(store, "no board", 5, {"a": Verdict.PASS})
    store.record_chip("no board", chip("A2", "nothing came back"))
    store.finish_run("no board", night(6), cancelled=False)
    runs = [*(f"bench-{n}" for n in range(1, 4)), "killed", "no board"]
    assert store.verdicts(runs) == {
        "bench-1": Verdict.FAIL,
        "bench-2": Verdict.WAIVED,
        "bench-3": Verdict.PASS,
        "no board": Verdict.ERROR,
    }


def test_a_run_that_was_killed_is_in_every_history(store: Store) -> None:
    keep_nights(store, {"a": "P"})
    begin(store, "killed", 1, {"a": Verdict.FAIL, "b": Verdict.PASS})
    for which in (CHIP, SLOT):
        assert counted(store.history(which)) == [
            {Verdict.PASS: 1},
            {Verdict.FAIL: 1, Verdict.PASS: 1},
        ]
    assert counted(store.history(of_design("b"))) == [{Verdict.PASS: 1}]
    assert summarised(store) == {"bench-0": True, "killed": False}


def test_a_run_left_behind_is_summarised_when_another_starts_days_later(store: Store) -> None:
    begin(store, "killed", 0, {"a": Verdict.FAIL})
    before = store.history(CHIP)
    begin(store, "under way", 2, {})
    store.start_run(heading("new", night(2) + timedelta(hours=1)))
    assert summarised(store) == {"killed": True, "under way": False, "new": False}
    assert store.history(CHIP) == before


def test_an_outcome_that_changes_after_the_end_changes_the_history(store: Store) -> None:
    keep_nights(store, {"a": "PP", "b": "PP"})
    changed = replace(failing_outcome("a"), verdict=Verdict.WAIVED)
    store.record_outcomes("bench-1", (changed,))
    assert summarised(store) == {"bench-0": True, "bench-1": False}
    expected = [{Verdict.PASS: 2}, {Verdict.PASS: 1, Verdict.WAIVED: 1}]
    assert counted(store.history(CHIP)) == expected
    store.finish_run("bench-1", night(2), cancelled=False)
    assert summarised(store) == {"bench-0": True, "bench-1": True}
    assert counted(store.history(CHIP)) == expected


def test_a_run_that_is_resumed_is_counted_once(store: Store) -> None:
    begin(store, "r1", 0, {"a": Verdict.NOT_RUN, "b": Verdict.PASS})
    store.finish_run("r1", night(0), cancelled=True)
    store.resume_run("r1")
    store.record_outcome("r1", replace(failing_outcome("a"), verdict=Verdict.PASS))
    for _ in range(2):
        assert counted(store.history(CHIP)) == [{Verdict.PASS: 2}]
        store.finish_run("r1", night(0), cancelled=False)


def test_a_chip_that_another_board_answers_for_leaves_nothing_behind(store: Store) -> None:
    """The chip's serial number is corrected and the run resumed: the old one has no nights."""
    begin(store, "r1", 0, {"a": Verdict.PASS})
    store.finish_run("r1", night(0), cancelled=True)
    store.record_outcome("r1", replace(failing_outcome("a"), chip_serial="PK-02"))
    store.finish_run("r1", night(0), cancelled=False)
    assert store.history(CHIP) == History((), (), met=True)
    assert [s for s in store.subjects() if s.kind is SubjectKind.CHIP] == [of_chip("PK-02")]


def test_a_chip_in_two_slots_of_one_run_is_counted_twice(store: Store) -> None:
    begin(store, "r1", 0, {"a": Verdict.PASS})
    store.record_chip("r1", chip("A2"))
    store.record_outcome("r1", replace(failing_outcome("a"), slot="A2"))
    expected = [{Verdict.PASS: 1, Verdict.FAIL: 1}]
    assert counted(store.history(CHIP)) == expected
    store.finish_run("r1", night(0), cancelled=False)
    assert counted(store.history(CHIP)) == expected
    assert counted(store.history(SLOT)) == [{Verdict.PASS: 1}]


def test_nights_with_the_same_tables_share_what_names_them(store: Store) -> None:
    keep_nights(store, {"a": "PFPF", "b": "PPPP"})
    with reading(store._engine) as connection:
        layouts = connection.scalar(select(func.count()).select_from(LayoutRow))
    # one for the chip and its slot, one for each design
    assert layouts == 3


def test_the_store_says_what_it_can_be_asked_about(store: Store) -> None:
    assert store.subjects() == ()
    keep_nights(store, {"b": "P"})
    begin(store, "under way", 1, {"a": Verdict.PASS})
    store.start_run(replace(heading("other", NOON), rack="shelf", chips=(chip("B2"),)))
    store.record_outcome("other", replace(failing_outcome("a"), slot="B2", chip_serial="PK-07"))
    assert store.subjects() == (
        CHIP, of_chip("PK-07"), of_design("a"), of_design("b"), SLOT, of_slot("shelf", "B2")
    )  # fmt: skip


NIGHTS = st.lists(
    st.dictionaries(st.sampled_from(["a", "b", "c"]), st.sampled_from("PFUEW-")),
    min_size=1,
    max_size=6,
)


@given(NIGHTS, st.integers(0, 5))
@settings(max_examples=15)
def test_history_is_what_a_look_at_every_outcome_gives(
    nights: list[dict[str, str]], finished: int
) -> None:
    """Nights before ``finished`` have summaries, the others are read from their outcomes."""
    with tempfile.TemporaryDirectory() as folder, Store(Path(folder) / "s.sqlite") as store:
        for number, tables in enumerate(nights):
            begin(store, f"r{number}", number, {d: LETTERS[v] for d, v in tables.items()})
            if number < finished:
                store.finish_run(f"r{number}", night(number), cancelled=False)
        found, standings = store.history(CHIP), store.standings()
    seen = [number for number, tables in enumerate(nights) if tables]
    assert found.runs == tuple(
        HistoryRun(f"r{n}", night(n), RunKind.RUN, Counter(LETTERS[v] for v in nights[n].values()))
        for n in seen
    )
    designs = sorted({design for tables in nights for design in tables})
    assert found.lines == tuple(expected_line(design, nights) for design in designs)

    verdicts = [worst(LETTERS[v] for v in nights[n].values()) for n in seen]
    assert standings.racks == ((RackTrend("bench", found.runs),) if seen else ())
    assert {one.subject: one.standing for one in standings.subjects}.get(CHIP) == (
        expected_standing([(n, v) for n, v in zip(seen, verdicts, strict=True)], len(nights))
        if seen
        else None
    )


def expected_line(design: str, nights: list[dict[str, str]]) -> HistoryLine:
    """The same, worked out one night after the other."""
    seen = [(k, LETTERS[tables[design]]) for k, tables in enumerate(nights) if design in tables]
    standing = expected_standing(seen, len(nights))
    strip = tuple(LETTERS[t[design]] if design in t else None for t in nights if t)
    return HistoryLine("PK-01", design, "all", replace(standing, strip=strip))


def expected_standing(seen: list[tuple[int, Verdict]], nights: int) -> Standing:
    """The standing of verdicts in some of the nights; the strip has all nights."""
    judged = [(k, v) for k, v in seen if v not in (Verdict.ERROR, Verdict.NOT_RUN)]
    changed = before = latest = last = None
    for number, verdict in judged:
        last = night(number)
        if verdict is not latest:
            changed, before, latest = night(number), latest, verdict
    return Standing(
        first_seen=night(seen[0][0]),
        last_seen=night(seen[-1][0]),
        last_judged=last,
        last_changed=changed,
        changed_from=before,
        verdict=latest,
        rate=pass_rate(sum(v is Verdict.PASS for _, v in judged), len(judged)),
        untested=len(seen) - len(judged),
        left_out=0,
        strip=tuple(dict(seen).get(k) for k in range(nights)),
    )


def test_a_gap_in_a_strip_is_a_run_of_its_racks_that_it_was_not_part_of(store: Store) -> None:
    keep_nights(store, {"a": "PF", "b": " P"}, rack="bench")
    keep_nights(store, {"b": "U"}, rack="shelf")
    strips = {one.subject: one.standing.strip for one in store.standings().subjects if one.standing}
    passed, failed, unstable = Verdict.PASS, Verdict.FAIL, Verdict.UNSTABLE
    assert strips[of_design("a")] == strips[SLOT] == (passed, failed)
    assert strips[of_slot("shelf", "A1")] == (unstable,)
    assert strips[of_design("b")] == (None, unstable, passed), "runs of both racks, by their start"


def test_racks_are_counted_over_all_slots_the_latest_rack_first(store: Store) -> None:
    keep_nights(store, {"a": "PF"}, rack="bench")
    keep_nights(store, {"a": "PPU", "b": "EEE"}, rack="shelf")
    racks = {rack.rack: [dict(run.counts) for run in rack.runs] for rack in store.standings().racks}
    error = {Verdict.ERROR: 1}
    assert racks == {
        "shelf": [
            {Verdict.PASS: 1} | error,
            {Verdict.PASS: 1} | error,
            {Verdict.UNSTABLE: 1} | error,
        ],
        "bench": [{Verdict.PASS: 1}, {Verdict.FAIL: 1}],
    }
    assert list(racks) == ["shelf", "bench"]


def test_what_was_only_searched_has_no_standing(store: Store) -> None:
    store.record_margin(margin(0, 1000.0))
    assert [(one.subject, one.standing) for one in store.standings().subjects] == [
        (of_chip("SP2-0001"), None),
        (of_design("crc16"), None),
    ]


@pytest.mark.parametrize("counts", [True, False])
@pytest.mark.parametrize("word", [*Verdict, "no verdict"])
def test_a_history_is_shown_whatever_a_row_says(store: Store, word: str, counts: bool) -> None:
    """Only a failure is left out: damage, or a PASS that does not count, stays what it is."""
    begin(store, "one", 0, {"gray": Verdict.PASS})
    with writing(store._engine) as connection:
        connection.execute(update(OutcomeRow).values(verdict=word, counts=counts))
    (run,) = store.history(CHIP).runs
    verdict = Verdict(word) if word in [*Verdict] else Verdict.ERROR
    left_out = verdict.failed and not counts
    assert (run.counts, run.left_out) == ({} if left_out else {verdict: 1}, int(left_out))
    (line,) = store.history(CHIP).lines
    assert line.standing.now is (None if left_out else verdict)
    store.standings()


def test_histories_and_the_runs_page_agree_on_what_counts_for_a_chip(store: Store) -> None:
    """For every verdict with every reason, also before it is summarised."""
    store.start_run(heading("one", night(0)))
    store.record_chip("one", chip())
    kinds = [
        replace(failing_outcome(f"{v}-{r}"), verdict=v, reason=r) for v in Verdict for r in Reason
    ]
    store.record_outcomes("one", kinds)
    counting = Counter(kind.verdict for kind in kinds if kind.counts)
    for _ in range(2):
        (seen,) = store.glance("one").slots
        assert seen.for_chip == counting.keys()
        for which in (CHIP, SLOT):
            (run,) = store.history(which).runs
            assert (run.counts, run.left_out) == (counting, len(kinds) - counting.total())
        store.finish_run("one", night(0), cancelled=False)
