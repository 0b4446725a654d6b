"""The wire format between host and board, written once and used by both.

A frame on the wire is ``COBS(body + CRC-32 of body, little endian) + 0x00``; a body is
``session, sequence number, kind, payload``. Framing after Cheshire and Baker, "Consistent
Overhead Byte Stuffing" (1999). Empty frames (zeros alone) are padding and are ignored, so the
host rounds its output up to ``QUANTUM`` bytes, and the board reads that many at a time.

Rules: one answer per command, in order; the board has no timers; the host repeats unanswered
commands, and the board answers a repeated one from its memory without doing it again.
"""

from __future__ import annotations

import binascii
from array import array

from .cpython import micropython, ptr8, ptr32
from .faces import Bytes, Words

VERSION = 3
QUANTUM = 64
MAX_BODY = 1100
"""Maximum body of a frame to the board, in bytes; the size of the board's buffer."""
REMEMBER = 32
"""Number of answers that the board remembers; fewer commands than this are in flight."""

ANYONE = 0
"""Session number of a BYE that every agent obeys."""

# Commands, host to board.
HELLO = 1
BIND = 2
TIMING = 3
START = 4
LOAD = 5
BLOCK = 6
TOTALS = 7
SENSE = 8
ABORT = 9
BYE = 10

# Answers, board to host.
DONE = 64
FAULT = 65
BUSY = 66
GAP = 67

# First byte of a block's body.
PLANES = 0
LAYOUT = 1
WORDS = 2
SAME = 3

# Mode of a plane of a block.
PLAIN = 0
XOR = 1
SUB = 2
CONSTANT = 3
TURNED = 4

FIELDS = ("drive", "enable", "pulse", "expect", "care", "highz", "repeat")
"""The words of one vector, in wire order."""
UNTIL = 0x80000000
"""Set in ``repeat``: stop as soon as the outputs match."""

CHECKED = 1
REPEATS = 2
MATCHED = 4
"""Flags of a block: it has no expectation but a CRC-32 of what must be read; some row runs for
other than one cycle; its body is an LZ4 block."""

GAP_FREE = 1
PULSES = 2
"""Flags of a run: a single burst or a refusal; some row pulses a pin."""

MAX_WINDOW = 64
"""Maximum number of cycles read back whole in one run."""
MAX_KEPT = 48
"""Maximum number of mismatches that the board keeps in one run; it counts all."""
MAX_UNTIL = 60
"""Maximum number of ``until`` rows in one block; the answer lists each."""
MAX_ROWS = 1024
"""Maximum number of vectors of a block."""
MAX_ANSWER = 3 + 3 + 18 * MAX_WINDOW + 4 + 4 * MAX_ROWS
"""Maximum body of a frame from the board, in bytes: the answer to a checked block with all words
read and a full window. All lists of another block's answer take less."""


@micropython.viper
def unstuff(source: Bytes, state: Words, target: bytearray | memoryview, end: int) -> int:
    """Take COBS bytes from ``source[state[3]:end]``; stop after a zero. Return 1 if one was met."""
    s = ptr8(source)
    t = ptr8(target)
    st = ptr32(state)
    size = int(len(target))
    out = int(st[0])
    left = int(st[1])
    full = int(st[2])
    at = int(st[3])
    met = 0
    while at < end:
        byte = int(s[at])
        at += 1
        if byte == 0:
            met = 1
            break
        if left == 0:
            if full == 0:
                if out < size:
                    t[out] = 0
                    out += 1
                else:
                    st[4] = 1
            left = byte - 1
            full = 1 if byte == 255 else 0
        else:
            left -= 1
            if out < size:
                t[out] = byte
                out += 1
            else:
                st[4] = 1
    st[0] = out
    st[1] = left
    st[2] = full
    st[3] = at
    return met


@micropython.viper
def stuff(source: Bytes, count: int, target: bytearray) -> int:
    """COBS-encode ``source[:count]`` into ``target``, without the zero; return the length."""
    s = ptr8(source)
    t = ptr8(target)
    code_at = 0
    code = 1
    out = 1
    i = 0
    while i < count:
        byte = int(s[i])
        i += 1
        if byte:
            t[out] = byte
            out += 1
            code += 1
            if code == 255 and i < count:
                t[code_at] = 255
                code_at = out
                out += 1
                code = 1
        else:
            t[code_at] = code
            code_at = out
            out += 1
            code = 1
    t[code_at] = code
    return out


class Deframer:
    """Turns bytes into frame bodies; damaged frames are counted and dropped."""

    def __init__(self, limit: int = MAX_BODY + 4) -> None:
        self.buffer = bytearray(limit)
        self.view = memoryview(self.buffer)
        # Bytes written, bytes left in this group, whether the previous group ended without a zero
        # of its own, next byte to read, and whether the frame outgrew the buffer.
        self.state = array("I", [0, 0, 1, 0, 0])
        self.damaged = 0

    def feed(self, chunk: Bytes, count: int) -> list[bytes]:
        """Take ``chunk[:count]``; return the bodies that it completes, in order."""
        bodies = []
        state = self.state
        state[3] = 0
        while unstuff(chunk, state, self.buffer, count):
            size = state[0]
            broken = state[1] or state[4]  # an incomplete group, a frame that is too long
            state[0] = 0
            state[1] = 0
            state[2] = 1
            state[4] = 0
            if size == 0 and not broken:
                continue
            body = bytes(self.view[: max(size - 4, 0)])
            tail = bytes(self.view[max(size - 4, 0) : size])
            if broken or size < 7 or binascii.crc32(body) != int.from_bytes(tail, "little"):
                self.damaged += 1
            else:
                bodies.append(body)
        return bodies


def frame(session: int, number: int, kind: int, payload: bytes) -> bytes:
    """Return a frame as sent on the wire, zero included."""
    body = bytes((session, number, kind)) + payload
    sealed = body + binascii.crc32(body).to_bytes(4, "little")
    stuffed = bytearray(len(sealed) + len(sealed) // 254 + 2)
    size = stuff(sealed, len(sealed), stuffed)
    return bytes(memoryview(stuffed)[: size + 1])
