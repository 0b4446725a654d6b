"""The store on a real PostgreSQL server: same verbs, same answers."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from sqlalchemy import create_engine, inspect, text

from harness.errors import RunUnfit, StoreError
from harness.records import RunKind, Verdict
from harness.store import Store, of_chip, of_design, of_slot
from harness.store.inserts import MAX_ROWS
from tests.system.postgres import Server, lacking, server
from tests.unit.store.margins import margin
from tests.unit.store.nights import keep_nights, night, tonight
from tests.unit.store.samples import NOON, chip, heading
from tests.unit.store.test_store import failing_outcome

pytestmark = pytest.mark.skipif(bool(lacking()), reason=lacking() or "it can be started")

NIGHTS = {"a": "PPFFPP", "b": "EPE-PE", "c": "E-W  U"}


@pytest.fixture(scope="module")
def running() -> Iterator[Server]:
    with server() as started:
        yield started


@pytest.fixture
def postgresql(running: Server) -> Server:
    """The server with an empty database."""
    engine = create_engine(running.url)
    with engine.connect() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
        connection.commit()
    engine.dispose()
    return running


def test_a_run_comes_back_equal(postgresql: Server) -> None:
    outcome = failing_outcome()
    with Store(postgresql.url) as store:
        store.start_run(heading())
        store.record_chip("r1", chip())
        store.record_outcome("r1", outcome)
        store.finish_run("r1", NOON, cancelled=False)
        found = store.run("r1")
    assert found == replace(heading(), finished=NOON, chips=(replace(chip(), outcomes=(outcome,)),))


OTHERS = """
CREATE TABLE tides (height INTEGER);
INSERT INTO tides VALUES (6)
"""
"""A table of another program in the same schema."""


def put(url: str, statements: str) -> None:
    engine = create_engine(url)
    with engine.begin() as connection:
        for statement in statements.split(";"):
            connection.execute(text(statement))
    engine.dispose()


def check_others(url: str) -> None:
    engine = create_engine(url)
    with engine.connect() as connection:
        assert connection.scalar(text("SELECT height FROM tides")) == 6
    engine.dispose()


def table_names(url: str) -> list[str]:
    engine = create_engine(url)
    found = sorted(inspect(engine).get_table_names())
    engine.dispose()
    return found


ODD = ("'); --", '"quoted", \\ and {braces}', "\\u0000 \x00 \ud800", "\U0001f40c", "tab\tline\nend")
"""Texts that a statement, an array or JSON could take for its own."""


def test_odd_texts_and_numbers_come_back_equal(postgresql: Server) -> None:
    east = timezone(timedelta(hours=5, minutes=30))
    outcomes = tuple(
        replace(failing_outcome(f"d{k}"), started=NOON, summary=odd, seconds=0.1 + 0.2 * k)
        for k, odd in enumerate(ODD)
    )
    shown = tuple(
        replace(
            failing_outcome(odd), table=odd, started=NOON.astimezone(east).replace(microsecond=7)
        )
        for odd in ODD
        if "\x00" not in odd
    )
    whole = replace(heading(), chips=(replace(chip(), outcomes=(*outcomes, *shown)),))
    with Store(postgresql.url) as store:
        store.start_run(whole)
        assert store.run("r1") == whole
        latest = store.glance("r1").slots[0].latest
        assert latest is not None
        assert latest.ended == shown[-1].started + timedelta(seconds=shown[-1].seconds)


@pytest.mark.parametrize("odd", ODD)
def test_a_glance_gives_any_summary_as_it_is(postgresql: Server, odd: str) -> None:
    outcomes = (failing_outcome("d0"), replace(failing_outcome("d1"), advice="\x00 \ud800"))
    last = failing_outcome("d2")
    latest = replace(last, summary=odd, started=last.started + timedelta(hours=1))
    told = replace(chip(), trouble="the board reports a fault: \x00")
    with Store(postgresql.url) as store:
        store.start_run(replace(heading(), chips=(told,)))
        store.record_outcomes("r1", outcomes)
        assert store.glance("r1").slots[0].latest is not None
        store.record_outcome("r1", latest)
        (slot,) = store.glance("r1").slots
    assert slot.latest is not None
    assert slot.latest.summary == odd
    assert slot.chip.trouble == "the board reports a fault: \u2400"


def test_the_last_of_many_outcomes_of_a_table_stands_in_the_place_of_the_first(
    postgresql: Server,
) -> None:
    many = [failing_outcome(f"d{k}") for k in range(MAX_ROWS + 1)]
    again = [replace(many[k], verdict=Verdict.WAIVED) for k in (1, MAX_ROWS)]
    with Store(postgresql.url) as store:
        store.start_run(replace(heading(), chips=(chip(),)))
        for _ in range(2):
            store.record_outcomes("r1", [*many, *again])
        found = store.run("r1").chips[0].outcomes
    assert [outcome.design for outcome in found] == [outcome.design for outcome in many]
    assert [k for k, outcome in enumerate(found) if outcome.verdict is Verdict.WAIVED] == [
        1,
        MAX_ROWS,
    ]


def test_outcomes_that_cannot_be_kept_are_refused_and_none_of_them_is(postgresql: Server) -> None:
    good = failing_outcome()
    bad = {
        "a text with a NUL": (replace(good, design="\x00"), "x00|NUL|u0000"),
        "no zone": (replace(good, design="z", started=datetime(2026, 6, 1)), "time zone"),
        "no chip": (replace(good, design="c", slot="A9"), "violates foreign key"),
    }
    with Store(postgresql.url) as store:
        store.start_run(replace(heading(), chips=(chip(),)))
        for outcome, told in bad.values():
            with pytest.raises(StoreError, match=told):
                store.record_outcomes("r1", [good, outcome])
        assert store.run("r1").chips[0].outcomes == ()


def test_tables_of_another_program_may_stand_beside_ours(postgresql: Server) -> None:
    put(postgresql.url, OTHERS)
    with Store(postgresql.url) as store:
        store.start_run(heading())
    with Store.existing(postgresql.url) as store:
        assert store.runs() == ("r1",)
    check_others(postgresql.url)


def test_a_name_that_is_taken_is_refused_and_nothing_made(postgresql: Server) -> None:
    put(postgresql.url, "CREATE TABLE nights (x INTEGER);CREATE TABLE runs (x INTEGER)")
    for open_it in (Store, Store.existing):
        with pytest.raises(
            StoreError, match=r"names that the store needs \(nights, runs\); choose"
        ):
            open_it(postgresql.url)
    assert table_names(postgresql.url) == ["nights", "runs"]


def test_who_reads_an_empty_database_makes_no_tables_in_it(postgresql: Server) -> None:
    with pytest.raises(StoreError, match="no results are kept here yet; `harness run"):
        Store.existing(postgresql.url)
    assert table_names(postgresql.url) == []


def test_margins_come_back_equal_and_are_kept_once(postgresql: Server) -> None:
    first, second = margin(0, 5000.0), replace(margin(1, None), run_id="r1")
    with Store(postgresql.url) as store:
        for one in (second, first, first):
            store.record_margin(one)
        assert store.margins() == (first, second)
        assert store.margins(chip="SP2-0001", design="crc16", run_id="r1") == (second,)
        assert store.margins_behind("r1") == (first, second)
        assert store.latest_margins(("crc16",)) == (second,)


def test_many_slots_record_at_once_while_the_run_is_finished(postgresql: Server) -> None:
    slots = [f"A{k}" for k in range(8)]
    with Store(postgresql.url) as store:
        store.start_run(replace(heading(), chips=tuple(chip(slot) for slot in slots)))

        def work(slot: str) -> None:
            with Store(postgresql.url) as own:
                for k in range(5):
                    own.record_outcome("r1", replace(failing_outcome(f"d{k}"), slot=slot))

        threads = [threading.Thread(target=work, args=(slot,)) for slot in slots]
        for thread in threads:
            thread.start()
        for _ in range(10):
            store.finish_run("r1", NOON, cancelled=False)
        for thread in threads:
            thread.join()
        assert [len(c.outcomes) for c in store.run("r1").chips] == [5] * 8
        found = store.history(of_chip("PK-01"))
        assert [dict(night.counts) for night in found.runs] == [{Verdict.FAIL: 40}]


def test_an_intake_is_no_night(postgresql: Server) -> None:
    with Store(postgresql.url) as store:
        keep_nights(store, {"a": "PPP"}, kinds="i i")
        kinds = [one.kind for one in store.history(of_chip("PK-01")).runs]
        assert kinds == [RunKind.INTAKE, RunKind.RUN, RunKind.INTAKE]
        assert store.latest_run().kind is RunKind.INTAKE
        assert store.latest_run(RunKind.RUN).run_id == "bench-1"
        with pytest.raises(RunUnfit, match="bench-2 is an intake"):
            store.accept("bench-2", NOON)
        with pytest.raises(RunUnfit, match="bench-2 is an intake"):
            store.resume_run("bench-2")


def test_history_is_the_same_as_from_sqlite(postgresql: Server, tmp_path: Path) -> None:
    with Store(postgresql.url) as there, Store(tmp_path / "s.sqlite") as here:
        for store in (there, here):
            keep_nights(store, NIGHTS)
            store.accept("bench-3", night(4))
        for which in (of_chip("PK-01"), of_design("b"), of_slot("bench", "A1")):
            assert there.history(which) == here.history(which)
            assert there.history(which).lines
        assert there.subjects() == here.subjects()
        assert there.baseline(tonight()) == here.baseline(tonight())


def test_a_server_that_is_gone_is_said_without_its_password(postgresql: Server) -> None:
    url = postgresql.url.replace("lab@", "lab:spartina@")
    with Store(url) as store:
        store.start_run(heading())
        postgresql.stop()
        try:
            with pytest.raises(StoreError, match="results cannot be kept or read") as caught:
                store.record_chip("r1", chip())
        finally:
            postgresql.start()
        assert "spartina" not in str(caught.value)
