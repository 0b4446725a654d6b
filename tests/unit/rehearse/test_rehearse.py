"""A table on its own design's netlist: what it says of the table, before there is any chip."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.errors import Severity
from harness.records import Rehearsal, RehearsalResult, TableRow, encode, to_text
from harness.rehearse import Cache, Rehearser, remarks
from harness.shuttle import Design, Shuttle, TableSpec
from harness.table import load_table
from tests.published import demo
from tests.unit.netlist.plain import Cell
from tests.unit.virtual import small

RAM = "clk,a,we,oe_n,dq,label\n"
WRITE, READ = "C,0x0,1,1,0001,\n", "0,0x0,0,0,LLLH,\n"


def spec_of(folder: Path, text: str, reset_cycles: int = 0) -> TableSpec:
    (folder / "t.csv").write_text(text, "utf-8")
    return TableSpec("t", folder / "t.csv", 50_000, reset_cycles=reset_cycles)


def rehearsed(
    folder: Path, text: str, name: str = "ram16x4", cache: Cache | None = None
) -> Rehearsal:
    return on(folder, demo.design(name), demo.shuttle(), spec_of(folder, text), cache)


def on(
    folder: Path, design: Design, shuttle: Shuttle, spec: TableSpec, cache: Cache | None = None
) -> Rehearsal:
    """Rehearse a table on a design that takes the place of one of the shuttle's."""
    names = [one.name for one in shuttle.designs]
    place = names.index(design.name) if design.name in names else 0
    designs = (*shuttle.designs[:place], design, *shuttle.designs[place + 1 :])
    rehearser = Rehearser(replace(shuttle, designs=designs), cache or Cache(folder / "cache"))
    pattern = load_table(spec, shuttle.designs_by_name.get(design.name, design), shuttle)
    return rehearser.rehearse(design, spec, pattern)


def of_small(folder: Path, signals: small.Signals, cells: list[Cell], text: str) -> Rehearsal:
    shuttle = small.shuttle(folder)
    design = small.design(folder, "mine", 1, signals, cells)
    return on(folder, design, shuttle, spec_of(folder, text))


def test_every_demo_table_passes_from_every_state_and_fights_nobody(tmp_path: Path) -> None:
    rehearser = Rehearser(demo.shuttle(), Cache(tmp_path))
    for name, table in demo.table_names():
        spec = demo.table_spec(name, table)
        pattern = load_table(spec, demo.design(name), demo.shuttle())
        found = rehearser.rehearse(demo.design(name), spec, pattern)
        assert found == Rehearsal(RehearsalResult.PASSES, states=3, still=found.still)


def test_a_wrong_row_is_named_with_what_was_expected_and_observed(tmp_path: Path) -> None:
    found = rehearsed(tmp_path, RAM + WRITE + READ + "0,0x0,0,0,LLHH,wrong\n" + READ)
    assert found.result is RehearsalResult.FAILS
    assert (found.states, found.failing_states, found.mismatches) == (3, 3, 1)
    assert [str(remark) for remark in remarks(found, Path("t.csv"))] == [
        (
            "t.csv:4: error [rehearsal-fails] dq[3:0] expected 0x3, observed 0x1, differs 0x2 on "
            "the design's netlist, in cycle 2; 1 wrong cycle; correct the table, or the design if "
            "the table is right; it passes if this row alone expects dq[3:0] = 0x1"
        ),
        (
            "t.csv: warning [still-input] no row moves a[0] (pin in0), a[1] (pin in1), a[2] (pin "
            "in2), a[3] (pin in3); add rows that do, or leave it if another table does"
        ),
    ]
    assert found.first is not None
    assert (found.first.row, found.first.repetition, found.first.label) == (2, 0, "wrong")


def test_cycles_and_repetitions_are_counted_as_on_a_board(tmp_path: Path) -> None:
    text = "clk,d,q,repeat\nC,0,XX,2\nC,0,LL,until 5\nC,1,LX,3\n"
    found = of_small(tmp_path, small.REGISTER_SIGNALS, small.REGISTER_CELLS, text)
    assert found.first is not None
    assert (found.first.line, found.first.cycle, found.first.repetition) == (4, 4, 1)


