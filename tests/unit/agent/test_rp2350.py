"""The RP2350's registers, one by one against its datasheet, and what it has that no RP2040 has.

All of ``test_pins_rp2`` and ``test_pins_sio`` runs for it too, by night.
"""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest

from harness.agent import rp2040, rp2350
from harness.agent.buffers import words
from harness.agent.codec import Block
from tests.unit.agent import emulated_rp2350 as datasheet
from tests.unit.agent import test_pins_rp2, test_pins_sio
from tests.unit.agent.emulated import Inverter, TernDevice
from tests.unit.agent.emulated_rp2350 import agent_module, turn_to_rp2350
from tests.unit.agent.tern import INS, IO, NRESET, TernChip

TABLES = (
    (rp2040, datasheet.RP2040, datasheet.DMA_CTRL_RP2040),
    (rp2350, datasheet.RP2350, datasheet.DMA_CTRL_RP2350),
)
REGISTERS = {
    "DMA_START": "DMA_MULTI_CHAN_TRIGGER",
    "DMA_ABORT": "DMA_CHAN_ABORT",
    "IO_CTRL": "IO_BANK0_GPIO0_CTRL",
    "PADS": "PADS_BANK0_GPIO0",
    "OUT_CLEAR": "SIO_GPIO_OUT_CLR",
    "OUT_INVERT": "SIO_GPIO_OUT_XOR",
    "OE_SET": "SIO_GPIO_OE_SET",
    "OE_CLEAR": "SIO_GPIO_OE_CLR",
    "TIMER": "TIMER_TIMERAWL",
}
FIELDS = {
    "STEP_READ": "INCR_READ",
    "STEP_WRITE": "INCR_WRITE",
    "DMA_RING": "RING_SIZE",
    "DMA_RING_WRITE": "RING_SEL",
    "DMA_CHAIN": "CHAIN_TO",
    "DMA_TREQ": "TREQ_SEL",
    "DMA_QUIET": "IRQ_QUIET",
    "DMA_BUSY": "BUSY",
}
ALIKE = {
    "CHIP_ID": "SYSINFO_CHIP_ID",
    "PIO_CTRL": "PIO0_CTRL",
    "PIO_FSTAT": "PIO0_FSTAT",
    "PIO_FDEBUG": "PIO0_FDEBUG",
    "PIO_FLEVEL": "PIO0_FLEVEL",
    "PIO_TXF": "PIO0_TXF0",
    "PIO_RXF": "PIO0_RXF0",
    "PIO_MEMORY": "PIO0_INSTR_MEM0",
    "SM_CLKDIV": "PIO0_SM0_CLKDIV",
    "SM_EXECCTRL": "PIO0_SM0_EXECCTRL",
    "SM_SHIFTCTRL": "PIO0_SM0_SHIFTCTRL",
    "SM_INSTR": "PIO0_SM0_INSTR",
    "SM_PINCTRL": "PIO0_SM0_PINCTRL",
    "GPIO_IN": "SIO_GPIO_IN",
    "GPIO_HIGH_IN": "SIO_GPIO_HI_IN",
    "OUT": "SIO_GPIO_OUT",
}
CONTROLS = {
    "DMA_ON": {"EN": 1, "HIGH_PRIORITY": 1, "DATA_SIZE": 2, "IRQ_QUIET": 1},
    "READ_PAIR": {"INCR_READ": 1, "RING_SIZE": 3},
    "WRITE_FOUR": {"INCR_READ": 1, "INCR_WRITE": 1, "RING_SIZE": 4, "RING_SEL": 1},
    "PACE_TX": {"TREQ_SEL": 0},
    "PACE_RX": {"TREQ_SEL": 4},
    "PACE_NONE": {"TREQ_SEL": 0x3F},
    "AFTER_SEND": {"CHAIN_TO": 10},
    "AFTER_GET": {"CHAIN_TO": 8},
}


def names(table: ModuleType) -> set[str]:
    return {name for name in vars(table) if name.isupper()}


def test_every_controllers_table_has_the_same_names_and_each_is_checked_here() -> None:
    others = {"CONTROLLER", "PIO_PINS", "PIO_BASE", "PAD_HELD"}
    assert names(rp2040) == names(rp2350) == REGISTERS.keys() | FIELDS.keys() | others
    assert (rp2040.PIO_PINS, rp2040.PIO_BASE, rp2040.PAD_HELD) == (30, 0, 0)
    base = datasheet.RP2350["PIO0_GPIOBASE"]
    assert (32, base, datasheet.ISO) == (rp2350.PIO_PINS, rp2350.PIO_BASE, rp2350.PAD_HELD)


@pytest.mark.parametrize("name", REGISTERS)
def test_a_register_is_where_its_datasheet_says(name: str) -> None:
    for table, addresses, _ in TABLES:
        assert getattr(table, name) == addresses[REGISTERS[name]]


@pytest.mark.parametrize("name", FIELDS)
def test_a_field_of_a_dma_channels_control_begins_where_its_datasheet_says(name: str) -> None:
    for table, _, fields in TABLES:
        assert getattr(table, name) == 1 << fields[FIELDS[name]][0]


