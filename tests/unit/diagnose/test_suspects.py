"""Suspects inside a design: the fault that is there comes first, with what it explains."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from harness.diagnose import Defective, Ranking, Table, answered, diagnose, quick_diagnosis
from harness.diagnose.separate import in_random, in_table, random_rows
from harness.netlist import load_netlist
from harness.records import Bound, SuspectKind
from harness.virtual import faults as f
from tests.bench.blame.faults import Fault
from tests.bench.blame.racks import Floor
from tests.published import demo

TABLES = (("crc16", "check"), ("dec138", "function"), ("ctr163", "sequence"))


@cache
def floor() -> Floor:
    return Floor(TABLES)


def defective(defect: f.ChipDefect, name: str) -> Defective:
    """A chip with a defect, and what the tables of a design answered on it."""
    shuttle, design = floor().shuttle, demo.design(name)
    keys = [key for key in floor().jobs if key[0] == name]
    outcomes = floor().run(0, "SP2-0001", (Fault("x", frozenset(), defects=(defect,)),), keys)
    found = []
    for outcome in outcomes:
        _, spec, pattern = floor().jobs[outcome.design, outcome.table]
        table = answered(outcome, pattern, spec, shuttle)
        assert table is not None
        found.append(table)
    assert design.netlist is not None
    netlist = load_netlist(design.netlist, design.top)
    return Defective("A1", "SP2-0001", design, netlist, tuple(found))


def test_a_stuck_net_is_first_and_explains_every_wrong_bit() -> None:
    found = quick_diagnosis(defective(f.NetStuck("crc16", "rem[9]", 1), "crc16"))
    first, second = found.suspects[:2]
    assert first.name == "rem[9] stuck at 1"
    assert (first.exact, first.explained, first.missed, first.contradicted) == (1, found.bits, 0, 0)
    assert (first.odds, first.nets, first.broken) == (1.0, ("rem[9]",), ())
    assert first.sources == (Bound("rem", "crc16.v:13"),)
    assert second.odds < 0.05
    assert second.explained + second.missed == found.bits
    assert second.missed + second.contradicted > 0


def test_faults_that_no_table_tells_apart_are_one_suspect() -> None:
    found = quick_diagnosis(defective(f.NetStuck("crc16", "zero", 0), "crc16"))
    first = found.suspects[0]
    assert first.name == "zero stuck at 0"
    assert first.alike == 1 + len(first.others) > 1


def test_what_did_not_fail_counts_against_a_suspect() -> None:
    one = defective(f.NetStuck("dec138", "y_n[3]", 0), "dec138")
    (table,) = one.tables
    passing = replace(table, name="dec138/again", failed=False, signatures=frozenset())
    both = Defective(one.slot, one.chip, one.design, one.netlist, (*one.tables, passing))
    assert quick_diagnosis(one).suspects[0].broken == ()
    assert quick_diagnosis(both).suspects[0].broken == ("dec138/again",)


def test_a_slow_path_is_tried_only_if_a_lower_rate_passes() -> None:
    one = defective(f.SlowPath("ctr163", "q[1]", 1.0), "ctr163")
    shuttle = floor().shuttle
    without = diagnose(one, (), shuttle, slower_passes=False)
    assert {s.kind for s in without.suspects}.isdisjoint({SuspectKind.SLOW_PATH})
    assert "slow paths: nothing says that a lower rate passes" in without.left_out
    first = diagnose(one, (), shuttle, slower_passes=True).suspects[0]
    assert (first.kind, first.name, first.exact) == (
        SuspectKind.SLOW_PATH,
        "q[1] late by a cycle",
        1,
    )


@pytest.mark.parametrize(("nets", "kind"), [("02", "and"), ("13", "or")])
def test_a_bridge_is_named_with_both_nets_if_no_stuck_net_explains_all(
    nets: str, kind: str
) -> None:
    one, two = (f"q[{k}]" for k in nets)
    chip = defective(f.NetBridge("ctr163", one, two, kind), "ctr163")
    found = diagnose(chip, (), floor().shuttle, slower_passes=False)
    first, second = found.suspects[:2]
    assert (first.kind, first.exact) == (SuspectKind.BRIDGE, 1)
    assert first.name == f"{one} and {two} bridged ({kind.upper()})"
    assert first.nets == (one, two)
    assert (second.kind, second.exact) == (SuspectKind.STUCK_AT, 0)
    assert found.bridges > 1000


def test_bridges_are_not_tried_if_a_stuck_net_explains_every_answer() -> None:
    chip = defective(f.NetStuck("ctr163", "q[1]", 1), "ctr163")
    found = diagnose(chip, (), floor().shuttle, slower_passes=False)
    assert (found.bridges, found.suspects[0].name) == (0, "q[1] stuck at 1")
    assert "bridges: a suspect explains every answer" in found.left_out


def test_two_faults_are_told_apart_by_the_first_row_of_a_table_that_differs() -> None:
    one = defective(f.NetStuck("ctr163", "q[1]", 1), "ctr163")
    ranking = Ranking(one.netlist, one.design, one.tables)
    other, another = (ranked.lanes[0][1] for ranked in ranking.ranked()[:2])
    (table,) = one.tables
    found = in_table(ranking.runner, other, another, Table("t", table.rows, table.lead, ()))
    verdicts = ranking.runner.judge((other, another), table.rows, table.lead)
    first = verdicts.first_row.reshape(2, -1)[:, 0]
    assert found is not None
    assert first[0] != first[1]
    assert found.row == min(first)


def test_random_vectors_begin_with_a_reset_and_differ_after_the_last() -> None:
    one = defective(f.NetStuck("ctr163", "q[1]", 0), "ctr163")
    ranking = Ranking(one.netlist, one.design, one.tables)
    first, second = (ranked.lanes[0][1] for ranked in ranking.ranked()[:2])
    rows = random_rows(ranking.runner, floor().shuttle)
    found = in_random(ranking.runner, first, second, rows)
    assert found is not None
    assert found.pins
    assert in_random(ranking.runner, first, second, rows[: found.row]) is None
    assert in_random(ranking.runner, first, first, rows) is None
