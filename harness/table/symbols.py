"""The grammar of a cell: what its text means for the pins of its column.

One rule: a cell has one meaning, which does not depend on other cells. The grammar, tried in this
order for a signal of W pins::

    cell    := ""                  hold the last level (input), else no drive and no test
             | number              begins with lower-case 0x or 0b
             | symbol * W          one JESD3 symbol per pin, most significant first
             | "X" | "Z" | "F" | "N"   one symbol for all W pins
             | decimal             no leading zero
    number  := "0x" hexdigit+ | "0b" bit+        a digit may be x (leave alone) or z (test for Z)

Underscores may separate digits and symbols. Symbols may be written in lower case. ``10`` on two
pins is symbols, on four pins the number ten: a decimal that fits in W bits never has W digits
(for W above 1), so the two readings cannot collide.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from harness.shuttle import Bus, Direction
from harness.table.meant import suggestions

Words = NDArray[np.uint32]
W = TypeVar("W", int, Words)


@dataclass(frozen=True, eq=False)
class Planes(Generic[W]):
    """What a row asks of each pin, as bits in words: one row, or all rows of a pattern.

    drive
        level of each driven pin before its clock pulse (a ``C`` pin is 0, a ``K`` pin is 1)
    enable
        pins that the controller drives in this vector; the others are left to the chip
    pulse
        pins that are pulsed after the inputs have settled (``C``, ``K``)
    expect, care
        level tested, and the pins on which it is tested
    highz
        pins tested for high impedance by a weak pull-up and a weak pull-down
    """

    drive: W
    enable: W
    pulse: W
    expect: W
    care: W
    highz: W


PLANES = tuple(item.name for item in fields(Planes))
DRIVING = ("drive", "enable", "pulse")
TESTING = tuple(name for name in PLANES if name not in DRIVING)

SYMBOLS: dict[str, tuple[str, ...]] = {
    "0": ("enable",),
    "1": ("drive", "enable"),
    "C": ("enable", "pulse"),
    "K": ("drive", "enable", "pulse"),
    "H": ("expect", "care"),
    "L": ("care",),
    "Z": ("highz",),
    "F": (),
    "X": (),
    "N": (),
}
"""Symbol → the planes in which it sets the pin's bit; X on an input drives the default level."""

_ALLOWED = {
    Direction.INPUT: "01CKFXN",
    Direction.OUTPUT: "HLZFXN",
    Direction.BIDIRECTIONAL: "01CKHLZFXN",
}
ALL_PINS = "XZFN"
REFUSED = frozenset("23456789BP")
_NUMBER = re.compile(r"0x[0-9a-fA-FxzXZ_]+|0b[01xzXZ_]+")
_PLAIN = re.compile(r"0x[0-9a-fA-F]{1,8}|0b[01]{1,32}|0|[1-9][0-9]{0,9}")
_REPEAT = re.compile(r"(until\s+)?(-?[0-9][0-9_]*)", re.IGNORECASE)
MAX_CYCLES = 2_000_000_000
_BASE_BITS = {"0x": 4, "0b": 1}


@dataclass(frozen=True)
class Meaning(Planes[int]):
    """What a cell asks of its pins; ``held`` marks an empty input cell."""

    held: bool = False


@dataclass(frozen=True)
class Refusal:
    """Why a cell cannot be used: rule, message and advice of a finding."""

    rule: str
    message: str
    advice: str


@dataclass(frozen=True)
class Column:
    """A column: its pins, their default levels as a word, and the name of its signal."""

    bus: Bus
    default: int = 0
    signal: str = ""


_TESTED_DIGITS = str.maketrans("01xz", "LHXZ")
_ADVICE = {
    Direction.INPUT: "an input takes 0 1 C K F X N",
    Direction.OUTPUT: "an output takes H L Z F X N, or a number such as 0b01 on a bus",
    Direction.BIDIRECTIONAL: "write 0 1 C K to drive, H L Z to test, X F N to leave alone",
}
_SHOWN = {
    planes: {
        tuple(int(name in asked) for name in planes): symbol
        for symbol, asked in SYMBOLS.items()
        if asked and set(asked) <= set(planes)
    }
    for planes in (DRIVING, TESTING)
}


