"""The vectors of a JESD3 file as a pattern of a design.

One rule: what the file asks of a pin is done, or refused with its place, but never dropped; a pin
is left out only if that was asked for.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.convert.jesd3_pins import LEFT_OUT, Numbers
from harness.convert.jesd3_read import Jesd3File
from harness.errors import Findings, Location, TableError
from harness.shuttle import Bus, Design, Direction, Pin, Shuttle
from harness.table import PLANES, SYMBOLS, Pattern, Words

MAX_SHOWN = 20
"""Maximum number of pins that one message lists."""

_DRIVEN, _TESTED = "01CK", "HLZ"


def jesd3_pattern(file: Jesd3File, pins: Numbers, design: Design, shuttle: Shuttle) -> Pattern:
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
        for name, pin in signal.bits:
            if pin in used:
                yield Bus(name, (pin,), signal.direction)


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
        self.rest = self.shuttle.rest_levels[0]

    def pin(self, number: int, pin: Pin | _Making | None, symbols: NDArray[np.uint8]) -> None:
        """Take in the conditions of one pin: a pin of the chip, left out, or without a name."""
        if isinstance(pin, _Making):
            self.unnamed += [number] if len(_rows(symbols, _DRIVEN + _TESTED)) else []
        elif pin is not None:
            level = "1" if self.rest & pin.mask else "0"
            self.check_role(number, pin, symbols, level)
            if self.design.roles.get(pin) is Direction.INPUT:
                symbols = np.where(symbols == ord("X"), ord(self.file.default or level), symbols)
            for symbol, planes in SYMBOLS.items() if pin in self.design.roles else ():
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
        role = self.design.roles.get(pin)
        rows = _rows(symbols, refused[role])
        if len(rows):
            place, symbol = self.file.place(int(rows[0])), chr(symbols[rows[0]])
            message = f'"{symbol}" is not allowed on pin {number}: "{pin.name}" is '
            message += f"an {role}" if role else f"not used by the design and rests at {level}"
            advice = f"name another pin of the chip, or leave it out with {LEFT_OUT}={number}"
            self.findings.error("symbol-not-allowed", place, message, advice)

    def check(self, named: Iterable[int]) -> None:
        """Raise TableError with all findings."""
        whole = Location(self.file.path)
        if self.unnamed:
            shown = ", ".join(map(str, self.unnamed[:MAX_SHOWN]))
            more = " …" if len(self.unnamed) > MAX_SHOWN else ""
            message = f"pins that are driven or tested have no name: {shown}{more}"
            advice = f"name each with --map SIGNAL=NUMBER, or leave it out with {LEFT_OUT}=NUMBER"
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
