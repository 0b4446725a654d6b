"""What went over serial lines, decoded from the words that an outcome keeps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.convert import exchanges
from harness.records import (
    WINDOW_FIELDS,
    LongWindow,
    SerialInterface,
    SerialKind,
    packed_words,
)

UART = SerialInterface("console", SerialKind.UART, 4, tx="txd", rx="rxd", lsb_first=True)
I2C = SerialInterface("bus", SerialKind.I2C, 4, scl="scl", sda="sda")


def line(*characters: int, cycles: int = 4, stop: int = 1) -> list[int]:
    """Characters on a line as TIA/EIA-232 frames them: start 0, 8 bits lowest first, stop 1."""
    bits = [b for c in characters for b in (0, *(c >> k & 1 for k in range(8)), stop)]
    return [bit for bit in bits for _ in range(cycles)]


def window(
    signals: Sequence[str], columns: Mapping[str, Sequence[int]], first: int = 0
) -> LongWindow:
    count = len(next(iter(columns.values())))
    rest = {name: [0] * count for name in WINDOW_FIELDS}
    rest["line"] = list(range(2, count + 2))
    words = packed_words({**rest, **columns})
    return LongWindow(first, count, tuple(signals), tuple(signals), words, "")


def sent(expected: Sequence[int], seen: Sequence[int], first: int = 0) -> list[str]:
    """What is told of a chip that sends on ``txd``."""
    care = [1] * len(expected)
    kept = window(["txd"], {"expect": expected, "care": care, "seen": seen}, first)
    return [f"{'WRONG ' if one.wrong else ''}{one.text}" for one in exchanges(kept, [UART])]


REST = [1] * 6


def test_a_failing_uart_shows_the_byte_that_it_sent() -> None:
    assert sent([*REST, *line(0x55), *REST], [*REST, *line(0x54), *REST]) == [
        "WRONG console txd, cycle 6, line 8: expected 0x55 'U', observed 0x54 'T'"
    ]


def test_a_missing_stop_bit_is_told_with_its_cycle() -> None:
    assert sent([*REST, *line(0x55), *REST], [*REST, *line(0x54, stop=0), *REST]) == [
        (
            "WRONG console txd, cycle 6, line 8: expected 0x55 'U', observed 0x54 'T', "
            "no stop bit in cycle 44"
        )
    ]


def test_a_byte_that_comes_late_is_told_as_late() -> None:
    late = [*REST, *[1] * 3, *line(0x55), *[1] * 3]
    assert sent([*REST, *line(0x55), *REST], late) == [
        "WRONG console txd, cycle 6, line 8: expected 0x55 'U', observed 0x55 'U', 3 cycles late"
    ]


def test_a_silent_chip_and_one_that_speaks_out_of_turn() -> None:
    nothing = [1] * 52
    assert sent([*REST, *line(0x41), *REST], nothing) == [
        (
            "WRONG console txd, cycle 6, line 8: expected 0x41 'A', observed nothing, "
            "the line stays high"
        )
    ]
    assert sent(nothing, [*REST, *line(0x41), *REST]) == [
        "WRONG console txd, cycle 6, line 8: observed 0x41 'A'"
    ]


def test_what_the_table_does_not_test_is_shown_and_is_not_wrong() -> None:
    seen = [*REST, *line(0x41), *REST]
    kept = window(["txd"], {"expect": [0] * 52, "care": [0] * 52, "seen": seen})
    (one,) = exchanges(kept, [UART])
    assert (one.text, one.wrong) == ("console txd, cycle 6, line 8: observed 0x41 'A'", False)


def test_what_the_controller_sends_is_shown_too() -> None:
    driven = [*REST, *line(0x43), *REST]
    kept = window(["rxd"], {"drive": driven, "enable": [1] * 52})
    (one,) = exchanges(kept, [UART])
    assert (one.text, one.from_chip) == ("console rxd, cycle 6, line 8: observed 0x43 'C'", False)


@given(st.lists(st.integers(0, 255), min_size=8, max_size=12), st.integers(1, 39))
def test_a_window_that_begins_inside_a_stream_is_read_from_its_next_character(
    characters: list[int], cut: int
) -> None:
    """Where the bits leave a doubt, the decoder may take one start for another, and never fails."""
    expected = [*line(*characters), *REST][cut:]
    told = sent(expected, expected, first=1000 + cut)
    assert not any("WRONG" in one for one in told)


def test_a_rest_in_the_window_removes_every_doubt() -> None:
    expected = [*line(0x55, 0x55)[13:], *[1] * 44, *line(0x41), *REST]
    assert sent(expected, expected, first=500)[-1].endswith("expected 0x41 'A', observed 0x41 'A'")


def test_i2c_without_pull_ups_reads_a_released_line_where_it_was_tested() -> None:
    """A start, the byte 0x80 from a chip, and no acknowledgement; worked by hand."""
    scl, sda, enable, care, highz, seen, floating = ([] for _ in range(7))

    def add(clock: int, data: str) -> None:
        scl.append(clock)
        sda.append(int(data == "1"))
        enable.append(0b01 | (0b10 if data in "01" else 0))
        care.append(0b10 if data == "L" else 0)
        highz.append(0b10 if data == "Z" else 0)
        seen.append(0)
        floating.append(0b10 if data == "Z" else 0)

    for clock, data in ((1, "1"), (1, "0"), (0, "0")):
        add(clock, data)
    for bit in "10000000":
        add(0, "Z" if bit == "1" else "X")
        add(1, "X" if bit == "1" else "L")
        add(1, "X" if bit == "1" else "L")
        add(0, "X")
    for clock in (0, 1, 1, 0):
        add(clock, "1")
    drive = [clock | data << 1 for clock, data in zip(scl, sda, strict=True)]
    kept = window(
        ["scl", "sda"],
        {
            "drive": drive, "enable": enable, "care": care, "highz": highz, "seen": seen,
            "floating": floating,
        },
    )  # fmt: skip
    assert [one.text.partition(": ")[2] for one in exchanges(kept, [I2C])] == [
        "expected start, observed start",
        "expected 0x80, not acknowledged, observed 0x80, not acknowledged",
    ]


@given(seed=st.integers(0, 2**32), cycles=st.integers(0, 200), first=st.integers(0, 1))
def test_any_words_are_decoded_without_an_error(seed: int, cycles: int, first: int) -> None:
    chance = np.random.default_rng(seed)
    columns = {name: chance.integers(0, 2**32, cycles).tolist() for name in WINDOW_FIELDS}
    spi = SerialInterface("m", SerialKind.SPI, 1, sck="rxd", cs="scl", miso="txd", mosi="sda")
    kept = window(["txd", "rxd", "scl", "sda"], columns, first)
    for one in exchanges(kept, [UART, I2C, spi]):
        assert one.text
        assert first <= one.cycle < first + cycles


def test_damaged_words_are_refused() -> None:
    with pytest.raises(ValueError, match="long window"):
        exchanges(LongWindow(0, 3, ("txd",), ("txd",), "AAAA", ""), [UART])
