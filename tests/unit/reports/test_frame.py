"""The data frame against figures worked out from the JSON file with nothing but ``json``."""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

import pandas as pd

from harness_reports import outcomes_frame, run_json
from harness_reports.frame import COLUMNS
from tests.unit.reports.samples import run_of, sample_run, silent_chip


def _outcomes() -> list[dict[str, Any]]:
    whole = json.loads(run_json(sample_run()))
    return [outcome for chip in whole["run"]["chips"] for outcome in chip["outcomes"]]


def test_there_is_one_row_an_outcome_in_the_order_of_the_run() -> None:
    frame = outcomes_frame(sample_run())
    told = list(zip(frame["slot"], frame["design"], frame["table"], strict=True))
    assert told == [(o["slot"], o["design"], o["table"]) for o in _outcomes()]
    assert list(frame.columns) == list(COLUMNS)


def test_the_figures_are_those_of_the_json_file() -> None:
    frame, outcomes = outcomes_frame(sample_run()), _outcomes()
    assert frame["verdict"].value_counts().to_dict() == Counter(o["verdict"] for o in outcomes)
    assert frame["cycles"].sum() == sum(o["cycles"] for o in outcomes)
    assert frame["mismatches"].tolist() == [o["mismatches"] for o in outcomes]
    assert frame["bytes_sent"].tolist() == [
        sum(a["bytes_sent"] for a in o["attempts"]) for o in outcomes
    ]
    assert frame["answers"].tolist() == [
        len({a["signature"] for a in o["attempts"]}) for o in outcomes
    ]
    rates = [o["conditions"]["achieved_hz"] for o in outcomes if o["conditions"]]
    assert frame["achieved_hz"].dropna().tolist() == rates


def test_the_first_mismatch_is_that_of_the_evidence() -> None:
    frame = outcomes_frame(sample_run())
    firsts = [o["evidence"][0] if o["evidence"] else None for o in _outcomes()]
    assert frame["first_cycle"].dropna().tolist() == [f["cycle"] for f in firsts if f]
    assert frame["first_line"].isna().tolist() == [f is None for f in firsts]
    assert frame["first_pin"].tolist() == [f["wrong"][0]["pin"] if f else "" for f in firsts]


def test_a_run_without_outcomes_keeps_columns_and_types() -> None:
    empty = outcomes_frame(run_of(silent_chip("A1", "SP2-0001")))
    full = outcomes_frame(sample_run())
    assert len(empty) == 0
    pd.testing.assert_series_equal(empty.dtypes, full.dtypes)
