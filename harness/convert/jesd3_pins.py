"""Which pin number of a JESD3 file is which pin of the chip, and the file's vectors as a pattern.

One rule: nothing is guessed. A number gets its name from the caller, or from a comment of the file
(``N pin 3 = d[0]*``), which every file written here has.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.convert.jesd3_read import Jesd3File
from harness.errors import ConfigError, Findings, Location, TableError
from harness.shuttle import Bus, Design, Direction, Pin, Shuttle, nearest
from harness.table import PLANES, Pattern, Words, signal_columns

LEFT_OUT = "-"
"""Name of a pin that a table leaves out on purpose."""
MAX_SHOWN = 20
"""Maximum number of pins that one message lists."""

_COMMENT = re.compile(r"pin ([1-9][0-9]{0,2}) = (\S+)")
_NAMED = re.compile(r"([1-9][0-9]{0,2})\s*=\s*(\S+)")
_PLANES = {
    "0": ("enable",),
    "1": ("drive", "enable"),
    "C": ("enable", "pulse"),
    "K": ("drive", "enable", "pulse"),
    "H": ("expect", "care"),
    "L": ("care",),
    "Z": ("highz",),
}
_DRIVEN, _TESTED = "01CK", "HLZ"


def pin_comment(number: int, name: str) -> str:
    """Text of the comment that names a pin."""
    return f"pin {number} = {name}"


def named_pins(file: Jesd3File) -> dict[int, str]:
    """Return the names that the comments of a file give to its pins."""
    matches = map(_COMMENT.fullmatch, file.notes)
    return {int(match[1]): match[2] for match in matches if match is not None}


def read_pin_numbers(text: str) -> dict[int, str]:
    """Read ``1=clk, 2=d[0], 7=-``. Raises ValueError with a message."""
    names: dict[int, str] = {}
    for part in filter(None, map(str.strip, text.split(","))):
        match = _NAMED.fullmatch(part)
        if match is None:
            message = f'"{part[:40]}" is not a pin number and a name, such as 3=d[0]'
            raise ValueError(message)
        if int(match[1]) in names:
            message = f"pin {match[1]} is named twice"
            raise ValueError(message)
        names[int(match[1])] = match[2]
    return names


def find_pins(names: Mapping[int, str], design: Design, shuttle: Shuttle) -> dict[int, Pin | None]:
    """Find the chip's pin for each pin number of a file, None for one that is left out.

    A name is a signal of one pin, a bit of a signal (``d[0]``), a chip pin, or ``-``. Raises
    ConfigError for names that are unknown or used twice.
    """
    signals = {name: column.bus for name, column in signal_columns(design, shuttle).items()}
    known = shuttle.pins_by_name | {n: bus.pins[0] for n, bus in signals.items() if bus.width == 1}
    pins: dict[int, Pin | None] = {}
    findings = Findings()
    for number, name in names.items():
        pin = known.get(name)
        if pin is None and name != LEFT_OUT:
            message = f'pin {number}: design "{design.name}" has no pin "{name[:60]}"'
            advice = nearest(name[:60], _own_names(design).values())
            if name in signals:
                advice = f"name one bit of it, such as {name}[0]"
            findings.error("unknown-pin", Location(design.folder), message, advice)
        elif pin is not None and pin in pins.values():
            message = f'pin {number}: "{name}" already has another number'
            findings.error("doubled-pin", Location(design.folder), message, "name it once")
        pins[number] = pin
    if findings.errors:
        raise ConfigError(findings.items)
    return pins


def numbered_pins(
    names: Mapping[int, str], design: Design, shuttle: Shuttle
) -> dict[Pin, tuple[int, str]]:
    """Return the number and name of each pin that a file is written for.

    Without names the chip's pins are numbered in the order of the shuttle file. Raises ConfigError
    for names that are wrong, and if a pin of the design has none.
    """
    own = _own_names(design)
    if not names:
        selects = shuttle.mask(Direction.SELECT)
        pins = [pin for pin in shuttle.pins if not pin.mask & selects]
        return {pin: (pin.bit + 1, own.get(pin, pin.name)) for pin in pins}
    numbers = {pin: number for number, pin in find_pins(names, design, shuttle).items() if pin}
    lost = [name for pin, name in own.items() if pin not in numbers]
    if lost:
        shown = ", ".join(lost[:MAX_SHOWN]) + (" …" if len(lost) > MAX_SHOWN else "")
        message = f"pins of the design have no number: {shown}"
        raise ConfigError.of("pin-without-number", design.folder, message, "number all or none")
    return {pin: (number, own.get(pin, pin.name)) for pin, number in numbers.items()}


def _own_names(design: Design) -> dict[Pin, str]:
    """Names of the bits of the design's signals."""
    return {pin: bus.bit_name(k) for bus in design.signals for k, pin in enumerate(bus.pins[::-1])}