@pytest.mark.parametrize("name", ALIKE)
def test_a_register_that_is_alike_is_where_the_rp2350s_datasheet_says(name: str) -> None:
    assert getattr(agent_module("rp2_chip"), name) == datasheet.RP2350[ALIKE[name]]


@pytest.mark.parametrize("name", CONTROLS)
def test_a_control_word_sets_these_fields_of_an_rp2350_and_no_other(name: str) -> None:
    word = getattr(agent_module("rp2_chip"), name)
    content = {
        field: word >> place & ((1 << size) - 1)
        for field, (place, size) in datasheet.DMA_CTRL_RP2350.items()
    }
    assert content == dict.fromkeys(datasheet.DMA_CTRL_RP2350, 0) | CONTROLS[name]


def test_a_long_repetition_is_cut_into_counts_of_28_bits() -> None:
    """The four bits above are a mode on an RP2350; an RP2040 counts to 32 bits."""
    memory = SimpleNamespace(room=lambda count: (words(count), 0))
    plan = agent_module("rp2_plan").BurstPlan(memory, 2048, 2048)
    block = Block(1)
    block.repeat[0] = 0x7FFFFFFF
    assert plan.lay_out(block, (0, 0), words(1024), (1, 2, 0, 0)) == (1, 0)
    for chain, each in ((plan.send, 2), (plan.get, 1)):
        counts = [count for _, count, _ in chain.stretches]
        assert sum(counts) == each * 0x7FFFFFFF
        assert max(counts) < 1 << 28
    assert plan.cycles == 0x7FFFFFFF


@pytest.fixture
def exact(monkeypatch: pytest.MonkeyPatch) -> Callable[..., test_pins_rp2.Bench]:
    """A bench of ``test_pins_rp2`` on an emulated RP2350."""
    turn_to_rp2350(monkeypatch, test_pins_rp2, "pins_rp2")
    return test_pins_rp2.Bench


@pytest.fixture
def paced(monkeypatch: pytest.MonkeyPatch) -> Callable[..., test_pins_sio.Bench]:
    """A bench of ``test_pins_sio`` on an emulated RP2350."""
    turn_to_rp2350(monkeypatch, test_pins_sio, "pins_sio")
    return test_pins_sio.Bench


def controller_of(bench: test_pins_rp2.Bench) -> datasheet.Rp2350Bus:
    """The emulated RP2350 of a bench."""
    assert isinstance(bench.bus, datasheet.Rp2350Bus)
    return bench.bus


@pytest.mark.parametrize("first", [0, 16])
def test_every_planted_wrong_bit_is_found_with_pins_in_either_window(
    first: int, exact: Callable[..., test_pins_rp2.Bench]
) -> None:
    random = np.random.default_rng(9)
    bench = exact(Inverter(), [first + 14 + k for k in range(16)])
    assert controller_of(bench).base == first
    data = random.integers(0, 256, 200, dtype=np.uint32)
    wrong = np.zeros(200, dtype=np.uint32)
    wrong[random.choice(200, 20, replace=False)] = 1 << random.integers(8, 16, 20)
    bench.timing(4)
    bench.lows(0xFF)
    found = bench.invert(data, wrong=wrong)
    assert [(entry[0], entry[5]) for entry in found] == [
        (int(cycle), int(wrong[cycle])) for cycle in np.flatnonzero(wrong)
    ]
    spans = np.array(bench.spans())
    assert set(spans % 4) == {0}
    assert bench.totals()[::3] == (200, 0)


@pytest.mark.parametrize("first", [0, 16])
def test_a_floating_pin_is_told_from_a_driven_one_although_an_input_that_is_on_holds_it_high(
    first: int, exact: Callable[..., test_pins_rp2.Bench]
) -> None:
    numbers = [first + number for number in test_pins_rp2.TERN_PINS]
    for total, wrong in ((0x10, []), (0x91, [IO])):
        bench = exact(TernDevice(TernChip(total=total)), numbers)
        bench.timing(10)
        zero = np.zeros(4, dtype=np.uint32)
        highz = np.array([0, IO, 0, 0], dtype=np.uint32)
        columns = (zero + NRESET, zero + (INS | NRESET), zero, zero, zero, highz, zero + 1)
        assert [entry[5] for entry in bench.block(*columns)] == wrong


def test_registers_find_a_floating_pin_too(paced: Callable[..., test_pins_sio.Bench]) -> None:
    for total, floats in ((0x10, IO), (0x91, 0)):
        bench = paced(TernDevice(TernChip(total=total)))
        quiet = {"drive": NRESET, "enable": INS | NRESET}
        found = bench.run(quiet, quiet | {"highz": IO}, quiet)
        assert [floating for _, floating in found] == [0, floats, 0]


def test_release_gives_back_isolated_pads_and_the_pios_first_pin(
    exact: Callable[..., test_pins_rp2.Bench],
) -> None:
    bench = exact(Inverter(), range(30, 46))
    bus = controller_of(bench)
    assert (bus.base, bus.pads[32] & datasheet.ISO, bus.functions[32]) == (16, 0, 6)
    bench.pins.release()
    assert (bus.base, bus.functions[32]) == (0, 31)
    assert bus.pads == dict.fromkeys(range(48), datasheet.PAD_RESET)
