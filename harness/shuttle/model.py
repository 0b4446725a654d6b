"""A shuttle: its chip pins, its designs, and the tables of each design.

Frozen values only; the reader beside this file reads them from TOML.
Bit positions: pin ``k`` of ``Shuttle.pins`` is bit ``k`` of every word of a pattern.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from functools import cached_property
from pathlib import Path

from harness.records import SerialInterface

MAX_PINS = 32
"""Maximum number of pins: a pattern holds one cycle in 32-bit words."""


class Direction(StrEnum):
    """The purpose of a chip pin, seen from the chip."""

    INPUT = "input"
    OUTPUT = "output"
    BIDIRECTIONAL = "bidirectional"
    CLOCK = "clock"
    RESET = "reset"
    SELECT = "select"


@dataclass(frozen=True)
class Pin:
    """One pin of the chip. ``bit`` is its position in every word of a pattern."""

    name: str
    direction: Direction
    bit: int

    @property
    def mask(self) -> int:
        """The pin's bit as a mask."""
        return 1 << self.bit


@dataclass(frozen=True)
class Bus:
    """A named signal of a design: one or more pins, most significant first.

    ``direction`` is that of the design, which may use a bidirectional chip pin as a plain input or
    output. A clock or reset signal is an input.
    """

    name: str
    pins: tuple[Pin, ...]
    direction: Direction

    @property
    def width(self) -> int:
        """Number of pins."""
        return len(self.pins)

    @property
    def title(self) -> str:
        """``q[7:0]``, or the name alone if it is one bit wide."""
        return self.name if self.width == 1 else f"{self.name}[{self.width - 1}:0]"

    @property
    def mask(self) -> int:
        """All the signal's pins as one mask."""
        mask = 0
        for pin in self.pins:
            mask |= pin.mask
        return mask

    @property
    def can_be_driven(self) -> bool:
        """Whether a table may drive the signal."""
        return self.direction is not Direction.OUTPUT

    @property
    def can_be_tested(self) -> bool:
        """Whether a table may test the signal."""
        return self.direction in (Direction.OUTPUT, Direction.BIDIRECTIONAL)

    def bit_name(self, index: int) -> str:
        """Name of bit ``index`` (0 is the least significant): ``q[2]``, or ``q`` if single."""
        return self.name if self.width == 1 else f"{self.name}[{index}]"

    @property
    def bits(self) -> tuple[tuple[str, Pin], ...]:
        """Each pin with the name of its bit, least significant first."""
        return tuple((self.bit_name(index), pin) for index, pin in enumerate(reversed(self.pins)))

    def value(self, word: int) -> int:
        """Return the number that the signal has in a word."""
        return sum(bool(word & pin.mask) << index for index, (_, pin) in enumerate(self.bits))


@dataclass(frozen=True)
class MadeFrom:
    """The file in a design's folder that a table was made from, and its SHA-256 at that time.

    ``seed``, ``kind`` and ``cycles`` are the choices with which a reference model made it; None,
    empty and 0 for a table from anything else.
    """

    file: str
    sha256: str
    seed: int | None = None
    kind: str = ""
    cycles: int = 0


@dataclass(frozen=True)
class TableSpec:
    """A table of a design and the settings for all of its rows.

    ``clock_hz`` is the requested cycles per second; ``settle_us`` the extra wait before outputs are
    tested, in microseconds; ``reset_cycles`` the number of clocks with reset active before the
    first row (0: no reset); ``latency`` the number of cycles by which a bus responds after its row.
    ``gap_free`` requires all rows to run as one burst, without a pause of the clock;
    ``contention_intended`` says that controller and chip may drive a pin at the same time.
    ``unconfirmed`` says where expected values come from that the author has not compared with the
    specification; it is empty once they are. ``made_from`` is None for a table that was
    written by hand.
    """

    name: str
    path: Path
    clock_hz: float
    settle_us: float = 0.0
    reset_cycles: int = 2
    latency: Mapping[str, int] = field(default_factory=dict)
    intake: bool = False
    gap_free: bool = False
    contention_intended: bool = False
    unconfirmed: str = ""
    made_from: MadeFrom | None = None


@dataclass(frozen=True)
class Waiver:
    """A known failure, with an owner and an expiry date.

    With ``fault`` it is no failure but a fault of the design's gates that no table detects, by the
    name that its grade gives it.
    """

    design: str
    table: str
    chips: tuple[str, ...]
    owner: str
    reason: str
    ticket: str
    expiry: date
    pin: str = ""
    fault: str = ""


@dataclass(frozen=True)
class Design:
    """One design on the shuttle. ``source`` names the publication that specifies its behaviour.

    ``folder`` holds ``design.toml``; ``verilog`` and ``netlist`` are absolute paths and may be
    missing (empty tuple, None): a design can be tested without its gates. ``serial`` are its serial
    interfaces.
    """

    name: str
    title: str
    author: str
    address: int
    source: str
    clock_hz: float
    folder: Path
    signals: tuple[Bus, ...]
    tables: tuple[TableSpec, ...]
    top: str
    verilog: tuple[Path, ...] = ()
    netlist: Path | None = None
    serial: tuple[SerialInterface, ...] = ()

    @cached_property
    def signals_by_name(self) -> dict[str, Bus]:
        """The signals, by name."""
        return {signal.name: signal for signal in self.signals}

    @cached_property
    def roles(self) -> dict[Pin, Direction]:
        """How the design uses each of its pins."""
        return {pin: signal.direction for signal in self.signals for pin in signal.pins}

    def names_on(self, direction: Direction) -> list[str]:
        """Return the signals, or bits of them, on chip pins of this direction."""
        bits = (bit for signal in self.signals for bit in signal.bits)
        return [name for name, pin in bits if pin.direction is direction]


@dataclass(frozen=True)
class Shuttle:
    """A shuttle: the chip's pins and every design on it.

    ``chip_serial`` is a regular expression that a chip's serial number matches in full.
    ``reset_active_low`` is True if a low level resets. ``sha256`` covers shuttle.toml and every
    design.toml.
    """

    name: str
    organisation: str
    chip_serial: str
    pins: tuple[Pin, ...]
    designs: tuple[Design, ...]
    path: Path
    sha256: str
    reset_active_low: bool = True
    waivers: tuple[Waiver, ...] = ()
    pin_check: tuple[str, ...] = ()
    """Tables (``design/table``) that show whether each pin reaches the chip."""

    @cached_property
    def pins_by_name(self) -> dict[str, Pin]:
        """The pins, by name."""
        return {pin.name: pin for pin in self.pins}

    @cached_property
    def designs_by_name(self) -> dict[str, Design]:
        """The designs, by name."""
        return {design.name: design for design in self.designs}

    def mask(self, *directions: Direction) -> int:
        """All pins of these directions as one mask."""
        return sum(pin.mask for pin in self.pins if pin.direction in directions)

    @property
    def rest_levels(self) -> tuple[int, int]:
        """(drive, enable) of pins that a table does not mention: inputs low, reset at rest."""
        enable = self.mask(Direction.INPUT, Direction.CLOCK, Direction.RESET, Direction.SELECT)
        return self.mask(Direction.RESET) if self.reset_active_low else 0, enable
