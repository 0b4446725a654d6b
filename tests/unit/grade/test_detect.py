"""Detection by a table: one pass with unknown values, and lane by lane as a board judges.

The two ways share the gates and nothing else: steps and patches here, lines, masks and mismatches
there. A fault that the first detects fails from every power-up state; one of which it is sure that
the table does not notice passes from all.
"""

from __future__ import annotations

import numpy as np
import pytest

from harness.grade import FaultList, detect, fault_list
from harness.grade.detect import has_match_loop
from harness.netlist import Rows, judge, load_netlist, pin_map, stuck_lanes
from harness.rehearse import STATES, power_up, table_rows
from harness.shuttle import Design
from harness.table import load_table
from tests.published import demo

DAILY = ("dec138/function", "ctr163/sequence", "ram16x4/bus", "uart/greeting", "gray/count")


def rows_of(name: str, table: str) -> tuple[Rows, int]:
    spec, shuttle = demo.table_spec(name, table), demo.shuttle()
    return table_rows(load_table(spec, demo.design(name), shuttle), spec, shuttle)


def listed(design: Design) -> FaultList:
    assert design.netlist is not None
    return fault_list(load_netlist(design.netlist, design.top))


@pytest.mark.parametrize(
    ("name", "table"),
    [
        pytest.param(*key, marks=() if "/".join(key) in DAILY else pytest.mark.nightly)
        for key in demo.table_names()
    ],
)
def test_what_is_detected_fails_on_a_board_from_every_power_up_state(name: str, table: str) -> None:
    design, (rows, lead) = demo.design(name), rows_of(name, table)
    faults = listed(design)
    pins = pin_map(faults.netlist, design)
    done = detect(faults, pins, rows, lead)
    chosen = [faults.faults[index] for index in faults.classes]
    netlist, lanes = stuck_lanes(faults.netlist, chosen)
    states = np.tile(power_up(netlist), len(lanes))
    each = [lane for lane in lanes for _ in range(STATES)]
    verdicts = judge(netlist, pins, each, states, rows, lead=lead)
    fails = (verdicts.wrong_cycles > 0).reshape(-1, STATES)
    found, possible = done.found[faults.classes], done.possible[faults.classes]
    assert fails[found].all()
    if not has_match_loop(rows):
        assert not fails[~found & ~possible].any()
        first = verdicts.first_row.reshape(-1, STATES)[found] - lead
        assert (first.min(axis=1) <= done.row[faults.classes][found]).all()
    assert found.mean() > 0.1
