"""Patterns become blocks: the bytes that the agent expands (see ``harness.agent.codec``).

Pure: arrays in, bytes out. Each byte of each word is a plane; a plane that does not change costs
two bytes, the others are sent as they are, as differences or as sums, whichever has the longest
runs; then the whole block is deflated where that makes it shorter.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.agent import protocol
from harness.link import Command
from harness.table import Pattern, Words

CHUNK = protocol.MAX_BODY - 6
"""Bytes of a block's body in one frame: the last come with the command to run it."""


@dataclass(frozen=True)
class EncodedBlock:
    """Rows ``first`` to ``first + rows`` of a pattern, as commands for the agent."""

    first: int
    rows: int
    commands: tuple[Command, ...]


def encode_pattern(pattern: Pattern, rows: int, *, inflates: bool) -> Iterator[EncodedBlock]:
    """Cut a pattern into blocks of at most ``rows`` vectors and encode them one by one.

    ``inflates`` tells whether the board's interpreter can inflate.
    """
    fields = _fields(pattern)
    for first, stop in block_bounds(pattern.until, rows):
        block = tuple(field[first:stop] for field in fields)
        yield EncodedBlock(first, stop - first, _commands(block, inflates=inflates))


def block_bounds(until: NDArray[np.bool_], rows: int) -> Iterator[tuple[int, int]]:
    """Where to cut: at most ``rows`` vectors and ``MAX_UNTIL`` match loops in a block."""
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


def encode_planes(fields: tuple[Words, ...]) -> bytes:
    """The body of a block, before it is deflated."""
    parts: list[bytes] = []
    for field in fields:
        planes = np.ascontiguousarray(field.astype("<u4")).view(np.uint8).reshape(-1, 4)
        for k in range(4):
            parts += _encode_plane(np.ascontiguousarray(planes[:, k]))
    return b"".join(parts)


def _encode_plane(plane: NDArray[np.uint8]) -> tuple[bytes, bytes]:
    if (plane == plane[0]).all():
        return bytes((protocol.CONSTANT,)), plane[:1].tobytes()
    before = np.concatenate((np.zeros(1, np.uint8), plane[:-1]))
    forms = {
        protocol.PLAIN: plane,
        protocol.XOR: plane ^ before,
        protocol.SUB: plane - before,
    }
    mode = min(forms, key=lambda m: int(np.count_nonzero(forms[m][1:] != forms[m][:-1])))
    return bytes((mode,)), forms[mode].tobytes()


def _fields(pattern: Pattern) -> tuple[Words, ...]:
    repeat = pattern.repeat | np.where(pattern.until, np.uint32(protocol.UNTIL), np.uint32(0))
    return (
        pattern.drive,
        pattern.enable,
        pattern.pulse,
        pattern.expect,
        pattern.care,
        pattern.highz,
        repeat.astype(np.uint32),
    )


def _commands(block: tuple[Words, ...], *, inflates: bool) -> tuple[Command, ...]:
    body = encode_planes(block)
    flags = protocol.REPEATS if (block[6] != 1).any() else 0
    if inflates:
        squeezer = zlib.compressobj(6, zlib.DEFLATED, -protocol.WINDOW_BITS)
        short = squeezer.compress(body) + squeezer.flush()
        if len(short) < len(body):
            body, flags = short, flags | protocol.DEFLATED
    head = struct.pack("<BH", flags, len(block[0]))
    last = max(len(body) - CHUNK, 0)
    loads = tuple(
        Command(protocol.LOAD, body[at : min(at + CHUNK, last)]) for at in range(0, last, CHUNK)
    )
    return (*loads, Command(protocol.BLOCK, head + body[last:]))
