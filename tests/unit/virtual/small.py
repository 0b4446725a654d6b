"""Helpers: a small shuttle with three designs of a few gates, and words for its chip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from harness.board import SelectMethod, ShiftSelect
from harness.shuttle import Bus, Design, Direction, Pin, Shuttle
from harness.table import Words
from harness.virtual import BoardFault, ChipDefect
from harness.virtual.chip import ChipModel
from tests.unit.netlist.plain import Bit, Cell, document, write

PIN_LISTS = (
    (Direction.INPUT, ("in0", "in1", "in2")),
    (Direction.OUTPUT, ("out0", "out1", "out2")),
    (Direction.BIDIRECTIONAL, ("io0",)),
    (Direction.CLOCK, ("clk",)),
    (Direction.RESET, ("nreset",)),
    (Direction.SELECT, ("seld", "selc")),
)
NAMES = [(name, direction) for direction, names in PIN_LISTS for name in names]
PINS = {name: Pin(name, direction, bit) for bit, (name, direction) in enumerate(NAMES)}
SHIFT = ShiftSelect(data="seld", clock="selc", bits=2)
NOTHING, REGISTER, PAD, RING = range(4)

Signals = dict[str, tuple[str, tuple[str, ...], list[Bit]]]
"""Port: direction, chip pins (most significant first), bits of the netlist (least first)."""

REGISTER_SIGNALS: Signals = {
    "d": ("input", ("in0",), [2]),
    "ab": ("input", ("in2", "in1"), [3, 4]),
    "clk": ("input", ("clk",), [5]),
    "q": ("output", ("out1", "out0"), [6, 7]),
    "both": ("output", ("out2",), [8]),
}
REGISTER_CELLS: list[Cell] = [
    ("$_DFF_P_", {"C": 5, "D": 2, "Q": 6}),
    ("$_DFF_P_", {"C": 5, "D": 6, "Q": 7}),
    ("$_AND_", {"A": 3, "B": 4, "Y": 8}),
]
PAD_SIGNALS: Signals = {
    "d": ("input", ("in0",), [2]),
    "enable": ("input", ("in1",), [3]),
    "io": ("inout", ("io0",), [4]),
    "inverse": ("output", ("out0",), [5]),
}
PAD_CELLS: list[Cell] = [
    ("$_TBUF_", {"A": 2, "E": 3, "Y": 4}),
    ("$_NOT_", {"A": 4, "Y": 5}),
]
RING_SIGNALS: Signals = {
    "open": ("input", ("in0",), [2]),
    "swing": ("output", ("out0",), [3]),
}
RING_CELLS: list[Cell] = [
    ("$_DLATCH_P_", {"E": 2, "D": 4, "Q": 3}),
    ("$_NOT_", {"A": 3, "Y": 4}),
]


def mask(*names: str) -> int:
    """Bits of pins as one mask."""
    return sum(PINS[name].mask for name in names)


FROM_CHIP = (Direction.OUTPUT, Direction.BIDIRECTIONAL)
DRIVEN = sum(pin.mask for pin in PINS.values() if pin.direction not in FROM_CHIP)


def design(folder: Path, name: str, address: int, signals: Signals, cells: list[Cell]) -> Design:
    """A design with its netlist written to ``folder``."""
    ports = {port: (direction, bits) for port, (direction, _, bits) in signals.items()}
    path = write(folder, document(ports, cells), f"{name}.json")
    directions = {
        "input": Direction.INPUT,
        "output": Direction.OUTPUT,
        "inout": Direction.BIDIRECTIONAL,
    }
    buses = tuple(
        Bus(port, tuple(PINS[pin] for pin in pins), directions[direction])
        for port, (direction, pins, _) in signals.items()
    )
    return Design(
        name=name,
        title=name,
        author="",
        address=address,
        source="",
        clock_hz=1e6,
        folder=folder,
        signals=buses,
        tables=(),
        top="top",
        netlist=path,
    )


def shuttle(folder: Path) -> Shuttle:
    """Three designs, at addresses 1 to 3."""
    designs = (
        design(folder, "register", REGISTER, REGISTER_SIGNALS, REGISTER_CELLS),
        design(folder, "pad", PAD, PAD_SIGNALS, PAD_CELLS),
        design(folder, "ring", RING, RING_SIGNALS, RING_CELLS),
    )
    return Shuttle("Small", "Club", "S-.*", tuple(PINS.values()), designs, folder / "s.toml", "")


@dataclass
class Bench:
    """A chip on a bench, and short words for what is done to it."""

    chip: ChipModel

    def select(self, address: int) -> None:
        """Shift an address in, nothing else driven high."""
        for place in (1, 0):
            self.one("seld" if address >> place & 1 else "", pulse="selc")
        self.one("")

    def one(self, high: str, pulse: str = "", released: str = "", highz: str = "") -> str:
        """Run one cycle with these pins high (space separated); gives the names read high.

        Inputs are driven; bidirectional pins only if they are among ``high``.
        """
        drive = mask(*high.split())
        enable = (DRIVEN | drive) & ~mask(*released.split())
        seen, floating = self.chip.run(
            *words([drive], [enable], [mask(*pulse.split())], [mask(*highz.split())])
        )
        marks = [f"{n}~" for n, pin in PINS.items() if int(floating[0]) & pin.mask]
        return " ".join([*outputs(int(seen[0])), *marks])


def outputs(word: int) -> list[str]:
    """Names of output and bidirectional pins that are high in a word."""
    return [name for name, pin in PINS.items() if word & pin.mask and pin.direction in FROM_CHIP]


def words(*columns: Sequence[int]) -> list[Words]:
    """Columns of numbers as words."""
    return [np.array(column, dtype=np.uint32) for column in columns]


def bench(
    folder: Path,
    address: int = REGISTER,
    defects: Sequence[ChipDefect] = (),
    faults: Sequence[BoardFault] = (),
    select: SelectMethod = SHIFT,
    serial: str = "S-1",
) -> Bench:
    """A chip with one design selected by shifting."""
    made = Bench(ChipModel(shuttle(folder), select, serial, defects, faults))
    if isinstance(select, ShiftSelect):
        made.select(address)
    return made
