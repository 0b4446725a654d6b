"""What an import says, and what it does with pins that both sides drive and without a clock."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.convert import Recipe, Sample, Wanted
from harness.errors import InputError
from tests.unit.convert.imports import imported
from tests.unit.shuttle.bench import DESIGN, write_files

WIDTHS = {"d": 4, "en": 1, "clk": 1, "rst_n": 1, "q": 4, "co": 1, "dq": 4, "wide": 4, "oe": 1}
IDS = dict(zip(WIDTHS, "!\"%&'()*+", strict=True))
ONE_WAY = DESIGN.replace('dq = "io3..io0"\n', "")
STILL = ONE_WAY.replace('clk = "clk"\nrst_n = "nreset"\n', "")


def vcd(folder: Path, text: str, without: str = "wide") -> Path:
    """Write a dump of scope ``tb.dut``; a line of ``text`` is a time and words ``name=value``."""
    lines = ["$timescale 1 ns $end", "$scope module tb $end", "$scope module dut $end"]
    there = [name for name in WIDTHS if name not in without.split()]
    lines += [f"$var wire {WIDTHS[name]} {IDS[name]} {name} $end" for name in there]
    lines += ["$upscope $end", "$upscope $end", "$enddefinitions $end"]
    for line in text.strip().splitlines():
        time, *changes = line.split()
        pairs = (change.partition("=") for change in changes)
        known = (f"b{value} {IDS[name]}" for name, _, value in pairs if name in there)
        lines += [f"#{time}", *known]
    dump = folder / "seen.vcd"
    dump.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return dump


def clocked(cycles: int, **changes: str) -> str:
    """A clock of reset, then cycles with changes ``before1`` and ``after1`` of their edges."""
    lines = ["0 clk=0 rst_n=0 en=0 d=0 oe=0", "10 clk=1 q=0 co=0", "20 clk=0"]
    for k in range(1, cycles + 1):
        lines.append(f"{20 * k + 5} rst_n=1 {changes.get(f'before{k}', '')}")
        lines.append(f"{20 * k + 10} clk=1")
        lines.append(f"{20 * k + 11} {changes.get(f'after{k}', '')}")
        lines.append(f"{20 * k + 20} clk=0")
    return "\n".join(lines)


def design_of(folder: Path, text: str) -> Path:
    return write_files(folder, design=text).design_file.parent


def lines_of(table: Path) -> list[str]:
    return table.read_text("utf-8").splitlines()


TAKING_TURNS = clocked(
    4, before1="oe=1 dq=1010", before2="oe=0 dq=zzzz", after2="dq=1100", after3="dq=11x0"
)


def test_a_bidirectional_bus_is_driven_while_the_bench_does_and_else_tested(tmp_path: Path) -> None:
    design = design_of(tmp_path, DESIGN)
    done = imported(vcd(tmp_path, TAKING_TURNS), design, Wanted(driven=["dq=oe"]))
    assert lines_of(done.path) == [
        "# imported from seen.vcd, scope tb.dut",
        "# sampled by the rule pulses; rising edge of the clock",
        "# the bench's reset of 1 clock is left to the board: reset_cycles",
        "d,en,clk,rst_n,q,co,dq,repeat,label,note",
        "0000,0,C,1,LLLL,L,1010,,,",
        "0000,0,0,1,LLLL,L,ZZZZ,,,",
        "0000,0,C,1,LLLL,L,HHLL,,,",
        "0000,0,C,1,LLLL,L,HHXL,2,,",
    ]
    assert done.notices == ("wide is not in the dump and not tested",)


@pytest.mark.parametrize(
    ("driven", "cells"),
    [
        ("dq=!oe", ["0000", "HLHL", "HLHL", "0000", "1100"]),
        ("dq=never", ["HLHL", "ZZZZ", "HHLL", "HHXL"]),
        ("dq=tb.dut.oe", ["1010", "ZZZZ", "HHLL", "HHXL"]),
    ],
)
def test_the_driver_may_be_low_active_or_nobody(
    driven: str, cells: list[str], tmp_path: Path
) -> None:
    dump = vcd(tmp_path, TAKING_TURNS)
    done = imported(dump, design_of(tmp_path, DESIGN), Wanted(driven=[driven]))
    rows = [line.split(",") for line in lines_of(done.path) if line[0] != "#"]
    at = rows[0].index("dq")
    assert [row[at] for row in rows[1:]] == cells


@pytest.mark.parametrize("sample", Sample)
def test_without_a_clock_each_settled_change_of_inputs_is_a_row(
    sample: Sample, tmp_path: Path
) -> None:
    text = "0 d=0 en=0\n5 q=0 co=0\n10 d=1\n12 q=11\n13 q=1\n20 en=1\n21 co=1\n22 co=0\n23 co=1"
    dump = vcd(tmp_path, text + "\n30 d=1\n40 d=1111\n41 q=1111")
    done = imported(dump, design_of(tmp_path, STILL), recipe=Recipe(sample))
    assert lines_of(done.path) == [
        "# imported from seen.vcd, scope tb.dut",
        f"# sampled by the rule {sample}",
        "d,en,q,co,repeat,label,note",
        "0000,0,LLLL,L,,,",
        "0001,0,LLLH,L,,,",
        "0001,1,LLLH,H,,,",
        "1111,1,HHHH,H,,,",
    ]
    assert done.notices == (
        "wide is not in the dump and not tested",
        (
            "q[1] (pin out1) changes more than once within 1 row, first at 13 x 1 ns: "
            "a table tests only where it ends"
        ),
        (
            "co (pin out4) changes more than once within 1 row, first at 23 x 1 ns: "
            "a table tests only where it ends"
        ),
    )


def test_a_design_that_the_chips_reset_pin_does_not_reset_is_not_reset_by_the_board(
    tmp_path: Path,
) -> None:
    design = design_of(tmp_path, STILL)
    imported(vcd(tmp_path, "0 d=0 en=0\n5 q=0 co=0\n10 d=1"), design)
    assert "\nreset_cycles = 0\n" in (design / "design.toml").read_text("utf-8")


def test_a_design_that_the_bench_does_not_reset_is_reset_by_the_board(tmp_path: Path) -> None:
    design = design_of(tmp_path, DESIGN)
    dump = vcd(tmp_path, clocked(4, before1="en=1"))
    done = imported(dump, design, Wanted(signals=["rst_n=1"], driven=["dq=never"]))
    assert "the bench does not reset the design; the board does, before the first row" in (
        done.notices
    )
    assert "reset_cycles" not in (design / "design.toml").read_text("utf-8")


def test_until_is_suggested_where_the_bench_waits_for_a_flag(tmp_path: Path) -> None:
    dump = vcd(tmp_path, clocked(12, before1="en=1", after8="co=1", before9="en=0"))
    done = imported(dump, design_of(tmp_path, ONE_WAY))
    assert lines_of(done.path)[4:] == [
        "0000,1,C,1,LLLL,L,7,,",
        "0000,1,C,1,LLLL,H,,,",
        "0000,0,C,1,LLLL,H,4,,",
    ]
    assert done.notices[1:] == (
        (
            "line 5: the bench waits 7 cycles here until co is H; if the chip may take another "
            'time, replace lines 5 and 6 by one with co H and "until 14" in repeat'
        ),
    )


def test_no_wait_is_seen_where_inputs_change_or_more_than_a_flag_answers(tmp_path: Path) -> None:
    dump = vcd(tmp_path, clocked(12, after6="co=1 q=1", before10="en=1", after10="co=0"))
    done = imported(dump, design_of(tmp_path, ONE_WAY))
    assert done.notices == ("wide is not in the dump and not tested",)


def test_parts_of_variables_bits_and_numbers_are_mapped(tmp_path: Path) -> None:
    dump = vcd(tmp_path, clocked(2, before1="dq=1010"), "wide d en q")
    shown: list[str] = []
    signals = ["en=dq[3]", "d=0xC", "q[3]=co", "q[2]=tb.dut.oe", "q[1]=dq[1]", "q[0]=dq[0]"]
    done = imported(dump, design_of(tmp_path, ONE_WAY), Wanted(signals=signals), shown=shown)
    assert shown == [
        "scope tb.dut of seen.vcd",
        "d      in3..in0        held at 1100",
        "en     in4             tb.dut.dq[3]",
        "clk    clk             tb.dut.clk",
        "rst_n  nreset          tb.dut.rst_n",
        "q      out3..out0      tb.dut.co, tb.dut.oe, tb.dut.dq[1], tb.dut.dq[0]",
        "co     out4            tb.dut.co",
        "wide   out8..out5      not in the dump: not tested",
    ]
    assert lines_of(done.path)[-1] == "1100,1,C,1,LLHL,L,2,,"


NAMES: dict[str, tuple[str, Wanted, list[str]]] = {
    "scope": (
        ONE_WAY,
        Wanted(scope="tb.dat"),
        [
            (
                'error [unknown-scope] the dump has no scope "tb.dat"; the nearest are tb.dut; '
                "correct the name"
            )
        ],
    ),
    "signals": (
        ONE_WAY,
        Wanted(signals=["enn=1", "en", "d[4]=1"]),
        [
            (
                'error [unknown-signal] --map enn=1: the design has no signal "enn"; the nearest '
                "are en; correct the name"
            ),
            "error [no-value] --map en: say what en is; write NAME=SIGNAL",
            (
                'error [unknown-signal] --map d[4]=1: the design has no signal "d[4]"; '
                "correct the name"
            ),
        ],
    ),
    "variables": (
        ONE_WAY,
        Wanted(signals=["en=tb.dut.onn", "d=q[4:1]", "co=q"]),
        [
            (
                'error [unknown-variable] --map en=tb.dut.onn: the dump has no "tb.dut.onn"; '
                "the nearest are tb.dut.oe, tb.dut.en, tb.dut.co; correct the name"
            ),
            'error [unknown-variable] --map d=q[4:1]: the dump has no "q[4:1]"; correct the name',
            "error [width-differs] --map co=q: q has 4 bits, the signal 1 pin; correct the name",
        ],
    ),
    "numbers": (
        ONE_WAY,
        Wanted(signals=["en=2", "d=0x10", "d[1]=1"]),
        [
            (
                "error [width-differs] --map en=2: the number does not fit in 1 pin; "
                "correct the number"
            ),
            (
                "error [width-differs] --map d=0x10: the number does not fit in 4 pins; "
                "correct the number"
            ),
            "error [named-twice] --map d[1]=1: d[1] is mapped already; map it once",
        ],
    ),
    "drivers": (
        DESIGN,
        Wanted(driven=["q=oe", "dq=oo"]),
        [
            'error [not-bidirectional] --driven q=oe: "q" is not bidirectional; correct the name',
            (
                'error [unknown-variable] --driven dq=oo: the dump has no one-bit "oo"; '
                "correct the name"
            ),
        ],
    ),
    "no driver": (
        DESIGN,
        Wanted(),
        [
            (
                'error [driver-unknown] "dq" is bidirectional, and a dump does not say who drives '
                "it; name the signal that is 1 while the testbench does: --driven dq=SIGNAL "
                "(0: !SIGNAL), or dq=never"
            )
        ],
    ),
    "nothing driven": (
        DESIGN,
        Wanted(driven=["dq"]),
        ["error [no-value] --driven dq: say who drives dq; write NAME=SIGNAL"],
    ),
    "clock": (
        ONE_WAY,
        Wanted(clock="enn"),
        [
            (
                'error [not-a-clock] --clock enn: the design has no input "enn" of one pin; '
                "the nearest are en; correct the name"
            )
        ],
    ),
    "a wide clock": (
        ONE_WAY,
        Wanted(clock="d"),
        ['error [not-a-clock] --clock d: the design has no input "d" of one pin; correct the name'],
    ),
}


@pytest.mark.parametrize("kind", NAMES)
def test_names_that_do_not_exist_are_refused_all_at_once(kind: str, tmp_path: Path) -> None:
    design, wanted, told = NAMES[kind]
    dump = vcd(tmp_path, clocked(2))
    with pytest.raises(InputError) as caught:
        imported(dump, design_of(tmp_path, design), wanted)
    assert str(caught.value).splitlines() == [f"{dump}: {line}" for line in told]


def test_signals_that_are_not_in_the_dump_are_named(tmp_path: Path) -> None:
    dump = vcd(tmp_path, clocked(2), "d clk q co wide")
    with pytest.raises(InputError) as caught:
        imported(dump, design_of(tmp_path, ONE_WAY))
    assert str(caught.value).splitlines() == [
        (
            f'{dump}: error [signal-not-found] scope tb.dut has no variable "d" of 4 bits; the '
            "nearest are dq; name it with --map d=SIGNAL, or hold it with --map d=0"
        ),
        (
            f'{dump}: error [signal-not-found] scope tb.dut has no variable "clk" of 1 bit; '
            "name it with --map clk=SIGNAL, or hold it with --map clk=0"
        ),
        (
            f"{dump}: error [no-outputs] no output of the design was found, so nothing is tested; "
            "correct the name"
        ),
    ]
