"""Which bits of a run's words vary, and the columns in which they are sent.

A bit that never changes costs nothing; bits that are always equal, or always opposite, share a
column. Eight columns are a plane: one byte per vector. Pure: arrays in, arrays and bytes out.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.table import Words

Planes = NDArray[np.uint8]
"""One row per plane, one byte per vector."""


@dataclass(frozen=True)
class Piece:
    """``width`` bits of a field from ``bit`` on, and the column of the lowest, in one plane."""

    column: int
    field: int
    bit: int
    width: int


@dataclass(frozen=True)
class Layout:
    """The place of each column: word = base ^ its columns. ``pieces`` are sorted by plane."""

    base: tuple[int, ...]
    columns: int
    pieces: tuple[Piece, ...]

    def header(self) -> bytes:
        """Return the layout as sent to the board."""
        counts = bytes((self.columns, len(self.pieces)))
        rows = (bytes((p.column, p.field, p.bit, p.width)) for p in self.pieces)
        return struct.pack(f"<{len(self.base)}I", *self.base) + counts + b"".join(rows)

    def planes(self, fields: tuple[Words, ...]) -> Planes:
        """Return the columns of the words, eight to a byte."""
        planes = np.zeros(((self.columns + 7) // 8, len(fields[0])), np.uint8)
        sent = 0
        for piece in self.pieces:
            columns = ((1 << piece.width) - 1) << piece.column
            # several pieces may have the same columns, with equal bits: one is enough
            if columns & ~sent:
                sent |= columns
                mask = np.uint32((1 << piece.width) - 1)
                bits = fields[piece.field] ^ np.uint32(self.base[piece.field])
                part = ((bits >> np.uint32(piece.bit)) & mask).astype(np.uint8)
                # stays within the byte: a piece ends where its plane does
                planes[piece.column // 8] |= part << np.uint8(piece.column % 8)
        return planes


def find_layout(fields: tuple[Words, ...]) -> Layout:
    """Find the layout of these words, with the first row as the base."""
    base = tuple(int(field[0]) for field in fields)
    # the values themselves are the key, so equal bits share a column
    known: dict[bytes, int] = {}
    placed = [
        (known.setdefault(column, len(known)), number, bit)
        for number, field in enumerate(fields)
        for bit, column in _varying(field)
    ]
    return Layout(base, len(known), tuple(sorted(_pieces(placed), key=lambda p: p.column // 8)))


def _varying(field: Words) -> Iterator[tuple[int, bytes]]:
    """Yield each bit that changes, and all its values (differences to the first row), packed."""
    # as differences to the first row, opposite bits are equal; the base tells them apart
    changes = field ^ field[0]
    mask = int(np.bitwise_or.reduce(changes))
    # little-endian on any computer: byte k has bits 8k to 8k + 7
    octets = changes.astype("<u4", copy=False).view(np.uint8).reshape(-1, 4)
    for k in range(4):
        if mask >> 8 * k & 0xFF:
            octet = np.ascontiguousarray(octets[:, k])  # read up to eight times, slow with strides
            for bit in range(8):
                if mask >> (8 * k + bit) & 1:
                    yield 8 * k + bit, np.packbits(octet & np.uint8(1 << bit)).tobytes()


def _pieces(placed: list[tuple[int, int, int]]) -> Iterator[Piece]:
    """Join bits that are neighbours in field and columns, within one plane."""
    begin = 0
    for at in range(1, len(placed) + 1):
        if at < len(placed):
            (column, field, bit), (column2, field2, bit2) = placed[at - 1 : at + 1]
            # the board has eight words per plane and field: a piece must end with its plane
            if (column2, field2, bit2) == (column + 1, field, bit + 1) and column2 % 8:
                continue
        column, field, bit = placed[begin]
        yield Piece(column, field, bit, at - begin)
        begin = at
