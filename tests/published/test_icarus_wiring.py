"""Predictions of hypotheses, against Icarus Verilog with the same done to its wires there.

Icarus Verilog starts from unknown levels: what it knows must be predicted from every power-up
state. A line that nobody drives is pulled low, as predictions take it.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.board import load_profile
from harness.netlist import Kind, Lane
from harness.rehearse import Trial, trials
from harness.rehearse.gates import STATES, Gates
from harness.rehearse.rows import table_rows
from harness.rehearse.wrong import wrong_cycles
from harness.table import Words, load_table
from tests.published import demo, icarus

pytestmark = pytest.mark.skipif(not icarus.available(), reason=icarus.MISSING)

SHUTTLE = demo.shuttle()
WADER = Path(__file__).parents[2] / "ci" / "wader.toml"
TRIALS = {
    " ".join((t.hypothesis.kind, *t.hypothesis.pins, t.hypothesis.detail)).strip(): t
    for t in trials(SHUTTLE, load_profile(WADER, SHUTTLE))
}
PAIRS = {
    "open in3": ["alu181/directed", "uart/directed"],
    "open out3": ["secded/errors", "crc16/check"],
    "open io1": ["ram16x4/bus", "uart/directed"],
    "no-clock clk": ["gray/count"],
    "open-neighbours out2 out3 out4": ["present80/published", "aessbox/directed"],
    "open-neighbours in6 in7": ["chachaqr/published", "alu181/directed"],
    "stuck in2 high": ["cmp85/directed", "prio148/function"],
    "stuck out0 low": ["dec138/function", "uart/directed"],
    "stuck io2 high": ["ram16x4/bus", "cmp85/directed"],
    "reset-held nreset low": ["ctr163/sequence", "uart/directed"],
    "reset-never nreset high": ["ctr163/sequence", "crc16/check"],
    "short in0 in1 and": ["bcd7seg/function", "secded/errors"],
    "short out4 out5 and": ["alu181/directed", "uart/directed"],
    "short out1 out2 or": ["present80/published", "gray/count"],
    "short in8 out0 or": ["uart/directed", "chachaqr/published"],
    "exchanged in1 in2": ["bcd7seg/function", "prio148/function"],
    "exchanged out6 out7": ["uart/directed", "secded/errors"],
    "exchanged in0 out0": ["cmp85/directed", "ctr163/sequence"],
    "exchanged clk nreset": ["ctr163/sequence", "crc16/check"],
    "exchanged in4 io0": ["ram16x4/bus", "uart/directed"],
    "selection seld open": ["bcd7seg/function", "ctr163/sequence"],
    "selection-bit bit 0 high": ["alu181/directed", "ctr163/sequence"],
    "other-shuttle each design 1 address further on": ["alu181/directed", "cmp85/directed"],
    "selection selc cmp85 answers": ["alu181/directed", "ram16x4/bus"],
    "other-map input pins reversed": ["alu181/directed", "crc16/check"],
    "other-map output pins shifted up": ["present80/published", "uart/directed"],
    "turned selection apart": ["alu181/directed", "secded/errors"],
}
DAILY = range(0, len(PAIRS), 4)
CASES = [
    pytest.param(
        fault, table, marks=[] if row in DAILY and table == tables[0] else pytest.mark.nightly
    )
    for row, (fault, tables) in enumerate(PAIRS.items())
    for table in tables
]


def in_verilog(lane: Lane) -> tuple[dict[int, str], str]:
    """What a lane means: what is at the chip's pins, and what else is on the board's lines."""
    wired = {bit: f"nc{bit}" if line is None else f"pad[{line}]" for bit, line in lane.wires}
    faults = [f"wire nc{bit}; pulldown (nc{bit});" for bit, line in lane.wires if line is None]
    faults += [f"assign (supply1, supply0) pad[{line}] = 1'b{level};" for line, level in lane.lines]
    looks = {pin.bit: f"pad[{pin.bit}]" for pin in SHUTTLE.pins}
    for short in lane.shorts:
        faults.append("wand both;" if short.kind is Kind.AND else "wor both;")
        for bit in (short.a, short.b):
            faults.append(f"assign both = enable[{bit}] ? drive[{bit}] : 1'bz;")
            wired[bit] = looks[bit] = "both"
    faults += [f"assign look[{bit}] = {line};" for bit, line in looks.items()]
    return wired, "\n  ".join(faults)


class Known(NamedTuple):
    """Pins, cycle by cycle, that Icarus Verilog knows to be wrong, and does not know."""

    wrong: Words
    unknown: Words


def known(stim: icarus.Stimulus, seen: icarus.Response) -> Known:
    row = seen.row
    last = np.append(row[1:] != row[:-1], True)
    judged = np.where(stim.until[row] & ~last, np.uint32(0), np.uint32(0xFFFFFFFF))
    care, expect = stim.care[row] & judged, stim.expect[row]
    highz = np.where(stim.until[row], np.uint32(0), stim.highz[row])
    low = seen.low | seen.floating
    wrong = (care & ((expect & low) | (~expect & seen.high))) | (highz & (seen.low | seen.high))
    first = np.searchsorted(row, stim.reset_rows)
    return Known(wrong[first:], ((care | highz) & seen.unknown)[first:])


def predicted(trial: Trial, name: str, state: int, cycles: int) -> Words:
    """Pins that are wrong, cycle by cycle."""
    design, table = name.split("/")
    spec = demo.table_spec(design, table)
    rows = table_rows(load_table(spec, demo.design(design), SHUTTLE), spec, SHUTTLE)
    model = Gates(SHUTTLE).model(trial.answering(design))
    wrong = wrong_cycles(model, trial.lane, state, *rows)
    whole: NDArray[np.uint32] = np.zeros(cycles, dtype=np.uint32)
    whole[wrong.cycles] = wrong.pins
    return whole


@pytest.mark.parametrize(("fault", "name"), CASES)
def test_what_icarus_knows_to_be_wrong_is_predicted(tmp_path: Path, fault: str, name: str) -> None:
    trial, (design, table) = TRIALS[fault], name.split("/")
    spec = demo.table_spec(design, table)
    stim = icarus.stimulus(load_table(spec, demo.design(design), SHUTTLE), spec, SHUTTLE)
    answers = SHUTTLE.designs_by_name.get(trial.answering(design))
    seen = icarus.simulate(answers, SHUTTLE, stim, tmp_path, *in_verilog(trial.lane))
    there = known(stim, seen)
    assert there.wrong.any(), "nothing is compared"
    for state in range(STATES):
        here = predicted(trial, name, state, len(there.wrong))
        differ = (here ^ there.wrong) & ~there.unknown
        assert not differ.any(), f"state {state}, cycle {int(np.flatnonzero(differ)[0])}"
