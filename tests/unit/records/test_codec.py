"""Records through JSON and back: strict, with the place of what does not fit; odd text survives."""

from __future__ import annotations

import json
import math
import re
import typing
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from harness.records import (
    CodecError,
    Conditions,
    MarginRecord,
    Outcome,
    decode,
    encode,
    rewritten,
    schema_of,
    to_text,
    to_value,
)
from tests.unit.store.margins import margin
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


WHOLE_WINDOW = "outcome.window: its parts do not have the same number of cycles"
WHOLE = to_text(encode(failing_outcome()))
DEFINITIONS: dict[str, Any] = {}
SCHEMA = Draft202012Validator({**schema_of(Outcome, DEFINITIONS), "$defs": DEFINITIONS})


def place_of(path: tuple[Any, ...]) -> str:
    """A place as a message names it."""
    return "outcome" + "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in path)


@given(st.sampled_from(places(json.loads(WHOLE))), ODD)
def test_what_is_read_fits_the_schema_and_all_else_is_refused_with_its_place(
    path: tuple[Any, ...], odd: object
) -> None:
    spoiled = json.loads(WHOLE)
    put(spoiled, path, odd)
    complaint, found = "", None
    try:
        found = decode(Outcome, spoiled, "outcome")
    except CodecError as error:
        complaint = str(error)
    if found is None:
        assert complaint == WHOLE_WINDOW or complaint.startswith(f"{place_of(path)}: ")
    else:
        assert SCHEMA.is_valid(spoiled)
        assert SCHEMA.is_valid(encode(found))


@pytest.mark.parametrize(
    ("path", "odd", "told"),
    [
        ((), [], "outcome: expected dict, got list"),
        (("rows",), True, "outcome.rows: expected int, got bool"),
        (("rows",), "7", "outcome.rows: expected int, got str"),
        (("rows",), 7.0, "outcome.rows: expected int, got float"),
        (("seconds",), "7", "outcome.seconds: expected float, got str"),
        (("seconds",), None, "outcome.seconds: expected float, got NoneType"),
        (("seconds",), 10**400, "outcome.seconds: int too large to convert to float"),
        (("verdict",), "GOOD", "outcome.verdict: 'GOOD' is not a valid Verdict"),
        (("verdict",), 1, "outcome.verdict: expected str, got int"),
        (("started",), "noon", "outcome.started: Invalid isoformat string: 'noon'"),
        (("started",), 12, "outcome.started: expected str, got int"),
        (("evidence",), "text", "outcome.evidence: expected list, got str"),
        (("evidence", 0, "wrong", 0), {},
            "outcome.evidence[0].wrong[0]: missing field expected, observed, pin, signal"),
        (("evidence", 0, "wrong", 0, "pin"), 3,
            "outcome.evidence[0].wrong[0].pin: expected str, got int"),
        (("window",), {"colour": "red"}, "outcome.window: unknown field colour"),
        (("window", "lines"), [], WHOLE_WINDOW),
        (("window", "waves", 0, "expected"), "L", WHOLE_WINDOW),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_named(path: tuple[Any, ...], odd: object, told: str) -> None:
    spoiled = json.loads(WHOLE)
    if path:
        put(spoiled, path, odd)
    with pytest.raises(CodecError) as error:
        decode(Outcome, spoiled if path else odd, "outcome")  # type: ignore[arg-type]
    assert str(error.value) == told


@dataclass(frozen=True)
class Dated:
    """A record with a field of a kind that none may have."""

    day: date


@dataclass(frozen=True)
class Outer:
    """One that has it inside."""

    inner: tuple[Dated, ...]


@pytest.mark.parametrize(
    "walk",
    [
        lambda: encode(Dated(date(2026, 6, 1))),
        lambda: encode(Outer(())),
        lambda: decode(Dated, {"day": "2026-06-01"}, "dated"),
        lambda: decode(Outer, {"inner": []}, "outer"),
        lambda: schema_of(Outer, {}),
    ],
)
def test_a_kind_of_value_that_no_record_may_have_is_refused_in_every_direction(
    walk: Callable[[], object],
) -> None:
    with pytest.raises(TypeError, match=r"^date cannot be part of a record$"):
        walk()


def test_other_texts_stand_in_the_place_of_those_of_a_record() -> None:
    record = replace(heading(), chips=(replace(chip(), outcomes=(failing_outcome(),)),))
    upper = to_value(to_text(encode(rewritten(record, str.upper))))
    assert upper["chips"][0]["outcomes"][0]["design"] == "FOLLOW"
    assert upper["kind"] == "run"
    assert rewritten(record, str) is record


@pytest.mark.parametrize("number", [math.inf, -math.inf, math.nan])
def test_numbers_that_json_has_no_notation_for_come_back(number: float) -> None:
    record = Conditions(1.0, number, True, 0.0, 2)
    back = decode(Conditions, to_value(to_text(encode(record))), "conditions")
    assert str(back.achieved_hz) == str(number)


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
    with pytest.raises(CodecError, match=r"it is not JSON: .*line 1"):
        to_value("{]")
    with pytest.raises(CodecError, match="nested too deeply"):
        to_value("[" * 100_000)


@pytest.mark.parametrize(
    ("path", "odd", "told"),
    [
        (("points", 0, "passes"), 5, "margin.points[0]: 5 passes of 4 trials"),
        (("points", 0, "trials"), -1, "margin.points[0]: 0 passes of -1 trials"),
        (("points", 0, "rate_hz"), "inf", "margin.points[0]: inf Hz is no rate"),
        (("edges", 0, "failing_hz"), "nan", "margin.edges[0]: nan Hz is no rate"),
        (("edges", 0, "volts"), "nan", "margin.edges[0]: 0 ns, nan V is no place of a shmoo"),
        (("edges", 0, "sample_ns"), -1, "margin.edges[0]: -1 ns, None V is no place of a shmoo"),
        (("noise_low_hz",), -1.0, "margin: -1.0 Hz is no rate"),
        (("declared_hz",), 0.0, "margin: a limit has no clock that it is relative to"),
    ],
)
def test_a_margin_that_cannot_be_is_refused(path: tuple[Any, ...], odd: object, told: str) -> None:
    spoiled = typing.cast("Any", encode(margin(0, 5000.0)))
    put(spoiled, path, odd)
    with pytest.raises(CodecError) as error:
        decode(MarginRecord, spoiled, "margin")
    assert str(error.value) == told


@dataclass(frozen=True)
class Timed:
    """A record with a time."""

    at: datetime


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("2026-06-01T09:00:00", "has no offset from UTC"),
        ("0001-01-01T00:00:00+01:00", "has no date in UTC"),
        ("9999-12-31T23:30:00-01:00", "has no date in UTC"),
    ],
)
def test_a_time_that_pages_could_not_write_in_utc_is_refused(text: str, wrong: str) -> None:
    with pytest.raises(CodecError, match=f"the time {re.escape(text)} {wrong}"):
        decode(Timed, {"at": text}, "timed")
