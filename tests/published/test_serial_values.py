"""The serial designs' tables, read back by decoders that know the line format alone."""

from __future__ import annotations

from itertools import pairwise

from tests.published.generators import Row, cycles, table_rows

CLOCKS_PER_BIT = 4


def characters(line: list[int]) -> list[int | None]:
    """Characters on a start-stop line, sampled in the middle of each bit; None: no stop bit."""
    found: list[int | None] = []
    at = 0
    while at + 10 * CLOCKS_PER_BIT <= len(line):
        if line[at] or line[at + CLOCKS_PER_BIT // 2]:
            at += 1
            continue
        middle = at + CLOCKS_PER_BIT // 2
        bits = [line[middle + CLOCKS_PER_BIT * i] for i in range(10)]
        found.append(sum(bit << i for i, bit in enumerate(bits[1:9])) if bits[9] else None)
        at += 10 * CLOCKS_PER_BIT
    return found


def test_the_letter_a_goes_over_the_line_as_start_lsb_first_stop() -> None:
    """TIA/EIA-232 framing, worked by hand: 0x41 is 0, then 1000 0010, then 1."""
    rows = table_rows("uart", "directed.csv")
    start = next(i for i, row in enumerate(rows) if row["label"] == "send 0x41")
    levels = ["1" if row["txd"] == "H" else "0" for row in cycles(rows[start:])]
    assert "".join(levels[1:40:CLOCKS_PER_BIT]) == "0" + "10000010" + "1"


def test_uart_table_sends_every_byte_without_a_gap() -> None:
    rows = table_rows("uart", "duplex.csv")
    line = [int(row["txd"] == "H") for row in cycles(rows)]
    assert len(line) == 256 * 10 * CLOCKS_PER_BIT
    assert characters(line) == list(range(256))


def test_uart_table_expects_what_stands_on_the_receive_line() -> None:
    rows = table_rows("uart", "duplex.csv")
    on_line = characters([int(row["rxd"]) for row in cycles(rows)])
    expected = [int(row["q"], 0) for row in rows if row["valid"] == "H"]
    assert on_line == expected
    assert set(expected) == set(range(256))


def test_uart_directed_table_marks_the_character_without_stop_bit() -> None:
    rows = table_rows("uart", "directed.csv")
    on_line = characters([int(row["rxd"]) for row in cycles(rows)])
    assert on_line == [0x55, 0x00, 0xFF, 0x80, 0x5A, None, 0xC3]
    assert sum(row["bad"] == "H" for row in rows) == 1


def transfers(rows: list[Row], mode: int) -> list[tuple[list[int], list[str], str]]:
    """Bits sent, levels expected on miso in the same bit, and r0 afterwards, per transfer.

    A controller in mode 0 reads miso before the rising edge, so in the row before the ``C``; in
    mode 3 it reads at the rising edge that ends the ``K``.
    """
    found = []
    sent: list[int] = []
    back: list[str] = []
    for before, row in pairwise(rows):
        if row["sck"] in "CK" and row["cs_n"] == "0":
            sent.append(int(row["mosi"]))
            back.append((before if mode == 0 else row)["miso"])
        elif row["cs_n"] == "1" and sent:
            found.append((sent, back, row["r0"]))
            sent, back = [], []
    return found


def number(bits: list[int]) -> int:
    """Bits, most significant first, as a number."""
    return int("".join(map(str, bits)), 2)


def check_bank(mode: int, pulse: str) -> None:
    """Replay a table's transfers on four registers (register map worked by hand)."""
    rows = table_rows("spibank", f"mode{mode}.csv")
    assert {row["sck"] for row in rows} == {pulse, "1" if mode == 3 else "0"}
    registers = [0, 0, 0, 0]
    done = transfers(rows, mode)
    for sent, back, shown in done:
        assert len(sent) == 16
        command, value = number(sent[:8]), number(sent[8:])
        read = number([int(level == "H") for level in back[8:]])
        assert read == registers[command & 3]
        if command & 0x80:
            registers[command & 3] = value
        assert int(shown, 0) == registers[0]
    assert len(done) == 132


def test_spi_mode_0_table_writes_and_reads_back_registers() -> None:
    """Mode 0: data taken on the rising edge, changed on the other (common practice, no source)."""
    check_bank(0, "C")


def test_spi_mode_3_table_writes_and_reads_back_registers() -> None:
    """Mode 3: as mode 0 with the clock at rest high (common practice, no source)."""
    check_bank(3, "K")


def test_spi_data_out_floats_exactly_while_the_chip_is_not_selected() -> None:
    for file in ("edges.csv", "mode0.csv", "mode3.csv"):
        for row in table_rows("spibank", file):
            assert (row["miso"] == "Z") == (row["cs_n"] == "1")