def test_rows_in_which_controller_and_chip_both_drive_are_counted_and_the_first_named(
    tmp_path: Path,
) -> None:
    fight = "0,0x0,0,0,1ZZ1,\n"
    found = rehearsed(tmp_path, RAM + WRITE + fight + READ + fight * 5)
    both = ("dq[0] (pin io0)", "dq[3] (pin io3)")
    rows = [(1, 3), (3, 5), (4, 6), (5, 7)]
    assert found.contention == tuple(TableRow(row, line, both) for row, line in rows)
    assert (found.contended_rows, found.refused) == (6, True)
    (fails, told, _) = remarks(found, Path("t.csv"))
    assert fails.rule == "rehearsal-fails"
    assert str(told) == (
        "t.csv:3: error [contention] controller and chip both drive dq[0] (pin io0), dq[3] "
        "(pin io3), and in 5 more rows; release the pin in these rows, or write contention = "
        '"intended" in design.toml'
    )


def test_contention_that_is_intended_is_told_and_not_refused(tmp_path: Path) -> None:
    cache, text = Cache(tmp_path / "cache"), RAM + WRITE + "0,0x0,0,0,000L,\n"
    refused = rehearsed(tmp_path, text, cache=cache)
    spec = replace(spec_of(tmp_path, text), contention_intended=True)
    meant = on(tmp_path, demo.design("ram16x4"), demo.shuttle(), spec, cache)
    assert meant == replace(refused, intended=True)
    assert not meant.refused
    (_, told, _) = remarks(meant, Path("t.csv"))
    assert told.severity is Severity.WARNING


REGISTERED: tuple[small.Signals, list[Cell]] = (
    {
        "d": ("input", ("in0",), [2]),
        "enable": ("input", ("in1",), [3]),
        "clk": ("input", ("clk",), [6]),
        "io": ("inout", ("io0",), [4]),
    },
    [("$_DFF_P_", {"C": 6, "D": 3, "Q": 5}), ("$_TBUF_", {"A": 2, "E": 5, "Y": 4})],
)
"""A pad that lets go of its pin only with the next clock."""


def test_a_fight_that_ends_within_the_cycle_is_a_fight(tmp_path: Path) -> None:
    found = of_small(tmp_path, *REGISTERED, "clk,d,enable,io\nC,0,1,L\nC,0,0,0\n")
    assert [row.line for row in found.contention] == [3]
    waits = of_small(tmp_path, *REGISTERED, "clk,d,enable,io\nC,0,1,L\nC,0,0,Z\nC,0,0,0\n")
    assert waits.contention == ()


def test_an_output_that_depends_on_the_power_up_state_is_found(tmp_path: Path) -> None:
    found = rehearsed(tmp_path, RAM + "0,0x0,0,0,LLLL,\n" + WRITE + READ)
    assert found.unknown == (TableRow(0, 2, tuple(f"dq[{k}] (pin io{k})" for k in range(4))),)
    assert (found.result, found.failing_states) == (RehearsalResult.FAILS, 2)
    fails, power_up, _ = map(str, remarks(found, Path("t.csv")))
    assert "1 wrong cycle, but only from 2 of 3 power-up states; correct" in fails
    assert power_up == (
        "t.csv:2: warning [power-up] what is tested here depends on the power-up state: dq[0] "
        "(pin io0), dq[1] (pin io1), dq[2] (pin io2), dq[3] (pin io3); reset or load the design "
        "before testing it"
    )


def test_a_wait_does_not_end_by_an_output_that_is_not_known(tmp_path: Path) -> None:
    text = RAM.replace("\n", ",repeat\n") + "0,0x0,0,0,LXXX,,until 3\n"
    found = rehearsed(tmp_path, text)
    assert found.unknown == (TableRow(0, 2, ("dq[3] (pin io3)",)),)


