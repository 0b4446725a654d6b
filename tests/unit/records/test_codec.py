"""Records through JSON: the quick way and the careful way agree, and odd text survives."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.records import (
    CodecError,
    Conditions,
    Outcome,
    decode,
    encode,
    to_body,
    to_text,
    to_value,
)
from harness.records.codec import _decode
from tests.unit.store.samples import chip, heading
from tests.unit.store.test_store import failing_outcome

ODD = st.one_of(st.none(), st.booleans(), st.integers(), st.text(), st.just([]), st.just({}))


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place inside a JSON value."""
    found = [path] if path else []
    items: list[tuple[Any, Any]] = []
    if isinstance(value, dict):
        items = list(value.items())
    elif isinstance(value, list):
        items = list(enumerate(value))
    for key, inner in items:
        found += places(inner, (*path, key))
    return found


def put(value: Any, path: tuple[Any, ...], new: object) -> None:
    for key in path[:-1]:
        value = value[key]
    value[path[-1]] = new


WHOLE = to_text(encode(failing_outcome()))


@given(st.sampled_from(places(json.loads(WHOLE))), ODD)
def test_the_quick_way_takes_what_the_careful_way_takes(path: tuple[Any, ...], odd: object) -> None:
    spoiled = json.loads(WHOLE)
    put(spoiled, path, odd)
    try:
        expected: object = _decode(Outcome, spoiled, "outcome")
    except CodecError as error:
        expected = str(error)
    try:
        found: object = decode(Outcome, spoiled, "outcome")
    except CodecError as error:
        found = str(error)
    assert found == expected


@pytest.mark.parametrize("number", [math.inf, -math.inf, math.nan])
def test_numbers_that_json_has_no_notation_for_come_back(number: float) -> None:
    record = Conditions(1.0, number, True, 0.0, 2)
    back = decode(Conditions, to_value(to_text(encode(record))), "conditions")
    assert str(back.achieved_hz) == str(number)


def spoiled_record(record: Any, path: tuple[Any, ...], new: object) -> Any:
    """The record with another value at one place, whatever its annotation."""
    if not path:
        return new
    if isinstance(record, tuple):
        return (*record[: path[0]], spoiled_record(record[path[0]], path[1:], new))
    return replace(record, **{path[0]: spoiled_record(getattr(record, path[0]), path[1:], new)})


def like(value: Any) -> st.SearchStrategy[Any]:
    """Other values for the same field."""
    if isinstance(value, int):
        return st.integers()
    if isinstance(value, float):
        return st.floats() | st.integers()
    return st.text(st.characters(codec=None))


def at(record: Any, path: tuple[Any, ...]) -> Any:
    for key in path:
        record = record[key] if isinstance(key, int) else getattr(record, key)
    return record


PLAIN = [
    path
    for path in places(json.loads(WHOLE))
    if type(at(failing_outcome(), path)) in {int, float, str}
]


@given(st.data())
def test_the_quick_text_is_that_of_the_careful_way(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from(PLAIN))
    new = data.draw(like(at(failing_outcome(), path)))
    record = spoiled_record(failing_outcome(), path, new)
    assert to_body(record) == to_text(encode(record))


@pytest.mark.parametrize("number", [math.inf, -math.inf, math.nan])
def test_no_number_is_lost_in_the_quick_text(number: float) -> None:
    floats = [path for path in PLAIN if type(at(failing_outcome(), path)) is float]
    assert len(floats) >= 5
    for path in floats:
        record = spoiled_record(failing_outcome(), path, number)
        assert to_body(record) == to_text(encode(record))


def test_a_run_with_its_chips_comes_back() -> None:
    record = replace(heading(), chips=(replace(chip(), outcomes=(failing_outcome(),)),))
    assert decode(type(record), to_value(to_text(encode(record))), "run") == record


@given(st.text(st.characters(codec=None)))
def test_whatever_text_a_name_has_comes_back(text: str) -> None:
    assert to_value(to_text({"file": text})) == {"file": text}


def test_half_a_surrogate_pair_and_a_number_of_many_digits_come_back() -> None:
    odd = {"file": "scan\udcff.csv", "count": 1 << 70}
    assert to_value(to_text(odd)) == odd


def test_what_is_no_json_is_refused() -> None:
    with pytest.raises(TypeError):
        to_text({"path": object()})
    with pytest.raises(ValueError, match="line 1"):
        to_value("{]")
