"""A record as JSON text, written straight from its fields."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.records import Conditions, EvidenceCycle, Verdict, encode
from harness_reports.json_text import record_text
from harness_reports.run_json import run_json, run_json_pieces
from tests.unit.reports.samples import sample_run


@dataclass(frozen=True)
class Inner:
    """Two fields are the fewest that are written the quick way."""

    text: str
    number: float


@dataclass(frozen=True)
class Single:
    """Written the slow way."""

    text: str


@dataclass(frozen=True)
class Everything:
    """One field of every kind that a record may have."""

    text: str
    number: float
    count: int
    flag: bool
    verdict: Verdict
    when: datetime
    inner: Inner | None
    single: Single
    texts: tuple[str, ...]
    inners: tuple[Inner, ...]


TEXTS = st.text(st.characters(codec=None), max_size=12)
INNERS = st.builds(Inner, TEXTS, st.floats())
RECORDS = st.builds(
    Everything,
    text=TEXTS,
    number=st.floats(),
    count=st.integers(),
    flag=st.booleans(),
    verdict=st.sampled_from(Verdict),
    when=st.datetimes(timezones=st.sampled_from([None, UTC])),
    inner=st.none() | INNERS,
    single=st.builds(Single, TEXTS),
    texts=st.lists(TEXTS, max_size=3).map(tuple),
    inners=st.lists(INNERS, max_size=3).map(tuple),
)


def slowly(record: object, depth: int) -> str:
    """The same by the standard library."""
    text = json.dumps(encode(record), indent=1, allow_nan=False)
    return text.replace("\n", "\n" + " " * depth)


@given(RECORDS, st.integers(0, 3))
def test_the_text_is_that_of_the_standard_library(record: Everything, depth: int) -> None:
    assert record_text(record, depth) == slowly(record, depth)


def test_a_whole_run_is_written_alike() -> None:
    assert record_text(sample_run(), 1) == slowly(sample_run(), 1)


@pytest.mark.parametrize(
    "odd",
    [
        {"clock_hz": 7},
        {"clock_hz": math.nan},
        {"exact": None},
        {"reset_cycles": True},
        {"settle_us": "0.5"},
    ],
)
def test_what_a_field_should_not_hold_is_written_as_the_codec_does(odd: dict[str, Any]) -> None:
    usual = Conditions(50_000.0, 48_250.0, exact=False, settle_us=0.0, reset_cycles=2)
    record = replace(usual, **odd)
    assert record_text(record, 0) == slowly(record, 0)


def test_what_is_no_record_is_refused() -> None:
    with pytest.raises(TypeError, match="list cannot stand in a record"):
        record_text(EvidenceCycle(0, 0, 1, 0, "", []), 0)  # type: ignore[arg-type]


def test_a_run_comes_in_pieces_a_chip_at_a_time() -> None:
    run = sample_run()
    pieces = list(run_json_pieces(run))
    chips = [k for k, piece in enumerate(pieces) if '\n    "board_serial"' in piece]
    assert len(chips) == len(run.chips)
    assert "".join(pieces) == run_json(run)
