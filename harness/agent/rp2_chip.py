"""Registers that the agent uses, and the one object through which it reaches them.

What a controller has of its own is in a table: on a board, ``rp2040`` here is the one of its
controller. The rest is alike (RP2040 datasheet: DMA 2.5.7, PIO 3.7, SIO 2.3.1.7, SYSINFO 2.20;
RP2350 datasheet: DMA 12.6.10, PIO 11.7, SIO 3.1.11, SYSINFO 12.15.1). RESETS is neither read nor
written: before its interpreter starts, MicroPython takes every block out of reset, on both (in its
submodule pico-sdk ``runtime_init_post_clock_resets``), and its soft reset puts none back. One rule:
every register is reached through a bus, so that tests can put an emulator behind it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from typing import Any

from .buffers import words
from .cpython import addressof, micropython, ptr32, sleep_us
from .engine import Refused
from .faces import BusFace, Words
from .rp2040 import (
    CONTROLLER,
    DMA_BUSY,
    DMA_CHAIN,
    DMA_QUIET,
    DMA_RING,
    DMA_RING_WRITE,
    DMA_TREQ,
    IO_CTRL,
    PAD_HELD,
    PADS,
    PIO_BASE,
    STEP_READ,
    STEP_WRITE,
)

CHIP_ID = 0x40000000
"""SYSINFO: revision (4 bits), part (16), maker by JEP106 with the stop bit (12)."""
KNOWN = {0x0002927: "an RP2040", 0x0004927: "an RP2350"}

PIO = 0x50200000
PIO_CTRL = PIO
PIO_FSTAT = PIO + 0x04
PIO_FDEBUG = PIO + 0x08
PIO_FLEVEL = PIO + 0x0C
PIO_TXF = PIO + 0x10
PIO_RXF = PIO + 0x20
PIO_MEMORY = PIO + 0x48
SM_CLKDIV = PIO + 0xC8
SM_EXECCTRL = PIO + 0xCC
SM_SHIFTCTRL = PIO + 0xD0
SM_INSTR = PIO + 0xD8
SM_PINCTRL = PIO + 0xDC
SM_STATE = (SM_CLKDIV, SM_EXECCTRL, SM_SHIFTCTRL, SM_PINCTRL)
"""The set-up registers of the state machine, machine 0 of block 0."""

SM_ENABLE = 1
SM_RESTART = (1 << 4) | (1 << 8)
TX_EMPTY = 1 << 24
RX_EMPTY = 1 << 8
TX_LEVEL = 15
"""In FLEVEL: the number of words to send in the queue."""
STALLED = (1 << 24) | 1
"""In FDEBUG: the state machine waited for a word to send, or for room for one received."""

DMA = 0x50000000
DMA_STRIDE = 0x40
DMA_READ = 0x00
DMA_WRITE = 0x04
DMA_COUNT = 0x08
DMA_CTRL = 0x10
"""CTRL at the address where a write does not trigger the channel (alias 1)."""
DMA_ON = 1 | (1 << 1) | (2 << 2) | DMA_QUIET
"""Enabled, of high priority, words of 32 bits, no interrupts."""
READ_PAIR = STEP_READ | 3 * DMA_RING
"""Read the same two words again and again."""
WRITE_FOUR = STEP_READ | STEP_WRITE | 4 * DMA_RING | DMA_RING_WRITE
"""Write to the same four registers again and again."""
PACE_TX = 0 * DMA_TREQ
PACE_RX = 4 * DMA_TREQ
PACE_NONE = 0x3F * DMA_TREQ

SEND, SEND_CTRL, GET, GET_CTRL = 11, 10, 9, 8
"""DMA channels: words to the pins, its control blocks, words from the pins, its control blocks."""
CHANNELS = (SEND, SEND_CTRL, GET, GET_CTRL)
GET_STATE = DMA + DMA_STRIDE * GET + DMA_CTRL
AFTER_SEND, AFTER_GET = SEND_CTRL * DMA_CHAIN, GET_CTRL * DMA_CHAIN
"""What fetches the next control block when a stretch is through."""

PAD_IN = 1 << 6
PAD_OFF = 1 << 7
PAD_UP = 1 << 3
PAD_DOWN = 1 << 2
FUNCTION_SIO = 5
FUNCTION_PIO = 6
SIO = 0xD0000000
GPIO_IN = SIO + 0x04
GPIO_HIGH_IN = SIO + 0x08
"""Levels of the pins from 32 on."""
OUT = SIO + 0x10
PULL_WAIT_US = 20
"""Time for a weak pull to move a floating pin and its track, in microseconds."""

SET_BITS = 0x2000
CLEAR_BITS = 0x3000
"""Added to the address of a register: write ones to set bits, or to clear them (2.1.2)."""


@micropython.viper
def put_words(pairs: Words, count: int) -> int:
    """Write ``count`` words, each to the address before it."""
    p = ptr32(pairs)
    k = 0
    while k < 2 * count:
        ptr32(int(p[k]))[0] = p[k + 1]
        k += 2
    return 0


class Bus:
    """The board's own memory and registers, as MicroPython shows them."""

    def __init__(self) -> None:
        import machine

        self.machine = machine
        self.memory: dict[int, int] = machine.mem32

    def chip_id(self) -> int:
        """The controller's identity register; 0 where it must not be read."""
        return self.read(CHIP_ID) if sys.platform == "rp2" else 0

    def read(self, address: int) -> int:
        """Read a register."""
        return self.memory[address]

    def write(self, address: int, value: int) -> None:
        """Write a register."""
        self.memory[address] = value

    def put(self, pairs: Words, count: int) -> None:
        """Write ``count`` registers, each an address and a value in ``pairs``."""
        put_words(pairs, count)

    def window(self, address: int) -> Any:
        """Registers from an address on, as ``ptr32`` takes them."""
        return address

    def room(self, count: int) -> tuple[Any, int]:
        """Allocate ``count`` words; return them and their address, a multiple of eight."""
        buffer = words(count + 1)
        address = addressof(buffer)
        if address & 7:
            return memoryview(buffer)[1:], address + 4
        return buffer, address

    def frequency(self) -> int:
        """The system clock in Hz."""
        hertz: int = self.machine.freq()
        return hertz

    def serial(self) -> str:
        """The controller's unique number in hex."""
        return "".join(["%02x" % byte for byte in self.machine.unique_id()])

    def measure(self, number: int) -> int:
        """The reading of an analogue pin: the mean of 16 from 0 to 65535."""
        adc = self.machine.ADC(self.machine.Pin(number))
        readings: list[int] = [adc.read_u16() for _ in range(16)]
        return sum(readings) // 16

    def idle(self) -> None:
        """Do nothing: on a board time passes by itself."""

    def pause(self, us: int) -> None:
        """Wait ``us`` microseconds."""
        sleep_us(us)


