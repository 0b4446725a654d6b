"""What an author may have meant by a cell that cannot be used.

One rule: a suggestion is no reading. The grammar refuses a cell first, and a suggestion is made
only if the grammar accepts what it proposes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from harness.shuttle import Bus, Direction

_SHOWN = 40
_PREFIXES = {"b": "0b", "h": "0x"}
_CAPITAL = re.compile(r"0([XB])([0-9a-fA-FxzXZ_]+)")
_OCTAL = re.compile(r"0[oO]([0-7_]*[0-7])")
_VERILOG = re.compile(
    r"[0-9]*'[sS]?(?:([bBhH])([0-9a-fA-FxzXZ_]+)|[dD]([0-9]{1,20})|[oO]([0-7]{1,20}))"
)
_TESTS = str.maketrans("01", "LH")
_DRIVES = str.maketrans("LHZ", "01F")


class Suggestion(NamedTuple):
    """A cell to write instead, and the finding that proposes it."""

    cell: str
    rule: str
    message: str
    advice: str


def suggestions(text: str, bus: Bus) -> Iterator[Suggestion]:
    """Yield what an author may have meant by a refused cell, the likeliest first."""
    shown = text[:_SHOWN]
    plain = text.replace("_", "").upper()
    symbols = bus.width == 1 or not text.startswith(("0x", "0b"))
    if symbols and bus.direction is Direction.OUTPUT:
        yield from _tested(shown, plain, bus)
    if symbols and bus.direction is Direction.INPUT:
        yield from _driven(shown, plain, bus)
    for why, cell in _numbers(text):
        yield Suggestion(cell, "bad-number", f'"{shown}" is not a number: {why}', f"write {cell}")


def _tested(shown: str, plain: str, bus: Bus) -> Iterator[Suggestion]:
    """Levels that were meant to be tested."""
    if bus.width == 1:
        cell = {"0": "L", "1": "H"}.get(plain.removeprefix("0B").removeprefix("0X"), "")
        message = f'"{shown}" drives a pin, but "{bus.name}" is an output'
        level = "0" if cell == "L" else "1"
        yield Suggestion(cell, "symbol-not-allowed", message, f"write {cell} to test for {level}")
        return
    cell = plain.translate(_TESTS)
    number = f" or 0b{plain.lower()}" if set(plain) <= set("01XZ") else ""
    message = (
        f'"{shown}" was read as one symbol for each pin, and 0 and 1 drive, but "{bus.name}" is an '
        "output"
    )
    advice = f"write {cell}{number} to test for these levels"
    yield Suggestion(cell, "symbol-not-allowed", message, advice)


def _driven(shown: str, plain: str, bus: Bus) -> Iterator[Suggestion]:
    """Levels that were meant to be driven."""
    cell = plain.translate(_DRIVES)
    how = {"0": "drive it low", "1": "drive it high", "F": "leave it undriven"}
    message = f'"{shown}" tests a pin, but "{bus.name}" is an input'
    if bus.width > 1:
        message = (
            f'"{shown}" was read as one symbol for each pin, and H, L and Z test, but '
            f'"{bus.name}" is an input'
        )
    advice = f"write {cell} to {how.get(cell, 'drive these levels')}"
    yield Suggestion(cell, "symbol-not-allowed", message, advice)


def _numbers(text: str) -> Iterator[tuple[str, str]]:
    """Why a text is no number here, and the number."""
    if match := _CAPITAL.fullmatch(text):
        yield "prefixes are in lower case", f"0{match[1].lower()}{match[2]}"
    if match := _OCTAL.fullmatch(text):
        yield "octal is not read", f"{int(match[1].replace('_', '') or '0', 8):#x}"
    if match := _VERILOG.fullmatch(text):
        base, digits, decimal, octal = match.groups()
        number = str(int(decimal or octal, 10 if decimal else 8)) if base is None else ""
        yield "Verilog's form is not read", number or f"{_PREFIXES[base.lower()]}{digits}"
