"""A serial interface of a design, as its author declares it and as an outcome keeps it.

One rule: it names signals of the design, never pins, and everything that is needed to read words
of those signals as characters or transfers.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class SerialKind(StrEnum):
    """What goes over the lines of a serial interface."""

    UART = "uart"
    SPI = "spi"
    I2C = "i2c"


class Parity(StrEnum):
    """The parity bit of a character: none, or one that makes the number of ones even or odd."""

    NONE = "none"
    EVEN = "even"
    ODD = "odd"


MAX_BIT_CYCLES = 1_000_000
MIN_DATA_BITS, MAX_DATA_BITS = 5, 9
"""Data bits of a UART's character."""
MAX_WORD_BITS = 64
"""Maximum number of bits of a word of SPI."""


@dataclass(frozen=True)
class SerialInterface:
    """A serial interface: its lines by the names of signals, and its timing in cycles.

    ``tx`` and ``rx`` (UART) are named from the chip: it sends on ``tx``. ``sck``, ``mosi``,
    ``miso`` and ``cs`` are the lines of SPI, ``scl`` and ``sda`` those of I2C; a line that the
    design lacks is empty. A bit lasts ``bit_cycles`` cycles; 1 on SPI means that each row pulses
    ``sck``. ``mode`` is that of SPI; ``pull_up`` says that the board pulls the lines of I2C up.
    Raises ValueError for numbers that no interface has.
    """

    name: str
    kind: SerialKind
    bit_cycles: int
    tx: str = ""
    rx: str = ""
    sck: str = ""
    mosi: str = ""
    miso: str = ""
    cs: str = ""
    scl: str = ""
    sda: str = ""
    data_bits: int = 8
    parity: Parity = Parity.NONE
    stop_bits: int = 1
    lsb_first: bool = False
    mode: int = 0
    cs_active_high: bool = False
    pull_up: bool = False

    def __post_init__(self) -> None:
        uart = self.kind is SerialKind.UART
        fewest, most = (MIN_DATA_BITS, MAX_DATA_BITS) if uart else (1, MAX_WORD_BITS)
        for name, low, high in (
            ("bit_cycles", 1, MAX_BIT_CYCLES),
            ("data_bits", fewest, most),
            ("stop_bits", 1, 2),
            ("mode", 0, 3),
        ):
            if not low <= getattr(self, name) <= high:
                raise ValueError(f"{name} is {getattr(self, name)}, not {low} to {high:,}")

    @property
    def lines(self) -> dict[str, str]:
        """The signals that the design has, by role."""
        roles = ("tx", "rx", "sck", "mosi", "miso", "cs", "scl", "sda")
        return {role: name for role in roles if (name := getattr(self, role))}

    @property
    def frame_cycles(self) -> int:
        """Cycles of one character, word, or byte with its acknowledgement."""
        extra = {
            SerialKind.UART: 1 + (self.parity is not Parity.NONE) + self.stop_bits,
            SerialKind.SPI: 0,
            SerialKind.I2C: 1,
        }
        return (self.data_bits + extra[self.kind]) * self.bit_cycles
