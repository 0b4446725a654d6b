"""The wire between host and virtual board: carries bytes both ways and corrupts them on request.

``LinkSpoiler`` is pure: bytes in, bytes out, by its own seeded random numbers.
"""

from __future__ import annotations

import os
import select
import time
from collections.abc import Sequence

import numpy as np

from harness.virtual.faults import BitErrors, DroppedBytes, Hang, LinkFault, Stall, Unplug

PIECE = 4096


class Unplugged(Exception):
    """The cable is out; ``rest`` still got through. Back after ``back_after_s`` (0: never)."""

    def __init__(self, rest: bytes, back_after_s: float) -> None:
        self.rest = rest
        self.back_after_s = back_after_s
        super().__init__("unplugged")


class LinkSpoiler:
    """Applies link faults to bytes; counts the bytes of both directions together."""

    def __init__(self, faults: Sequence[LinkFault]) -> None:
        self._faults = tuple(faults)
        self._seen = 0
        self._over: set[LinkFault] = set()
        self._hangs = False
        seeds = [f.seed for f in faults if isinstance(f, BitErrors | DroppedBytes)]
        self._random = np.random.default_rng(seeds or [0])

    def power_on(self) -> None:
        """End a hang: the board restarts."""
        self._hangs = False

    def spoil(self, data: bytes) -> tuple[bytes, float]:
        """Return what arrives of ``data``, and how many seconds it is held up first.

        Raises Unplugged when the cable comes out within ``data``.
        """
        begin = self._seen
        self._seen += len(data)
        wait = 0.0
        for fault in self._faults:
            match fault:
                case BitErrors(rate=rate):
                    data = self._flip(data, rate)
                case DroppedBytes(rate=rate):
                    data = self._drop(data, rate)
                case Stall(at_byte=at) if self._comes(fault, at):
                    wait += fault.seconds
                case Hang(at_byte=at) if self._comes(fault, at):
                    self._hangs = True
                case Unplug(at_byte=at, back_after_s=back) if self._comes(fault, at):
                    raise Unplugged(data[: max(0, at - begin)], back)
        return (b"" if self._hangs else data), wait

    def _comes(self, fault: LinkFault, at_byte: int) -> bool:
        """Whether it is time for a fault that happens once."""
        due = self._seen > at_byte and fault not in self._over
        if due:
            self._over.add(fault)
        return due

    def _flip(self, data: bytes, rate: float) -> bytes:
        count = self._random.binomial(8 * len(data), rate)
        if not count:
            return data
        spoiled = np.frombuffer(data, dtype=np.uint8).copy()
        for at in self._random.integers(0, 8 * len(data), count):
            spoiled[at >> 3] ^= 1 << (at & 7)
        return spoiled.tobytes()

    def _drop(self, data: bytes, rate: float) -> bytes:
        kept = self._random.random(len(data)) >= rate
        return np.frombuffer(data, dtype=np.uint8)[kept].tobytes()


def carry(host: int, board: int, spoiler: LinkSpoiler, baud: int) -> None:
    """Carry bytes between two file descriptors until one of them closes or is unplugged.

    ``baud`` paces each direction at ten bits a byte; 0 does not pace. Returns quietly at the
    end; Unplugged passes through after the last bytes were delivered.
    """
    other = {host: board, board: host}
    free_at = {host: 0.0, board: 0.0}
    held = {host: b"", board: b""}
    for end in other:
        os.set_blocking(end, False)
    while True:
        now = time.monotonic()
        # An end that accepts no more must not keep the other one from being read: both would wait.
        full = [end for end in other if held[end]]
        open_ = [end for end in other if free_at[end] <= now and not held[other[end]]]
        waits = [moment - now + 0.0005 for moment in free_at.values() if moment > now]
        readable, writable, _ = select.select(open_, full, [], min(waits, default=0.5))
        for end in writable:
            held[end] = _write(end, held[end])
        for end in readable:
            data = os.read(end, PIECE if not baud else max(64, baud // 1000))
            if not data:
                return
            if baud:
                free_at[end] = max(now, free_at[end]) + len(data) * 10 / baud
            held[other[end]] = _deliver(other[end], data, spoiler)


def _deliver(target: int, data: bytes, spoiler: LinkSpoiler) -> bytes:
    """Write what arrives of ``data``; return the rest that is not accepted yet."""
    try:
        data, wait = spoiler.spoil(data)
    except Unplugged as unplugged:
        _write(target, unplugged.rest)
        raise
    if wait:
        time.sleep(wait)
    return _write(target, data)


def _write(target: int, data: bytes) -> bytes:
    try:
        return data[os.write(target, data) :]
    except BlockingIOError:
        return data
