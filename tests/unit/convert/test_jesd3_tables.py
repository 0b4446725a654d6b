"""Tables as JESD3 files and back: which pin is which, and what neither side can express."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.convert import (
    conditions,
    jesd3_bytes,
    jesd3_pattern,
    named_pins,
    numbered_pins,
    pin_lines,
    pin_numbers,
    read_jesd3,
)
from harness.convert.jesd3_frame import framed
from harness.errors import ConfigError, InputError, TableError
from harness.shuttle import Design, TableSpec
from harness.table import PLANES, Pattern, check_table
from harness.table.symbols import Column, read_cell
from tests.unit.table.tables import Desk, make_desk


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return make_desk(tmp_path_factory.mktemp("desk"))


def exported(desk: Desk, text: str, numbers: str = "", **latency: int) -> list[str]:
    """Fields of the file that a table makes, without the comments that name pins."""
    data = jesd3_of(desk, text, numbers, **latency)
    fields = data[1 : data.index(3)].decode("ascii").replace("\r\n", "\n").split("*\n")
    return [field for field in fields[1:-1] if not field.startswith("N pin ")]


def jesd3_of(desk: Desk, text: str, numbers: str = "", **latency: int) -> bytes:
    spec = desk.spec(text, "t.csv", latency)
    pattern, findings = check_table(spec, desk.design, desk.shuttle)
    assert pattern is not None
    assert findings == []
    rows = conditions(pattern, spec, desk.design, desk.shuttle)
    given = pin_numbers(numbers.split(), desk.design, desk.shuttle)
    return jesd3_bytes(rows, spec, numbered_pins(given, desk.design, desk.shuttle))


def imported(desk: Desk, data: bytes, numbers: str = "") -> Pattern:
    file, findings = read_jesd3(data, Path("part.jed"))
    assert file is not None
    assert findings == []
    given = pin_numbers(numbers.split(), desk.design, desk.shuttle)
    pins = named_pins(file, given, desk.design, desk.shuttle)
    return jesd3_pattern(file, pins, desk.design, desk.shuttle)


def test_a_table_is_a_vector_for_each_cycle_with_its_reset_first(desk: Desk) -> None:
    text = "clk,rst_n,d,q,dq,repeat,label\nC,1,5,10,01HL,,load\nK,1,F,HXLZ,ZZXX,2,\n"
    # in0..in8 (d is in3..in0), out0..out8 (q is out3..out0), io0..io3 (dq is io3..io0), clk, nreset
    assert exported(desk, text) == [
        "QP24",
        "QV5",
        "N reset",
        "V0001 000000000NNNNNNNNNFFFFC0",
        "V0002 000000000NNNNNNNNNFFFFC0",
        "N load",
        "V0003 101000000LHLHNNNNNLH10C1",
        "V0004 FFFF00000ZLNHNNNNNFFZZK1",
        "V0005 FFFF00000ZLNHNNNNNFFZZK1",
    ]


def test_a_late_value_is_tested_in_the_vector_in_which_it_comes(desk: Desk) -> None:
    fields = exported(desk, "clk,co\nC,H\nC,L\n", co=1)
    assert [field[-24:][13] for field in fields[5:]] == ["N", "H", "L"]


def test_pins_have_the_numbers_that_they_are_given(desk: Desk) -> None:
    numbers = "clk=1 rst_n=2 en=3 co=4 -=9"
    rest = " d=13..10 q=23,22,21,20 dq=33..30 wide=43..40"
    fields = exported(desk, "clk,co,en\nC,H,1\n", numbers + rest)
    assert (fields[0], fields[-1][:18]) == ("QP43", "V0003 C11HNNNNN000")
    with pytest.raises(ConfigError, match=r"pins of the design have no number: d\[0\], d\[1\]"):
        exported(desk, "clk,co,en\nC,H,1\n", numbers)


def test_what_the_format_cannot_express_is_refused_by_line(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(TableError) as refused:
        exported(desk, "clk,co,repeat\nC,H,until 5\nC,L,\nC,H,until 7\n")
    lines = [str(found).split("t.csv:")[1] for found in refused.value.findings]
    assert lines == [
        f'{line}: error [until-not-in-jesd3] "until {count}" cannot be written: JESD3 has no '
        "vector that waits; write a count, or export STIL"
        for line, count in ((2, 5), (4, 7))
    ]
    monkeypatch.setattr("harness.convert.jesd3_write.MAX_VECTORS", 10)
    with pytest.raises(TableError, match=r":3: error \[too-many-cycles\] the table has 13 cycles"):
        exported(desk, "clk,co,repeat\nC,H,2\nC,L,9\n")


NUMBERS = {
    "no number": ("clk=", "--map clk=: no pin numbers; write it as in clk=1 or d=5..2"),
    "number 0": ("clk=0", "--map clk=0: no pin numbers; write it as in clk=1 or d=5..2"),
    "a huge range": (
        "d=1..9999",
        "--map d=1..9999: no pin numbers; write it as in clk=1 or d=5..2",
    ),
    "a name that is none": (
        "q[9]=1",
        '--map q[9]=1: design "count" has no pin "q[9]"; did you mean "q[3]"?',
    ),
    "too few numbers": (
        "d=5..3",
        '--map d=5..3: "d" has 4 pins, and 3 are numbered; number each, most significant first',
    ),
    "one pin by two names": (
        "d=4..1 in3=7",
        "--map in3=7: a pin occurs twice; name and number each pin once",
    ),
    "one number for two pins": (
        "d=4..1 en=4",
        "--map en=4: a pin occurs twice; name and number each pin once",
    ),
}


@pytest.mark.parametrize(("texts", "message"), NUMBERS.values(), ids=NUMBERS)
def test_pin_numbers_that_cannot_be_read_are_refused(desk: Desk, texts: str, message: str) -> None:
    with pytest.raises(ConfigError) as refused:
        pin_numbers(texts.split(), desk.design, desk.shuttle)
    (found,) = refused.value.findings
    assert f"{found.message}; {found.advice}" == message


def test_numbers_that_are_given_count_more_than_the_comments_of_a_file(desk: Desk) -> None:
    data = framed(b"x*\nN pin 1 = en*N pin 2 = co*N pin 3 = other*N pin 4 = clk*F0*V1 0HCX*")
    file, _ = read_jesd3(data, Path("part.jed"))
    assert file is not None
    given = pin_numbers(["clk=3", "rst_n=2"], desk.design, desk.shuttle)
    pins = named_pins(file, given, desk.design, desk.shuttle)
    names = {number: pin.name for number, pin in pins.items() if pin is not None}
    assert names == {1: "in4", 2: "nreset", 3: "clk"}
    lines = list(pin_lines({**pins, 4: None}, desk.design))
    assert lines[1:4] == ["en     pin 1", "clk    pin 3", "rst_n  pin 2"]
    assert (lines[4], lines[-1]) == ("q      not in the file", "left out: pin 4")


def told(desk: Desk, vectors: str, numbers: str) -> list[str]:
    """Findings of an import, without folders and the name of the file."""
    with pytest.raises(InputError) as refused:
        imported(desk, framed(f"x*\n{vectors}".encode()), numbers)
    lines = [str(found).removeprefix("part.jed:").lstrip() for found in refused.value.findings]
    return [line.replace(str(desk.design.folder), "count") for line in lines]


WRONG = {
    "pins without names": (
        ("V1 0XHN*V2 01HF*", "en=1"),
        (
            "error [pin-without-name] pins that are driven or tested have no name: 2, 3; "
            "name each with --map SIGNAL=NUMBER, or leave it out with -=NUMBER"
        ),
    ),
    "a pin that is not there": (
        ("V1 0H*", "en=1 co=2 clk=3"),
        "error [unknown-pin] the file has no pin 3; name only pins that it has",
    ),
    "a test of an input": (
        ("V1 0H*\nV2 HH*", "en=1 co=2"),
        (
            '3:1: error [symbol-not-allowed] "H" is not allowed on pin 1: "in4" is an '
            "input; name another pin of the chip, or leave it out with -=1"
        ),
    ),
    "a pulse on an output": (
        ("V1 CH*", "co=1 q[1]=2"),
        (
            '2:1: error [symbol-not-allowed] "C" is not allowed on pin 1: "out4" is an '
            "output; name another pin of the chip, or leave it out with -=1"
        ),
    ),
    "a pin of another design": (
        ("V1 0H*\nV2 1H*", "in8=1 co=2"),
        (
            '3:1: error [symbol-not-allowed] "1" is not allowed on pin 1: "in8" is not used '
            "by the design and rests at 0; name another pin of the chip, or leave it out with -=1"
        ),
    ),
    "no test": (
        ("V1 0H*", "en=1 -=2"),
        (
            "error [nothing-tested] no vector tests a pin that has a name, so no chip could "
            "fail; name the outputs"
        ),
    ),
}


@pytest.mark.parametrize(("given", "message"), WRONG.values(), ids=WRONG)
def test_a_file_that_does_not_fit_the_design_is_refused(
    desk: Desk, given: tuple[str, str], message: str
) -> None:
    assert told(desk, *given) == [message]


def test_x_on_an_input_is_the_default_level_of_the_file_or_the_shuttle(desk: Desk) -> None:
    vectors, numbers = "V1 XXHX*", "en=1 rst_n=2 co=3 dq[0]=4"
    bits = desk.mask("en"), desk.mask("rst_n")
    for field, levels in (("", bits[1]), ("X0*", 0), ("X1*", bits[0] | bits[1])):
        pattern = imported(desk, framed(f"x*\n{field}{vectors}".encode()), numbers)
        assert (pattern.enable[0], pattern.drive[0]) == (sum(bits), levels)


def test_a_bus_of_which_every_bit_is_named_is_one_column(desk: Desk) -> None:
    numbers = "d=1..4 q[2]=5 co=6"
    pattern = imported(desk, framed(b"x*\nN start*V1 0101HL*"), numbers)
    assert [bus.name for bus in pattern.signals] == ["d", "q[2]", "co"]
    assert desk.value(int(pattern.drive[0]), "d") == 5
    assert (pattern.expect[0], pattern.labels) == (desk.mask("q") & 0b100 << 9, {0: "start"})


CELLS = {
    "clk": "01CKFXN",
    "rst_n": "01XF",
    "d": "01CKFXN",
    "en": "01",
    "q": "HLZFXN",
    "co": "HLZ",
    "dq": "01CKHLZFXN",
}


LABELS = ["", "", "wrap", "a * star", "pin 1 = x", "grün"]


@st.composite
def patterns(draw: st.DrawFn, design: Design) -> Pattern:
    """Any table of some of the signals, symbol by symbol, with labels and repeats."""
    names = draw(st.lists(st.sampled_from(list(CELLS)), min_size=1, unique=True))
    signals = [design.signals_by_name[name] for name in names]
    rows: list[dict[str, int]] = []
    for _ in range(draw(st.integers(1, 8))):
        words = dict.fromkeys(PLANES, 0)
        for bus in signals:
            symbols = st.sampled_from(CELLS[bus.name])
            cell = "".join(draw(st.lists(symbols, min_size=bus.width, max_size=bus.width)))
            meaning = read_cell(cell, Column(bus))
            words = {name: word | getattr(meaning, name) for name, word in words.items()}
        rows.append(words | {"repeat": draw(st.sampled_from([1, 1, 3]))})
    arrays = {name: np.array([row[name] for row in rows], np.uint32) for name in rows[0]}
    arrays["care"][0] |= design.signals_by_name["wide"].mask
    labels = {row: text for row in range(len(rows)) if (text := draw(st.sampled_from(LABELS)))}
    return replace(Pattern.of((*signals, design.signals_by_name["wide"]), **arrays), labels=labels)


@given(data=st.data(), reset=st.integers(0, 3))
def test_a_table_comes_back_as_the_same_pattern(
    desk: Desk, data: st.DataObject, reset: int
) -> None:
    pattern = data.draw(patterns(desk.design))
    spec = TableSpec("r", Path("r.csv"), 1000.0, reset_cycles=reset)
    rows = conditions(pattern, spec, desk.design, desk.shuttle)
    numbers = numbered_pins({}, desk.design, desk.shuttle)
    back = imported(desk, jesd3_bytes(rows, spec, numbers))
    sent = pattern.with_rest(*desk.shuttle.rest_levels)
    own = np.uint32(sum(signal.mask for signal in desk.design.signals))
    for name in PLANES:
        expected = np.repeat(getattr(sent, name) & own, pattern.repeat)
        assert np.array_equal(getattr(back, name)[reset:], expected), name
    assert (back.drive[:reset] & desk.mask("rst_n")).tolist() == [0] * reset
    assert len(back.labels) == len(pattern.labels) + bool(reset)