def symbol_of(planes: tuple[str, ...], bits: tuple[int, ...]) -> str:
    """Symbol for a pin's bits in ``DRIVING`` or ``TESTING``; a dot if there is none."""
    return _SHOWN[planes].get(bits, ".")


def read_cell(text: str, column: Column) -> Meaning | Refusal:
    """Read one cell of a signal column. Spaces around the text are ignored."""
    text = text.strip()
    meaning = _read(text, column)
    if isinstance(meaning, Refusal):
        for cell, *finding in suggestions(text, column.bus):
            if cell and isinstance(_read(cell, column), Meaning):
                return Refusal(*finding)
    return meaning


def _read(text: str, column: Column) -> Meaning | Refusal:
    if not text:
        held = column.bus.direction is Direction.INPUT
        return Meaning(**dict.fromkeys(PLANES, 0), held=held)
    if text.startswith(("0x", "0b")):
        return _number(text, column)
    plain = text.replace("_", "").upper()
    width = column.bus.width
    if len(plain) == width and _is_symbols(plain, width):
        return _symbols(plain, column)
    if plain in ALL_PINS and len(plain) == 1:
        return _symbols(plain * width, column)
    if plain.isascii() and plain.isdigit():
        return _decimal(text, plain, column)
    return _unreadable(text, plain, width)


def _is_symbols(plain: str, width: int) -> bool:
    """Tell whether a text of the right length is symbols, not a decimal number."""
    if width > 1 and plain.isdigit():
        return set(plain) <= {"0", "1"}
    return set(plain) <= SYMBOLS.keys() | REFUSED


def _symbols(plain: str, column: Column) -> Meaning | Refusal:
    """Read one symbol per pin, most significant first."""
    words = dict.fromkeys(PLANES, 0)
    for symbol, pin in zip(plain, column.bus.pins, strict=True):
        if symbol not in _ALLOWED[column.bus.direction]:
            return _not_allowed(symbol, column.bus)
        for name in SYMBOLS[symbol]:
            words[name] |= pin.mask
        if symbol == "X" and column.bus.direction is Direction.INPUT:
            words["enable"] |= pin.mask
            words["drive"] |= column.default & pin.mask
    return Meaning(**words, held=False)


def _not_allowed(symbol: str, bus: Bus) -> Refusal:
    if symbol in REFUSED:
        asks = "a preload" if symbol in "BP" else "a supervoltage"
        return Refusal(
            "unsupported-symbol",
            f'"{symbol}" asks for {asks} (JESD3), which no pin driver here supports',
            _ADVICE[bus.direction],
        )
    return Refusal(
        "symbol-not-allowed",
        f'"{symbol}" is not allowed on {bus.direction} signal "{bus.name}"',
        _ADVICE[bus.direction],
    )


def _decimal(text: str, plain: str, column: Column) -> Meaning | Refusal:
    if len(plain) > 1 and plain[0] == "0":
        return Refusal(
            "leading-zero",
            f'"{text[:40]}" could be a number or {len(plain)} symbols, but '
            f'"{column.bus.name}" has {column.bus.width} pins',
            "remove the leading zeros, use 0b or 0x, or write one symbol for each pin",
        )
    if len(plain) > 10 or int(plain) >> column.bus.width:
        return _too_wide(text, column.bus)
    return _bits(format(int(plain), f"0{column.bus.width}b"), column)


def _too_wide(text: str, bus: Bus) -> Refusal:
    return Refusal(
        "number-too-wide",
        f'"{text[:40]}" does not fit in the {_pins(bus.width)} of "{bus.name}"',
        f"the largest number is {(1 << bus.width) - 1} ({(1 << bus.width) - 1:#x})",
    )