def refuse_other_chips(bus: BusFace, name: str) -> None:
    """Raise Refused unless the controller is the table's: others do other things at an address."""
    chip = bus.chip_id()
    what = KNOWN.get(chip & 0x0FFFFFFF, "unknown")
    if what != CONTROLLER:
        raise Refused(
            'this controller is %s (identity 0x%08x), and backend "%s" was sent for %s; correct '
            '"controller" in the board\'s profile, or write backend = "generic" there'
            % (what, chip, name, CONTROLLER)
        )


def channel(number: int) -> int:
    """The address of a DMA channel's registers."""
    return DMA + DMA_STRIDE * number


def save_state(bus: BusFace, numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Return the state of all registers that ``pins_rp2`` uses, as (address, value).

    Raises Refused if another program uses the PIO block or a DMA channel.
    """
    places = list(SM_STATE)
    for number in CHANNELS:
        base = channel(number)
        if bus.read(base + DMA_CTRL) & DMA_BUSY:
            raise Refused("DMA channel %d is in use by another program" % number)
        places += [base + DMA_CTRL, base + DMA_READ, base + DMA_WRITE, base + DMA_COUNT]
    # The whole block: its program memory cannot be read, so not restored, and PIO_BASE moves the
    # pins of all its machines.
    running = [str(k) for k in range(4) if bus.read(PIO_CTRL) >> k & 1]
    if running:
        raise Refused(
            "PIO block 0 is in use by another program (state machines running: %s); end it, "
            'boot.py for example, or write backend = "sio" in the board\'s profile'
            % ", ".join(running)
        )
    if PIO_BASE:
        places.append(PIO_BASE)
    return save_pins(bus, numbers) + [(place, bus.read(place)) for place in places]


def save_pins(bus: BusFace, numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Return the state of these pins' pads and functions, as (address, value)."""
    places = [PADS + 4 * number for number in numbers]
    places += [IO_CTRL + 8 * number for number in numbers]
    return [(place, bus.read(place)) for place in places]


def take_pins(bus: BusFace, numbers: Iterable[int], function: int) -> None:
    """Give these pins a function, without a pull."""
    for number in numbers:
        bus.write(IO_CTRL + 8 * number, function)
        # After reset, an RP2350's pads are held and their inputs off; a program may change any.
        pad = bus.read(PADS + 4 * number) & ~(PAD_UP | PAD_DOWN | PAD_OFF | PAD_HELD)
        bus.write(PADS + 4 * number, pad | PAD_IN)


def crossing(pairs: Iterable[tuple[int, int]]) -> Words:
    """Make tables that move bit ``a`` to bit ``b`` for each pair (a, b) and drop other bits.

    A word of the host has a bit per chip pin, a register a bit per controller pin. Word 4v + k of
    the table is for byte k of a word, where it is v.
    """
    table = words(1024)
    for a, b in pairs:
        table[(4 << (a & 7)) + (a >> 3)] = 1 << b
    for at in range(4, 1024):
        byte = at >> 2
        rest = byte & (byte - 1)
        if rest:
            table[at] = table[4 * rest + (at & 3)] | table[4 * (byte ^ rest) + (at & 3)]
    return table


def cross(table: Sequence[int], word: int) -> int:
    """Move the bits of a word by the tables."""
    low = table[word << 2 & 1020] | table[(word >> 6 & 1020) + 1]
    return low | table[(word >> 14 & 1020) + 2] | table[(word >> 22 & 1020) + 3]


def pulled(bus: BusFace, number: int, pull: int) -> int:
    """Return a pin's level under a weak pull, which is then removed.

    The input is off until the pull has done its work: on an RP2350 up to stepping A2, an input that
    is on holds a floating pin at 2.2 V against a pull down (RP2350 datasheet, erratum RP2350-E9).
    """
    place = PADS + 4 * number
    bus.write(place + CLEAR_BITS, PAD_IN)
    bus.write(place + SET_BITS, pull)
    bus.pause(PULL_WAIT_US)
    bus.write(place + SET_BITS, PAD_IN)
    level = bus.read(GPIO_HIGH_IN if number > 31 else GPIO_IN) >> (number & 31) & 1
    bus.write(place + CLEAR_BITS, pull)
    return level


def floating_pins(bus: BusFace, numbers: Sequence[int], mask: int) -> int:
    """Return the pins in ``mask`` that follow a weak pull both ways: nothing drives them."""
    floats = 0
    for bit in range(len(numbers)):
        if mask >> bit & 1:
            up = pulled(bus, numbers[bit], PAD_UP)
            down = pulled(bus, numbers[bit], PAD_DOWN)
            if up and not down:
                floats |= 1 << bit
    return floats
