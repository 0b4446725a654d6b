"""Transaction lists: the finding for each fault, at its place."""

from __future__ import annotations

import pytest

from tests.unit.convert.serial_bench import Lines

UART = 'kind = "uart"\ntx = "txd"\nrx = "rxd"\nbit_cycles = 4'
SPI = 'kind = "spi"\nsck = "sck"\nmiso = "miso"\ncs = "go"'
I2C = 'kind = "i2c"\nscl = "scl"\nsda = "sda"\nbit_cycles = 4'


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> Lines:
    return Lines(tmp_path_factory.mktemp("lines"))


@pytest.mark.parametrize(
    ("settings", "step", "told"),
    [
        (
            UART,
            "",
            (
                "2:3: error [bad-step] this step does nothing; "
                "write one of idle, skip and data in each step"
            ),
        ),
        (
            UART,
            'idle = 3\nfrom_chip = "A"',
            (
                "2:3: error [bad-step] this step does several things; "
                "write one of idle, skip and data in each step"
            ),
        ),
        (
            UART,
            "to_chip = [256]",
            "3:12: error [bad-step] 256 is not a value of 8 bits; write numbers from 0 to 255",
        ),
        (
            UART,
            'from_chip = ["y"]',
            (
                "3:14: error [bad-step] 'y' is not a value of 8 bits; "
                'write numbers from 0 to 255, or "x" for any'
            ),
        ),
        (
            UART,
            "to_chip = [1]\nwithin = 9",
            (
                "2:3: error [bad-step] within waits for what the chip sends; "
                "write it in a step with from_chip alone"
            ),
        ),
        (
            UART,
            'to_chip = [1]\nwrong = "parity"',
            (
                '2:3: error [bad-step] "parity" cannot be wrong here; '
                "write stop, in a step with to_chip alone"
            ),
        ),
        (
            UART,
            'to_chip = [1]\nset = { txd = "H" }',
            (
                '4:9: error [bad-step] "txd" is no other signal of the design; '
                "use one of: busy, clk, d, go, miso, sck, scl, sda"
            ),
        ),
        (
            UART,
            'to_chip = [1]\nset = { d = "0x1FF" }',
            (
                '4:9: error [number-too-wide] "0x1FF" does not fit in the 8 pins of "d"; '
                "the largest number is 255 (0xff)"
            ),
        ),
        (
            SPI,
            "mosi = [1]",
            (
                '3:1: error [unknown-key] unknown key "mosi" in [step[0]]; '
                "use one of: first, idle, label, miso, note, set, skip"
            ),
        ),
        (
            I2C,
            "write = [1]",
            (
                '2:3: error [missing-key] [step[0]] has no "address"; '
                "add it: the 7-bit address of the chip"
            ),
        ),
        (
            I2C,
            "address = 1\nread = [1]\nrefused = true",
            (
                "2:3: error [bad-step] nothing follows an address that is refused; "
                "remove write and read"
            ),
        ),
    ],
)
def test_a_fault_of_a_step_is_told_at_its_place(
    lines: Lines, settings: str, step: str, told: str
) -> None:
    assert f"list.toml:{told}" in lines.told(settings, f"[[step]]\n{step}")


def test_a_list_names_an_interface_of_its_design(lines: Lines) -> None:
    design = lines.design(UART)
    path = lines.folder / "lines/list.toml"
    path.write_text('serial = "lime"\n[[step]]\nidle = 1\n', encoding="utf-8")
    assert lines.findings(path, design) == [
        (
            'list.toml:1:1: error [unknown-serial] design "lines" has no serial interface "lime"; '
            'did you mean "line"?'
        )
    ]


def test_a_chip_may_stretch_its_clock_only_where_the_table_can_see_it(lines: Lines) -> None:
    (told,) = lines.told(I2C, "stretch = 9\n[[step]]\naddress = 1")
    assert told == (
        'list.toml:2:1: error [bad-step] the table cannot see whether the chip holds "scl" down; '
        'remove it, or make "scl" bidirectional and set pull_up in design.toml'
    )
