"""A block of vectors: the arrays that hold it on the board, and how they are filled.

A layout says which bits of which words vary in a run, and in which column each is sent; eight
columns are a plane, one byte per vector. All other bits hold their level from the layout on and
cost neither bytes nor time. The format of a body stands in this folder's README. Nobody else
writes these arrays: what a block does not change is left from the block before.
"""

from array import array

from .protocol import (
    CONSTANT,
    FIELDS,
    LAYOUT,
    PLANES,
    SAME,
    TURNED,
    WINDOW_BITS,
    WORDS,
)

try:
    import micropython
except ImportError:
    from .cpython import micropython, ptr8, ptr32

try:
    import io

    import deflate

    def inflate(body: object, target: object) -> int:
        """Inflate ``body`` into ``target``; return how many bytes came out."""
        stream = deflate.DeflateIO(io.BytesIO(body), deflate.RAW, WINDOW_BITS)
        return stream.readinto(target)

except ImportError:
    try:
        import zlib
    except ImportError:
        inflate = None
    else:

        def inflate(body: object, target: object) -> int:
            """Inflate ``body`` into ``target``; return how many bytes came out."""
            plain = zlib.decompress(body, -WINDOW_BITS)
            target[: len(plain)] = plain
            return len(plain)


def words(count: int) -> object:
    """``count`` unsigned 32-bit words, all zero."""
    return array("I", bytes(4 * count))


class Block:
    """Room for ``size`` vectors and for what they give; the arrays are reused."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.drive = words(size)
        self.enable = words(size)
        self.pulse = words(size)
        self.expect = words(size)
        self.care = words(size)
        self.highz = words(size)
        self.repeat = words(size)
        self.fields = [
            self.drive,
            self.enable,
            self.pulse,
            self.expect,
            self.care,
            self.highz,
            self.repeat,
        ]

        self.filled = [None] * len(FIELDS)
        self.base = words(len(FIELDS))
        self.columns = 0
        self.pieces = None
        self.plane = words((size + 7) // 4 + 1)

    def forget(self) -> None:
        """Forget the layout: a run that begins must bring its own."""
        self.pieces = None

    def load(self, body: object, count: int) -> None:
        """Fill the first ``count`` vectors from a block's body (inflated already)."""
        opening = body[0]
        if self.pieces is None and opening in (PLANES, SAME):
            raise ValueError("block without a layout")
        if opening == WORDS:
            self.load_words(body, count)
        elif opening == LAYOUT:
            self.load_planes(body, self.load_layout(body), count)
        elif opening == PLANES:
            self.load_planes(body, 1, count)
        elif opening != SAME:
            raise ValueError("block that begins with %d" % opening)

    def load_words(self, body: object, count: int) -> None:
        """Take words as they are, field by field."""
        at = 1
        for k in range(len(FIELDS)):
            take_words(body, self.fields[k], array("I", [count, at]))
            at += 4 * count
            self.filled[k] = None

    def load_layout(self, body: object) -> int:
        """Learn where the columns go; return where the planes begin."""
        for k in range(len(FIELDS)):
            self.base[k] = int.from_bytes(bytes(body[1 + 4 * k : 5 + 4 * k]), "little")
        at = 1 + 4 * len(FIELDS)
        self.columns = body[at]
        end = at + 2 + 4 * body[at + 1]
        self.pieces = bytes(body[at + 2 : end])
        return end

    def load_planes(self, body: object, at: int, count: int) -> None:
        """Fill the words from planes that begin at ``at``."""
        fresh = [True] * len(FIELDS)
        piece = 0
        for first in range(0, self.columns, 8):
            width = min(8, self.columns - first)
            at += self.expand_plane(body, at, count, width)
            while piece < len(self.pieces) and self.pieces[piece] < first + 8:
                k = self.pieces[piece + 1]
                self.place(piece, count, fresh[k])
                fresh[k] = False
                piece += 4
        for k in range(len(FIELDS)):
            self.hold(k, fresh[k])

    def hold(self, k: int, steady: bool) -> None:
        """Keep note of what is in field ``k``; fill it where no bit varies."""
        if not steady:
            self.filled[k] = None
        elif self.filled[k] != self.base[k]:
            self.filled[k] = self.base[k]
            copy_row(self.base, self.fields[k], array("I", [k, 0, self.size]))

    def expand_plane(self, body: object, at: int, count: int, width: int) -> int:
        """Put one byte per vector into ``plane``; return how long it was in the body."""
        mode = body[at]
        argument = body[at + 1]
        job = array("I", [count, mode & 3, argument, at + 2])
        if not mode & TURNED:
            undo(body, self.plane, job)
            return 2 if mode == CONSTANT else 2 + count
        groups = (count + 7) // 8
        turn(body, self.plane, array("I", [groups, width, at + 2]))
        job[3] = 0
        if mode != TURNED:
            undo(self.plane, self.plane, job)
        return 2 + groups * width

    def place(self, piece: int, count: int, fresh: bool) -> None:
        """Put the bits of a piece of the layout where they belong."""
        column, k, bit, width = self.pieces[piece : piece + 4]
        job = array("I", [count, column & 7, (1 << width) - 1, bit, self.base[k]])
        (begin_words if fresh else add_bits)(self.plane, self.fields[k], job)


