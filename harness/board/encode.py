"""Encodes patterns as blocks: the bytes that the agent expands (see ``harness.agent.codec``).

Pure: arrays in, bytes out. The bits that vary in the run become planes (``layout``), each plane
gets its cheapest form (``forms``), and the block is compressed where that makes it shorter. The
expectation is not sent where a CRC-32 of what must be read does (``tested_words``).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import lz4.block
import numpy as np
from numpy.typing import NDArray

from harness.agent import protocol
from harness.agent.codec import MAX_PLANES
from harness.board.forms import Form, choose, constant
from harness.board.layout import Layout, Planes, find_layout
from harness.link import Command
from harness.table import PLANES, Pattern, Words

CHUNK = protocol.MAX_BODY - 10
"""Bytes of a block's body in one frame; the last are in the command to run it."""
TRIALS = 4
"""Number of blocks of a run for which forms are chosen; the blocks between reuse the choice."""


@dataclass(frozen=True)
class EncodedBlock:
    """Rows ``first`` to ``first + rows`` of a pattern as commands for the agent.

    ``promise``: they go without their expectation, with this CRC-32 of what must be read in this
    and the checked blocks before; the board sends all words read if one differs.
    """

    first: int
    rows: int
    commands: tuple[Command, ...]
    promise: int | None = None


def encode_pattern(pattern: Pattern, rows: int) -> Iterator[EncodedBlock]:
    """Cut a pattern into blocks of at most ``rows`` vectors and encode them one by one."""
    fields = wire_fields(pattern)
    rows = block_rows(fields, rows)
    bounds = list(block_bounds(pattern, rows))
    checks = [_can_be_checked(pattern, *bound, rows) for bound in bounds]
    promise = 0
    bodies = encode_bodies(_without_expectation(fields, bounds, checks), bounds)
    for (first, stop), body, checked in zip(bounds, bodies, checks, strict=True):
        flags = protocol.REPEATS if (fields[6][first:stop] != 1).any() else 0
        if checked:
            flags |= protocol.CHECKED
            tested = cycle_by_cycle(pattern, first, stop).tested_levels
            promise = zlib.crc32(tested.astype("<u4").tobytes(), promise)
            answer_size = 4 * len(tested)
        else:
            answer_size = 6 * int(np.count_nonzero(pattern.until[first:stop]))
        short = match(body)
        sent = (short, flags | protocol.MATCHED) if len(short) < len(body) else (body, flags)
        commands = block_commands(*sent, stop - first, promise, answer_size)
        yield EncodedBlock(first, stop - first, commands, promise if checked else None)


def _can_be_checked(pattern: Pattern, first: int, stop: int, cycles: int) -> bool:
    """Whether a block has at most ``cycles``, no match loop and no test for high impedance."""
    part = slice(first, stop)
    judged = pattern.until[part].any() or pattern.highz[part].any()
    return not judged and int(pattern.repeat[part].sum(dtype=np.int64)) <= cycles


@dataclass(frozen=True, eq=False)
class CycleByCycle:
    """The cycles of a checked block: the row of each, what it expects, and what it tests."""

    row: NDArray[np.intp]
    expect: Words
    care: Words

    @property
    def tested_levels(self) -> Words:
        """The levels expected on tested pins, 0 on the others, as the board sums them."""
        return self.expect & self.care


def cycle_by_cycle(pattern: Pattern, first: int, stop: int) -> CycleByCycle:
    """Return the cycles of a checked block."""
    rows = np.repeat(np.arange(first, stop), pattern.repeat[first:stop])
    return CycleByCycle(rows, pattern.expect[rows], pattern.care[rows])


def _without_expectation(
    fields: tuple[Words, ...], bounds: list[tuple[int, int]], checks: list[bool]
) -> tuple[Words, ...]:
    expect = fields[3].copy()
    for (first, stop), checked in zip(bounds, checks, strict=True):
        if checked:
            expect[first:stop] = 0
    return (*fields[:3], expect, *fields[4:])


