"""An RP2350 made of the emulated RP2040: each access is translated, register by register.

The names, addresses and fields here are the RP2350 datasheet's and the RP2040 datasheet's (DMA
12.6.10 and 2.5.7, PIO 11.7 and 3.7, IO bank 9.11.1 and 2.19.6.1, pads 9.11.3 and 2.19.6.3, SIO
3.1.11 and 2.3.1.7, timer 12.8.5 and 4.6.5), and none of them comes from the agent's tables. An
access to anything else fails. Added is what the RP2040 does not have: isolated pads, the base of
the PIO's pins, the mode in a transfer count, and erratum RP2350-E9 of stepping A2.
"""

from __future__ import annotations

import struct
import sys
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import harness.agent
from harness.agent import cpython, rp2350
from tests.unit.agent.emulated import RAM, Device, EmulatedBus, SioBus

A2 = 0x20004927
"""CHIP_ID of stepping A2 (appendix C)."""
WRONG_ONES = {
    "RP2040": [(A2, "an RP2350"), (0x20002926, "unknown"), (0, "unknown")],
    "RP2350": [(0x20002927, "an RP2040"), (0x20004926, "unknown"), (0, "unknown")],
}
"""For each controller CHIP_IDs of others, and what the agent says that they are."""


def refusal(controller: str, identity: int, what: str, backend: str) -> str:
    """What the agent for a controller says to another one."""
    return (
        f'this controller is {what} (identity 0x{identity:08x}), and backend "{backend}" was sent '
        f'for an {controller}; correct "controller" in the board\'s profile, or write '
        'backend = "generic" there'
    )


SAME = {
    "PIO0_CTRL": 0x50200000,
    "PIO0_FSTAT": 0x50200004,
    "PIO0_FDEBUG": 0x50200008,
    "PIO0_FLEVEL": 0x5020000C,
    "PIO0_TXF0": 0x50200010,
    "PIO0_RXF0": 0x50200020,
    "PIO0_SM0_CLKDIV": 0x502000C8,
    "PIO0_SM0_EXECCTRL": 0x502000CC,
    "PIO0_SM0_SHIFTCTRL": 0x502000D0,
    "PIO0_SM0_INSTR": 0x502000D8,
    "PIO0_SM0_PINCTRL": 0x502000DC,
    "SIO_GPIO_IN": 0xD0000004,
    "SIO_GPIO_OUT": 0xD0000010,
} | {f"PIO0_INSTR_MEM{k}": 0x50200048 + 4 * k for k in range(32)}
RP2040 = SAME | {
    "DMA_MULTI_CHAN_TRIGGER": 0x50000430,
    "DMA_CHAN_ABORT": 0x50000444,
    "SIO_GPIO_OUT_CLR": 0xD0000018,
    "SIO_GPIO_OUT_XOR": 0xD000001C,
    "SIO_GPIO_OE_SET": 0xD0000024,
    "SIO_GPIO_OE_CLR": 0xD0000028,
    "TIMER_TIMERAWL": 0x40054028,
}
RP2350 = SAME | {
    "SYSINFO_CHIP_ID": 0x40000000,
    "DMA_MULTI_CHAN_TRIGGER": 0x50000450,
    "DMA_CHAN_ABORT": 0x50000464,
    "PIO0_GPIOBASE": 0x50200168,
    "SIO_GPIO_HI_IN": 0xD0000008,
    "SIO_GPIO_OUT_CLR": 0xD0000020,
    "SIO_GPIO_OUT_XOR": 0xD0000028,
    "SIO_GPIO_OE_SET": 0xD0000038,
    "SIO_GPIO_OE_CLR": 0xD0000040,
    "TIMER_TIMERAWL": 0x400B0028,
}
CHANNEL = ("READ_ADDR", "WRITE_ADDR", "TRANS_COUNT", "CTRL_TRIG", "AL1_CTRL")
for _k in range(16):
    _channel = {
        f"DMA_CH{_k}_{name}": 0x50000000 + 64 * _k + 4 * n for n, name in enumerate(CHANNEL)
    }
    RP2350 |= _channel
    RP2040 |= _channel
RP2350 |= {f"IO_BANK0_GPIO{k}_CTRL": 0x40028004 + 8 * k for k in range(48)}
RP2350 |= {f"PADS_BANK0_GPIO{k}": 0x40038004 + 4 * k for k in range(48)}
RP2040 |= {f"IO_BANK0_GPIO{k}_CTRL": 0x40014004 + 8 * k for k in range(30)}
RP2040 |= {f"PADS_BANK0_GPIO{k}": 0x4001C004 + 4 * k for k in range(30)}
SIO = 0xD0000000
NAMES = {address: name for name, address in RP2350.items()}

