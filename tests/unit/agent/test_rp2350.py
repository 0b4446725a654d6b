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
CHANNEL = {
    "DMA_READ": "READ_ADDR",
    "DMA_WRITE": "WRITE_ADDR",
    "DMA_COUNT": "TRANS_COUNT",
    "DMA_CTRL": "AL1_CTRL",
}
WORDS: dict[str, tuple[str, dict[str, int]]] = {
    "DMA_ON": ("DMA_CTRL", {"EN": 1, "HIGH_PRIORITY": 1, "DATA_SIZE": 2, "IRQ_QUIET": 1}),
    "READ_PAIR": ("DMA_CTRL", {"INCR_READ": 1, "RING_SIZE": 3}),
    "WRITE_FOUR": ("DMA_CTRL", {"INCR_READ": 1, "INCR_WRITE": 1, "RING_SIZE": 4, "RING_SEL": 1}),
    "PACE_TX": ("DMA_CTRL", {}),
    "PACE_RX": ("DMA_CTRL", {"TREQ_SEL": 4}),
    "PACE_NONE": ("DMA_CTRL", {"TREQ_SEL": 0x3F}),
    "AFTER_SEND": ("DMA_CTRL", {"CHAIN_TO": 10}),
    "AFTER_GET": ("DMA_CTRL", {"CHAIN_TO": 8}),
    "SM_ENABLE": ("PIO0_CTRL", {"SM_ENABLE": 1}),
    "SM_RESTART": ("PIO0_CTRL", {"SM_RESTART": 1, "CLKDIV_RESTART": 1}),
    "TX_EMPTY": ("PIO0_FSTAT", {"TXEMPTY": 1}),
    "RX_EMPTY": ("PIO0_FSTAT", {"RXEMPTY": 1}),
    "TX_LEVEL": ("PIO0_FLEVEL", {"TX0": 15}),
    "STALLED": ("PIO0_FDEBUG", {"TXSTALL": 1, "RXSTALL": 1}),
    "PAD_UP": ("PADS", {"PUE": 1}),
    "PAD_DOWN": ("PADS", {"PDE": 1}),
    "PAD_IN": ("PADS", {"IE": 1}),
    "PAD_OFF": ("PADS", {"OD": 1}),
    "PAD_HELD": ("PADS", {"ISO": 1}),
    "FUNCTION_SIO": ("IO_CTRL", {"FUNCSEL": 5}),
    "FUNCTION_PIO": ("IO_CTRL", {"FUNCSEL": 6}),
}
WRITTEN = {
    "PIO0_CTRL": {"SM_ENABLE": {1}, "SM_RESTART": {1}, "CLKDIV_RESTART": {1}},
    "PIO0_FDEBUG": {"TXSTALL": {1}, "RXSTALL": {1}},
    "PIO0_SM0_CLKDIV": {"INT": {1}},
    "PIO0_SM0_EXECCTRL": {"WRAP_TOP": {4}},
    "PIO0_SM0_SHIFTCTRL": {"AUTOPUSH": {1}, "AUTOPULL": {1}}
    | {"IN_SHIFTDIR": {1}, "OUT_SHIFTDIR": {1}},
    "PIO0_SM0_PINCTRL": {"OUT_COUNT": {32}},
    "PIO0_GPIOBASE": {"GPIOBASE": {1}},
    "IO_CTRL": {"FUNCSEL": {6}},
    "PADS": {"SCHMITT": {1}, "DRIVE": {1}, "IE": {1}, "PUE": {1}, "PDE": {1}},
}
"""What a session with pins above 31 writes, by field; SCHMITT and DRIVE stay as after a reset."""


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


@pytest.mark.parametrize("name", CHANNEL)
def test_a_dma_channels_registers_are_where_the_rp2350s_datasheet_says(name: str) -> None:
    chip = agent_module("rp2_chip")
    for number in chip.CHANNELS:
        place = datasheet.RP2350[f"DMA_CH{number}_{CHANNEL[name]}"]
        assert chip.channel(number) + getattr(chip, name) == place


@pytest.mark.parametrize("name", WORDS)
def test_a_word_has_these_fields_of_an_rp2350s_register_and_no_other(name: str) -> None:
    register, fields = WORDS[name]
    assert datasheet.fields_set(register, getattr(agent_module("rp2_chip"), name)) == fields


def test_an_rp2350_is_known_by_part_and_maker_in_any_revision() -> None:
    known = agent_module("rp2_chip").KNOWN
    identity = next(chip for chip, name in known.items() if name == rp2350.CONTROLLER)
    fields = {"PART": 4, "MANUFACTURER": 0x493, "STOP_BIT": 1}
    assert datasheet.fields_set("SYSINFO_CHIP_ID", identity) == fields
    assert datasheet.fields_set("SYSINFO_CHIP_ID", datasheet.A2) == {"REVISION": 2, **fields}


def test_a_long_repetition_is_cut_into_counts_of_28_bits() -> None:
    """The four bits above are a mode on an RP2350; an RP2040 counts to 32 bits."""
    memory = SimpleNamespace(room=lambda count: (words(count), 0))
    plan = agent_module("rp2_plan").BurstPlan(memory, 2048, 2048)
    block = Block(1)
    block.repeat[0] = 0x7FFFFFFF
    assert plan.lay_out(block, (0, 0), words(1024), (1, 2, 0, 0)) == (1, 0)
    for chain, each in ((plan.send, 2), (plan.get, 1)):
        counts = chain.blocks[2 : chain.used : 4]
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


@pytest.mark.parametrize("machine", [1, 2, 3])
def test_a_running_machine_of_the_block_keeps_its_pins_and_its_program(machine: int) -> None:
    """GPIOBASE and the program memory are the whole block's (RP2350 datasheet 11.7)."""
    bus = datasheet.Rp2350Bus(Inverter(), range(30, 46))
    bus.write(datasheet.RP2350["PIO0_INSTR_MEM0"], 0xE081)
    bus.write(datasheet.RP2350["PIO0_CTRL"], 1 << machine)
    pins = agent_module("pins_rp2").Pins(bus)
    with pytest.raises(agent_module("engine").Refused) as caught:
        pins.bind(range(30, 46))
    assert f"(state machines running: {machine})" in str(caught.value)
    pins.release()
    assert (bus.base, bus.pio.instructions[0]) == (0, 0xE081)
    assert bus.read(datasheet.RP2350["PIO0_CTRL"]) == 1 << machine


def test_a_session_writes_these_fields_and_no_other(
    exact: Callable[..., test_pins_rp2.Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A field that comes to be used, such as one that the datasheet forbids, is seen here."""
    written: dict[str, dict[str, set[int]]] = {}
    write = datasheet.Rp2350Bus.write

    def note(bus: datasheet.Rp2350Bus, address: int, value: int) -> None:
        register = datasheet.register_at(address)
        if register in datasheet.REGISTER_FIELDS and register != "DMA_CTRL":
            for field, content in datasheet.fields_set(register, value).items():
                written.setdefault(register, {}).setdefault(field, set()).add(content)
        write(bus, address, value)

    monkeypatch.setattr(datasheet.Rp2350Bus, "write", note)
    bench = exact(Inverter(), range(30, 46))
    bench.timing(4)
    zero = np.zeros(4, dtype=np.uint32)
    bench.block(zero, zero + 0xFF, zero, zero, zero, zero + 0x8000, zero + 1)
    assert written == WRITTEN
