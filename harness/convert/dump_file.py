"""Checks that a waveform dump is whole, before a library reads it.

One rule: the library loads a file that was cut off or altered without complaint, or stops this
process, so every dump is checked here first. A VCD has no end mark:
one that was cut off exactly after a line looks whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from enum import StrEnum
from itertools import chain
from pathlib import Path
from typing import BinaryIO, NamedTuple

import numpy as np
import re2
from numpy.typing import NDArray

from harness.door import open_file
from harness.errors import InputError

MAX_DUMP_BYTES = 4_000_000_000
_PIECE = 1 << 20
_LONGEST = 1 << 16
"""Maximum size of one change in a VCD, in bytes."""
_MOST_HEAD = 1 << 27
"""Maximum size of the definitions of a VCD, which are kept in memory, in bytes."""
_HEAD_END = b"$enddefinitions"
_MAX_MATCHER_BYTES = 1 << 26
"""Maximum memory of the expression that knows every identifier of a dump."""
_IDENTIFIER = re2.compile(rb"\$var\s+\S+\s+\S+\s+(\S+)")
_CUT_OFF = "check whether the simulation was stopped or the copy was cut off; write it again"


class DumpKind(StrEnum):
    """The format of a dump."""

    VCD = "VCD"
    FST = "FST"


class WholeDump(NamedTuple):
    """A dump that was looked through; ``end`` is its last time stamp."""

    kind: DumpKind
    end: int


def look_through(path: Path, tell: Callable[[float], None]) -> WholeDump:
    """Read a dump from end to end; raises InputError with the place where it is damaged.

    ``tell`` gets the part that was read, from 0 to 1.
    """
    with open_file(path, MAX_DUMP_BYTES) as file:
        try:
            size = file.seek(0, 2)
            file.seek(0)
            first = file.read(9)
            if first.lstrip()[:1] == b"$":
                return WholeDump(DumpKind.VCD, _Vcd(path, file, size, tell).end())
            if first[:1] == b"\0" and first[1:] == (329).to_bytes(8):
                return WholeDump(DumpKind.FST, _fst_end(path, file, size))
        except OSError as trouble:
            message = f"the file cannot be read: {trouble.strerror or trouble}"
            raise InputError.of("file-unreadable", path, message, "check the disk") from trouble
    message = "this is neither a VCD nor an FST dump"
    raise InputError.of("unknown-dump", path, message, "write one with $dumpvars")


class _Vcd:
    """Reads a VCD piece by piece; ``line`` is the line at the start of ``rest``."""

    def __init__(
        self, path: Path, file: BinaryIO, size: int, tell: Callable[[float], None]
    ) -> None:
        self._path, self._file, self._size, self._tell = path, file, size, tell
        self._line, self._last = 1, 0

    def end(self) -> int:
        """Return the last time stamp; raises InputError at the first thing that is no change."""
        rest, (changes, first) = b"", self._after_head()
        for piece in chain([first], self._pieces()):
            text = rest + piece
            good = changes.match(text).end()
            self._check_times(text[:good])
            self._line += text.count(b"\n", 0, good)
            rest = text[good:]
            if len(rest) > _LONGEST:
                raise self._damaged(rest)
        if rest:
            raise self._damaged(rest)
        return self._last

    def _pieces(self) -> Iterator[bytes]:
        while piece := self._file.read(_PIECE):
            yield piece
            self._tell(self._file.tell() / self._size)

    def _after_head(self) -> tuple[re2._Regexp[bytes], bytes]:
        """Read the definitions; return what matches changes, and what was read beyond them."""
        self._file.seek(0)
        text = bytearray()
        for piece in self._pieces():
            seen = max(0, len(text) - len(_HEAD_END))
            text += piece
            if len(text) > _MOST_HEAD:
                message = f"the definitions have more than {_MOST_HEAD:,} bytes"
                advice = "check that this is a dump, or dump fewer scopes"
                raise InputError.of("damaged-dump", self._path, message, advice)
            at = text.find(_HEAD_END, seen)
            stop = text.find(b"$end", at + len(_HEAD_END)) if at >= 0 else -1
            if stop >= 0:
                stop += len(b"$end")
                self._line += text.count(b"\n", 0, stop)
                return _changes(_IDENTIFIER.findall(bytes(text[:at]))), bytes(text[stop:])
        message = "the file ends within its definitions: it has no $enddefinitions"
        raise InputError.of("damaged-dump", self._path, message, _CUT_OFF)

    def _check_times(self, text: bytes) -> None:
        """Refuse a time stamp that is before the one above it."""
        times, places = _time_stamps(text)
        if not len(times):
            return
        steps = np.diff(times, prepend=self._last)
        back = np.flatnonzero(steps < 0)
        if len(back):
            place = int(places[back[0]])
            now, before = times[back[0]], times[back[0]] - steps[back[0]]
            line = self._line + text.count(b"\n", 0, place)
            message = f"time goes back here, from {before} to {now}"
            raise InputError.of("damaged-dump", self._path, message, _CUT_OFF, line)
        self._last = int(times[-1])

    def _damaged(self, rest: bytes) -> InputError:
        stripped = rest.lstrip()
        line = self._line + rest[: len(rest) - len(stripped)].count(b"\n")
        if b"\n" not in stripped and len(stripped) < _LONGEST:
            message = "the last line does not end with a line break, so the dump was cut off"
        else:
            shown = stripped.split(b"\n", 1)[0][:40].decode("ascii", "backslashreplace")
            message = f'"{shown}" is neither a time stamp nor a change of a declared variable'
        return InputError.of("damaged-dump", self._path, message, _CUT_OFF, line)


def _changes(identifiers: Iterable[bytes]) -> re2._Regexp[bytes]:
    """Return what matches time stamps and changes of these; neighbours share their beginnings."""
    codes = sorted(set(identifiers))
    known = b"|".join(b"".join(b"\\x%02x" % code for code in one) for one in codes)
    options = re2.Options()
    options.max_mem = _MAX_MATCHER_BYTES
    return re2.compile(
        rb"[ \t\r\n]*(?:(?:#[0-9]{1,18}|(?:[01xXzZuUwWlLhH-]|[bB][01xXzZuUwWlLhH-]+[ \t]+"
        rb"|[rR][-+.0-9eEinfaINFA]+[ \t]+|[sS][!-~]*[ \t]+)(?:" + known + rb")"
        rb"|\$dump(?:vars|off|on|all)|\$end|\$comment[^$]*\$end)[ \t\r\n]+)*",
        options,
    )


def _time_stamps(text: bytes) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the time stamps that begin a line, and their places."""
    view = np.frombuffer(b"\n" + text + b"\n", np.uint8)
    stamps = np.flatnonzero((view[1:-1] == ord("#")) & (view[:-2] == ord("\n"))) + 1
    times = np.zeros(len(stamps), np.int64)
    more = np.ones(len(stamps), np.bool_)
    for digit in range(1, 20):
        code = view[np.minimum(stamps + digit, len(view) - 1)]
        more &= (code >= ord("0")) & (code <= ord("9"))
        if not more.any():
            break
        times = np.where(more, times * 10 + (code - ord("0")), times)
    return times, stamps - 1


_FST_GEOMETRY = 3
_FST_HIERARCHY = frozenset((4, 6, 7))
_FST_UNFINISHED = 255


def _fst_end(path: Path, file: BinaryIO, size: int) -> int:
    """Follow an FST from block to block; raises InputError unless they end with the file."""
    kinds: set[int] = set()
    place = 0
    while place < size:
        file.seek(place)
        head = file.read(9)
        length = int.from_bytes(head[1:])
        if len(head) < 9 or length < 8 or place + 1 + length > size:
            message = f"the block at byte {place:,} is longer than the file: it was cut off"
            raise InputError.of("damaged-dump", path, message, _CUT_OFF)
        kinds.add(head[0])
        place += 1 + length
    if _FST_UNFINISHED in kinds or _FST_GEOMETRY not in kinds or not kinds & _FST_HIERARCHY:
        message = "the simulator did not finish this file: its last blocks are missing"
        raise InputError.of("damaged-dump", path, message, _CUT_OFF)
    file.seek(17)
    return int.from_bytes(file.read(8))
