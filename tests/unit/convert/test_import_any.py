"""Any small synchronous design, simulated in any style, becomes a table that is right.

The machine, its simulation and its dump are written here, with nothing of the tool: the table is
then carried out on the machine, row by row, as a board would.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from vcd import VCDWriter

from harness.convert import Edge, Recipe, Sample
from tests.unit.convert.imports import design_folder, imported, rows_of

PERIOD = 20
WIDTHS = {"load_n": 1, "enp": 1, "ent": 1, "d": 4}


@dataclass(frozen=True)
class Machine:
    """Four bits of state with a clear; ``rco`` looks through the inputs in ``seen``."""

    factors: tuple[int, int, int]
    seen: int

    def step(self, state: int, word: int, clear: bool) -> int:
        a, b, c = self.factors
        return 0 if clear else (state * a + word * b + c) % 16

    def carry(self, state: int, word: int) -> int:
        return (state & 9 ^ word & self.seen).bit_count() & 1


@dataclass(frozen=True)
class Run:
    """A simulation: a clear and a word of inputs for each cycle, and when they change.

    ``drive`` is the time after the active edge at which inputs change, ``late`` that after which
    outputs do; ``falling`` is the active edge.
    """

    words: tuple[tuple[bool, int], ...]
    drive: int
    late: int
    falling: bool


MACHINES = st.builds(
    Machine,
    st.tuples(st.integers(0, 15), st.integers(0, 127), st.integers(0, 15)),
    st.integers(0, 127),
)
RUNS = st.builds(
    Run,
    st.lists(
        st.tuples(st.sampled_from([False] * 7 + [True]), st.integers(0, 127)),
        min_size=6,
        max_size=40,
    ).map(tuple),
    st.sampled_from([0, 1, 3, PERIOD // 2, PERIOD // 2 + 3]),
    st.sampled_from([0, 0, 1]),
    st.booleans(),
)


def write(machine: Machine, run: Run, path: Path) -> None:
    """Simulate and write a VCD: two cycles of reset, then the words."""
    events: dict[int, dict[str, int]] = {0: {"clk": int(run.falling), "clr_n": 0}}
    edges = [k * PERIOD + 10 for k in range(len(run.words) + 2)]
    for edge in edges:
        events.setdefault(edge, {})["clk"] = int(not run.falling)
        events.setdefault(edge + PERIOD // 2, {})["clk"] = int(run.falling)
    for edge, (clear, word) in zip(edges[1:], run.words, strict=False):
        changes = {"clr_n": int(not clear), "load_n": word & 1, "enp": word >> 1 & 1}
        changes |= {"ent": word >> 2 & 1, "d": word >> 3}
        events.setdefault(edge + run.drive, {}).update(changes)
    for time, outputs in simulated(machine, run, dict(sorted(events.items()))):
        events.setdefault(time, {}).update(outputs)
    with path.open("w") as file, VCDWriter(file, timescale="1 ns") as writer:
        names = {"clk": 1, "clr_n": 1, **WIDTHS, "q": 4, "rco": 1}
        known = {
            n: writer.register_var("bench.dut", n, "wire", width) for n, width in names.items()
        }
        for time, changes in sorted(events.items()):
            for name, value in changes.items():
                writer.change(known[name], time, value)


def simulated(
    machine: Machine, run: Run, events: dict[int, dict[str, int]]
) -> Iterator[tuple[int, dict[str, int]]]:
    """Yield what the outputs become, ``late`` after each event."""
    now = {"clk": int(run.falling), "clr_n": 0, "load_n": 0, "enp": 0, "ent": 0, "d": 0}
    state: int | None = None
    for time, changes in events.items():
        active = changes.get("clk") == int(not run.falling) and now["clk"] == int(run.falling)
        if active and (state is not None or not now["clr_n"]):
            state = machine.step(state or 0, word_of(now), clear=not now["clr_n"])
        now |= changes
        if state is not None:
            yield time + run.late, {"q": state, "rco": machine.carry(state, word_of(now))}


def word_of(levels: dict[str, int]) -> int:
    return levels["load_n"] | levels["enp"] << 1 | levels["ent"] << 2 | levels["d"] << 3


def carried_out(machine: Machine, table: Path, cycles: int) -> tuple[list[tuple[bool, int]], int]:
    """Carry a table out; returns what each pulse took in, and the number of levels tested."""
    state = 0
    taken: list[tuple[bool, int]] = []
    tested = 0
    for row in rows_of(table):
        levels = {name: int(row[name], 2) for name in WIDTHS}
        if row["clk"] in {"C", "K"}:
            taken.append((row["clr_n"] == "0", word_of(levels)))
            state = machine.step(state, word_of(levels), clear=row["clr_n"] == "0")
        outputs = format(state, "04b") + str(machine.carry(state, word_of(levels)))
        for cell, level in zip(row["q"].ljust(4, "X") + (row["rco"] or "X"), outputs, strict=True):
            assert cell in {"X", "HL"[level == "0"]}, (row, outputs)
            tested += cell != "X"
    return taken[-cycles:], tested


@pytest.mark.parametrize("sample", [Sample.PULSES, Sample.BEFORE])
@given(machine=MACHINES, run=RUNS)
@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=15, deadline=None
)
def test_the_table_is_the_stimulus_and_every_test_in_it_is_right(
    machine: Machine, run: Run, sample: Sample, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("any")
    write(machine, run, folder / "d.vcd")
    edge = Edge.FALLING if run.falling else Edge.RISING
    design = design_folder("ctr163", folder, netlist=False)
    unsettled = run.drive == run.late == 1 and sample is Sample.PULSES
    if unsettled:
        return  # the outputs settle when the inputs change: what `before` is for
    done = imported(folder / "d.vcd", design, recipe=Recipe(sample, edge))
    taken, tested = carried_out(machine, done.path, len(run.words))
    assert taken == list(run.words)
    assert tested >= len(run.words)
