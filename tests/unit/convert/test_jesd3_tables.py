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
    find_pins,
    jesd3_bytes,
    jesd3_pattern,
    named_pins,
    numbered_pins,
    read_jesd3,
    read_pin_numbers,
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
    names = read_pin_numbers(numbers)
    return jesd3_bytes(rows, spec, numbered_pins(names, desk.design, desk.shuttle))


def imported(desk: Desk, data: bytes, numbers: str = "") -> Pattern:
    file, findings = read_jesd3(data, Path("part.jed"))
    assert file is not None
    assert findings == []
    names = named_pins(file) | read_pin_numbers(numbers)
    return jesd3_pattern(
        file, find_pins(names, desk.design, desk.shuttle), desk.design, desk.shuttle
    )


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
    numbers = "1=clk,2=rst_n,3=en,4=co"
    rest = "".join(f",{10 + k}=in{k},{20 + k}=q[{k}],{30 + k}=dq[{k}]" for k in range(4))
    rest += "".join(f",{40 + k}=wide[{k}]" for k in range(4)) + ",9=-"
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


NAMES = {
    "no number": ("x=clk", '"x=clk" is not a pin number and a name, such as 3=d[0]'),
    "number 0": ("0=clk", '"0=clk" is not a pin number and a name, such as 3=d[0]'),
    "no name": ("1=", '"1=" is not a pin number and a name, such as 3=d[0]'),
    "twice": ("1=clk,1=co", "pin 1 is named twice"),
}


@pytest.mark.parametrize(("text", "message"), NAMES.values(), ids=NAMES)
def test_a_list_of_numbers_that_cannot_be_read_is_refused(text: str, message: str) -> None:
    with pytest.raises(ValueError) as refused:  # noqa: PT011 - the whole text is compared
        read_pin_numbers(text)
    assert str(refused.value) == message


def told(desk: Desk, vectors: str, numbers: str) -> list[str]:
    """Findings of an import, without folders and the name of the file."""
    with pytest.raises(InputError) as refused:
        imported(desk, framed(f"x*\n{vectors}".encode()), numbers)
    lines = [str(found).removeprefix("part.jed:").lstrip() for found in refused.value.findings]
    return [line.replace(str(desk.design.folder), "count") for line in lines]


WRONG = {
    "pins without names": (
        ("V1 0XHN*V2 01HF*", "1=en"),
        (
            "error [pin-without-name] pins that are driven or tested have no name: 2, 3; "
            "name each, as in 2=SIGNAL, or leave it out with - as name"
        ),
    ),
    "a name that is none": (
        ("V1 0H*", "1=en,2=q[9]"),
        'count: error [unknown-pin] pin 2: design "count" has no pin "q[9]"; did you mean "q[3]"?',
    ),
    "a whole bus": (
        ("V1 0H*", "1=en,2=q"),
        (
            'count: error [unknown-pin] pin 2: design "count" has no pin "q"; '
            "name one bit of it, such as q[0]"
        ),
    ),
    "one pin by two names": (
        ("V1 0H*", "1=d[3],2=in3"),
        'count: error [doubled-pin] pin 2: "in3" already has another number; name it once',
    ),
    "a pin that is not there": (
        ("V1 0H*", "1=en,2=co,3=clk"),
        "error [unknown-pin] the file has no pin 3; name only pins that it has",
    ),
    "a test of an input": (
        ("V1 0H*\nV2 HH*", "1=en,2=co"),
        (
            '3:1: error [symbol-not-allowed] "H" is not allowed on pin 1: "in4" is an '
            "input; name another pin of the chip, or leave it out with 1=-"
        ),
    ),
    "a pulse on an output": (
        ("V1 CH*", "1=co,2=q[1]"),
        (
            '2:1: error [symbol-not-allowed] "C" is not allowed on pin 1: "out4" is an '
            "output; name another pin of the chip, or leave it out with 1=-"
        ),
    ),
    "a pin of another design": (
        ("V1 0H*\nV2 1H*", "1=in8,2=co"),
        (
            '3:1: error [symbol-not-allowed] "1" is not allowed on pin 1: "in8" is not used '
            "by the design and rests at 0; name another pin of the chip, or leave it out with 1=-"
        ),
    ),
    "no test": (
        ("V1 0H*", "1=en,2=-"),
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
    vectors, numbers = "V1 XXHX*", "1=en,2=rst_n,3=co,4=dq[0]"
    bits = desk.mask("en"), desk.mask("rst_n")
    for field, levels in (("", bits[1]), ("X0*", 0), ("X1*", bits[0] | bits[1])):
        pattern = imported(desk, framed(f"x*\n{field}{vectors}".encode()), numbers)
        assert (pattern.enable[0], pattern.drive[0]) == (sum(bits), levels)


def test_a_bus_of_which_every_bit_is_named_is_one_column(desk: Desk) -> None:
    numbers = "4=d[0],3=d[1],2=d[2],1=d[3],5=q[2],6=co"
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
