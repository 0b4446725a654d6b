"""A second reading of tables, row by row and cell by cell, from what ``vectors/README.md`` says.

One rule: it shares nothing with the readers of the tool but the values of a shuttle and design.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from harness.shuttle import Bus, Design, Direction, Shuttle
from harness.table import Pattern

Rows = Sequence[tuple[int, Sequence[str]]]
"""Cells of each row with its line; the header first."""

_ALLOWED = {
    Direction.INPUT: "01CKFXN",
    Direction.OUTPUT: "HLZFXN",
    Direction.BIDIRECTIONAL: "01CKHLZFXN",
}
_REPEAT = re.compile(r"(until\s+)?([0-9][0-9_]*)", re.IGNORECASE)
_FIELDS = ("drive", "enable", "pulse", "expect", "care", "highz", "repeat", "until", "line")
MOST_CYCLES = 2_000_000_000


class Unsound(Exception):
    """The table breaks a rule."""


@dataclass
class Row:
    """What one row asks of the chip's pins, a word each."""

    drive: int = 0
    enable: int = 0
    pulse: int = 0
    expect: int = 0
    care: int = 0
    highz: int = 0
    repeat: int = 1
    until: int = 0
    line: int = 0


@dataclass
class Plain:
    """A whole table."""

    rows: list[Row] = field(default_factory=list)
    labels: dict[int, str] = field(default_factory=dict)

    def difference(self, pattern: Pattern) -> str:
        """Say in which way the tool's pattern is another one; empty if it is not."""
        if len(pattern) != len(self.rows):
            return f"{len(pattern)} rows were read where {len(self.rows)} stand"
        for name in _FIELDS:
            wanted = np.array([getattr(row, name) for row in self.rows], np.int64)
            wrong = np.flatnonzero(np.asarray(getattr(pattern, name)) != wanted)
            if len(wrong):
                row = int(wrong[0])
                found = int(getattr(pattern, name)[row])
                return f"{name} of row {row} is {found:#x} where {int(wanted[row]):#x} stands"
        return "" if dict(pattern.labels) == self.labels else "labels are others"


def rows_of_text(data: bytes, separator: str) -> Iterator[tuple[int, list[str]]]:
    """Rows of a text table; raises Unsound."""
    body = data.removeprefix(b"\xef\xbb\xbf")
    if not body.endswith(b"\n"):
        raise Unsound("the last line does not end")
    if b"\0" in body or b"\r" in body.replace(b"\r\n", b""):
        raise Unsound("NUL or lone carriage return")
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise Unsound("not UTF-8") from error
    width = 0
    for number, whole in enumerate(text.split("\n"), 1):
        line = whole.removesuffix("\r")
        if len(line.encode()) > 100_000:
            raise Unsound("a line is too long")
        bare = line.lstrip(" \t" if separator == "," else " ")
        if not bare or bare.startswith("#"):
            continue
        try:
            cells = next(csv.reader([line], delimiter=separator, strict=True))
        except (csv.Error, StopIteration) as error:
            raise Unsound("quotes") from error
        width = width or len(cells)
        if len(cells) != width:
            raise Unsound("ragged")
        yield number, cells


def read_plainly(rows: Rows, design: Design, shuttle: Shuttle) -> Plain:
    """Read a table; raises Unsound when anything in it breaks a rule."""
    if len(rows) < 2:
        raise Unsound("no rows")
    columns = _columns([name.strip() for name in rows[0][1]], design)
    levels = shuttle.mask(Direction.RESET) if shuttle.reset_active_low else 0
    idle = shuttle.mask(Direction.INPUT, Direction.CLOCK, Direction.RESET)
    for signal in design.signals:
        idle |= signal.mask if signal.direction is Direction.INPUT else 0
    for bus in columns:
        idle &= ~(bus.mask if isinstance(bus, Bus) else 0)
    held = {
        pin.name: "1" if levels & pin.mask else "0"
        for bus in columns
        if isinstance(bus, Bus)
        for pin in bus.pins
    }
    plain = Plain()
    for line, cells in rows[1:]:
        row = Row(drive=levels & idle, enable=idle, line=line)
        for column, cell in zip(columns, map(str.strip, cells), strict=True):
            if isinstance(column, Bus):
                _apply(row, column, cell, held, levels)
            else:
                _reserve(plain, row, column, cell)
        if row.until and (row.highz or not row.care):
            raise Unsound("until waits for nothing or for Z")
        plain.rows.append(row)
    if not any(row.care or row.highz for row in plain.rows):
        raise Unsound("nothing is tested")
    return plain


