"""Whole words of many cycles in one text, so that thousands of outcomes can have them.

One rule: what was driven, expected and read stands here together, so that a stored run can be
judged again without its tables.
"""

from __future__ import annotations

import base64
import binascii
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise

WINDOW_FIELDS = (
    "row",
    "line",
    "drive",
    "enable",
    "pulse",
    "expect",
    "care",
    "highz",
    "seen",
    "floating",
)
"""The columns of a long window. Bit ``k`` of a word is pin ``k`` of ``LongWindow.pins``.

``row`` counts the table's rows from 0, ``line`` is a line of its file; ``drive`` to ``highz`` are
as in the table (high impedance tested: ``highz``), ``seen`` was read, and ``floating`` marks the
pins that a test for high impedance found floating.
"""
STEPPING = ("row", "line")
"""Columns kept as differences to the cycle before."""
MAX_WINDOW_TEXT = 32_768
"""Maximum number of characters of ``words``: the bound of what one outcome takes in the store."""

MAX_WINDOW_CYCLES = 1 << 20
"""Maximum number of cycles of a long window; boards read back a few thousand."""


@dataclass(frozen=True)
class LongWindow:
    """The cycles from shortly before the first mismatch on, read back in a run of their own.

    ``cycle`` is the first one, ``cycles`` their number. ``pins`` and ``signals`` name each bit,
    empty where there is none. ``words`` has :data:`WINDOW_FIELDS`; :func:`unpacked_words` reads
    them. ``cut`` says what is missing; empty if the window has every cycle up to the table's end.
    """

    cycle: int
    cycles: int
    pins: tuple[str, ...]
    signals: tuple[str, ...]
    words: str
    cut: str

    def __post_init__(self) -> None:
        if not 0 <= self.cycles <= MAX_WINDOW_CYCLES:
            raise ValueError(f"cycles is {self.cycles}, not 0 to {MAX_WINDOW_CYCLES:,}")


def packed_words(columns: Mapping[str, Sequence[int]]) -> str:
    """Pack columns of :data:`WINDOW_FIELDS`, of equal length, as base64 of deflated bytes.

    The lowest bytes of a column stand first, then the next ones: most bytes are equal to the one
    before.
    """
    planes = bytearray()
    for name in WINDOW_FIELDS:
        values = columns[name]
        if name in STEPPING:
            values = [(after - before) & 0xFFFFFFFF for before, after in pairwise((0, *values))]
        whole = b"".join(value.to_bytes(4, "little") for value in values)
        for byte in range(4):
            planes += whole[byte::4]
    return base64.b64encode(zlib.compress(bytes(planes), 9)).decode()


def unpacked_words(window: LongWindow) -> dict[str, tuple[int, ...]]:
    """Return the columns of :data:`WINDOW_FIELDS`, one entry per cycle.

    Raises ValueError for text that was not packed so, as in a damaged record.
    """
    count = window.cycles
    size = 4 * count * len(WINDOW_FIELDS)
    inflate = zlib.decompressobj()
    try:
        planes = inflate.decompress(base64.b64decode(window.words, validate=True), size + 1)
    except (binascii.Error, zlib.error) as error:
        raise ValueError(f"the words of a long window cannot be read: {error}") from error
    if len(planes) != size or not inflate.eof:
        raise ValueError(f"the words of a long window are not {size} bytes, as its cycles need")
    columns: dict[str, tuple[int, ...]] = {}
    for place, name in enumerate(WINDOW_FIELDS):
        part = planes[4 * count * place : 4 * count * (place + 1)]
        lanes = (part[count * byte : count * (byte + 1)] for byte in range(4))
        values = [int.from_bytes(octets, "little") for octets in zip(*lanes, strict=True)]
        if name in STEPPING:
            values = list(accumulate(values, lambda a, b: (a + b) & 0xFFFFFFFF))
        columns[name] = tuple(values)
    return columns
