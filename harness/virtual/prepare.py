"""Compile what rehearsals, virtual boards, predictions and grades need, before a person waits.

Run as a process of its own: ``python -m harness.virtual.prepare``. The one rule: nothing is named
here that must be compiled; a chip without gates does what a person's first tables will do.
"""

from __future__ import annotations

import numpy as np

from harness.grade import detect, fault_list
from harness.netlist import HEALTHY, Circuit, judge, judge_closely, parse_bench, stimulus
from harness.virtual.lines import HEAD
from harness.virtual.running import start_nothing

MANY = 65
"""The smallest number of lanes for which they are rows of 512."""


def prepare() -> None:
    """Rehearse a vector, run it on a chip, predict it for many lanes, and grade it on a gate."""
    netlist = Circuit("nothing", "no design").levelise()
    rows = stimulus(1, 1, 0, 0)
    states = np.zeros((0, MANY), dtype=np.int64)
    judge_closely(netlist, [], states[:, :1], rows)
    board, found = np.zeros(HEAD, dtype=np.int64), np.zeros((1, 3), dtype=np.int64)
    start_nothing().run(board, rows, (1, 0, 0, 0, 0, 0, 0, 1), found)
    judge(netlist, [], [HEALTHY] * MANY, states, rows)
    gate = parse_bench("INPUT(a)\nOUTPUT(y)\ny = NOT(a)\n", "no file", "gate")
    detect(fault_list(gate), [], rows, 0)  # last: the first table is rehearsed before it is graded


if __name__ == "__main__":
    prepare()
