"""Encodes patterns as blocks: the bytes that the agent expands (see ``harness.agent.codec``).

Pure: arrays in, bytes out. The bits that vary in the run become planes (``layout``), each plane
gets its cheapest form (``forms``), and the block is compressed where that makes it shorter.
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
from harness.board.forms import Form, choose, constant
from harness.board.layout import Layout, Planes, find_layout
from harness.link import Command
from harness.table import PLANES, Pattern, Words

CHUNK = protocol.MAX_BODY - 6
"""Bytes of a block's body in one frame; the last are in the command to run it."""
TRIALS = 4
"""Number of blocks of a run for which forms are chosen; the blocks between reuse the choice."""


@dataclass(frozen=True)
class EncodedBlock:
    """Rows ``first`` to ``first + rows`` of a pattern as commands for the agent."""

    first: int
    rows: int
    commands: tuple[Command, ...]


def encode_pattern(pattern: Pattern, rows: int, *, inflates: bool) -> Iterator[EncodedBlock]:
    """Cut a pattern into blocks of at most ``rows`` vectors and encode them one by one.

    ``inflates``: the board's interpreter can inflate.
    """
    fields = wire_fields(pattern)
    squeeze = deflate if inflates else _match
    bounds = list(block_bounds(pattern.until, rows))
    for (first, stop), body in zip(bounds, encode_bodies(fields, bounds), strict=True):
        flags = protocol.REPEATS if (fields[6][first:stop] != 1).any() else 0
        short, how = squeeze(body)
        sent = (short, flags | how) if len(short) < len(body) else (body, flags)
        yield EncodedBlock(first, stop - first, block_commands(*sent, stop - first))


def block_bounds(until: NDArray[np.bool_], rows: int) -> Iterator[tuple[int, int]]:
    """Yield (first, stop) of blocks of at most ``rows`` vectors and ``MAX_UNTIL`` match loops."""
    total = len(until)
    waits = np.flatnonzero(until)
    first = 0
    while first < total:
        stop = min(first + rows, total)
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


def deflate(body: bytes) -> tuple[bytes, int]:
    """Deflate a body; return it with its flag."""
    squeezer = zlib.compressobj(6, zlib.DEFLATED, -protocol.WINDOW_BITS)
    return squeezer.compress(body) + squeezer.flush(), protocol.DEFLATED


def _match(body: bytes) -> tuple[bytes, int]:
    return lz4.block.compress(body, "high_compression", store_size=False), protocol.MATCHED


def block_commands(body: bytes, flags: int, count: int) -> tuple[Command, ...]:
    """Return the commands that send a body to the board and run its ``count`` rows."""
    head = struct.pack("<BH", flags, count)
    last = max(len(body) - CHUNK, 0)
    loads = tuple(
        Command(protocol.LOAD, body[at : min(at + CHUNK, last)]) for at in range(0, last, CHUNK)
    )
    return (*loads, Command(protocol.BLOCK, head + body[last:]))
