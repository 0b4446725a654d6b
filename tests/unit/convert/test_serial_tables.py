"""Transaction lists become tables: what each interface's rows are, and every list comes back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.convert.decode import Item, decode
from harness.convert.levels import UNKNOWN, LineLevels
from harness.convert.transactions import Step
from harness.records import Parity, SerialInterface, SerialKind
from harness.shuttle import Design
from tests.unit.convert.serial_bench import Lines, items

UART = 'kind = "uart"\ntx = "txd"\nrx = "rxd"\nbit_cycles = 4'
SPI = 'kind = "spi"\nsck = "sck"\nmosi = "rxd"\nmiso = "miso"\ncs = "go"'
I2C = 'kind = "i2c"\nscl = "scl"\nsda = "sda"\nbit_cycles = 4'


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> Lines:
    return Lines(tmp_path_factory.mktemp("lines"))


def rows(text: str) -> list[str]:
    """The rows of a table without its remark."""
    return text.splitlines()[1:]


def test_a_character_from_the_chip_is_tested_bit_by_bit(lines: Lines) -> None:
    """The byte 0x41 worked by hand: start bit 0, then 1000 0010 lowest first, stop bit 1."""
    steps = '[[step]]\nfrom_chip = "A"\nfirst = { go = "1", d = "0x41" }\n'
    assert rows(lines.text(UART, steps)) == [
        "clk,go,d,txd,rxd,repeat,label,note",
        "C,1,0x41,L,1,,from chip 0x41 'A',",
        "C,0,0,L,1,3,,",
        "C,0,0,H,1,4,,",
        "C,0,0,L,1,20,,",
        "C,0,0,H,1,4,,",
        "C,0,0,L,1,4,,",
        "C,0,0,H,1,4,,",
    ]


def test_an_answer_that_comes_at_any_time_is_waited_for(lines: Lines) -> None:
    steps = '[[step]]\nto_chip = [0xFF]\n[[step]]\nfrom_chip = ["x"]\nwithin = 90\n'
    assert rows(lines.text(UART, steps)) == [
        "clk,txd,rxd,repeat,label,note",
        "C,X,0,4,to chip 0xFF,",
        "C,X,1,36,,",
        "C,L,1,until 90,waits for a start bit,",
        "C,L,1,3,from chip any,",
        "C,X,1,32,,",
        "C,H,1,4,,",
    ]


def test_idle_tests_that_nothing_is_sent_and_skip_tests_nothing(lines: Lines) -> None:
    steps = '[[step]]\nidle = 12\nlabel = "rest"\nset = { d = "0x5A" }\n[[step]]\nskip = 3\n'
    assert rows(lines.text(UART, f"{steps}[[step]]\nfrom_chip = [255]"))[:4] == [
        "clk,d,txd,rxd,repeat,label,note",
        "C,0x5A,H,1,12,rest,",
        "C,0x5A,X,1,3,,",
        "C,0x5A,L,1,4,from chip 0xFF,",
    ]  # fmt: skip


@pytest.mark.parametrize(("mode", "rest", "pulse"), [(0, "0", "C"), (2, "1", "K")])
def test_spi_in_modes_0_and_2_tests_a_bit_before_its_pulse(
    lines: Lines, mode: int, rest: str, pulse: str
) -> None:
    text = lines.text(f"{SPI}\nmode = {mode}\ndata_bits = 2", "[[step]]\nmosi = [1]\nmiso = [2]")
    assert rows(text) == [
        "sck,rxd,miso,go,repeat,label,note",
        f'{rest},0,H,0,,"mosi 0x1, miso 0x2",',
        f"{pulse},0,L,0,,,",
        f"{pulse},1,X,0,,,",
        f"{rest},0,X,1,,,",
    ]


@pytest.mark.parametrize(("mode", "rest", "pulse"), [(1, "0", "C"), (3, "1", "K")])
def test_spi_in_modes_1_and_3_tests_a_bit_after_its_pulse(
    lines: Lines, mode: int, rest: str, pulse: str
) -> None:
    text = lines.text(f"{SPI}\nmode = {mode}\ndata_bits = 2", "[[step]]\nmosi = [1]\nmiso = [2]")
    assert rows(text) == [
        "sck,rxd,miso,go,repeat,label,note",
        f'{rest},0,X,0,,"mosi 0x1, miso 0x2",',
        f"{pulse},0,H,0,,,",
        f"{pulse},1,L,0,,,",
        f"{rest},0,X,1,,,",
    ]


def test_spi_with_a_clock_of_its_own_tests_the_answer_before_the_sampling_edge(
    lines: Lines,
) -> None:
    text = lines.text(f"{SPI}\ndata_bits = 1\nbit_cycles = 4", "[[step]]\nmosi = [1]\nmiso = [1]")
    assert rows(text) == [
        "clk,sck,rxd,miso,go,repeat,label,note",
        'C,0,1,X,0,,"mosi 0x1, miso 0x1",',
        "C,0,1,H,0,,,",
        "C,1,1,X,0,2,,",
        "C,0,0,X,0,2,,",
        "C,0,0,X,1,2,,",
    ]


def test_i2c_without_pull_ups_drives_a_1_and_tests_that_the_chip_releases(lines: Lines) -> None:
    text = rows(lines.text(I2C, "[[step]]\naddress = 0x7F\nrefused = true"))
    assert text == [
        "clk,scl,sda,repeat,label,note",
        "C,1,1,,start,",
        "C,1,0,,,",
        "C,0,0,,,",
        "C,0,1,,write to 0x7F,",
        *["C,1,1,2,,", "C,0,1,2,,"] * 6,
        "C,1,1,2,,",
        "C,0,1,,,",
        "C,0,0,,,",
        "C,1,0,2,,",
        "C,0,X,,,",
        "C,0,Z,,,",
        "C,1,X,2,,",
        "C,0,X,,,",
        "C,0,0,,stop,",
        "C,1,0,,,",
        "C,1,1,,,",
    ]


DATA = st.lists(st.integers(0, 255), min_size=1, max_size=5).map(tuple)
ANY_DATA = st.lists(st.integers(0, 255) | st.none(), min_size=1, max_size=5).map(tuple)


UARTS = st.builds(
    SerialInterface, st.just("line"), st.just(SerialKind.UART), st.integers(1, 9),
    tx=st.just("txd"), rx=st.just("rxd"), data_bits=st.integers(5, 9),
    parity=st.sampled_from(Parity), stop_bits=st.integers(1, 2), lsb_first=st.booleans(),
)  # fmt: skip
SPIS = st.builds(
    SerialInterface, st.just("line"), st.just(SerialKind.SPI), st.sampled_from([1, 2, 4, 6]),
    sck=st.just("sck"), mosi=st.just("rxd"), miso=st.just("miso"), cs=st.just("go"),
    data_bits=st.integers(8, 16), mode=st.integers(0, 3), lsb_first=st.booleans(),
    cs_active_high=st.booleans(),
)  # fmt: skip
I2CS = st.builds(
    SerialInterface, st.just("line"), st.just(SerialKind.I2C), st.sampled_from([4, 8, 12]),
    scl=st.just("scl"), sda=st.just("sda"), pull_up=st.booleans(),
)  # fmt: skip


@pytest.fixture(scope="module")
def design(lines: Lines) -> Design:
    return lines.design(UART)


def seen(decoded: tuple[Item, ...], role: str) -> list[int | None]:
    """Values on a line; None where the table tests nothing."""
    whole = [item for item in decoded if item.role == role and not item.mark]
    assert all(item.known in (0, (1 << item.bits) - 1) for item in whole)
    return [item.value if item.known else None for item in whole]


@given(port=UARTS, heard=DATA, said=ANY_DATA, within=st.booleans())
def test_every_uart_list_comes_back(
    design: Design,
    port: SerialInterface,
    heard: tuple[int, ...],
    said: tuple[int | None, ...],
    within: bool,
) -> None:
    most = (1 << port.data_bits) - 1
    heard = tuple(value & most for value in heard)
    said = tuple(value if value is None else value & most for value in said)
    wait = Step(2, data={"from_chip": said}, within=50)
    both = Step(2, data={"from_chip": said, "to_chip": heard})
    first = Step(1, data={"to_chip": heard})
    decoded = items(design, port, first, wait if within else both, Step(3, skip=port.bit_cycles))
    assert seen(decoded, "rx") == [*heard] * (1 if within else 2)
    assert seen(decoded, "tx") == [*said]
    assert {item.fault for item in decoded} == {""}


@pytest.mark.parametrize("wrong", ["parity", "stop"])
def test_a_character_that_is_sent_wrong_is_decoded_as_wrong(design: Design, wrong: str) -> None:
    port = SerialInterface("line", SerialKind.UART, 4, rx="rxd", parity=Parity.EVEN, lsb_first=True)
    step = Step(1, data={"to_chip": (0x61, 0x62)}, wrong=wrong)
    decoded = items(design, port, step, Step(2, skip=40))
    fault = {"parity": "wrong parity", "stop": "no stop bit"}[wrong]
    assert [(item.value, item.fault) for item in decoded] == [(0x61, fault), (0x62, fault)]


@given(port=SPIS, mosi=DATA, miso=ANY_DATA)
def test_every_spi_list_comes_back(
    design: Design, port: SerialInterface, mosi: tuple[int, ...], miso: tuple[int | None, ...]
) -> None:
    step = Step(2, data={"mosi": mosi, "miso": miso})
    decoded = items(design, port, Step(1, idle=3), step, step)
    words = max(len(mosi), len(miso))
    assert seen(decoded, "mosi") == [*mosi, *(0 for _ in range(words - len(mosi)))] * 2
    assert seen(decoded, "miso") == [*miso, *(None for _ in range(words - len(miso)))] * 2
    assert {item.fault for item in decoded} == {""}


@given(
    port=I2CS,
    address=st.integers(0, 127),
    write=DATA,
    read=ANY_DATA,
    stretch=st.sampled_from([0, 9]),
)
def test_every_i2c_list_comes_back(
    design: Design,
    port: SerialInterface,
    address: int,
    write: tuple[int, ...],
    read: tuple[int | None, ...],
    stretch: int,
) -> None:
    steps = (
        Step(1, address=address, data={"write": write, "read": read}),
        Step(2, address=address, refused=True),
    )
    decoded = items(design, port, *steps, stretch=stretch if port.pull_up else 0)
    to_chip, from_chip = address << 1, address << 1 | 1
    assert seen(decoded, "sda") == [to_chip, *write, from_chip, *read, to_chip]
    marks = [item.mark for item in decoded if item.mark]
    assert marks == ["start", "start", "stop", "start", "stop"]
    acks = [item.ack for item in decoded if not item.mark]
    assert acks == [0] * (len(write) + len(read) + 1) + [1, 1]


@given(
    port=UARTS | SPIS | I2CS,
    seed=st.integers(0, 2**32),
    cycles=st.integers(0, 300),
    rest=st.booleans(),
)
def test_any_levels_are_decoded_without_an_error(
    port: SerialInterface, seed: int, cycles: int, rest: bool
) -> None:
    chance = np.random.default_rng(seed)
    held = chance.integers(1, 9)
    lines = {
        role: LineLevels(
            np.repeat(chance.choice([0, 1, 1, UNKNOWN], cycles), held)[:cycles].astype(np.int8),
            chance.random(cycles) < 0.3,
        )
        for role in port.lines
    }
    for item in decode(port, lines, from_rest=rest):
        assert 0 <= item.first < item.end
        assert item.first < cycles
        assert item.value & ~item.known == 0
        assert item.text
        assert item.fault_at < cycles
