"""Names for the bits of a pattern's words."""

from __future__ import annotations

from collections.abc import Iterator

from harness.records import SATISFIES, BusValue, PinResult
from harness.shuttle import Bus, Shuttle
from harness.table.pattern import Pattern


class Names:
    """Chip pin and design signal names by bit position."""

    def __init__(self, shuttle: Shuttle, pattern: Pattern) -> None:
        self.pins = tuple(pin.name for pin in shuttle.pins)
        self._pattern = pattern
        self._signals: dict[int, str] = {}
        for signal in pattern.signals:
            for name, pin in signal.bits:
                self._signals.setdefault(pin.bit, name)

    def pin(self, bit: int) -> str:
        """Name of the chip pin."""
        return self.pins[bit]

    def all(self, word: int) -> tuple[str, ...]:
        """Names of the chip pins whose bits are set."""
        return tuple(self.pins[bit] for bit in bits(word))

    def signal(self, bit: int) -> str:
        """Name of the design's signal on that pin, empty if the design does not use it."""
        return self._signals.get(bit, "")

    def both(self, bit: int) -> str:
        """``q[2] (pin out1)``, or the pin alone."""
        signal = self.signal(bit)
        return f"{signal} (pin {self.pin(bit)})" if signal else f"pin {self.pin(bit)}"

    def wrong_pins(self, row: int, wrong: int, seen: int, floating: int) -> tuple[PinResult, ...]:
        """Every wrong pin of one cycle, expected against observed."""
        return tuple(
            PinResult(
                pin=self.pin(bit),
                signal=self.signal(bit),
                expected=self._pattern.tested_symbol(row, bit),
                observed=observed(bit, seen, floating),
            )
            for bit in bits(wrong)
        )

    def wrong_buses(self, row: int, wrong: int, seen: int) -> tuple[BusValue, ...]:
        """Every signal of the design with a wrong pin in one cycle."""
        return tuple(
            BusValue.of(signal.title, *self._levels(signal, row, wrong, seen))
            for signal in self._pattern.signals
            if signal.mask & wrong
        )

    def _levels(self, signal: Bus, row: int, wrong: int, seen: int) -> tuple[list[str], list[str]]:
        """Levels expected of a signal and observed, highest bit first; ``x`` where not tested."""
        tested = [self._pattern.tested_symbol(row, pin.bit) for pin in signal.pins]
        wanted = [SATISFIES.get(symbol, "x") for symbol in tested]
        read = [
            observed(pin.bit, seen, 0) if pin.mask & wrong else level
            for pin, level in zip(signal.pins, wanted, strict=True)
        ]
        return wanted, read

    def used(self) -> list[int]:
        """Bit positions of the design's signals, in the table's order."""
        return list(self._signals)


def bits(word: int) -> Iterator[int]:
    """Positions of the bits that are set, lowest first."""
    return (k for k in range(word.bit_length()) if word >> k & 1)


def observed(bit: int, seen: int, floating: int) -> str:
    """The symbol of what was read at a bit: 0, 1 or Z."""
    if floating >> bit & 1:
        return "Z"
    return "1" if seen >> bit & 1 else "0"
