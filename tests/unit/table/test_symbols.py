"""One cell: every symbol on every direction (JESD3 test conditions), numbers, refusals."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.shuttle import Bus, Direction, Pin
from harness.table.symbols import PLANES, Column, Meaning, Refusal, plain_number, read_cell

IN, OUT, IO = Direction.INPUT, Direction.OUTPUT, Direction.BIDIRECTIONAL


def column(direction: Direction, width: int, default: int = 0) -> Column:
    """Pins 0 to width-1, most significant first."""
    pins = tuple(Pin(f"p{bit}", direction, bit) for bit in reversed(range(width)))
    return Column(Bus("s", pins, direction), default)


def read(text: str, direction: Direction, width: int = 1, default: int = 0) -> Meaning:
    meaning = read_cell(text, column(direction, width, default))
    assert isinstance(meaning, Meaning), meaning
    return meaning


def refused(text: str, direction: Direction, width: int = 1) -> str:
    refusal = read_cell(text, column(direction, width))
    assert isinstance(refusal, Refusal), refusal
    return refusal.rule


# drive, enable, pulse, expect, care, highz; None: refused
CONDITIONS: list[tuple[str, tuple[int, ...] | None, tuple[int, ...] | None, tuple[int, ...]]] = [
    # symbol, input, output, bidirectional
    ("0", (0, 1, 0, 0, 0, 0), None, (0, 1, 0, 0, 0, 0)),
    ("1", (1, 1, 0, 0, 0, 0), None, (1, 1, 0, 0, 0, 0)),
    ("C", (0, 1, 1, 0, 0, 0), None, (0, 1, 1, 0, 0, 0)),
    ("K", (1, 1, 1, 0, 0, 0), None, (1, 1, 1, 0, 0, 0)),
    ("H", None, (0, 0, 0, 1, 1, 0), (0, 0, 0, 1, 1, 0)),
    ("L", None, (0, 0, 0, 0, 1, 0), (0, 0, 0, 0, 1, 0)),
    ("Z", None, (0, 0, 0, 0, 0, 1), (0, 0, 0, 0, 0, 1)),
    ("F", (0,) * 6, (0,) * 6, (0,) * 6),
    ("N", (0,) * 6, (0,) * 6, (0,) * 6),
    ("X", (0, 1, 0, 0, 0, 0), (0,) * 6, (0,) * 6),
]


def words(meaning: Meaning) -> tuple[int, ...]:
    return (
        meaning.drive,
        meaning.enable,
        meaning.pulse,
        meaning.expect,
        meaning.care,
        meaning.highz,
    )


@pytest.mark.parametrize("condition", CONDITIONS, ids=[row[0] for row in CONDITIONS])
def test_every_jesd3_condition_on_every_direction(
    condition: tuple[str, tuple[int, ...] | None, tuple[int, ...] | None, tuple[int, ...]],
) -> None:
    symbol, *expected = condition
    for direction, wanted in zip((IN, OUT, IO), expected, strict=True):
        for text in (symbol, symbol.lower(), f" {symbol} "):
            if wanted is None:
                assert refused(text, direction) == "symbol-not-allowed"
            else:
                assert words(read(text, direction)) == wanted


@pytest.mark.parametrize("symbol", "23456789BP")
def test_supervoltage_and_preload_are_refused(symbol: str) -> None:
    assert refused(symbol, IN) == "unsupported-symbol"
    assert refused(f"0C{symbol}B", IN, 4) == "unsupported-symbol"


def test_x_on_an_input_is_its_default_level() -> None:
    assert words(read("X", IN, default=1))[:2] == (1, 1)
    assert words(read("0bx01x", IN, 4, default=0b1111))[:2] == (0b1011, 0b1111)


def test_an_empty_cell_is_held_only_on_an_input() -> None:
    assert read(" ", IN).held
    assert read("", OUT) == read("", IO) == Meaning(**dict.fromkeys(PLANES, 0), held=False)


@pytest.mark.parametrize("text", ["11", "0xB", "0b1011", "1011", "0b10_11", "10_11", "0x0B"])
def test_a_number_on_an_input_drives_and_on_an_output_tests(text: str) -> None:
    assert words(read(text, IN, 4)) == (11, 15, 0, 0, 0, 0)
    assert words(read(text, IO, 4)) == (11, 15, 0, 0, 0, 0)
    if text.replace("_", "") != "1011":
        assert words(read(text, OUT, 4)) == (0, 0, 0, 11, 15, 0)


@pytest.mark.parametrize(
    ("text", "width", "value"),
    [("10", 2, 2), ("10", 4, 10), ("01", 2, 1), ("0010", 4, 2), ("1111", 4, 15), ("1", 4, 1)],
)
def test_as_many_symbols_as_pins_are_symbols(text: str, width: int, value: int) -> None:
    assert read(text, IN, width).drive == value


@given(st.integers(2, 32), st.data())
def test_no_decimal_that_fits_has_as_many_digits_as_pins(width: int, data: st.DataObject) -> None:
    """The ground of the rule that tells numbers from symbols."""
    value = data.draw(st.integers(0, (1 << width) - 1))
    assert len(str(value)) < width or width < 2


@given(st.integers(1, 32), st.data(), st.sampled_from(["{}", "0x{:x}", "0x{:X}", "0b{:b}"]))
def test_every_number_that_fits_is_read_back(width: int, data: st.DataObject, form: str) -> None:
    value = data.draw(st.integers(0, (1 << width) - 1))
    text = form.format(value)
    assert read(text, IN, width).drive == value
    if width > 1:
        assert read(text, OUT, width).expect == value
        assert plain_number(text) == value


@given(st.text(st.sampled_from("01CKHLZFXN"), min_size=1, max_size=12))
def test_symbols_on_a_bidirectional_bus_are_read_pin_by_pin(text: str) -> None:
    if text.startswith(("0x", "0b")):
        return
    whole = words(read(text, IO, len(text)))
    for index, symbol in enumerate(reversed(text)):
        alone = words(read(symbol, IO))
        assert tuple(word >> index & 1 for word in whole) == alone


def test_masks_in_numbers() -> None:
    assert words(read("0b1x0z", OUT, 4)) == (0, 0, 0, 8, 10, 1)
    assert words(read("0x5x", OUT, 8)) == (0, 0, 0, 0x50, 0xF0, 0)
    assert words(read("0xx5", OUT, 6)) == (0, 0, 0, 5, 15, 0)
    assert words(read("0b1xx0", IO, 4))[:2] == (8, 9)


@pytest.mark.parametrize("symbol", "XZFN")
def test_one_symbol_stands_for_the_whole_bus(symbol: str) -> None:
    assert words(read(symbol, OUT, 3)) == words(read(symbol * 3, OUT, 3))


@pytest.mark.parametrize(
    ("text", "direction", "width", "rule"),
    [
        ("16", IN, 4, "number-too-wide"),
        ("0x1F", IN, 4, "number-too-wide"),
        ("0b10000", IN, 4, "number-too-wide"),
        ("99999999999999999999", IN, 32, "number-too-wide"),
        ("010", IN, 4, "leading-zero"),
        ("00", IN, 4, "leading-zero"),
        ("1010", OUT, 4, "symbol-not-allowed"),
        ("0", OUT, 1, "symbol-not-allowed"),
        ("0b1", OUT, 1, "symbol-not-allowed"),
        ("0bx", OUT, 1, "symbol-not-allowed"),
        ("0b1z", IN, 2, "symbol-not-allowed"),
        ("0b1z", IO, 2, "symbol-not-allowed"),
        ("0bx1", OUT, 4, "short-number"),
        ("0xG", IN, 4, "bad-number"),
        ("0x", IN, 4, "bad-number"),
        ("0b_", IN, 4, "bad-number"),
        ("HLH", OUT, 4, "wrong-symbol-count"),
        ("HLHLH", OUT, 4, "wrong-symbol-count"),
        ("hello", OUT, 4, "unknown-symbol"),
        ("-1", IN, 4, "unknown-symbol"),
        ("+1", IN, 4, "unknown-symbol"),
        ("1.5", IN, 4, "unknown-symbol"),
        ("1e3", IN, 10, "unknown-symbol"),
        ("٣", IN, 4, "unknown-symbol"),
        ("0X1Q", IN, 4, "unknown-symbol"),
        ("12", OUT, 1, "number-too-wide"),
        ("0b11", OUT, 1, "symbol-not-allowed"),
    ],
)
def test_a_cell_that_cannot_be_used_is_refused(
    text: str, direction: Direction, width: int, rule: str
) -> None:
    assert refused(text, direction, width) == rule


AS_SYMBOLS = "was read as one symbol for each pin, and"


@pytest.mark.parametrize(
    ("text", "direction", "width", "complaint"),
    [
        ("0", OUT, 1, '"0" drives a pin, but "s" is an output; write L to test for 0'),
        ("1", OUT, 1, '"1" drives a pin, but "s" is an output; write H to test for 1'),
        ("0x1", OUT, 1, '"0x1" drives a pin, but "s" is an output; write H to test for 1'),
        ("0b0", OUT, 1, '"0b0" drives a pin, but "s" is an output; write L to test for 0'),
        (
            "1011",
            OUT,
            4,
            (
                f'"1011" {AS_SYMBOLS} 0 and 1 drive, but "s" is an output; '
                "write HLHH or 0b1011 to test for these levels"
            ),
        ),
        (
            "1_XF",
            OUT,
            3,
            (
                f'"1_XF" {AS_SYMBOLS} 0 and 1 drive, but "s" is an output; '
                "write HXF to test for these levels"
            ),
        ),
        ("h", IN, 1, '"h" tests a pin, but "s" is an input; write 1 to drive it high'),
        ("L", IN, 1, '"L" tests a pin, but "s" is an input; write 0 to drive it low'),
        (
            "Z",
            IN,
            4,
            f'"Z" {AS_SYMBOLS} H, L and Z test, but "s" is an input; write F to leave it undriven',
        ),
        (
            "HLHC",
            IN,
            4,
            (
                f'"HLHC" {AS_SYMBOLS} H, L and Z test, but "s" is an input; '
                "write 101C to drive these levels"
            ),
        ),
        ("0X41", OUT, 8, '"0X41" is not a number: prefixes are in lower case; write 0x41'),
        ("0X41", IO, 8, '"0X41" is not a number: prefixes are in lower case; write 0x41'),
        ("0B1010", OUT, 6, '"0B1010" is not a number: prefixes are in lower case; write 0b1010'),
        ("0B1Z", OUT, 2, '"0B1Z" is not a number: prefixes are in lower case; write 0b1Z'),
        ("0o17", IN, 8, '"0o17" is not a number: octal is not read; write 0xf'),
        ("0O7_7", IN, 8, '"0O7_7" is not a number: octal is not read; write 0x3f'),
        ("8'h4F", OUT, 8, "\"8'h4F\" is not a number: Verilog's form is not read; write 0x4F"),
        (
            "4'b10xz",
            OUT,
            4,
            "\"4'b10xz\" is not a number: Verilog's form is not read; write 0b10xz",
        ),
        ("'d12", IN, 4, "\"'d12\" is not a number: Verilog's form is not read; write 12"),
        ("6'O17", IO, 4, "\"6'O17\" is not a number: Verilog's form is not read; write 15"),
    ],
)
def test_what_was_meant_is_proposed(
    text: str, direction: Direction, width: int, complaint: str
) -> None:
    refusal = read_cell(text, column(direction, width))
    assert isinstance(refusal, Refusal)
    assert f"{refusal.message}; {refusal.advice}" == complaint


@given(
    st.one_of(
        st.text(st.sampled_from("01CKHLZFXNBP_"), min_size=1, max_size=8),
        st.from_regex(r"(0[xXbBoO]|[0-9]?'[hbdo])[0-9a-fxz]{1,4}", fullmatch=True),
    ),
    st.sampled_from([IN, OUT, IO]),
    st.integers(1, 8),
)
def test_every_cell_that_is_proposed_can_be_used(
    text: str, direction: Direction, width: int
) -> None:
    refusal = read_cell(text, column(direction, width))
    if isinstance(refusal, Refusal):
        for match in re.finditer(r"^write ([0-9A-Z]\S*)(?: or (\S+))?", refusal.advice):
            for cell in filter(None, match.groups()):
                assert isinstance(read_cell(cell, column(direction, width)), Meaning), cell


@given(st.text(max_size=12), st.sampled_from([IN, OUT, IO]), st.integers(1, 32))
def test_every_text_is_read_or_refused(text: str, direction: Direction, width: int) -> None:
    assert isinstance(read_cell(text, column(direction, width)), Meaning | Refusal)


@given(st.text(st.sampled_from("01x0b29aAfFz_ é"), max_size=36))
def test_the_fast_reader_of_numbers_agrees_with_the_grammar(text: str) -> None:
    """What it reads as a number is that number to the grammar too."""
    value = plain_number(text)
    if 0 <= value < 1 << 32 and len(text.replace("_", "")) != 32:
        assert read(text, IN, 32).drive == value
