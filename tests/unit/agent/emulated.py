"""An emulated RP2040 behind the agent's bus, with a chip on its pins that answers after a while.

The emulator has neither the input synchroniser nor a way from an output back to its own input;
both are added here. Times are ticks of 8 ns. A level that is put out in tick ``t`` stands on the
wire from tick ``t + 1``; the chip's answer to it stands there from tick ``t + delay``; what the
controller reads in a tick stood on the wire two ticks before.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from types import SimpleNamespace
from typing import Any, Protocol

from rp2040py.rp2040 import RP2040

from harness.agent import rp2_chip, rp2040
from harness.agent.cpython import Window
from tests.unit.agent.tern import CLK, IO, NRESET, OUTS, S0, S1, TernChip

RAM = 0x20000000
TIMER = rp2040.TIMER
SYNC = 2


class Device(Protocol):
    """A chip on the wires; words have a bit per chip pin."""

    def answer(self, levels: int, driven: int) -> tuple[int, int]:
        """Return the chip's outputs and their pins, for its present inputs."""


class EmulatedBus:
    """Registers and memory of an emulated chip; time passes only in waits."""

    table = rp2040

    def __init__(self, device: Device, numbers: Iterable[int], delay: int = 1) -> None:
        self.chip = RP2040()
        self.chip.simulator = SimpleNamespace()  # type: ignore[assignment]
        self.pio = self.chip.pio[0]
        self.memory = memoryview(self.chip.sram)
        self.used = 0
        self.now = 0
        self.device = device
        self.numbers = list(numbers)
        self.delay = delay
        self.edges: list[tuple[int, int]] = []
        self.hertz = 125_000_000
        self.before = (-1, -1)
        self.coming: deque[tuple[int, int, int, int, int]] = deque()
        self.wires = self.own = self.answered = (0, 0)
        self.chip.clock.tick(0.0)
        self.pio.advance(0)
        self.advance(8)

    def chip_id(self) -> int:
        return self.read(rp2_chip.CHIP_ID)

    def read(self, address: int) -> int:
        return int(self.chip.read_uint32(address))

    def write(self, address: int, value: int) -> None:
        self.chip.write_uint32(address, value)
        if address & ~0x3000 == rp2_chip.PIO_CTRL:
            # a machine that was just let go is due in this tick, not in the next
            self.pio.advance(0)
            if (self.pio.pin_values, self.pio.pin_directions) != self.before:
                self.moved()

    def put(self, pairs: Any, count: int) -> None:
        for k in range(0, 2 * count, 2):
            self.write(pairs[k], pairs[k + 1])

    def window(self, address: int) -> Window:
        return Window(self, address)

    def room(self, count: int) -> tuple[Any, int]:
        at = self.used
        self.used += (4 * count + 7) // 8 * 8
        return self.memory[at : at + 4 * count].cast("I"), RAM + at

    def frequency(self) -> int:
        return self.hertz

    def serial(self) -> str:
        return "emulated"

    def measure(self, number: int) -> int:
        return number  # analogue parts are not emulated

    def idle(self) -> None:
        self.advance(64)

    def pause(self, us: int) -> None:  # noqa: ARG002  weak pulls act at once here
        self.advance(8)

    def advance(self, ticks: int) -> None:
        """Let ticks pass: DMA, PIO, wires, chip, synchroniser."""
        pio, tick, step = self.pio, self.chip.clock.tick, self.pio.advance
        for _ in range(ticks):
            self.now += 1
            tick(8.0)
            step(1)
            if pio.pin_values != self.before[0] or pio.pin_directions != self.before[1]:
                self.moved()
            while self.coming and self.coming[0][0] <= self.now:
                self.arrive(*self.coming.popleft()[1:])

    def outputs(self) -> tuple[int, int]:
        """The controller's levels and directions."""
        return self.pio.pin_values, self.pio.pin_directions

    def moved(self) -> None:
        """Take changed levels of the controller: tell the chip, and send both on their way."""
        self.before = values, directions = self.outputs()
        levels = driven = 0
        for bit, number in enumerate(self.numbers):
            levels |= (values >> number & 1) << bit
            driven |= (directions >> number & 1) << bit
        self.edges.append((self.now, levels & driven))
        out, drives = self.device.answer(levels & driven, driven)
        # what is read in tick u stood on the wire in tick u - SYNC, and is set in tick u - 1
        self.coming.append((self.now + SYNC, levels & driven, driven, out, drives))
        if self.delay > 1:
            own, answer = self.coming.pop(), self.now + self.delay + SYNC - 1
            self.coming.append((own[0], own[1], own[2], -1, 0))
            self.coming.append((answer, -1, 0, out, drives))
            self.coming = deque(sorted(self.coming, key=lambda entry: entry[0]))

    def arrive(self, levels: int, driven: int, out: int, drives: int) -> None:
        """Take levels from the synchroniser: the controller's own, the chip's, or both."""
        if levels >= 0:
            self.own = (levels, driven)
        if out >= 0:
            self.answered = (out, drives)
        levels, driven = self.own
        out, drives = self.answered
        drives &= ~driven
        word, known = levels & driven | out & drives, driven | drives
        moved = (word ^ self.wires[0]) | (known ^ self.wires[1])
        self.wires = (word, known)
        while moved:
            bit = (moved & -moved).bit_length() - 1
            moved &= moved - 1
            pin = self.chip.gpio[self.numbers[bit]]
            if known >> bit & 1:
                pin.set_input_value(bool(word >> bit & 1))
            else:
                pin.release_input()

    def registers(self) -> dict[int, int]:
        """The state that a session must restore."""
        places = [self.table.PADS + 4 * number for number in range(30)]
        places += [self.table.IO_CTRL + 8 * number for number in range(30)]
        places += [*rp2_chip.SM_STATE, rp2_chip.PIO_CTRL]
        places += [rp2_chip.channel(k) + rp2_chip.DMA_CTRL for k in range(12)]
        return {place: self.read(place) for place in places}