def body_size(count: int) -> int:
    """The most bytes that the body of a block of ``count`` vectors can have."""
    return 1 + len(FIELDS) * 4 * count


@micropython.viper
def unmatch(source: object, target: object, job: object) -> int:
    """Expand an LZ4 block; ``job`` is its length, room in ``target``. Return the length, or 0.

    After Y. Collet, "LZ4 Block Format Description": a token with two lengths, literals, and how
    far back the match begins.
    """
    s = ptr8(source)
    t = ptr8(target)
    j = ptr32(job)
    end = int(j[0])
    size = int(j[1])
    at = 0
    out = 0
    while at < end:
        token = int(s[at])
        at += 1
        part = 0
        while part < 2:
            run = (token & 15) + 4 if part else token >> 4
            back = out - int(s[at]) - (int(s[at + 1]) << 8) if part else 0
            at += 2 * part
            more = 255 if run == 15 + 4 * part else 0
            while more == 255:
                more = int(s[at])
                at += 1
                run += more
            run += out
            if run > size:
                return 0
            if part:
                while out < run:
                    t[out] = t[back]
                    out += 1
                    back += 1
            else:
                while out < run:
                    t[out] = s[at]
                    out += 1
                    at += 1
            part = part + 1 if at < end else 2
    return out


@micropython.viper
def take_words(body: object, target: object, job: object) -> int:
    """Copy ``job[0]`` words from byte ``job[1]`` of ``body``, which need not be aligned."""
    b = ptr8(body)
    t = ptr8(target)
    j = ptr32(job)
    left = int(j[0]) * 4
    at = int(j[1])
    to = 0
    while to < left:
        t[to] = b[at]
        to += 1
        at += 1
    return 0


@micropython.viper
def undo(source: object, target: object, job: object) -> int:
    """Undo a plane's form; ``job`` is count, mode, argument, offset in ``source``."""
    s = ptr8(source)
    t = ptr8(target)
    j = ptr32(job)
    count = int(j[0])
    mode = int(j[1])
    lag = int(j[2])
    at = int(j[3])
    i = 0
    if mode == 3:
        while i < count:
            t[i] = lag
            i += 1
        return 0
    if mode == 2:
        last = 0
        while i < count:
            last = (int(s[at]) + last) & 255
            t[i] = last
            at += 1
            i += 1
        return 0
    end = lag if mode == 1 and lag < count else count
    while i < end:
        t[i] = s[at]
        at += 1
        i += 1
    back = 0
    while i < count:
        t[i] = int(s[at]) ^ int(t[back])
        at += 1
        back += 1
        i += 1
    return 0