def test_inputs_that_no_row_moves_are_named_and_the_reset_before_the_table_counts(
    tmp_path: Path,
) -> None:
    assert rehearsed(tmp_path, "clk,en,q\nC,1,0b1xxxxxxxxxxx\nC,1,\n", "lfsr").still == (
        "en (pin in0)",
        "rst_n (pin nreset)",
    )
    spec = replace(spec_of(tmp_path, "clk,en,q\nC,1,0b1xxxxxxxxxxx\nC,0,\n"), reset_cycles=2)
    found = on(tmp_path, demo.design("lfsr"), demo.shuttle(), spec)
    assert found.still == ()


def other(folder: Path, **changes: object) -> Rehearsal:
    """Rehearse a table on a design that differs from the demo's."""
    design = replace(demo.design("ram16x4"), **changes)  # type: ignore[arg-type]
    return on(folder, design, demo.shuttle(), spec_of(folder, RAM + WRITE + READ))


def test_a_design_without_a_netlist_is_not_rehearsed(tmp_path: Path) -> None:
    found = other(tmp_path, netlist=None)
    assert found.result is RehearsalResult.NO_NETLIST
    assert found.why.startswith("the design has no netlist; make it with ")
    assert remarks(found, Path("t.csv")) == []


@pytest.mark.parametrize(
    "changes", [{"netlist": Path("gone.json")}, {"top": "rom"}, {"signals": ()}]
)
def test_a_netlist_that_cannot_be_used_is_a_result_and_no_error(
    tmp_path: Path, changes: dict[str, object]
) -> None:
    found = other(tmp_path, **changes)
    assert found.result is RehearsalResult.NOT_REHEARSED
    assert found.why == "its netlist cannot be used; `harness check` says why"


def test_a_netlist_that_swings_says_nothing_of_the_table(tmp_path: Path) -> None:
    found = of_small(tmp_path, small.RING_SIGNALS, small.RING_CELLS, "open,swing\n1,L\n")
    assert found.result is RehearsalResult.NOT_REHEARSED
    assert found.why == "a net of the netlist never becomes stable"


def test_a_table_without_an_end_in_sight_is_not_begun(tmp_path: Path) -> None:
    text = RAM.replace("\n", ",repeat\n") + "0,0x0,0,1,ZZZZ,,2000000000\n"
    found = rehearsed(tmp_path, text)
    assert found.why == "with its repeats the table is too long to be rehearsed"


def test_a_wire_without_gates_takes_time_too(tmp_path: Path) -> None:
    wire: small.Signals = {"d": ("input", ("in0",), [2]), "q": ("output", ("out0",), [2])}
    found = of_small(tmp_path, wire, [], "d,q,repeat\n1,H,200000000\n")
    assert found.why == "with its repeats the table is too long to be rehearsed"


def keys(cache: Path) -> set[str]:
    return {path.name for path in cache.iterdir()}


def test_nothing_is_worked_out_twice_and_whatever_changes_is_worked_out_again(
    tmp_path: Path,
) -> None:
    folder, text = tmp_path / "cache", RAM + WRITE + READ
    found = rehearsed(tmp_path, text)
    (key,) = keys(folder)
    forged = replace(found, states=77)
    Cache(folder).put(key, to_text(encode(forged)).encode())
    assert rehearsed(tmp_path, text) == forged
    assert rehearsed(tmp_path, RAM + WRITE + READ.replace("H", "L")).result == "fails"
    netlist = tmp_path / "netlist.json"
    original = demo.design("ram16x4").netlist
    assert original is not None
    netlist.write_bytes(original.read_bytes() + b"\n")
    assert other(tmp_path, netlist=netlist) == found
    assert len(keys(folder)) == 3


@pytest.mark.parametrize("damage", [b"", b"\0" * 60, b"{}"])
def test_a_damaged_entry_is_worked_out_again(tmp_path: Path, damage: bytes) -> None:
    folder, text = tmp_path / "cache", RAM + WRITE + READ
    found = rehearsed(tmp_path, text)
    (key,) = keys(folder)
    (folder / key).write_bytes(damage)
    assert rehearsed(tmp_path, text) == found
    Cache(folder).put(key, b'{"result": "passes", "colour": "red"}')
    assert rehearsed(tmp_path, text) == found