Fields = Mapping[str, tuple[int, int]]
"""The first bit of each field, and the number of its bits."""
DMA_CTRL_RP2040: Fields = {
    "EN": (0, 1),
    "HIGH_PRIORITY": (1, 1),
    "DATA_SIZE": (2, 2),
    "INCR_READ": (4, 1),
    "INCR_WRITE": (5, 1),
    "RING_SIZE": (6, 4),
    "RING_SEL": (10, 1),
    "CHAIN_TO": (11, 4),
    "TREQ_SEL": (15, 6),
    "IRQ_QUIET": (21, 1),
    "BSWAP": (22, 1),
    "SNIFF_EN": (23, 1),
    "BUSY": (24, 1),
    "WRITE_ERROR": (29, 1),
    "READ_ERROR": (30, 1),
    "AHB_ERROR": (31, 1),
}
DMA_CTRL_RP2350: Fields = {
    "EN": (0, 1),
    "HIGH_PRIORITY": (1, 1),
    "DATA_SIZE": (2, 2),
    "INCR_READ": (4, 1),
    "INCR_READ_REV": (5, 1),
    "INCR_WRITE": (6, 1),
    "INCR_WRITE_REV": (7, 1),
    "RING_SIZE": (8, 4),
    "RING_SEL": (12, 1),
    "CHAIN_TO": (13, 4),
    "TREQ_SEL": (17, 6),
    "IRQ_QUIET": (23, 1),
    "BSWAP": (24, 1),
    "SNIFF_EN": (25, 1),
    "BUSY": (26, 1),
    "WRITE_ERROR": (29, 1),
    "READ_ERROR": (30, 1),
    "AHB_ERROR": (31, 1),
}
REGISTER_FIELDS: Mapping[str, Fields] = {
    "SYSINFO_CHIP_ID": {"STOP_BIT": (0, 1), "MANUFACTURER": (1, 11), "PART": (12, 16)}
    | {"REVISION": (28, 4)},
    "PIO0_CTRL": {"SM_ENABLE": (0, 4), "SM_RESTART": (4, 4), "CLKDIV_RESTART": (8, 4)}
    | {"PREV_PIO_MASK": (16, 4), "NEXT_PIO_MASK": (20, 4), "NEXTPREV": (24, 3)},
    "PIO0_FSTAT": {"RXFULL": (0, 4), "RXEMPTY": (8, 4), "TXFULL": (16, 4), "TXEMPTY": (24, 4)},
    "PIO0_FDEBUG": {"RXSTALL": (0, 4), "RXUNDER": (8, 4), "TXOVER": (16, 4), "TXSTALL": (24, 4)},
    "PIO0_FLEVEL": {f"TX{k}": (8 * k, 4) for k in range(4)}
    | {f"RX{k}": (8 * k + 4, 4) for k in range(4)},
    "PIO0_SM0_CLKDIV": {"FRAC": (8, 8), "INT": (16, 16)},
    "PIO0_SM0_EXECCTRL": {"STATUS_N": (0, 5), "STATUS_SEL": (5, 2), "WRAP_BOTTOM": (7, 5)}
    | {"WRAP_TOP": (12, 5), "OUT_STICKY": (17, 1), "INLINE_OUT_EN": (18, 1)}
    | {"OUT_EN_SEL": (19, 5), "JMP_PIN": (24, 5), "SIDE_PINDIR": (29, 1), "SIDE_EN": (30, 1)},
    "PIO0_SM0_SHIFTCTRL": {"IN_COUNT": (0, 5), "FJOIN_RX_GET": (14, 1), "FJOIN_RX_PUT": (15, 1)}
    | {"AUTOPUSH": (16, 1), "AUTOPULL": (17, 1), "IN_SHIFTDIR": (18, 1), "OUT_SHIFTDIR": (19, 1)}
    | {"PUSH_THRESH": (20, 5), "PULL_THRESH": (25, 5), "FJOIN_TX": (30, 1), "FJOIN_RX": (31, 1)},
    "PIO0_SM0_PINCTRL": {"OUT_BASE": (0, 5), "SET_BASE": (5, 5), "SIDESET_BASE": (10, 5)}
    | {"IN_BASE": (15, 5), "OUT_COUNT": (20, 6), "SET_COUNT": (26, 3), "SIDESET_COUNT": (29, 3)},
    "PIO0_GPIOBASE": {"GPIOBASE": (4, 1)},
    "IO_CTRL": {"FUNCSEL": (0, 5), "OUTOVER": (12, 2), "OEOVER": (14, 2)}
    | {"INOVER": (16, 2), "IRQOVER": (28, 2)},
    "PADS": {"SLEWFAST": (0, 1), "SCHMITT": (1, 1), "PDE": (2, 1), "PUE": (3, 1)}
    | {"DRIVE": (4, 2), "IE": (6, 1), "OD": (7, 1), "ISO": (8, 1)},
    "DMA_CTRL": DMA_CTRL_RP2350,
}
"""By register of an RP2350; those of each pin or channel have one name here."""
PUE, IE, OD, ISO = 1 << 3, 1 << 6, 1 << 7, 1 << 8
PAD_RESET = 0x116
"""Isolated, input off, pulled down."""


