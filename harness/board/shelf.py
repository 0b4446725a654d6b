"""Encoded patterns, shared by the boards that run them: a rack encodes each once.

Keyed by content, never by name. Any thread may ask; the first encodes, block by block, and each
waits only for the block that it needs.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from itertools import islice

from harness.board.encode import EncodedBlock, encode_pattern, wire_fields
from harness.table import Pattern

MAX_PATTERNS = 64
"""Maximum number of patterns on the shelf, those used last."""
MAX_VECTORS = 1_000_000
"""Maximum number of vectors of a pattern on the shelf; longer ones are encoded each time."""


class _Growing:
    """Blocks that are encoded on demand."""

    def __init__(self, encode: Callable[[], Iterator[EncodedBlock]]) -> None:
        self._encode: Callable[[], Iterator[EncodedBlock]] = encode
        self._source = encode()
        self._blocks: list[EncodedBlock] = []
        self._lock = threading.Lock()

    def __iter__(self) -> Iterator[EncodedBlock]:
        at = 0
        while (block := self._get(at)) is not None:
            yield block
            at += 1

    def _get(self, at: int) -> EncodedBlock | None:
        with self._lock:
            if at == len(self._blocks) and (block := self._next()) is not None:
                self._blocks.append(block)
            return self._blocks[at] if at < len(self._blocks) else None

    def _next(self) -> EncodedBlock | None:
        """Return the next block. If interrupted, the encoder starts again at the next request."""
        try:
            block = next(self._source, None)
        except BaseException:
            self._source = islice(self._encode(), len(self._blocks), None)
            raise
        if block is None:
            self._encode = lambda: iter(())  # frees the pattern
        return block


class Shelf:
    """The patterns used last, by content and room on the board."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[bytes, int], _Growing] = OrderedDict()
        self._lock = threading.Lock()

    def encoded(self, pattern: Pattern, rows: int) -> Iterator[EncodedBlock]:
        """Return the blocks of ``encode_pattern``, from the shelf if possible."""
        if len(pattern) > MAX_VECTORS:
            return encode_pattern(pattern, rows)
        key = _digest(pattern), rows
        with self._lock:
            if key not in self._kept:
                self._kept[key] = _Growing(lambda: encode_pattern(pattern, rows))
            self._kept.move_to_end(key)
            while len(self._kept) > MAX_PATTERNS:
                self._kept.popitem(last=False)
            return iter(self._kept[key])


def _digest(pattern: Pattern) -> bytes:
    digest = hashlib.blake2b(digest_size=16)
    for field in wire_fields(pattern):
        digest.update(field.tobytes())
    return digest.digest()


SHELF = Shelf()
"""The shelf of this process."""
