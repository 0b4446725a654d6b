"""Which controller bit reaches which chip pin of a virtual board, with the board's faults.

The one rule: everything else in this room asks here, so that a fault of the board holds for
stimulus, response and selection alike.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.errors import VirtualError
from harness.netlist import nearest
from harness.shuttle import Direction, Shuttle
from harness.virtual.faults import BoardFault, NoClock, OpenPin, SwappedPins


class Wiring:
    """The controller bit of each chip pin; None for a pin that does not reach the controller.

    Faults add up in the order given. Raises VirtualError for a pin that the shuttle lacks.
    """

    def __init__(self, shuttle: Shuttle, faults: Sequence[BoardFault]) -> None:
        self._shuttle = shuttle
        self._bits: dict[str, int | None] = {pin.name: pin.bit for pin in shuttle.pins}
        for fault in faults:
            self._apply(fault)

    def bit(self, pin: str) -> int | None:
        """Give the controller bit that is wired to a chip pin."""
        if pin not in self._bits:
            message = f"{self._shuttle.path}: no chip pin is named {pin!r}"
            raise VirtualError(message + nearest(pin, self._bits))
        return self._bits[pin]

    @property
    def moved(self) -> tuple[tuple[int, int | None], ...]:
        """Pins of the chip that are not on the controller's bit of the same number: both bits."""
        pins = self._shuttle.pins
        wires = [(pin.bit, self._bits[pin.name]) for pin in pins]
        return tuple((bit, line) for bit, line in wires if bit != line)

    def _apply(self, fault: BoardFault) -> None:
        match fault:
            case OpenPin(pin):
                self.bit(pin)
                self._bits[pin] = None
            case SwappedPins(pin_a, pin_b):
                first, second = self.bit(pin_a), self.bit(pin_b)
                self._bits[pin_a], self._bits[pin_b] = second, first
            case NoClock():
                for clock in self._shuttle.pins:
                    if clock.direction is Direction.CLOCK:
                        self._bits[clock.name] = None
