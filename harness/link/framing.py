"""Frames on the host: the agent's wire format, with codecs written in C.

``harness.agent.protocol`` defines the format; a test compares the two.
"""

from __future__ import annotations

import zlib

from cobs import cobs

from harness.agent.protocol import MAX_ANSWER, QUANTUM


def make_frame(session: int, number: int, kind: int, payload: bytes) -> bytes:
    """Return a frame as sent on the wire, zero included."""
    body = bytes((session, number, kind)) + payload
    sealed = body + zlib.crc32(body).to_bytes(4, "little")
    encoded: bytes = cobs.encode(sealed)
    return encoded + b"\x00"


def pad(data: bytes) -> bytes:
    """Fill up with zeros (empty frames) to whole quanta, the units in which the board reads."""
    return b"\x00" + data + b"\x00" * (-(len(data) + 1) % QUANTUM)


class FrameReader:
    """Finds frames in a stream of bytes; damaged ones are counted and dropped."""

    def __init__(self) -> None:
        self._pending = bytearray()
        self.damaged = 0

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes; return the bodies of the frames that they complete, in order."""
        self._pending += data
        *whole, rest = bytes(self._pending).split(b"\x00")
        self._pending[:] = rest[-2 * MAX_ANSWER :]
        bodies = []
        for stuffed in whole:
            if stuffed:
                bodies += self._open(stuffed)
        return bodies

    def _open(self, stuffed: bytes) -> list[bytes]:
        try:
            sealed: bytes = cobs.decode(stuffed)
        except cobs.DecodeError:
            sealed = b""
        body, tail = sealed[:-4], sealed[-4:]
        if len(body) < 3 or zlib.crc32(body) != int.from_bytes(tail, "little"):
            self.damaged += 1
            return []
        return [body]