def fields_set(register: str, value: int) -> dict[str, int]:
    """Return the fields that are not 0, and their contents; fails on bits of no field."""
    fields = REGISTER_FIELDS[register]
    known = sum((1 << size) - 1 << place for place, size in fields.values())
    assert not value & ~known, f"{register} has no field at 0x{value & ~known:x}"
    every = {name: value >> at & ((1 << size) - 1) for name, (at, size) in fields.items()}
    return {name: content for name, content in every.items() if content}


def moved(value: int, source: Fields, target: Fields) -> int:
    """Move the content of each field to its place in the other layout."""
    result = 0
    for name, (place, size) in source.items():
        content = value >> place & ((1 << size) - 1)
        assert name in target or not content, f"{name} is set, which the other layout lacks"
        result |= content << target[name][0] if name in target else 0
    return result


class Rp2350Bus(EmulatedBus):
    """Registers at the RP2350's places; the emulator's pin 0 is GPIO ``first``, 0 or 16."""

    table = rp2350

    def __init__(self, device: Device, numbers: Iterable[int], delay: int = 1) -> None:
        numbers = list(numbers)
        self.first = 16 if max(numbers) > 31 else 0
        self.base = 0
        self.pads = dict.fromkeys(range(48), PAD_RESET)
        self.functions = dict.fromkeys(range(48), 31)
        self.stuck: set[int] = set()
        self.blocks: list[tuple[int, int]] = []
        super().__init__(device, [number - self.first for number in numbers], delay)

    def read(self, address: int) -> int:
        name = NAMES[address]
        if name == "SYSINFO_CHIP_ID":
            return A2
        if name == "PIO0_GPIOBASE":
            return self.base
        if name.startswith("PADS_"):
            return self.pads[pin_of(name)]
        if name.startswith("IO_"):
            return self.functions[pin_of(name)]
        if name in ("SIO_GPIO_IN", "SIO_GPIO_HI_IN"):
            levels = super().read(RP2040["SIO_GPIO_IN"]) << self.first
            levels |= sum(1 << number for number in self.stuck if not self.driven(number))
            return levels >> 32 if name == "SIO_GPIO_HI_IN" else levels & 0xFFFFFFFF
        value = super().read(RP2040[name])
        return moved(value, DMA_CTRL_RP2040, DMA_CTRL_RP2350) if is_dma_ctrl(name) else value

    def write(self, address: int, value: int) -> None:
        alias = address & 0x3000 if address < SIO else 0
        name = NAMES[address - alias]
        if name.startswith("PADS_"):
            before = self.pads[pin_of(name)]
            value = {0: value, 0x2000: before | value, 0x3000: before & ~value}[alias]
            self.set_pad(pin_of(name), value)
        elif name.startswith("IO_"):
            self.functions[pin_of(name)] = value
            self.pass_on("IO_BANK0_GPIO%d_CTRL", pin_of(name), value)
        elif name == "PIO0_GPIOBASE":
            assert value in (0, 16)
            self.base = value
        else:
            self.check(name, value)
            if name == "DMA_MULTI_CHAN_TRIGGER":
                self.translate_blocks(value)
            if name == "DMA_CHAN_ABORT":
                self.restore_blocks()
            if is_dma_ctrl(name):
                value = moved(value, DMA_CTRL_RP2350, DMA_CTRL_RP2040)
            super().write(RP2040[name] + alias, value)

    def check(self, name: str, value: int) -> None:
        """Fail where an RP2350 would do something else than an RP2040."""
        if name == "PIO0_CTRL" and value & 1:
            assert self.base == self.first, "the PIO does not reach these pins"
        if name.endswith("TRANS_COUNT"):
            assert not value >> 28, "a mode, not a count"
        if name == "PIO0_SM0_SHIFTCTRL":
            assert not value & 31, "IN_COUNT masks pins"

    def translate_blocks(self, channels: int) -> None:
        """Translate the control blocks that these channels will fetch, up to the last, of zeros."""
        for number in range(16):
            at = super().read(RP2040[f"DMA_CH{number}_READ_ADDR"]) - RAM
            while channels >> number & 1 and any(self.memory[at : at + 16]):
                count, control = struct.unpack_from("<II", self.memory, at + 8)
                self.check("TRANS_COUNT", count)
                self.blocks.append((at + 12, control))
                control = moved(control, DMA_CTRL_RP2350, DMA_CTRL_RP2040)
                struct.pack_into("<I", self.memory, at + 12, control)
                at += 16

    def restore_blocks(self) -> None:
        """Give the agent's memory back as it was."""
        for at, control in self.blocks:
            struct.pack_into("<I", self.memory, at, control)
        self.blocks = []

    def set_pad(self, number: int, value: int) -> None:
        """Set a pad; an isolated one neither drives nor reads.

        RP2350-E9: while its input is on, a pad that nothing drives stays high once it was.
        """
        before, self.pads[number] = self.pads[number], value
        high = before & PUE or number in self.stuck
        if before & value & IE and high and not self.driven(number):
            self.stuck.add(number)
        else:
            self.stuck.discard(number)
        open_pad = value & 0xFF if not value & ISO else value & 0xFF & ~IE | OD
        self.pass_on("PADS_BANK0_GPIO%d", number, open_pad)

    def pass_on(self, name: str, number: int, value: int) -> None:
        """Write a pin's register, if the emulator has the pin."""
        address = RP2040.get(name % (number - self.first))
        if address:
            super().write(address, value)

    def driven(self, number: int) -> bool:
        """Whether the controller or the chip drives a pin."""
        bit = number - self.first
        return bit in self.numbers and bool(self.wires[1] >> self.numbers.index(bit) & 1)


