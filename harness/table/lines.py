"""A text table as blocks of whole lines whose shape has been checked.

One rule: what leaves this module is UTF-8 without NUL bytes, has the header's number of cells on
every line, and knows each line's number. A line is a row, so a quoted cell ends on its own line.
Faults become findings with line and character column; faulty lines are left out. Memory is one
block, whatever the size of the file.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, BinaryIO

import numpy as np
from numpy.typing import NDArray

from harness.door import OPEN_END
from harness.errors import Finding, Findings, Location
from harness.shuttle import check_bytes, warn_of_mark
from harness.table.complaints import Complaints

if TYPE_CHECKING:
    from hashlib import _Hash

FIRST_BLOCK = 1 << 16
"""A small first block shows early which columns count and which hold few texts."""
BLOCK = 1 << 22
LONGEST_LINE = 100_000
MARK = b"\xef\xbb\xbf"
_SPACES = {",": b" \t\r\n", "\t": b" \r\n"}


@dataclass(frozen=True)
class Block:
    """Whole lines of the file.

    ``body`` holds them, ``line`` numbers each (from 1), ``quoted`` tells whether it has a quote.
    """

    body: bytes
    line: NDArray[np.int32]
    quoted: bool


class Stop(Exception):
    """The file cannot be read any further; the finding has been added."""


class LineReader:
    """Reads one text table. :meth:`header` first, then :meth:`blocks` with the header's width."""

    def __init__(self, file: BinaryIO, separator: str, complaints: Complaints) -> None:
        self.file = file
        self.separator = separator
        self.complaints = complaints
        self.next_line = 1
        self.rest = b""
        self.hash: _Hash = hashlib.sha256()

    def header(self) -> tuple[list[str], Callable[[int], Location]] | None:
        """Cells of the first line that is neither empty nor a comment, and where each stands."""
        raw = self._read(FIRST_BLOCK)
        if raw.startswith(MARK):
            raw = raw[len(MARK) :]
            findings = Findings()
            warn_of_mark(self.complaints.path, findings)
            self.complaints.extend(findings)
        while raw:
            body = self._checked(raw)
            start = 0
            while start < len(body):
                stop = body.index(b"\n", start) + 1
                line, number = body[start:stop], self.next_line
                if len(line) > LONGEST_LINE + 1:
                    self._stop_at_long_line(b"")
                self.next_line += 1
                start = stop
                if not self._is_skipped(line):
                    self.rest = body[start:] + self.rest
                    return self._header_cells(line, number)
            raw = self._read(FIRST_BLOCK)
        return None

    def _header_cells(
        self, line: bytes, number: int
    ) -> tuple[list[str], Callable[[int], Location]] | None:
        text = line.decode("utf-8").rstrip("\r\n")
        cells = self._split(text, number)
        if cells is None:
            raise Stop
        return cells, lambda column: self.place(text, number, column)

    def blocks(self, width: int) -> Iterator[Block]:
        """Every following line, in blocks. ``width`` is the header's number of cells."""
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
        return Location(self.complaints.path, number, start + 1)

    def _read(self, size: int) -> bytes:
        """Next lines, about ``size`` bytes, whole ones but at the file's end; then nothing."""
        data = self.rest
        self.rest = b""
        while True:
            if len(data) >= size and b"\n" in data:
                break
            more = self.file.read(size)
            self.hash.update(more)
            if not more:
                return data
            data += more
            if len(data) - data.rfind(b"\n") > LONGEST_LINE:
                self._stop_at_long_line(data)
        cut = data.rfind(b"\n") + 1
        self.rest = data[cut:]
        return data[:cut]

    def _stop_at_long_line(self, data: bytes) -> None:
        number = self.next_line + data.count(b"\n")
        self.complaints.error(
            "line-too-long",
            Location(self.complaints.path, number, LONGEST_LINE + 1),
            f"the line is longer than {LONGEST_LINE:,} bytes",
            "end each row with a line break",
        )
        raise Stop

    def _checked(self, raw: bytes) -> bytes:
        """Return whole lines that are text; stops at the first byte that is not."""
        findings = Findings()
        if not check_bytes(self.complaints.path, raw, findings):
            found = findings.items[0]
            at = Location(
                found.location.path, found.location.line + self.next_line - 1, found.location.column
            )
            self.complaints.error(found.rule, at, found.message, found.advice)
            raise Stop
        if b"\r" in raw and raw.count(b"\r") != raw.count(b"\r\n"):
            self._stop_at_lone_return(raw)
        return raw if raw.endswith(b"\n") else self._ended(raw)

    def _ended(self, raw: bytes) -> bytes:
        number = self.next_line + raw.count(b"\n")
        last = raw[raw.rfind(b"\n") + 1 :].decode("utf-8")
        at = Location(self.complaints.path, number, len(last) + 1)
        self.complaints.error("no-line-end", at, *OPEN_END)
        return raw + b"\n"

    def _stop_at_lone_return(self, raw: bytes) -> None:
        offset = next(
            i for i in range(len(raw)) if raw[i : i + 1] == b"\r" and raw[i + 1 : i + 2] != b"\n"
        )
        number = self.next_line + raw.count(b"\n", 0, offset)
        column = offset - raw.rfind(b"\n", 0, offset)
        self.complaints.error(
            "lone-carriage-return",
            Location(self.complaints.path, number, column),
            "a carriage return stands without a line feed",
            "end lines with LF or CR LF",
        )
        raise Stop

    def _is_skipped(self, line: bytes) -> bool:
        """Tell whether a line is empty or a comment."""
        bare = line.lstrip(_SPACES[self.separator])
        return not bare or bare.startswith(b"#")

    def _shaped(self, body: bytes, width: int) -> Block:
        """Leave out comments, empty lines and rows of another width (with findings)."""
        view = np.frombuffer(body, np.uint8)
        ends = np.flatnonzero(view == 10)
        starts = np.concatenate([[0], ends[:-1] + 1])
        keep = np.ones(len(ends), np.bool_)
        self._check_lengths(starts, ends)
        for index in np.flatnonzero(np.isin(view[starts], (9, 10, 13, 32, 35))).tolist():
            keep[index] = not self._is_skipped(body[starts[index] : ends[index] + 1])
        marks = np.flatnonzero(view == ord(self.separator))
        cells = np.diff(np.searchsorted(marks, ends), prepend=0) + 1
        quoted = b'"' in body
        suspects = cells != width
        if quoted:
            suspects |= _lines_with_quotes(view, ends)
        for index in np.flatnonzero(suspects & keep).tolist():
            line = body[starts[index] : ends[index]]
            keep[index] = self._has_width(line, self.next_line + index, width)
        numbers = np.arange(self.next_line, self.next_line + len(ends), dtype=np.int32)
        self.next_line += len(ends)
        if not keep.all():
            body = b"".join(body[starts[i] : ends[i] + 1] for i in np.flatnonzero(keep).tolist())
        return Block(body, numbers[keep], quoted)

    def _check_lengths(self, starts: NDArray[np.int64], ends: NDArray[np.int64]) -> None:
        long = np.flatnonzero(ends - starts > LONGEST_LINE)
        if len(long):
            self.next_line += int(long[0])
            self._stop_at_long_line(b"")

    def _has_width(self, line: bytes, number: int, width: int) -> bool:
        """Check one line cell by cell; False after a finding."""
        text = line.decode("utf-8").rstrip("\r")
        cells = self._split(text, number)
        if cells is None:
            return False
        if len(cells) == width:
            return True
        self.complaints.tell(lambda: self._ragged(text, number, len(cells), width))
        return False

    def _ragged(self, text: str, number: int, cells: int, width: int) -> Finding:
        place = self.place(text, number, width)
        if cells < width:
            place = Location(self.complaints.path, number, len(text) + 1)
        told = f"the row has {cells} cells, the header {width}"
        advice = f"write {width} cells; leave one empty where nothing is meant"
        return Finding("ragged-row", place, told, advice)

    def _split(self, text: str, number: int) -> list[str] | None:
        """Cells of a line; None after the finding that its quotes do not match."""
        if '"' not in text:
            return text.split(self.separator)
        try:
            return next(csv.reader([text], delimiter=self.separator, strict=True))
        except csv.Error:
            column = text.rindex('"') + 1
            self.complaints.error(
                "unclosed-quote",
                Location(self.complaints.path, number, column),
                "the quotes on this line do not match",
                "close each quoted cell on its own line and double a quote inside it",
            )
            return None


def _lines_with_quotes(view: NDArray[np.uint8], ends: NDArray[np.int64]) -> NDArray[np.bool_]:
    marked = np.zeros(len(ends), np.bool_)
    marked[np.searchsorted(ends, np.flatnonzero(view == 34))] = True
    return marked


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
