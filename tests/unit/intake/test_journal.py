"""The journal: every answer is there again, however the session ended."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import StoreError
from harness.intake import Journal, JournalHeading, Result
from harness.intake.journal import FileSum
from harness.intake.progress import Event, Halted, Lost, Measured, Replied, Signed, TakenUp, Worked
from harness.records import PinProof, PinState

PIN = PinProof("in4", PinState.SUSPECTED, (), "A1")
EVENTS: list[Event] = [
    Replied("yes", "t1"),
    Worked(Result.FAILED, "in4 open", "t2", (PIN,)),
    Replied("é\n", "3"),
    Measured(41.5, "t4"),
    Lost("unplugged", "t5"),
    Halted("a/b is FAIL", "t6"),
    TakenUp("t7"),
    Signed("Grace Example", "t8"),
]
HEADING = JournalHeading(
    "run-1", "rack-1", ("A1", "A2"), "Ada Example", "t0", (FileSum("a.csv", "0" * 64),)
)


def begun(path: Path) -> Journal:
    journal = Journal.begin(path, HEADING)
    for event in EVENTS:
        journal.record("A1", event)
    journal.record("A2", Replied("no", "t4"))
    return journal


def test_events_come_back_slot_by_slot(tmp_path: Path) -> None:
    begun(tmp_path / "j.jsonl")
    again = Journal(tmp_path / "j.jsonl")
    assert list(again.events("A1")) == EVENTS
    assert list(again.events("A2")) == [Replied("no", "t4")]
    assert (again.head, again.finished) == (HEADING, False)
    again.finish()
    assert Journal(tmp_path / "j.jsonl").finished


def test_a_file_cut_anywhere_keeps_every_whole_answer_and_can_be_gone_on_with(
    tmp_path: Path,
) -> None:
    path = tmp_path / "j.jsonl"
    begun(path)
    data = path.read_bytes()
    first = data.index(b"\n") + 1
    for length in range(first, len(data)):
        path.write_bytes(data[:length])
        journal = Journal(path)
        whole = data[:length].count(b"\n") - 1
        assert list(journal.events("A1")) == EVENTS[:whole]
        journal.record("A1", Replied("on", "t9"))
        assert list(Journal(path).events("A1"))[-1] == Replied("on", "t9")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("nonsense\n", "the journal cannot be read"),
        ('{"format": "x"}\n', "not the journal of an intake"),
        ('{"format": "harness-intake", "version": 1}\n', "not the journal of an intake"),
        ('{"format": "harness-intake", "version": 4}\n', "not the journal of an intake"),
    ],
)
def test_another_file_is_refused_by_name(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "j.jsonl"
    path.write_text(text)
    with pytest.raises(StoreError, match=why) as caught:
        Journal(path).head  # noqa: B018 - reading it is the test
    assert str(path) in str(caught.value)


def test_a_journal_that_somebody_else_writes_is_read_and_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "j.jsonl"
    begun(path)
    whole = path.read_bytes()
    path.write_bytes(whole[:-3])
    journal = Journal(path)
    assert path.read_bytes() == whole[:-3]
    path.write_bytes(whole)
    assert list(journal.events("A2")) == []
    assert list(Journal(path).events("A2")) == [Replied("no", "t4")]


def test_whoever_answered_last_is_known(tmp_path: Path) -> None:
    journal = Journal.begin(tmp_path / "j.jsonl", HEADING)
    assert journal.last_by == "Ada Example"
    journal.record("A1", Signed("Grace Example", "t8"))
    assert Journal(tmp_path / "j.jsonl").last_by == "Grace Example"


def test_a_line_of_another_form_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "j.jsonl"
    Journal.begin(path, HEADING)
    with path.open("a") as stream:
        stream.write('{"slot": "A1", "kind": "reply", "colour": "red"}\n')
    with pytest.raises(StoreError, match="a line of the journal is unusable"):
        list(Journal(path).events("A1"))


def test_a_signature_without_a_name_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "j.jsonl"
    begun(path)
    path.write_bytes(path.read_bytes().replace(b'"by": "Grace', b'"at": "Grace'))
    with pytest.raises(StoreError, match="a line of the journal is unusable"):
        _ = Journal(path).last_by


def test_a_line_that_is_nested_without_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "j.jsonl"
    begun(path)
    path.write_bytes(path.read_bytes() + b'{"slot": ' + b"[" * 100_000 + b"]" * 100_000 + b"}\n")
    with pytest.raises(StoreError, match="the journal cannot be read: maximum recursion depth"):
        Journal(path)


def test_an_intake_that_was_ended_stays_ended_whatever_is_written_after(tmp_path: Path) -> None:
    journal = begun(tmp_path / "j.jsonl")
    journal.finish()
    journal.record("A1", Replied("yes", "t9"))
    assert Journal(tmp_path / "j.jsonl").finished


def test_a_journal_that_broke_off_before_its_first_line_was_never_begun(tmp_path: Path) -> None:
    path = tmp_path / "j.jsonl"
    path.write_bytes(b"")
    assert not Journal(path).begun
    assert begun(tmp_path / "k.jsonl").begun


def test_a_line_that_is_no_object_is_refused_by_the_files_name(tmp_path: Path) -> None:
    path = tmp_path / "j.jsonl"
    path.write_bytes(b"5\n")
    with pytest.raises(StoreError, match=r"j\.jsonl: the journal cannot be read"):
        Journal(path)
