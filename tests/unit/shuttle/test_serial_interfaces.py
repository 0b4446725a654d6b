"""``[serial]`` and ``made_from`` of a design file: what is read, and the finding for each fault."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.records import Parity, SerialInterface, SerialKind
from harness.shuttle import MadeFrom
from tests.unit.shuttle.bench import DESIGN, Files, write_files

SHA = "5" * 64


def with_serial(folder: Path, text: str) -> Files:
    return write_files(folder, design=f"{DESIGN}\n[serial.line]\n{text}\n")


def made_from(folder: Path, text: str) -> Files:
    return write_files(folder, design=f"{DESIGN}made_from = {text}\n")


def test_a_uart_has_eight_data_bits_without_parity_lowest_first(tmp_path: Path) -> None:
    design, _ = with_serial(tmp_path, 'kind = "uart"\ntx = "co"\nbit_cycles = 4').load()
    assert design.serial == (
        SerialInterface("line", SerialKind.UART, 4, tx="co", lsb_first=True, parity=Parity.NONE),
    )
    assert design.serial[0].frame_cycles == 40


def test_every_setting_of_a_uart_is_read(tmp_path: Path) -> None:
    text = """
        kind = "uart"
        rx = "en"
        bit_cycles = 87
        data_bits = 7
        parity = "odd"
        stop_bits = 2
        bit_order = "msb"
    """
    design, _ = with_serial(tmp_path, text).load()
    assert design.serial == (
        SerialInterface("line", SerialKind.UART, 87, rx="en", data_bits=7, parity=Parity.ODD,
                   stop_bits=2),
    )  # fmt: skip


def test_spi_pulses_its_clock_in_each_row_unless_a_bit_has_more_cycles(tmp_path: Path) -> None:
    text = 'kind = "spi"\nsck = "en"\ncs = "rst_n"\nmiso = "co"\nmode = 3\ncs_active = "high"'
    design, _ = with_serial(tmp_path, text).load()
    assert design.serial == (
        SerialInterface("line", SerialKind.SPI, 1, sck="en", cs="rst_n", miso="co", mode=3,
                   cs_active_high=True),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            'kind = "can"\ntx = "co"',
            '22:1: error [bad-serial] "can" is not a "kind"; use one of: i2c, spi, uart',
        ),
        (
            'kind = "uart"\nbit_cycles = 4',
            (
                '21:9: error [missing-key] [serial.line] has no "tx"; '
                "add it: the signal on which the chip sends, or rx, or both"
            ),
        ),
        (
            'kind = "uart"\ntx = "en"\nbit_cycles = 4',
            '23:1: error [bad-serial] "en" is input; name a signal that is output or bidirectional',
        ),
        (
            'kind = "uart"\ntx = "coo"\nbit_cycles = 4',
            '23:1: error [bad-serial] the design has no signal "coo"; did you mean "co"?',
        ),
        (
            'kind = "uart"\nrx = "d"\nbit_cycles = 4',
            '23:1: error [bad-serial] "d" has 4 pins; name a signal with one pin',
        ),
        (
            'kind = "i2c"\nscl = "en"\nsda = "co"\nbit_cycles = 4',
            '24:1: error [bad-serial] "co" is output; name a signal that is bidirectional',
        ),
        (
            'kind = "spi"\nsck = "en"\ncs = "rst_n"\nmiso = "co"\nbit_cycles = 5',
            (
                '26:1: error [bad-serial] "bit_cycles" is 5; '
                "write 1, or a multiple of 2 to 1,000,000"
            ),
        ),
        (
            'kind = "spi"\nsck = "en"\ncs = "rst_n"\nmiso = "co"\nmode = 4',
            '26:1: error [bad-serial] "mode" is 4; write a number from 0 to 3',
        ),
        (
            'kind = "uart"\ntx = "co"\nbit_cycles = 4\nbaud = 9600',
            (
                '25:1: error [unknown-key] unknown key "baud" in [serial.line]; '
                "use one of: bit_cycles, bit_order, data_bits, kind, parity, rx, stop_bits, tx"
            ),
        ),
    ],
)
def test_a_fault_is_told_at_its_place(tmp_path: Path, text: str, told: str) -> None:
    assert with_serial(tmp_path, text).told() == [f"count/design.toml:{told}"]


def test_a_table_says_what_it_was_made_from(tmp_path: Path) -> None:
    text = f'{{ file = "model.py", sha256 = "{SHA}", seed = 7, kind = "random", cycles = 100 }}'
    design, _ = made_from(tmp_path, text).load()
    assert design.tables[0].made_from == MadeFrom("model.py", SHA, 7, "random", 100)


def test_a_table_that_was_written_by_hand_was_made_from_nothing(tmp_path: Path) -> None:
    design, _ = write_files(tmp_path).load()
    assert design.tables[0].made_from is None


@pytest.mark.parametrize("file", ["../model.py", "/etc/passwd", "a/b.py", ".hidden", "a\\\\b"])
def test_a_table_is_made_from_a_file_in_the_designs_folder(tmp_path: Path, file: str) -> None:
    told = made_from(tmp_path, f'{{ file = "{file}", sha256 = "{SHA}" }}').told()
    shown = file.replace("\\\\", "\\")
    assert told == [
        (
            f'count/design.toml:20:15: error [bad-origin] "{shown}" is not the plain name '
            "of a file; name a file in the design's folder"
        )
    ]
