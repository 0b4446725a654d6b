"""Reads ``[serial]`` of a design: which signals carry characters or transfers, and how.

One rule: a serial interface is described once, here; transaction lists and reports use it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeVar

from harness.records import MAX_BIT_CYCLES, MAX_WORD_BITS, Parity, SerialInterface, SerialKind
from harness.shuttle.model import Bus, Direction
from harness.shuttle.names import bad_name, is_name
from harness.shuttle.tomlfile import TomlTable, nearest

T = TypeVar("T")

_ORDERS = {"lsb": True, "msb": False}
_LEVELS = {"low": False, "high": True}
_SINGLE, _EVEN, _QUARTERS = 1, 2, 4


def read_serial_interfaces(
    table: TomlTable | None, signals: tuple[Bus, ...]
) -> tuple[SerialInterface, ...]:
    """Read every serial interface of a design; those with errors are left out after findings."""
    if table is None:
        return ()
    by_name = {signal.name: signal for signal in signals}
    ports = [_Reader(name, below, by_name).read() for name, below in table.children()]
    return tuple(port for port in ports if port is not None)


class _Reader:
    """Reads one interface; ``fine`` turns False with the first finding."""

    def __init__(self, name: str, table: TomlTable, signals: Mapping[str, Bus]) -> None:
        self.name, self.table, self.signals = name, table, signals
        self.fine = True

    def read(self) -> SerialInterface | None:
        """Return the interface; None after findings."""
        if not is_name(self.name):
            bad_name(self.table, self.table.location(), self.name)
            self.fine = False
        readers: dict[str, Callable[[], SerialInterface]] = {
            SerialKind.UART: self._uart,
            SerialKind.SPI: self._spi,
            SerialKind.I2C: self._i2c,
        }
        read = self._choice("kind", readers, None)
        if read is None:
            self.table.known.update(self.table)  # which keys are right depends on the kind
            return None
        port = read()
        return port if self.fine else None

    def _uart(self) -> SerialInterface:
        tx, rx = self._line("tx", Direction.OUTPUT), self._line("rx", Direction.INPUT)
        if not {"tx", "rx"} & set(self.table):
            self.table.missing("tx", "the signal on which the chip sends, or rx, or both")
            self.fine = False
        return SerialInterface(
            self.name,
            SerialKind.UART,
            self._cycles(_SINGLE, None),
            tx=tx,
            rx=rx,
            data_bits=self._number("data_bits", 8, 5, 9),
            parity=self._choice("parity", {p.value: p for p in Parity}, Parity.NONE),
            stop_bits=self._number("stop_bits", 1, 1, 2),
            lsb_first=self._choice("bit_order", _ORDERS, True),
        )

    def _spi(self) -> SerialInterface:
        mosi, miso = self._line("mosi"), self._line("miso")
        if not {"mosi", "miso"} & set(self.table):
            self.table.missing("mosi", "the signal into the chip, or miso, or both")
            self.fine = False
        return SerialInterface(
            self.name,
            SerialKind.SPI,
            self._cycles(_EVEN, 1),
            sck=self._required("sck"),
            mosi=mosi,
            miso=miso,
            cs=self._required("cs"),
            data_bits=self._number("data_bits", 8, 1, MAX_WORD_BITS),
            lsb_first=self._choice("bit_order", _ORDERS, False),
            mode=self._number("mode", 0, 0, 3),
            cs_active_high=self._choice("cs_active", _LEVELS, False),
        )

    def _i2c(self) -> SerialInterface:
        return SerialInterface(
            self.name,
            SerialKind.I2C,
            self._cycles(_QUARTERS, None),
            scl=self._required("scl"),
            sda=self._required("sda", Direction.BIDIRECTIONAL),
            pull_up=self.table.take("pull_up", bool, False),
        )

    def _required(self, key: str, role: Direction | None = None) -> str:
        if key not in self.table:
            self.table.missing(key, "the name of a signal")
            self.fine = False
        return self._line(key, role)

    def _line(self, key: str, role: Direction | None = None) -> str:
        """Read the signal of a line: one pin, which a table can use in this role."""
        name = self.table.take(key, str, "")
        signal = self.signals.get(name)
        if not name:
            return ""
        if signal is None:
            message = f'the design has no signal "{name}"'
            return self._wrong(key, message, nearest(name, self.signals))
        if signal.width != 1:
            message = f'"{name}" has {signal.width} pins'
            return self._wrong(key, message, "name a signal with one pin")
        driven = signal.can_be_driven or role in (None, Direction.OUTPUT)
        tested = signal.can_be_tested or role in (None, Direction.INPUT)
        if not (driven and tested):
            message = f'"{name}" is {signal.direction}'
            other = "" if role is Direction.BIDIRECTIONAL else f"{role} or "
            return self._wrong(key, message, f"name a signal that is {other}bidirectional")
        return name

    def _wrong(self, key: str, message: str, advice: str) -> str:
        self.table.error("bad-serial", key, message, advice)
        self.fine = False
        return ""

    def _cycles(self, step: int, default: int | None) -> int:
        """Read how long a bit lasts: a multiple of ``step``, or the default."""
        value = self.table.take("bit_cycles", int, *(() if default is None else (default,)))
        if value is None:
            self.fine = False
            return step
        if value == default or (0 < value <= MAX_BIT_CYCLES and value % step == 0):
            return value
        also = f"{default}, or " if default is not None else ""
        advice = f"write {also}a multiple of {step}" if step > 1 else "write a number from 1"
        self._wrong("bit_cycles", f'"bit_cycles" is {value:,}', f"{advice} to {MAX_BIT_CYCLES:,}")
        return step

    def _number(self, key: str, default: int, low: int, high: int) -> int:
        value = self.table.take(key, int, default)
        if not low <= value <= high:
            self._wrong(key, f'"{key}" is {value}', f"write a number from {low} to {high}")
            return default
        return value

    def _choice(self, key: str, choices: Mapping[str, T], default: T) -> T:
        """Read one of several words; the default after a finding, or without the key."""
        if key not in self.table and default is not None:
            return default
        word = self.table.take(key, str)
        if word is not None and word not in choices:
            self._wrong(key, f'"{word}" is not a "{key}"', nearest(word, choices))
        self.fine = self.fine and word in choices
        return choices.get(word or "", default)
