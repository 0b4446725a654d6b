"""The wire format between host and board, written once and used by both.

A frame on the wire is ``COBS(body + CRC-32 of body, little endian) + 0x00``; a body is
``session, sequence number, kind, payload``. Framing after Cheshire and Baker, "Consistent
Overhead Byte Stuffing" (1999). Empty frames (zeros alone) are padding and are ignored, so the
host rounds its output up to ``QUANTUM`` bytes, and the board reads a multiple of that at a time.

Rules: one answer per command, in order; the board has no timers; the host repeats unanswered
commands, and the board answers a repeated one from its memory without doing it again.
"""

from __future__ import annotations

import binascii
import struct
from array import array

from .cpython import micropython, ptr8, ptr32
from .faces import Bytes, Words

VERSION = 3
QUANTUM = 64
MAX_BODY = 1400
"""Maximum body of a frame to the board, in bytes; the size of the board's buffer."""
MAX_READ = 1024
"""Maximum number of bytes that the board reads at once."""
KIND = 15
"""The bits of a command's kind; those above count the quanta that its payload has at least."""
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


def announced(kind: int, size: int) -> int:
    """Return the kind of a command that also tells how long its payload is, at least."""
    return min(size // QUANTUM, KIND) << 4 | kind


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
MAX_ANSWERS = 3 * 4 * MAX_ROWS
"""Maximum number of bytes of words and waits that blocks in flight may be answered with."""
MAX_ANSWER = 3 + 3 + 18 * MAX_WINDOW + 4 + 4 * MAX_ROWS
"""Maximum body of a frame from the board, in bytes: the answer to a checked block with all words
read and a full window. All lists of another block's answer take less."""


RESIDUE = 0x2144DF1C
"""The CRC-32 of anything followed by its own CRC-32, in little endian."""


@micropython.viper
def unstuff(source: Bytes, state: Words, target: Bytes, end: int) -> int:
    """Take COBS bytes from ``source[:end]``; return 1 once a frame ends, 0 if more must come.

    Zeros between frames are skipped. ``state``: next byte to read, bytes written, bytes left in
    this group, not 0 if a zero follows the group, 1 if the frame outgrew its room, and that room.
    """
    s = ptr8(source)
    t = ptr8(target)
    st = ptr32(state)
    at = int(st[0])
    out = int(st[1])
    left = int(st[2])
    owed = int(st[3])
    room = int(st[5])
    met = 0
    while at < end:
        byte = int(s[at])
        at += 1
        if byte == 0:
            owed = 0
            if out + left + int(st[4]):
                met = 1
                break
            continue
        if left:
            left -= 1
        else:
            left = byte - 1
            before = owed
            owed = 255 - byte
            if before == 0:
                continue
            byte = 0
        if out < room:
            t[out] = byte
            out += 1
        else:
            st[4] = 1
    st[0] = at
    st[1] = out
    st[2] = left
    st[3] = owed
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
    """Takes frames apart where they are to stay; damaged ones are counted and dropped.

    ``begin`` takes bytes, ``next`` finds a frame in them. Its body is ``view[:next()]`` until
    ``turn``, which leaves it alone and takes the other buffer: a command may go on using its
    payload while later frames arrive.
    """

    def __init__(self, limit: int = MAX_BODY + 4) -> None:
        self.views = [memoryview(bytearray(limit)), memoryview(bytearray(limit))]
        self.view = self.views[0]
        self.state = array("I", [0, 0, 0, 0, 0, limit])
        self.chunk: Bytes = b""
        self.end = 0
        self.damaged = 0

    def begin(self, chunk: Bytes, count: int) -> None:
        """Take ``chunk[:count]``, which must stay as it is while frames are found in it."""
        self.chunk = chunk
        self.end = count
        self.state[0] = 0

    def next(self) -> int:
        """Return the length of the next body, 0 if more bytes must come."""
        state = self.state
        while unstuff(self.chunk, state, self.view, self.end):
            size = state[1]
            broken = state[2] or state[4]  # an incomplete group, or a frame that is too long
            state[1] = state[2] = state[3] = state[4] = 0
            if size >= 7 and not broken and binascii.crc32(self.view[:size]) == RESIDUE:
                return size - 4
            self.damaged += 1
        return 0

    def turn(self) -> None:
        """Leave the body just found where it is."""
        self.view = self.views[self.view is self.views[0]]

    def wanted(self) -> int:
        """Return how many bytes can be read: as many as the frame on its way surely has.

        That is the rest of its group, or of its payload as announced, and a zero; hosts send whole
        quanta.
        """
        left, had = self.state[2], self.state[1]
        if had > 2:
            left = max(left, (self.view[2] >> 4) * QUANTUM + 7 - had)
        return (left // QUANTUM + 1) * QUANTUM

    def rest(self) -> list[bytes]:
        """Return copies of all further bodies, in order."""
        bodies = []
        while size := self.next():
            bodies.append(bytes(self.view[:size]))
        return bodies

    def feed(self, chunk: Bytes, count: int) -> list[bytes]:
        """Take ``chunk[:count]``; return copies of the bodies that it completes."""
        self.begin(chunk, count)
        return self.rest()


def frame(session: int, number: int, kind: int, payload: Bytes) -> bytes:
    """Return a frame as sent on the wire, zero included."""
    size = len(payload) + 3
    sealed = bytearray(size + 4)
    view = memoryview(sealed)
    sealed[0] = session
    sealed[1] = number
    sealed[2] = kind
    view[3:size] = payload
    struct.pack_into("<I", sealed, size, binascii.crc32(view[:size]))
    stuffed = bytearray(size + size // 254 + 7)
    size = stuff(sealed, size + 4, stuffed) + 1
    del sealed, view  # a board has no room for so many copies of a long answer
    return bytes(memoryview(stuffed)[:size])