def _number(text: str, column: Column) -> Meaning | Refusal:
    """Read a number with a prefix; a digit x or z covers all its bits."""
    if _NUMBER.fullmatch(text) is None:
        return Refusal(
            "bad-number",
            f'"{text[:40]}" is not a number',
            "use hexadecimal digits after 0x, binary digits after 0b, and x or z after either",
        )
    if column.bus.width == 1 and column.bus.direction is Direction.OUTPUT:
        message = f'"{text[:40]}" is not allowed on a one-pin output'
        return Refusal("symbol-not-allowed", message, _ADVICE[Direction.OUTPUT])
    per_digit = _BASE_BITS[text[:2]]
    digits = text[2:].replace("_", "").lower()
    if not digits:
        return Refusal(
            "bad-number", f'"{text[:40]}" has no digits', "write digits after the prefix"
        )
    bits = "".join(_digit_bits(digit, per_digit) for digit in digits)
    width = column.bus.width
    surplus, kept = bits[: max(0, len(bits) - width)], bits[-width:]
    whole_digit_left = len(bits) - width < per_digit
    if surplus.strip("0") and not (whole_digit_left and surplus.strip("xz") == ""):
        return _too_wide(text, column.bus)
    if len(kept) < width and set(kept) & {"x", "z"}:
        return Refusal(
            "short-number",
            f'"{text[:40]}" has x or z digits but only {len(kept)} of {width} bits',
            "write every digit of a number that contains x or z",
        )
    return _bits(kept.rjust(width, "0"), column)


def _digit_bits(digit: str, per_digit: int) -> str:
    return digit * per_digit if digit in "xz" else format(int(digit, 16), f"0{per_digit}b")


def _bits(bits: str, column: Column) -> Meaning | Refusal:
    """Read bits (0 1 x z, most significant first) as symbols for the direction."""
    if column.bus.direction is Direction.OUTPUT:
        return _symbols(bits.translate(_TESTED_DIGITS), column)
    if "z" in bits:
        return Refusal(
            "symbol-not-allowed",
            f'a number drives "{column.bus.name}", so it cannot have z digits',
            _ADVICE[column.bus.direction],
        )
    return _symbols(bits.upper(), column)


def _pins(width: int) -> str:
    return "1 pin" if width == 1 else f"{width} pins"


def _unreadable(text: str, plain: str, width: int) -> Refusal:
    pins = _pins(width)
    if set(plain) <= SYMBOLS.keys() | REFUSED:
        return Refusal(
            "wrong-symbol-count",
            f'"{text[:40]}" has {len(plain)} symbols for {pins}',
            "write one symbol for each pin, most significant first",
        )
    return Refusal(
        "unknown-symbol",
        f'"{text[:40]}" is neither a number nor symbols for {pins}',
        "symbols are 0 1 C K H L Z F X N; numbers look like 31, 0x1F or 0b1x0z",
    )


def plain_number(text: str) -> int:
    """Value of a number without x or z digits on a wide bus; -1 for any other text."""
    return int(text, 0) if _PLAIN.fullmatch(text) else -1


def read_repeat(text: str) -> tuple[int, bool] | Refusal:
    """Read a repeat cell: (cycles, whether this is the limit of an ``until``)."""
    text = text.strip()
    if not text:
        return 1, False
    match = _REPEAT.fullmatch(text)
    if match is None or len(match[2]) > 20:
        return Refusal(
            "bad-repeat",
            f'"{text[:40]}" is not a repeat count',
            "write a count such as 12, or until 12",
        )
    count = int(match[2].replace("_", ""))
    if count <= 0:
        return Refusal("repeat-below-one", f"repeat is {count}", "write a count of at least 1")
    if count > MAX_CYCLES:
        return Refusal(
            "repeat-too-large", f"repeat is {count}", f"write a count of at most {MAX_CYCLES:,}"
        )
    return count, match[1] is not None
