"""An emulated RP2040 with MicroPython's own firmware and a virtual chip on its pins, on a pty.

Run: python -m tests.bench.emulated_board FIRMWARE.uf2 [--flash FILE]. Prints the pty's path; any
command of the tool can then use it as ``--port``. Everything takes about fifteen times as long as
on a board, so the tool's own waits are too short for it: ``powered`` lengthens them. The
firmware is MicroPython for the Raspberry Pi Pico; it is not part of this project. The chip's
outputs answer every edge at once: when things happen in a cycle is shown by
``tests/unit/agent/emulated.py``.
With ``--flash`` the flash outlives the board: it is read from the file, and written there when the
process is terminated. With ``--faults`` each line of the standard input plants faults in the chip,
in place of those before, and is answered by a line: how often the chip left reset since the line
before.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import signal
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, TextIO

import numpy as np
from rp2040py.boards import BoardSpec
from rp2040py.cli.pty_repl import PtyInteractiveRepl
from rp2040py.device import MicroPythonDevice

from harness.board import load_profile
from harness.shuttle import Direction, load_shuttle
from harness.virtual.chip import ChipModel
from tests.bench.powered import EVERY_RUN
from tests.bench.quiet_usb import quieten

ROOT = Path(__file__).parents[2]
FLASH = 2 << 20
"""Bytes of flash of the board that the firmware is for."""
DRIVEN = (0, 1)
"""States of an emulated pin in which the controller drives it; the others are kinds of input."""


class PlantedFaults:
    """Wrong levels of a chip, by the moment at which they show.

    A moment is a run and a number of clock pulses in it: a run begins when the chip leaves reset.
    """

    def __init__(self, clock: int, reset: int) -> None:
        self._clock, self._reset = clock, reset
        self._levels = self._pulses = 0
        self.plant([])

    def plant(self, places: Iterable[tuple[int, int, int]]) -> None:
        """Plant faults in place of those before: run, pulses, pins that are wrong then."""
        self._wrong: dict[tuple[int, int], int] = {}
        for run, pulses, pins in places:
            self._wrong[run, pulses] = self._wrong.get((run, pulses), 0) | pins
        self.runs = 0

    def wrong(self, levels: int) -> int:
        """Take the levels of the chip's inputs; return the pins that are wrong now."""
        rose = levels & ~self._levels
        self._levels = levels
        if rose & self._reset:
            self.runs += 1
            self._pulses = 0
        elif rose & self._clock:
            self._pulses += 1
        if not levels & self._reset:
            return 0
        always, now = ((run, self._pulses) for run in (EVERY_RUN, self.runs - 1))
        return self._wrong.get(always, 0) | self._wrong.get(now, 0)


class ChipOnPins:
    """A chip model wired to emulated pins: every edge the controller makes is one cycle of it."""

    def __init__(
        self, board: Any, model: ChipModel, pins: Mapping[int, int], faults: PlantedFaults
    ) -> None:
        self._board, self._model = board, model
        self._gpio_of_bit = dict(pins)
        self.faults = faults
        self.edges = 0
        for gpio in self._gpio_of_bit.values():
            board.gpio[gpio].add_listener(self._edge)

    def _edge(self, _now: object, _before: object) -> None:
        """A pin changed: evaluate the chip at once, for it may be read two clocks later."""
        self.edges += 1
        self.evaluate()

    def evaluate(self) -> None:
        """Give the chip the levels that stand on its pins, and put its answer on its outputs."""
        drive = enable = 0
        for bit, gpio in self._gpio_of_bit.items():
            state = int(self._board.gpio[gpio].value)
            if state in DRIVEN:
                enable |= 1 << bit
                drive |= state << bit
        word = np.array([drive], np.uint32), np.array([enable], np.uint32)
        nothing = np.zeros(1, np.uint32)
        everything = np.array([0xFFFFFFFF], np.uint32) & ~word[1]
        seen, floating = self._model.run(*word, nothing, everything)
        self._show(int(seen[0]) ^ self.faults.wrong(drive), int(floating[0]), enable)

    def _show(self, seen: int, floating: int, enable: int) -> None:
        for bit, gpio in self._gpio_of_bit.items():
            pin = self._board.gpio[gpio]
            if enable >> bit & 1 or floating >> bit & 1:
                pin.release_input()
            else:
                pin.set_input_value(bool(seen >> bit & 1))


def chip_on(board: Any) -> ChipOnPins:
    """Put a good chip of the demo shuttle on the pins that the demo board's profile names."""
    shuttle = load_shuttle(ROOT / "vectors/shuttle.toml")
    profile = load_profile(ROOT / "ci/wader.toml", shuttle)
    model = ChipModel(shuttle, profile.select, "SP2-0001")
    pins = {bit: profile.pins[pin.name] for bit, pin in enumerate(shuttle.pins)}
    mask = {pin.direction: pin.mask for pin in shuttle.pins}
    faults = PlantedFaults(mask[Direction.CLOCK], mask[Direction.RESET])
    return ChipOnPins(board, model, pins, faults)


async def serve(firmware: Path, flash: Path | None, orders: TextIO | None) -> None:
    """Boot the firmware and keep it running; its USB serial port is the pty that is printed."""
    device = MicroPythonDevice(board=BoardSpec(image=firmware))
    if flash is not None and flash.exists():
        device.mcu.flash[:FLASH] = flash.read_bytes()
    quieten(device.cdc)
    chip = chip_on(device.mcu)

    def tell() -> None:
        print(f"{device.mcu.clock.nanos / 1e9:.6f} s, {chip.edges} edges", flush=True)

    def plant(orders: TextIO) -> None:
        order, runs = orders.readline(), chip.faults.runs
        if not order:  # the benchmark is over
            loop.remove_reader(orders)
            return
        chip.faults.plant(json.loads(order))
        print(f"{runs} runs", flush=True)

    def end() -> None:
        if flash is not None:
            flash.write_bytes(device.mcu.flash[:FLASH])
        os._exit(0)

    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGUSR1, tell)
    loop.add_signal_handler(signal.SIGTERM, end)
    if orders is not None:
        loop.add_reader(orders, plant, orders)
    bridge = PtyInteractiveRepl(device.cdc, device.simulator, on_quit=lambda _code: None)
    await bridge.start()
    print(bridge.slave_path, flush=True)
    await device.astart(timeout=None)
    await asyncio.Event().wait()


def main() -> None:
    """Read the options and serve until the process is ended."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("firmware", type=Path)
    parser.add_argument("--flash", type=Path)
    parser.add_argument("--faults", action="store_true")
    given = parser.parse_args()
    asyncio.run(serve(given.firmware, given.flash, sys.stdin if given.faults else None))


if __name__ == "__main__":
    main()
