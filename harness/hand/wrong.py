"""The sentence about outputs that are not as expected."""

from __future__ import annotations

from harness.board import Mismatch
from harness.hand.asked import Row
from harness.shuttle import Bus, Design


def wrong_text(design: Design, row: Row, bad: Mismatch) -> str:
    """Give each wrong signal with what it is, what was expected, and its wrong pins."""
    return "; ".join(
        f"{signal.name} is {_seen(signal, bad)}, expected {_wanted(signal, row)} "
        f"({_pins(signal, bad)})"
        for signal in design.signals
        if signal.mask & bad.wrong
    )


def _seen(signal: Bus, bad: Mismatch) -> str:
    return _both(signal, _symbols(signal, bad.seen, -1, bad.floating), bad.seen)


def _wanted(signal: Bus, row: Row) -> str:
    return _both(signal, _symbols(signal, row.expect, row.care, row.highz), row.expect)


def _symbols(signal: Bus, word: int, care: int, floating: int) -> str:
    def symbol(mask: int) -> str:
        if floating & mask:
            return "Z"
        return "X" if not care & mask else "H" if word & mask else "L"

    return "".join(symbol(pin.mask) for pin in signal.pins)


def _both(signal: Bus, symbols: str, word: int) -> str:
    """Give a bus of known levels as a number too."""
    if signal.width == 1 or set(symbols) & {"X", "Z"}:
        return symbols
    return f"{signal.value(word)} ({symbols})"


def _pins(signal: Bus, bad: Mismatch) -> str:
    names = [pin.name for pin in signal.pins if pin.mask & bad.wrong]
    return f"{'pin' if len(names) == 1 else 'pins'} {', '.join(names)}"
