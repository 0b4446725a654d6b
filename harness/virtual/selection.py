"""How a virtual chip learns which design is selected: the three methods that profiles know.

The one rule: a selector sees the levels of its pins one after another, in the order in which
they happen, at the chip, and holds an address.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

from harness.board import ParallelSelect, PulseSelect, SelectMethod, ShiftSelect
from harness.virtual.wiring import Wiring


class Selector(Protocol):
    """Follows the select pins; ``mask`` has their bits."""

    mask: int
    address: int

    def follow(self, levels: int) -> None:
        """Take the next levels of its pins."""


def new_selector(method: SelectMethod, wiring: Wiring, power_up: int) -> Selector:
    """Build the selector for a method; ``power_up`` decides what its register holds at first.

    Raises VirtualError when the shuttle has no pin of that name.
    """
    return _HARDWARE[type(method)](method, wiring, power_up)


class _Parallel:
    """The address stands on the pins, most significant first."""

    def __init__(self, method: ParallelSelect, wiring: Wiring, _power_up: int) -> None:
        self._bits = [wiring.mask(pin) for pin in method.pins]
        self.mask = wiring.mask(*method.pins)
        self.address = 0

    def follow(self, levels: int) -> None:
        """Read the address from the pins."""
        address = 0
        for bit in self._bits:
            address = address << 1 | _level(levels, bit)
        self.address = address


class _Shift:
    """A shift register: each rising edge takes one bit, most significant first."""

    def __init__(self, method: ShiftSelect, wiring: Wiring, power_up: int) -> None:
        self._data, self._clock = wiring.mask(method.data), wiring.mask(method.clock)
        self._limit = (1 << method.bits) - 1
        self.mask = self._data | self._clock
        self.address = power_up & self._limit
        self._last = 0

    def follow(self, levels: int) -> None:
        """Shift on a rising edge of the clock."""
        clock = _level(levels, self._clock)
        if clock > self._last:
            self.address = (self.address << 1 | _level(levels, self._data)) & self._limit
        self._last = clock


class _Pulse:
    """A counter: high ``clear`` makes it 0, each rising edge of ``step`` adds one."""

    def __init__(self, method: PulseSelect, wiring: Wiring, power_up: int) -> None:
        self._step, self._clear = wiring.mask(method.step), wiring.mask(method.clear)
        self.mask = self._step | self._clear
        self.address = power_up & 0xFF
        self._last = 0

    def follow(self, levels: int) -> None:
        """Count rising edges; clear wins."""
        step = _level(levels, self._step)
        if _level(levels, self._clear):
            self.address = 0
        elif step > self._last:
            self.address += 1
        self._last = step


_HARDWARE: Mapping[type[SelectMethod], Callable[[Any, Wiring, int], Selector]] = {
    ParallelSelect: _Parallel,
    ShiftSelect: _Shift,
    PulseSelect: _Pulse,
}


def _level(levels: int, mask: int) -> int:
    return int(levels & mask != 0)