def jesd3_pattern(
    file: Jesd3File, pins: Mapping[int, Pin | None], design: Design, shuttle: Shuttle
) -> Pattern:
    """Return the vectors as a pattern of the design, one row for each; comments are labels.

    Raises TableError with every finding: pins without a name, conditions that a pin cannot have.
    """
    making = _Making(file, design, shuttle)
    for column, number in enumerate(file.order):
        making.pin(number, pins.get(number, making), file.symbols[:, column])
    making.check(pins.keys())
    used = {pin for pin in pins.values() if pin is not None}
    pattern = Pattern.of(tuple(_columns(design, used)), **making.words)
    return replace(pattern, labels=file.labels)


def _columns(design: Design, used: set[Pin]) -> Iterable[Bus]:
    """Signals of which every bit is used, and single bits of the others."""
    for signal in design.signals:
        if set(signal.pins) <= used:
            yield signal
            continue
        for index, pin in enumerate(reversed(signal.pins)):
            if pin in used:
                yield Bus(signal.bit_name(index), (pin,), signal.direction)


@dataclass
class _Making:
    """The planes so far, and what is wrong."""

    file: Jesd3File
    design: Design
    shuttle: Shuttle
    words: dict[str, Words] = field(init=False)
    findings: Findings = field(default_factory=Findings)
    unnamed: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.words = {name: np.zeros(len(self.file.symbols), np.uint32) for name in PLANES}
        self.roles = {pin: bus.direction for bus in self.design.signals for pin in bus.pins}
        self.rest = self.shuttle.rest_levels[0]

    def pin(self, number: int, pin: Pin | _Making | None, symbols: NDArray[np.uint8]) -> None:
        """Take in the conditions of one pin: a pin of the chip, left out, or without a name."""
        if isinstance(pin, _Making):
            self.unnamed += [number] if len(_rows(symbols, _DRIVEN + _TESTED)) else []
        elif pin is not None:
            level = "1" if self.rest & pin.mask else "0"
            self.check_role(number, pin, symbols, level)
            if self.roles.get(pin) is Direction.INPUT:
                symbols = np.where(symbols == ord("X"), ord(self.file.default or level), symbols)
            for symbol, planes in _PLANES.items() if pin in self.roles else ():
                for plane in planes:
                    self.words[plane][symbols == ord(symbol)] |= np.uint32(pin.mask)

    def check_role(self, number: int, pin: Pin, symbols: NDArray[np.uint8], level: str) -> None:
        """Refuse what the pin cannot have; one that the design does not use must be at rest."""
        refused = {
            Direction.INPUT: _TESTED,
            Direction.OUTPUT: _DRIVEN,
            Direction.BIDIRECTIONAL: "",
            None: (_DRIVEN + _TESTED).replace(level, ""),
        }
        role = self.roles.get(pin)
        rows = _rows(symbols, refused[role])
        if len(rows):
            place, symbol = self.file.place(int(rows[0])), chr(symbols[rows[0]])
            message = f'"{symbol}" is not allowed on pin {number}: "{pin.name}" is '
            message += f"an {role}" if role else f"not used by the design and rests at {level}"
            advice = f"name another pin of the chip, or leave it out with {number}={LEFT_OUT}"
            self.findings.error("symbol-not-allowed", place, message, advice)

    def check(self, named: Iterable[int]) -> None:
        """Raise TableError for everything that was found."""
        whole = Location(self.file.path)
        if self.unnamed:
            shown = ", ".join(map(str, self.unnamed[:MAX_SHOWN]))
            more = " …" if len(self.unnamed) > MAX_SHOWN else ""
            message = f"pins that are driven or tested have no name: {shown}{more}"
            advice = f"name each, as in {self.unnamed[0]}=SIGNAL, or leave it out with - as name"
            self.findings.error("pin-without-name", whole, message, advice)
        for number in sorted(set(named) - set(self.file.order)):
            message = f"the file has no pin {number}"
            self.findings.error("unknown-pin", whole, message, "name only pins that it has")
        if not (self.findings.errors or self.words["care"].any() or self.words["highz"].any()):
            message = "no vector tests a pin that has a name, so no chip could fail"
            self.findings.error("nothing-tested", whole, message, "name the outputs")
        if self.findings.errors:
            raise TableError(self.findings.in_order)


def _rows(symbols: NDArray[np.uint8], wanted: str) -> NDArray[np.intp]:
    """Rows in which a pin has one of these conditions."""
    return np.flatnonzero(np.isin(symbols, np.frombuffer(wanted.encode(), np.uint8)))