def register_at(address: int) -> str:
    """The name of the register at an address or its alias, as in ``REGISTER_FIELDS``."""
    name = NAMES[address if address >= SIO else address & ~0x3000]
    if is_dma_ctrl(name):
        return "DMA_CTRL"
    return {"PADS": "PADS", "IO": "IO_CTRL"}.get(name.split("_", maxsplit=1)[0], name)


def is_dma_ctrl(name: str) -> bool:
    """Whether a register is a DMA channel's CTRL."""
    return name.startswith("DMA_CH") and "CTRL" in name


def pin_of(name: str) -> int:
    """The number of a pin by its register's name."""
    return int(name.split("GPIO")[1].split("_", maxsplit=1)[0])


class Rp2350SioBus(Rp2350Bus, SioBus):
    """An RP2350 whose pins are moved by registers."""


@cache
def agent_module(name: str) -> ModuleType:
    """A module of the agent as an RP2350 gets it: with its table in place of the RP2040's."""
    package = sys.modules.setdefault("agent_of_rp2350", ModuleType("agent_of_rp2350"))
    package.__path__ = [str(Path(harness.agent.__file__).parent)]
    sys.modules["agent_of_rp2350.rp2040"] = rp2350
    sys.modules["agent_of_rp2350.cpython"] = cpython
    return import_module(f"agent_of_rp2350.{name}")


def turn_to_rp2350(monkeypatch: pytest.MonkeyPatch, tests: ModuleType, pins: str) -> None:
    """Give the tests of a pins module the RP2350's agent and registers."""
    engine = agent_module("engine")
    names: dict[str, Any] = {
        "Pins": agent_module(pins).Pins,
        "Engine": engine.Engine,
        "Refused": engine.Refused,
        "Aborted": engine.Aborted,
        "rp2_chip": agent_module("rp2_chip"),
        "rp2040": rp2350,
        "EmulatedBus": Rp2350Bus,
        "SioBus": Rp2350SioBus,
    }
    for name, value in names.items():
        monkeypatch.setattr(tests, name, value, raising=False)
