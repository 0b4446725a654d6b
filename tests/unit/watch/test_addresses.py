"""Addresses carry any name there and back."""

from __future__ import annotations

from urllib.parse import parse_qsl, unquote, urlsplit

from hypothesis import given
from hypothesis import strategies as st

from harness.store import Selection, of_chip, of_design, of_slot
from harness.watch.addresses import history_address, run_address, subject_of

NAMES = st.text(st.characters(exclude_categories=["Cs"]))
SUBJECTS = st.one_of(
    st.builds(of_chip, NAMES),
    st.builds(of_design, NAMES),
    st.builds(of_slot, NAMES, NAMES),
)


@given(SUBJECTS)
def test_a_subject_comes_back_as_it_was(subject: Selection) -> None:
    parts = urlsplit(history_address(subject))
    query = dict(parse_qsl(parts.query, keep_blank_values=True))
    assert (parts.path, subject_of(query)) == ("/history", subject)


@given(NAMES)
def test_a_run_is_one_part_of_the_path_whatever_it_is_called(run_id: str) -> None:
    parts = run_address(run_id).split("/")
    assert (len(parts), unquote(parts[2])) == (4, run_id)


def test_a_query_that_names_nothing_or_too_much_is_no_subject() -> None:
    assert subject_of({}) is None
    assert subject_of({"slot": "A1"}) is None
    assert subject_of({"chip": "SP2-0001", "design": "crc16"}) is None
