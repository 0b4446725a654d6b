"""Pins of a virtual board: a whole burst goes to the chip model, which returns its answer.

Only the interpreter of a virtual board has a module ``virtual_chip``, whose ``link`` is a file to
the model. A request is an operation and three words, then arrays. The answer to vectors begins
with the length of an error text, 0 without one.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from typing import Literal

from .buffers import copy_words
from .codec import Block
from .engine import Refused
from .faces import Vector, Words

try:
    from virtual_chip import link
except ImportError:
    link = None

ABOUT = {"exact": False, "tick_ns": 1, "rate_hz": 100_000, "samples": True}
"""Its abilities (``Backend`` in ``backends``): the model accepts any times."""

RUN = 1
UNTIL_MATCH = 2
PERIOD = 3
WHO = 4
RELEASE = 5
MEASURE = 6
NOTHING = 0xFFFFFFFF


class Pins:
    """The pins of a virtual board."""

    name = "virtual"
    exact: Literal[False] = False
    bursts = 0
    rows = 1024
    also = 0

    def __init__(self) -> None:
        self.link = link
        self.buffer = bytearray(4)
        self.idle: Callable[[], None] | None = None

    def ask(self, operation: int, a: int = 0, b: int = 0, c: int = 0) -> None:
        """Send the head of a request."""
        self.link.write(struct.pack("<IIII", operation, a, b, c))

    def read(self, target: bytearray | memoryview) -> None:
        """Fill ``target`` from the model."""
        view = memoryview(target)
        at = 0
        while at < len(view):
            at += self.link.readinto(view[at:])

    def serial(self) -> str:
        """The board's serial number."""
        self.ask(WHO)
        return self.text()

    def bind(self, numbers: Sequence[int]) -> None:
        """Nothing to configure: the model has the chip's pins in the order of the words."""

    def timing(self, period_ns: int, settle_ns: int, sample_ns: int) -> tuple[int, int]:
        """Tell the model the time of a cycle; return it as (numerator, denominator)."""
        self.ask(PERIOD, period_ns, settle_ns, sample_ns)
        return period_ns, 1

    def run(self, block: Block, count: int, seen: Words, floating: Words) -> None:
        """Run the first ``count`` vectors; ``seen`` and ``floating`` get as many words."""
        self.ask(RUN, count)
        for field in (block.drive, block.enable, block.pulse, block.highz):
            self.link.write(memoryview(field)[:count])
        self.hear()
        self.read_words(seen, count)
        self.read_words(floating, count)

    def hear(self) -> None:
        """Read the model's error text; refuse the host's command with it."""
        text = self.text()
        if text:
            refused = Refused(text)
            refused.kind = b"no model"
            raise refused

    def text(self) -> str:
        """Read a length and that many bytes, as text."""
        size = bytearray(4)
        self.read(size)
        data = bytearray(struct.unpack("<I", size)[0])
        self.read(data)
        return bytes(data).decode()

    def read_words(self, target: Words, count: int) -> None:
        """Read ``count`` words into ``target``."""
        if len(self.buffer) < 4 * count:
            self.buffer = bytearray(4 * count)
        self.read(memoryview(self.buffer)[: 4 * count])
        copy_words(self.buffer, target, count)

    def until(self, vector: Vector, limit: int) -> tuple[int, int, bool]:
        """Repeat one vector (drive, enable, pulse, expect, care) until its outputs match.

        Returns cycles used, last word read, whether it matched.
        """
        self.ask(UNTIL_MATCH, limit)
        self.link.write(struct.pack("<IIIII", *vector))
        self.hear()
        answer = bytearray(12)
        self.read(answer)
        used, seen, matched = struct.unpack("<III", answer)
        return used, seen, bool(matched)

    def took(self) -> int:
        """Return 0: the model keeps the time of a cycle as requested."""
        return 0

    def sense(self, numbers: Sequence[int]) -> list[int | None]:
        """The model's readings of these pins, 0 to 65535; None for one without a reading."""
        return [self.measured(number) for number in numbers]

    def measured(self, number: int) -> int | None:
        """The reading of one pin."""
        self.ask(MEASURE, number)
        answer = bytearray(4)
        self.read(answer)
        reading = struct.unpack("<I", answer)[0]
        return None if reading == NOTHING else reading

    def release(self) -> None:
        """Stop driving."""
        self.ask(RELEASE)
