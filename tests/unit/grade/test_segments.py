"""The shortest choice of rows: nothing shorter detects as much, and what is kept passes alone."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.grade import GradedTable, compact, fault_list
from harness.grade.cover import Covering, cheapest
from harness.grade.segments import passes_alone, resets, rows_that_detect
from harness.netlist import Pin, PortDirection, load_netlist, pin_map, stimulus
from harness.rehearse import table_rows
from harness.table import load_table
from tests.published import demo
from tests.unit.grade.test_faults import DATA

C17 = fault_list(load_netlist(DATA / "c17.bench"))
PINS = [
    Pin(bit, net, port.direction)
    for bit, (port, net) in enumerate((p, net) for p in C17.netlist.ports for net in p.nets)
]
INPUTS = [pin.bit for pin in PINS if pin.direction is PortDirection.INPUT]
DRIVE = [sum((k >> place & 1) << bit for place, bit in enumerate(INPUTS)) for k in range(32)]
EVERY = stimulus(
    DRIVE,
    sum(1 << bit for bit in INPUTS),
    0,
    0,
    care=sum(1 << pin.bit for pin in PINS if pin.bit not in INPUTS),
)


def test_c17_has_ten_smallest_tests_of_four_vectors_and_one_of_them_is_kept() -> None:
    found = rows_that_detect(C17, PINS, EVERY, 0)
    assert len({tuple(column) for column in found.T.tolist()}) == 21
    complete = {
        size: [rows for rows in combinations(range(32), size) if found[list(rows)].any(0).all()]
        for size in (3, 4)
    }
    assert (len(complete[3]), len(complete[4])) == (0, 10)
    done = compact(C17, PINS, [GradedTable("every", EVERY, 0)], demo.shuttle())
    kept = tuple(row for piece in done.kept for row in range(piece.first, piece.last))
    assert kept in complete[4]
    assert (done.cycles, done.least, done.count.detected) == (4, 4, 34)


def test_only_tested_outputs_detect() -> None:
    blind = EVERY.copy()
    blind[7, 4] = 0
    found, seen = (rows_that_detect(C17, PINS, rows, 0) for rows in (blind, EVERY))
    assert seen[7].any()
    assert not found[7].any()
    assert (np.delete(found, 7, 0) == np.delete(seen, 7, 0)).all()


def test_a_part_begins_at_a_reset_if_a_chip_passes_from_there_whatever_came_before() -> None:
    design, shuttle = demo.design("ctr163"), demo.shuttle()
    spec = demo.table_spec("ctr163", "sequence")
    rows, lead = table_rows(load_table(spec, design, shuttle), spec, shuttle)
    assert design.netlist is not None
    netlist = load_netlist(design.netlist, design.top)
    pins = pin_map(netlist, design)
    first, second, *_ = resets(pins, GradedTable("sequence", rows, lead), shuttle)
    part = rows[first:second].copy()
    assert passes_alone(netlist, pins, part)
    part[0, 2] = 0  # without its clock the reset, which needs one, does nothing
    assert not passes_alone(netlist, pins, part)


@given(st.data())
def test_no_choice_is_cheaper(data: st.DataObject) -> None:
    count = data.draw(st.integers(1, 6))
    cost = np.array(data.draw(st.lists(st.integers(1, 9), min_size=count, max_size=count)))
    chained = data.draw(st.lists(st.booleans(), min_size=count, max_size=count))
    after = np.array([k - 1 if k and linked else -1 for k, linked in enumerate(chained)])
    pairs = data.draw(
        st.lists(st.tuples(st.integers(0, 4), st.integers(0, count - 1)), min_size=1, max_size=12)
    )
    covered, by = np.array(pairs).T

    def covers(chosen: tuple[int, ...]) -> bool:
        whole = all(after[k] in (-1, *chosen) for k in chosen)
        return whole and {c for c, k in pairs if k in chosen} == set(covered.tolist())

    choices = [c for n in range(count + 1) for c in combinations(range(count), n) if covers(c)]
    choice = cheapest(Covering(cost, after), covered, by)
    chosen = tuple(np.flatnonzero(choice.chosen).tolist())
    assert chosen in choices
    assert cost[list(chosen)].sum() == choice.least == min(cost[list(c)].sum() for c in choices)


def test_without_time_everything_is_kept_or_what_is_kept_covers_all(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("harness.grade.cover.MAX_SECONDS", 0.0)
    found = rows_that_detect(C17, PINS, EVERY, 0)
    rows, classes = np.nonzero(found)
    alone = Covering(np.ones(32, np.int64), np.full(32, -1))
    choice = cheapest(alone, classes, rows)
    assert found[choice.chosen].any(axis=0).all()
    assert choice.least <= 4 <= choice.chosen.sum()