@micropython.viper
def turn(source: object, target: object, job: object) -> int:
    """Turn columns of bits into bytes; ``job`` is bytes per column, columns, offset.

    The product puts four bits into the lowest bits of four bytes: no two of its terms meet.
    """
    s = ptr8(source)
    t = ptr32(target)
    j = ptr32(job)
    groups = int(j[0])
    columns = int(j[1])
    first = int(j[2])
    g = 0
    while g < groups:
        low = 0
        high = 0
        k = 0
        at = first + g
        while k < columns:
            byte = int(s[at])
            low |= (((byte & 15) * 0x204081) & 0x01010101) << k
            high |= (((byte >> 4) * 0x204081) & 0x01010101) << k
            at += groups
            k += 1
        t[2 * g] = low
        t[2 * g + 1] = high
        g += 1
    return 0


@micropython.viper
def begin_words(plane: object, target: object, job: object) -> int:
    """Write words: the base and some bits. ``job``: count, shift, mask, bit of the word, base."""
    p = ptr8(plane)
    t = ptr32(target)
    j = ptr32(job)
    count = int(j[0])
    right = int(j[1])
    mask = int(j[2])
    left = int(j[3])
    base = int(j[4])
    i = 0
    while i < count:
        t[i] = base ^ (((int(p[i]) >> right) & mask) << left)
        i += 1
    return 0


@micropython.viper
def add_bits(plane: object, target: object, job: object) -> int:
    """Change bits of words that were begun. ``job``: count, shift, mask, bit of the word."""
    p = ptr8(plane)
    t = ptr32(target)
    j = ptr32(job)
    count = int(j[0])
    right = int(j[1])
    mask = int(j[2])
    left = int(j[3])
    i = 0
    while i < count:
        t[i] = t[i] ^ (((int(p[i]) >> right) & mask) << left)
        i += 1
    return 0


@micropython.viper
def copy_row(source: object, target: object, place: object) -> int:
    """Copy word ``place[0]`` of ``source`` into ``place[2]`` words of ``target`` from ``[1]``."""
    s = ptr32(source)
    t = ptr32(target)
    p = ptr32(place)
    value = s[int(p[0])]
    at = int(p[1])
    end = at + int(p[2])
    while at < end:
        t[at] = value
        at += 1
    return 0


@micropython.viper
def copy_words(source: object, target: object, count: int) -> int:
    """Copy ``count`` words from the start of one buffer to the start of another."""
    s = ptr32(source)
    t = ptr32(target)
    i = 0
    while i < count:
        t[i] = s[i]
        i += 1
    return 0


@micropython.viper
def count_up(target: object, place: object) -> int:
    """Write ``place[0]``, ``place[0] + 1``… into ``place[2]`` words of ``target`` from ``[1]``."""
    t = ptr32(target)
    p = ptr32(place)
    value = int(p[0])
    at = int(p[1])
    end = at + int(p[2])
    while at < end:
        t[at] = value
        value += 1
        at += 1
    return 0


@micropython.viper
def compare(arrays: object, start: int, count: int) -> int:
    """Compare ``count`` vectors from ``start``; return how many differ.

    ``arrays`` holds expect, care, highz, seen, floating, wrong, tested. ``wrong`` gets the pins
    that differ, ``tested`` what was read on the pins that are tested.
    """
    expect = ptr32(arrays[0])
    care = ptr32(arrays[1])
    highz = ptr32(arrays[2])
    seen = ptr32(arrays[3])
    floating = ptr32(arrays[4])
    wrong = ptr32(arrays[5])
    tested = ptr32(arrays[6])
    bad = 0
    i = start
    k = 0
    while k < count:
        c = care[i]
        z = highz[i]
        s = seen[k]
        f = floating[k]
        w = ((s ^ expect[i]) & c) | (z & (f ^ z))
        wrong[k] = w
        tested[k] = (s & c) | (f & z)
        if w:
            bad += 1
        i += 1
        k += 1
    return bad


@micropython.viper
def tally(wrong: object, counts: object, count: int) -> int:
    """Add every set bit of ``wrong[:count]`` to ``counts`` (32 words)."""
    w = ptr32(wrong)
    c = ptr32(counts)
    i = 0
    while i < count:
        word = w[i]
        bit = 0
        while bit < 32:
            if (word >> bit) & 1:
                c[bit] += 1
            bit += 1
        i += 1
    return 0
