"""Reads a text table as blocks of whole lines with a checked shape.

One rule: every block is UTF-8 without NUL bytes, has the header's number of cells on each line, and
knows the number of each line. A line is a row, so a quoted cell ends on its own line. Faults become
findings with line and character column; faulty lines are left out. Only one block is in memory,
for a file of any size.
"""

from __future__ import annotations

import csv
import hashlib
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO, NoReturn

import numpy as np
from numpy.typing import NDArray

from harness.door import OPEN_END
from harness.errors import Finding, Findings, Location
from harness.shuttle import check_bytes, place_of_offset, without_mark

FIRST_BLOCK = 1 << 16
"""A small first block shows early which columns have numbers and which have few texts."""
BLOCK = 1 << 22
MAX_LINE_BYTES = 100_000
_LONE_RETURN = re.compile(rb"\r(?!\n)")
_SPACES = {",": b" \t\r\n", "\t": b" \r\n"}


@dataclass(frozen=True)
class Block:
    """Whole lines of the file.

    ``body`` holds them, ``line`` numbers each (from 1).
    """

    body: bytes
    line: NDArray[np.int32]


class Stop(Exception):
    """Reading cannot continue; the finding has been added."""


class LineReader:
    """Reads one text table. :meth:`header` first, then :meth:`blocks` with the header's width."""

    def __init__(self, file: BinaryIO, path: Path, separator: str, findings: Findings) -> None:
        self.file = file
        self.path = path
        self.separator = separator
        self.findings = findings
        self.next_line = 1
        self.rest = b""
        self.hash = hashlib.sha256()

    def header(self) -> tuple[list[str], Callable[[int], Location]] | None:
        """Cells of the first line that is neither empty nor a comment, and the place of each."""
        raw = without_mark(self.path, self._read(FIRST_BLOCK), self.findings)
        while raw:
            lines = self._checked(raw).splitlines(keepends=True)
            for index, line in enumerate(lines, start=1):
                if len(line) > MAX_LINE_BYTES + 1:
                    self._stop_at_long_line(self.next_line)
                number = self.next_line
                self.next_line += 1
                if not self._is_skipped(line):
                    self.rest = b"".join(lines[index:]) + self.rest
                    return self._header_cells(line.decode("utf-8").rstrip("\r\n"), number)
            raw = self._read(FIRST_BLOCK)
        return None

    def _header_cells(self, text: str, number: int) -> tuple[list[str], Callable[[int], Location]]:
        cells = self._split(text, number)
        if cells is None:
            raise Stop
        return cells, lambda column: self.place(text, number, column)

    def blocks(self, width: int) -> Iterator[Block]:
        """All further lines, in blocks. ``width`` is the header's number of cells."""
        size = FIRST_BLOCK
        while raw := self._read(size):
            body = self._checked(raw)
            block = self._shaped(body, width)
            if len(block.line):
                yield block
            size = BLOCK

    def place(self, line: str, number: int, column: int) -> Location:
        """Line and character column at which a cell of a line starts."""
        starts = cell_starts(line, self.separator)
        start = starts[min(column, len(starts) - 1)]
        while line[start : start + 1] == " ":
            start += 1
        return Location(self.path, number, start + 1)

    def _read(self, size: int) -> bytes:
        """The next lines, about ``size`` bytes, whole except at the file's end; then empty."""
        data = self.rest
        self.rest = b""
        while len(data) < size or b"\n" not in data:
            more = self.file.read(size)
            self.hash.update(more)
            if not more:
                return data
            data += more
            if len(data) - data.rfind(b"\n") > MAX_LINE_BYTES:
                self._stop_at_long_line(self.next_line + data.count(b"\n"))
        cut = data.rfind(b"\n") + 1
        self.rest = data[cut:]
        return data[:cut]

    def _stop_at_long_line(self, number: int) -> NoReturn:
        self.findings.error(
            "line-too-long",
            Location(self.path, number, MAX_LINE_BYTES + 1),
            f"the line is longer than {MAX_LINE_BYTES:,} bytes",
            "end each row with a line break",
        )
        raise Stop

    def _checked(self, raw: bytes) -> bytes:
        """Return lines that are valid text; stop at the first invalid byte."""
        if not check_bytes(self.path, raw, self.findings, self.next_line):
            raise Stop
        lone = _LONE_RETURN.search(raw)
        if lone is not None:
            self.findings.error(
                "lone-carriage-return",
                place_of_offset(self.path, raw, lone.start(), self.next_line),
                "this carriage return has no line feed after it",
                "end lines with LF or CR LF",
            )
            raise Stop
        if raw.endswith(b"\n"):
            return raw
        end = place_of_offset(self.path, raw, len(raw), self.next_line)
        self.findings.error("no-line-end", end, *OPEN_END)
        return raw + b"\n"

    def _is_skipped(self, line: bytes) -> bool:
        """Tell whether a line is empty or a comment."""
        bare = line.lstrip(_SPACES[self.separator])
        return not bare or bare.startswith(b"#")

    def _shaped(self, body: bytes, width: int) -> Block:
        """Remove comments, empty lines and, with findings, rows of another width."""
        view = np.frombuffer(body, np.uint8)
        ends = np.flatnonzero(view == 10)
        starts = np.concatenate([[0], ends[:-1] + 1])
        keep = np.ones(len(ends), np.bool_)
        long = np.flatnonzero(ends - starts > MAX_LINE_BYTES)
        if len(long):
            self._stop_at_long_line(self.next_line + int(long[0]))
        for index in np.flatnonzero(np.isin(view[starts], (9, 10, 13, 32, 35))).tolist():
            keep[index] = not self._is_skipped(body[starts[index] : ends[index] + 1])
        marks = np.flatnonzero(view == ord(self.separator))
        cells = np.diff(np.searchsorted(marks, ends), prepend=0) + 1
        suspects = cells != width
        if b'"' in body:
            suspects[np.searchsorted(ends, np.flatnonzero(view == ord('"')))] = True
        for index in np.flatnonzero(suspects & keep).tolist():
            line = body[starts[index] : ends[index]]
            keep[index] = self._has_width(line, self.next_line + index, width)
        numbers = np.arange(self.next_line, self.next_line + len(ends), dtype=np.int32)
        self.next_line += len(ends)
        if not keep.all():
            body = b"".join(body[starts[i] : ends[i] + 1] for i in np.flatnonzero(keep).tolist())
        return Block(body, numbers[keep])

    def _has_width(self, line: bytes, number: int, width: int) -> bool:
        """Check one line cell by cell; False after a finding."""
        text = line.decode("utf-8").rstrip("\r")
        cells = self._split(text, number)
        if cells is None:
            return False
        if len(cells) == width:
            return True
        self.findings.add_lazy(lambda: self._ragged(text, number, len(cells), width))
        return False

    def _ragged(self, text: str, number: int, cells: int, width: int) -> Finding:
        end = Location(self.path, number, len(text) + 1)
        place = end if cells < width else self.place(text, number, width)
        message = f"the header has {width:,} columns, but this row has {cells:,}"
        advice = "write a cell for every column; leave unused cells empty"
        return Finding("ragged-row", place, message, advice)

    def _split(self, text: str, number: int) -> list[str] | None:
        """Cells of a line; None after a finding if its quotes do not match."""
        if '"' not in text:
            return text.split(self.separator)
        try:
            return next(csv.reader([text], delimiter=self.separator, strict=True))
        except csv.Error:
            column = text.rindex('"') + 1
            self.findings.error(
                "unclosed-quote",
                Location(self.path, number, column),
                "the quotes on this line do not match",
                "close each quoted cell on its line, and double any quote inside it",
            )
            return None


@lru_cache(maxsize=1)
def cell_starts(line: str, separator: str) -> list[int]:
    """Offset at which each cell of a line starts; separators inside quotes do not count."""
    starts, inside, fresh = [0], False, True
    for offset, letter in enumerate(line):
        if letter == '"' and (inside or fresh):
            inside = not inside
        elif letter == separator and not inside:
            starts.append(offset + 1)
            fresh = True
            continue
        fresh = letter == '"'
    return starts
