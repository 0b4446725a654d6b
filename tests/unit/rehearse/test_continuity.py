"""The continuity test: which tables, and which pins they prove when they pass."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.board import load_profile
from harness.rehearse import (
    Key,
    Predictions,
    TablePrediction,
    fewest_tables,
    pins_proven,
    predict,
    unconvicted,
)
from harness.rehearse.continuity import is_fault
from harness.rehearse.gates import STATES, Gates
from harness.rehearse.hypotheses import trials
from harness.table import Pattern, load_table
from tests.published import demo

SHUTTLE = demo.shuttle()
TRIALS = trials(SHUTTLE)
FAULTS = [k for k, trial in enumerate(TRIALS) if is_fault(trial.hypothesis)]
NAMES = [("a", "one"), ("a", "two"), ("b", "one"), ("c", "one"), ("d", "one")]


def table(convicted: set[int]) -> TablePrediction:
    """A table that fails for certain under these hypotheses."""
    zeros = np.zeros((len(TRIALS), STATES), dtype=np.uint32)
    wrong = zeros.copy()
    wrong[sorted(convicted)] = 1
    known, swings = zeros == 0, zeros != 0
    columns = dict.fromkeys(("pins", "signature", "floated"), zeros)
    return TablePrediction(known, wrong, swings=swings, **columns, drives=0, tests=0)


def predictions(convicted: dict[Key, set[int]], cycles: dict[Key, int]) -> Predictions:
    tables = {key: table(faults) for key, faults in convicted.items()}
    jobs = {}
    for (design, name), count in cycles.items():
        pattern = Pattern.of(drive=np.zeros(count, dtype=np.uint32))
        jobs[design, name] = demo.design("gray"), demo.table_spec("gray", "count"), pattern
    return Predictions(SHUTTLE, TRIALS, tables, jobs, Gates(SHUTTLE))


CONVICTED = st.fixed_dictionaries(
    {key: st.sets(st.sampled_from(FAULTS), max_size=40) for key in NAMES}
)
CYCLES = st.fixed_dictionaries({key: st.integers(1, 900) for key in NAMES})


@given(CONVICTED, CYCLES)
def test_each_fault_is_convicted_by_two_designs_where_two_can_and_no_table_is_idle(
    convicted: dict[Key, set[int]], cycles: dict[Key, int]
) -> None:
    chosen = fewest_tables(predictions(convicted, cycles))

    def designs(fault: int, tables: tuple[Key, ...]) -> int:
        return min(2, len({design for design, name in tables if fault in convicted[design, name]}))

    wanted = {fault: designs(fault, tuple(NAMES)) for fault in FAULTS}
    assert {fault: designs(fault, chosen) for fault in FAULTS} == wanted
    for idle in chosen:
        rest = tuple(key for key in chosen if key != idle)
        assert any(designs(fault, rest) < wanted[fault] for fault in FAULTS)


@given(CONVICTED)
def test_a_pin_is_proven_by_tables_that_rule_out_all_its_faults(
    convicted: dict[Key, set[int]],
) -> None:
    everything = convicted | {("d", "one"): set(FAULTS)}
    found = pins_proven(predictions(everything, dict.fromkeys(NAMES, 1)), NAMES)
    assert list(found) == [pin.name for pin in SHUTTLE.pins]
    for pin, tables in found.items():
        faults = {k for k in FAULTS if pin in TRIALS[k].hypothesis.pins}
        assert bool(tables) == bool(faults)
        assert faults <= {k for key in tables for k in everything[key]}


def test_a_pin_with_one_fault_left_is_not_proven() -> None:
    without = set(FAULTS) - {next(k for k in FAULTS if TRIALS[k].hypothesis.pins == ("in3",))}
    found = predictions({("a", "one"): without}, {("a", "one"): 1})
    proven = pins_proven(found, [("a", "one")])
    assert proven["in3"] == ()
    assert proven["in2"] == (("a", "one"),)
    assert [fault.pins for fault in unconvicted(found, fewest_tables(found))] == [("in3",)]


def test_tables_that_the_shuttle_names_are_judged_as_they_are() -> None:
    found = predictions({key: set(FAULTS) for key in NAMES}, dict.fromkeys(NAMES, 1))
    assert unconvicted(found, NAMES) == ()


def test_without_any_prediction_nothing_is_chosen_and_nothing_proven() -> None:
    found = predictions({}, {})
    assert fewest_tables(found) == ()
    assert not any(pins_proven(found, ()).values())
    assert len(unconvicted(found, ())) == len(FAULTS)


@pytest.mark.nightly
def test_a_few_tables_of_the_demo_prove_every_pin() -> None:
    profile = load_profile(Path(__file__).parents[3] / "ci" / "wader.toml", SHUTTLE)
    jobs = [
        (design, spec, load_table(spec, design, SHUTTLE))
        for design in SHUTTLE.designs
        for spec in design.tables
        if spec.intake
    ]
    found = predict(SHUTTLE, jobs, profile)
    named = [(design, name) for design, name in (text.split("/") for text in SHUTTLE.pin_check)]
    chosen = fewest_tables(found)
    for tables in (chosen, named):
        assert len(tables) <= 6
        assert unconvicted(found, tables) == ()
        assert all(pins_proven(found, tables).values())
    assert sum(found.cycles[key] for key in chosen) <= 1216