class SioBus(EmulatedBus):
    """Pins that registers move; software needs ``ACCESS`` ticks from one register to the next."""

    ACCESS = 8

    def read(self, address: int) -> int:
        self.pass_access(address)
        return super().read(address)

    def write(self, address: int, value: int) -> None:
        super().write(address, value)
        if self.outputs() != self.before:
            self.moved()
        self.pass_access(address)

    def pass_access(self, address: int) -> None:
        if address >= rp2_chip.SIO or address == TIMER:
            self.advance(self.ACCESS)

    def outputs(self) -> tuple[int, int]:
        return self.chip.sio.gpio_value, self.chip.sio.gpio_output_enable

    def pause(self, us: int) -> None:
        self.advance(125 * us)

    def advance(self, ticks: int) -> None:
        """Let ticks pass: timer, chip, synchroniser."""
        self.now += ticks
        self.chip.clock.tick(8.0 * ticks)
        while self.coming and self.coming[0][0] <= self.now:
            self.arrive(*self.coming.popleft()[1:])


class Inverter:
    """Eight inputs (bits 0 to 7), eight outputs (bits 8 to 15) with the opposite levels."""

    PINS = 16

    def answer(self, levels: int, driven: int) -> tuple[int, int]:  # noqa: ARG002  not its business
        return (~levels & 0xFF) << 8, 0xFF00


class TernDevice:
    """The accumulator of ``tern`` as a chip that sees edges instead of cycles."""

    def __init__(self, chip: TernChip) -> None:
        self.chip = chip
        self.before = 0
        self.clocks = 0

    def answer(self, levels: int, driven: int) -> tuple[int, int]:
        rose = levels & ~self.before
        self.before = levels
        if rose & CLK:
            self.clocks += 1
        word, floating = self.chip.cycle(levels, driven, rose & CLK)
        return word, (OUTS | IO) & ~floating


__all__ = ["NRESET", "S0", "S1", "Device", "EmulatedBus", "Inverter", "SioBus", "TernDevice"]