def _reserve(plain: Plain, row: Row, column: str, text: str) -> None:
    """Take in a cell of a reserved column."""
    if column == "repeat":
        row.repeat, row.until = _repeat(text)
    elif column == "label" and text:
        plain.labels[len(plain.rows)] = text


def _columns(names: Sequence[str], design: Design) -> list[Bus | str]:
    known: dict[str, Bus | str] = {}
    for signal in design.signals:
        for bit, pin in enumerate(reversed(signal.pins)):
            alone = Bus(pin.name, (pin,), signal.direction)
            known.setdefault(pin.name, alone)
            known[f"{signal.name}[{bit}]"] = alone
    known |= design.signals_by_name
    known |= {name: name for name in ("repeat", "label", "note")}
    if len(set(names)) != len(names) or not set(names) <= known.keys():
        raise Unsound("a column is unknown or there twice")
    columns = [known[name] for name in names]
    pins = [pin.name for bus in columns if isinstance(bus, Bus) for pin in bus.pins]
    if len(set(pins)) != len(pins):
        raise Unsound("a pin stands in two columns")
    return columns


def _repeat(text: str) -> tuple[int, int]:
    if not text:
        return 1, 0
    found = _REPEAT.fullmatch(text)
    count = int(found[2].replace("_", "")[:20]) if found is not None else 0
    if found is None or len(found[2]) > 20 or not 1 <= count <= MOST_CYCLES:
        raise Unsound("repeat")
    return count, int(found[1] is not None)


def _apply(row: Row, bus: Bus, text: str, held: dict[str, str], levels: int) -> None:
    """Add what a cell asks of its pins."""
    symbols = _symbols(text, bus)
    for pin, written in zip(bus.pins, symbols, strict=True):
        symbol = written
        if bus.direction is Direction.INPUT:
            default = "1" if levels & pin.mask else "0"
            symbol = {" ": held[pin.name], "X": default}.get(written, written)
            held[pin.name] = {"C": "0", "K": "1"}.get(symbol, symbol)
        if symbol in "01CK":
            row.enable |= pin.mask
            row.drive |= pin.mask if symbol in "1K" else 0
            row.pulse |= pin.mask if symbol in "CK" else 0
        elif symbol in "HL":
            row.care |= pin.mask
            row.expect |= pin.mask if symbol == "H" else 0
        elif symbol == "Z":
            row.highz |= pin.mask


def _symbols(text: str, bus: Bus) -> str:
    """One symbol a pin, most significant first; a space for a pin of an empty cell."""
    allowed = _ALLOWED[bus.direction]
    if not text:
        return " " * bus.width
    if text.startswith(("0x", "0b")):
        return _number(text, bus)
    if not text.isascii():
        raise Unsound("a letter of no alphabet that counts")
    plain = text.replace("_", "").upper()
    if len(plain) == bus.width and (bus.width == 1 or set(plain) <= set("01CKHLZFXN")):
        symbols = plain
    elif plain in {"X", "Z", "F", "N"}:
        symbols = plain * bus.width
    elif plain.isdigit():
        if len(plain) > 1 and plain[0] == "0":
            raise Unsound("zeros in front")
        if len(plain) > 10:
            raise Unsound("too wide")
        return _bits(f"{int(plain):b}".zfill(bus.width), bus)
    else:
        raise Unsound("neither symbols nor a number")
    if not set(symbols) <= set(allowed):
        raise Unsound("a symbol that may not stand here")
    return symbols


def _number(text: str, bus: Bus) -> str:
    digits = text[2:].replace("_", "").lower()
    base, size = (set("0123456789abcdefxz"), 4) if text[1] == "x" else (set("01xz"), 1)
    if not digits or not set(digits) <= base:
        raise Unsound("no number")
    bits = "".join(d * size if d in "xz" else f"{int(d, 16):0{size}b}" for d in digits)
    if len(bits) < bus.width and set(bits) & {"x", "z"}:
        raise Unsound("short")
    return _bits(bits.zfill(bus.width), bus)


def _bits(bits: str, bus: Bus) -> str:
    """Bits to symbols: a number drives an input or a bidirectional bus and tests an output."""
    over, kept = bits[: -bus.width], bits[-bus.width :]
    whole = not over.strip("0") or (len(over) < 4 and not over.strip("xz"))
    if not whole or (bus.width == 1 and bus.direction is Direction.OUTPUT):
        raise Unsound("too wide, or a number on a single output")
    tested = bus.direction is Direction.OUTPUT
    if "z" in kept and not tested:
        raise Unsound("z cannot be driven")
    return kept.translate(str.maketrans("01xz", "LHXZ" if tested else "01XZ"))
