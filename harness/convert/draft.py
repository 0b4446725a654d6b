"""A table before it is a file: rows of cells, and the only writer of the table format.

One rule: what is written here is read by ``harness.table`` as it was meant; a text that is no cell
(a label, a note, a remark) stays on its line and is never a formula in a spreadsheet.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.errors import no_formula, one_line
from harness.shuttle import RESERVED, Bus, Direction
from harness.table import PLANES, Pattern, Words

NUMBER_FROM = 5
"""From this width on a bus is written as a number; below it, a symbol for each pin is shorter."""


@dataclass(frozen=True)
class DraftRow:
    """One row: cells by column, cycles (the limit of an ``until`` row), label and note.

    A column without a cell is empty: an input holds its level, an output is not tested.
    """

    cells: Mapping[str, str]
    repeat: int = 1
    until: bool = False
    label: str = ""
    note: str = ""

    @property
    def times(self) -> str:
        """The ``repeat`` cell."""
        if self.until:
            return f"until {self.repeat}"
        return str(self.repeat) if self.repeat > 1 else ""


@dataclass(frozen=True)
class Draft:
    """Columns (names of signals), rows that are read once, and remarks for the top of the file."""

    columns: tuple[str, ...]
    rows: Iterable[DraftRow]
    remarks: tuple[str, ...] = field(default=())

    def folded(self) -> Draft:
        """Join equal neighbouring rows; one with a label or note begins a new row."""
        return replace(self, rows=_folded(self.rows))

    @property
    def lines_before(self) -> int:
        """Lines of the file before its first row."""
        return len(self.remarks) + 1

    @property
    def text(self) -> str:
        """The table file."""
        return "".join(self.lines())

    def lines(self) -> Iterator[str]:
        """Yield the lines of the table file, each with its line break."""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        for remark in self.remarks:
            yield f"# {_CELL.sub(_guarded, one_line(remark))}\n"
        writer.writerow((*self.columns, *RESERVED))
        for row in self.rows:
            cells = [row.cells.get(name, "") for name in self.columns]
            texts = (no_formula(one_line(text)) for text in (row.label, row.note))
            writer.writerow((*cells, row.times, *texts))
            if text.tell() > io.DEFAULT_BUFFER_SIZE:
                yield from _taken(text)
        yield from _taken(text)


def _folded(rows: Iterable[DraftRow]) -> Iterator[DraftRow]:
    last: DraftRow | None = None
    for row in rows:
        plain = not (row.until or row.label or row.note)
        if last is not None and plain and not last.until and row.cells == last.cells:
            last = replace(last, repeat=last.repeat + row.repeat)
            continue
        if last is not None:
            yield last
        last = row
    if last is not None:
        yield last


_CELL = re.compile('([,;]"?)([^,;]*)')
"""A further cell of a line that a spreadsheet does not know to be a comment."""


def _guarded(cell: re.Match[str]) -> str:
    return cell[1] + no_formula(cell[2])


def _taken(text: io.StringIO) -> Iterator[str]:
    yield from text.getvalue().splitlines(keepends=True)
    text.seek(0)
    text.truncate()


def input_cell(bus: Bus, value: int) -> str:
    """Cell that drives a bus with a number (bit 0 is its last pin)."""
    return _cell(bus, f"{value:0{bus.width}b}")


def output_cell(bus: Bus, value: int, care: int = -1) -> str:
    """Cell that tests those bits of a bus in ``care`` (-1: all) for the bits of a number."""
    places = reversed(range(bus.width))
    return _cell(bus, "".join("XXLH"[(care >> k & 1) * 2 + (value >> k & 1)] for k in places))


def drafted(pattern: Pattern) -> Draft:
    """Turn a pattern back into cells; a bus that answers later (latency) is written where it does.

    Columns are the pattern's signals. Pins that no signal of the table is on are not written.
    """
    return Draft(tuple(bus.name for bus in pattern.signals), _rows(pattern))


def _rows(pattern: Pattern) -> Iterator[DraftRow]:
    moving = _moving(pattern)
    columns = {bus.name: _distinct(pattern, bus, moving) for bus in pattern.signals}
    for row in range(len(pattern)):
        yield DraftRow(
            {name: texts[codes[row]] for name, (texts, codes) in columns.items()},
            int(pattern.repeat[row]),
            bool(pattern.until[row]),
            pattern.labels.get(row, ""),
        )


def pattern_lines(patterns: Iterable[Pattern]) -> Iterator[str]:
    """Yield the lines of many rows at once, of patterns with the same signals and no labels."""
    for pattern in patterns:
        moving = _moving(pattern)
        columns = [_distinct(pattern, bus, moving) for bus in pattern.signals]
        counts, which = np.unique(pattern.repeat, return_inverse=True)
        times = ["" if count == 1 else str(count) for count in counts.tolist()]
        cells = [_texts(texts, ",")[codes] for texts, codes in columns]
        cells.append(_texts(times, _NO_TEXTS)[which])
        lines = np.rec.fromarrays(cells).view(np.uint8)
        yield lines[lines != 0].tobytes().decode("ascii")


def _texts(texts: Sequence[str], end: str) -> NDArray[np.bytes_]:
    """Texts of one length, filled up with zero bytes, which no cell has."""
    return np.array([text + end for text in texts], np.bytes_)


_NO_TEXTS = "," * (len(RESERVED) - 1) + "\n"


def _moving(pattern: Pattern) -> dict[str, int]:
    """Bits that are not the same in every row, by the name of their plane."""
    planes = {name: getattr(pattern, name) for name in PLANES}
    return {
        name: int(np.bitwise_or.reduce(plane ^ plane[:1], initial=0))
        for name, plane in planes.items()
    }


def _distinct(pattern: Pattern, bus: Bus, moving: Mapping[str, int]) -> _Column:
    """Distinct cells of a bus, and which of them each row has."""
    codes = np.zeros(len(pattern), np.int64)
    for name in PLANES:
        if mask := moving[name] & bus.mask:
            codes = _refined(codes, getattr(pattern, name), mask)
    first = np.zeros(int(codes.max(initial=-1)) + 1, np.int64)
    first[codes[::-1]] = np.arange(len(codes))[::-1]
    words = ({name: int(getattr(pattern, name)[row]) for name in PLANES} for row in first.tolist())
    symbols = ("".join(_symbol(bus, pin.mask, each) for pin in bus.pins) for each in words)
    return [_cell(bus, text) for text in symbols], codes


def _refined(codes: NDArray[np.int64], plane: Words, moving: int) -> NDArray[np.int64]:
    """Number the distinct pairs of a code and the ``moving`` bits of a word."""
    low = (moving & -moving).bit_length() - 1
    span = moving.bit_length() - low
    pairs = codes << span | (plane & np.uint32(moving)) >> np.uint32(low)
    size = int(codes.max() + 1) << span
    if size > _FEW:
        distinct: NDArray[np.int64] = np.unique(pairs, return_inverse=True)[1]
        return distinct
    there = np.zeros(size, np.bool_)
    there[pairs] = True
    numbered: NDArray[np.int64] = (np.cumsum(there) - 1)[pairs]
    return numbered


_FEW = 1 << 16
"""Number of possible pairs up to which a table of them is quicker than sorting."""
_Column = tuple[list[str], NDArray[np.int64]]


def _cell(bus: Bus, symbols: str) -> str:
    """The shortest cell for a symbol a pin: nothing, a number, or the symbols.

    On a bidirectional bus a number would drive, so it is tested symbol by symbol.
    """
    if set(symbols) <= {"X"}:
        return ""
    one_way = "HL" if bus.direction is Direction.OUTPUT else "01"
    if bus.width < NUMBER_FROM or not set(symbols) <= set(one_way):
        return symbols
    return f"0x{int(symbols.translate(_LEVELS), 2):0{-(-bus.width // 4)}X}"


_LEVELS = str.maketrans("HL", "10")


def _symbol(bus: Bus, mask: int, words: Mapping[str, int]) -> str:
    asked = {name for name, word in words.items() if word & mask}
    if "enable" in asked:
        return ("0", "1", "C", "K")[("pulse" in asked) * 2 + ("drive" in asked)]
    if "care" in asked:
        return "H" if "expect" in asked else "L"
    if "highz" in asked:
        return "Z"
    return "F" if bus.direction is Direction.INPUT else "X"
