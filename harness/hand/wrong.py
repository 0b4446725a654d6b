"""The sentence about outputs that are not as expected."""

from __future__ import annotations

from harness.board import Mismatch
from harness.hand.asked import Row
from harness.shuttle import Bus, Design


def wrong_text(design: Design, row: Row, bad: Mismatch) -> str:
    """Give each wrong signal with what it is, what was expected, and its wrong pins."""
    return "; ".join(
        f"{signal.name} is {_levels(signal, bad.seen, -1, bad.floating)}, "
        f"expected {_levels(signal, row.expect, row.care, row.highz)} ({_pins(signal, bad)})"
        for signal in design.signals
        if signal.mask & bad.wrong
    )


def _levels(signal: Bus, word: int, care: int, floating: int) -> str:
    """Give the level of each pin, and a bus of known levels as a number too."""

    def symbol(mask: int) -> str:
        if floating & mask:
            return "Z"
        return "X" if not care & mask else "H" if word & mask else "L"

    symbols = "".join(symbol(pin.mask) for pin in signal.pins)
    if signal.width == 1 or set(symbols) & {"X", "Z"}:
        return symbols
    return f"{signal.value(word)} ({symbols})"


def _pins(signal: Bus, bad: Mismatch) -> str:
    names = [pin.name for pin in signal.pins if pin.mask & bad.wrong]
    return f"{'pin' if len(names) == 1 else 'pins'} {', '.join(names)}"