def block_rows(fields: tuple[Words, ...], rows: int) -> int:
    """Return the maximum number of rows of a block on a board with room for ``rows``.

    It is smaller if more bits vary than ``MAX_PLANES`` planes of the board's memory hold.
    """
    changes = (int(np.bitwise_or.reduce(field ^ field[0])) for field in fields)
    planes = -(-sum(change.bit_count() for change in changes) // 8)
    return rows if planes <= MAX_PLANES else max(rows * MAX_PLANES // planes, 1)


def block_bounds(pattern: Pattern, rows: int) -> Iterator[tuple[int, int]]:
    """Yield (first, stop) of blocks of at most ``rows`` vectors and ``MAX_UNTIL`` match loops.

    A block that would have to be judged is cut to one that can be checked if half of it is left,
    but a whole pattern that fits is not: it may have to run without a pause.
    """
    total = len(pattern)
    waits = np.flatnonzero(pattern.until)
    judged = pattern.until | (pattern.highz != 0)
    ends = np.cumsum(np.where(judged, rows + 1, pattern.repeat), dtype=np.int64)
    first = 0
    while first < total:
        stop = min(first + rows, total)
        begun = int(ends[first - 1]) if first else 0
        checked = int(np.searchsorted(ends, begun + rows, "right"))
        if total > rows and stop - first <= 2 * (checked - first):
            stop = min(stop, checked)
        inside = waits[(waits >= first) & (waits < stop)]
        if len(inside) > protocol.MAX_UNTIL:
            stop = int(inside[protocol.MAX_UNTIL])
        yield first, stop
        first = stop


def plain_words(fields: tuple[Words, ...]) -> bytes:
    """Return a body of plain words, four bytes each."""
    return bytes((protocol.WORDS,)) + b"".join(field.astype("<u4").tobytes() for field in fields)


def encode_bodies(fields: tuple[Words, ...], bounds: list[tuple[int, int]]) -> Iterator[bytes]:
    """Yield the bodies of a run's blocks, not yet compressed.

    ``bounds`` has (first, stop) of each block. The first block that needs the layout brings it.
    """
    layout = find_layout(fields)
    planes = layout.planes(fields)
    head = bytes((protocol.LAYOUT,)) + layout.header()
    step = -(-len(bounds) // TRIALS)
    forms: list[Form] = []
    before: tuple[int, bytes] | None = None
    for number, (first, stop) in enumerate(bounds):
        block = planes[:, first:stop]
        if number % step == 0:
            forms = [choose(plane, _width(layout, k)) for k, plane in enumerate(block)]
        data = _formed(layout, block, forms)
        if (stop - first, data) == before:
            yield bytes((protocol.SAME,))
            continue
        if len(head) + len(data) > 1 + 28 * (stop - first):
            before = None
            yield plain_words(tuple(field[first:stop] for field in fields))
            continue
        before = stop - first, data
        yield head + data
        head = bytes((protocol.PLANES,))


def _formed(layout: Layout, block: Planes, forms: list[Form]) -> bytes:
    steady = (block == block[:, :1]).all(axis=1)
    return b"".join(
        constant(int(plane[0])) if steady[k] else forms[k].apply(plane, _width(layout, k))
        for k, plane in enumerate(block)
    )


def _width(layout: Layout, plane: int) -> int:
    """The number of columns in a plane."""
    return min(8, layout.columns - 8 * plane)


def wire_fields(pattern: Pattern) -> tuple[Words, ...]:
    """Return the words of each vector in wire order, ``protocol.FIELDS``."""
    repeat = pattern.repeat | np.where(pattern.until, np.uint32(protocol.UNTIL), np.uint32(0))
    return (*(getattr(pattern, name) for name in PLANES), repeat.astype(np.uint32))


def match(body: bytes) -> bytes:
    """Compress a body as an LZ4 block."""
    short: bytes = lz4.block.compress(body, "high_compression", store_size=False)
    return short


def block_commands(
    body: bytes, flags: int, count: int, promise: int = 0, answer_size: int = 0
) -> tuple[Command, ...]:
    """Return the commands that send a body to the board and run its ``count`` rows.

    ``promise`` is the CRC-32 of a checked block; ``answer_size`` is that of ``Command``.
    """
    head = struct.pack("<BH", flags, count)
    if flags & protocol.CHECKED:
        head += struct.pack("<I", promise)
    last = max(len(body) - CHUNK, 0)
    loads = tuple(
        Command(protocol.LOAD, body[at : min(at + CHUNK, last)]) for at in range(0, last, CHUNK)
    )
    return (*loads, Command(protocol.BLOCK, head + body[last:], answer_size))
