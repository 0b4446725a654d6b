"""What stands between the controller and the pins of a virtual chip, with the faults of both.

The one rule: everything else in this room asks here, so that a fault holds for stimulus, response
and selection alike. Contacts are open at the chip's pins; lines are held and shorted by the pin
that the controller means; which line a pin is on is changed in the order of the faults.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from harness.errors import VirtualError
from harness.netlist import nearest
from harness.shuttle import Direction, Shuttle
from harness.virtual import lines
from harness.virtual.faults import (
    BoardFault,
    ChipDefect,
    DeadPad,
    Intermittent,
    MovedPins,
    NeverHigh,
    NeverLow,
    NoClock,
    NoSupply,
    OpenPin,
    OutputStuck,
    ShortedPins,
    StuckPin,
    SwappedPins,
    TurnedChip,
)

_ALWAYS = Intermittent()
_Act = tuple[int, int, int]
"""A word of the board, the bits that a fault sets in it, and those in the next word."""


class Wiring:
    """The lines and pads of one board and chip.

    Raises VirtualError for a pin that the shuttle lacks (with the nearest names).
    """

    def __init__(self, shuttle: Shuttle, faults: Sequence[BoardFault | ChipDefect]) -> None:
        self._shuttle = shuttle
        self._line = {pin.name: pin.bit for pin in shuttle.pins}
        self._rows: list[tuple[int, ...]] = []
        for fault in faults:
            for names in self._moves(fault):
                for name in names:
                    self.mask(name)
                moved = [self._line[name] for name in names]
                self._line |= dict(zip(names, moved[1:] + moved[:1], strict=True))
            when = fault if isinstance(fault, Intermittent) else _ALWAYS
            self._rows += [(*act, *_when(when)) for act in self._acts(fault)]

    def mask(self, *pins: str) -> int:
        """Give the bits of some of the chip's pins, or of their lines as the controller knows."""
        known = self._shuttle.pins_by_name
        for pin in pins:
            if pin not in known:
                message = f"{self._shuttle.path}: no chip pin is named {pin!r}"
                raise VirtualError(message + nearest(pin, known))
        return sum(known[pin].mask for pin in set(pins))

    def table(self, selects: int) -> NDArray[np.int64]:
        """Give the board as the loops read it; ``selects`` are the pins that select."""
        pins = self._shuttle.pins
        moved = [(pin.bit, self._line[pin.name]) for pin in pins if pin.bit != self._line[pin.name]]
        head = np.zeros(lines.HEAD, dtype=np.int64)
        head[lines.FAULTS], head[lines.MOVED] = len(self._rows), len(moved)
        head[lines.AT_HOME] = sum(pin.mask for pin in pins) - sum(1 << bit for bit, _ in moved)
        head[lines.STALE] = 1
        head[lines.VARIES] = any(row[lines.CHANCE] != -1 for row in self._rows)
        head[lines.SHORTS] = any(row[lines.WORD] == lines.SHORT for row in self._rows)
        head[lines.SELECTS] = selects
        rows = [number for row in (*self._rows, *moved) for number in row]
        return np.concatenate((head, np.array(rows, dtype=np.int64)))

    def _moves(self, fault: BoardFault | ChipDefect) -> Iterator[tuple[str, ...]]:
        """Pins each of which is put on the line of the next."""
        match fault:
            case SwappedPins(pin_a, pin_b):
                yield pin_a, pin_b
            case MovedPins(names):
                yield names
            case TurnedChip():
                names = tuple(pin.name for pin in self._shuttle.pins)
                half = len(names) // 2
                yield from zip(names[:half], names[: -half - 1 : -1], strict=True)

    def _acts(self, fault: BoardFault | ChipDefect) -> Iterator[_Act]:
        """What a fault does to words."""
        shuttle = self._shuttle
        match fault:
            case OpenPin(pin=pin):
                yield lines.OPEN, self.mask(pin), 0
            case NoClock():
                yield lines.OPEN, shuttle.mask(Direction.CLOCK), 0
            case StuckPin(pin=pin, level=level):
                yield lines.HELD, self.mask(pin), self.mask(pin) * level
            case ShortedPins(pin_a=pin_a, pin_b=pin_b, wired=wired):
                both = self.mask(pin_a, pin_b)
                yield lines.SHORT, both, both * (wired == "or")
            case NoSupply():
                yield lines.MUTE, sum(pin.mask for pin in shuttle.pins), 0
            case DeadPad(pin=pin, level=level):
                yield lines.BLIND, self.mask(pin), self.mask(pin) * level
                yield lines.MUTE, self.mask(pin), 0
            case NeverLow(pin=pin):
                yield lines.NEVER_LOW, self.mask(pin), 0
            case NeverHigh(pin=pin):
                yield lines.NEVER_HIGH, self.mask(pin), 0
            case OutputStuck(pin=pin, level=level):
                yield lines.STUCK, self.mask(pin), self.mask(pin) * level


def _when(fault: Intermittent) -> tuple[int, int, int, int]:
    """Largest hash, 1: it counts runs, seed, and room for whether it is in force."""
    chance = min(int(fault.probability * 2**64), 2**64 - 1)
    return _signed(chance), int(fault.per == "run"), _signed(fault.seed % 2**64), 0


def _signed(word: int) -> int:
    return word - 2**64 if word >> 63 else word
