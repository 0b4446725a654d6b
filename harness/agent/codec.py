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
    PLAIN,
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
        self.widths = None
        self.ways = []
        self.plane = words((size + 7) // 4 + 1)
        self.table = words(256)

    def forget(self) -> None:
        """Forget the layout: a run that begins must bring its own."""
        self.widths = None

    def load(self, body: object, count: int) -> None:
        """Fill the first ``count`` vectors from a block's body (inflated already)."""
        opening = body[0]
        if self.widths is None and opening in (PLANES, SAME):
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
        """Learn where the columns go; return where the planes begin.

        ``ways`` has for each plane the fields it changes: what each of its bits does to a word.
        """
        for k in range(len(FIELDS)):
            self.base[k] = int.from_bytes(bytes(body[1 + 4 * k : 5 + 4 * k]), "little")
        at = 1 + 4 * len(FIELDS)
        columns = body[at]
        end = at + 2 + 4 * body[at + 1]
        self.widths = [min(8, columns - first) for first in range(0, columns, 8)]
        self.ways = [{} for _ in self.widths]
        for piece in range(at + 2, end, 4):
            column = body[piece]
            bits = self.ways[column >> 3].setdefault(body[piece + 1], words(8))
            for k in range(body[piece + 3]):
                bits[(column & 7) + k] |= 1 << (body[piece + 2] + k)
        return end

    def load_planes(self, body: object, at: int, count: int) -> None:
        """Fill the words from planes that begin at ``at``."""
        base = words(len(FIELDS))
        copy_words(self.base, base, len(FIELDS))
        moving = []
        for number in range(len(self.widths)):
            mode = body[at]
            if mode == CONSTANT:
                self.settle(self.ways[number], body[at + 1], base)
                at += 2
            else:
                moving.append((number, at))
                each = self.widths[number] * ((count + 7) // 8) if mode & TURNED else count
                at += 2 + each
        fresh = [True] * len(FIELDS)
        for number, at in moving:
            plane = self.expand_plane(body, at, count, self.widths[number])
            for k, bits in self.ways[number].items():
                fill_table(self.table, bits, base[k] if fresh[k] else 0)
                look_up = begin_words if fresh[k] else add_bits
                look_up(plane, self.table, self.fields[k], count)
                fresh[k] = False
        for k in range(len(FIELDS)):
            self.hold(k, base[k] if fresh[k] else None)

    def settle(self, ways: object, byte: int, base: object) -> None:
        """Change the base by a plane that is the same for every vector of the block."""
        for k, bits in ways.items():
            for bit in range(8):
                if byte >> bit & 1:
                    base[k] ^= bits[bit]

    def hold(self, k: int, level: object) -> None:
        """Keep note of what is in field ``k``; fill it where no bit varies."""
        if level is not None and self.filled[k] != level:
            copy_row(array("I", [level]), self.fields[k], array("I", [0, 0, self.size]))
        self.filled[k] = level

    def expand_plane(self, body: object, at: int, count: int, width: int) -> object:
        """One byte per vector of the plane that begins at ``at``."""
        mode = body[at]
        if mode == PLAIN:
            return body[at + 2 :]
        job = array("I", [count, mode & 3, min(body[at + 1], count), at + 2])
        source = body
        if mode & TURNED:
            turn(body, self.plane, array("I", [(count + 7) // 8, width, at + 2]))
            job[3] = 0
            source = self.plane
        if mode != TURNED:
            undo(source, self.plane, job)
        return self.plane


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
    """Undo a plane's form; ``job`` is count, mode (XOR or SUB), distance, offset in ``source``."""
    s = ptr8(source)
    t = ptr8(target)
    j = ptr32(job)
    count = int(j[0])
    at = int(j[3])
    i = 0
    last = 0
    if int(j[1]) == 2:
        while i < count:
            last = (int(s[at]) + last) & 255
            t[i] = last
            at += 1
            i += 1
        return 0
    if int(j[2]) == 1:
        while i < count:
            last = int(s[at]) ^ last
            t[i] = last
            at += 1
            i += 1
        return 0
    end = int(j[2])
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
def fill_table(table: object, bits: object, base: object) -> int:
    """What each byte of a plane makes of ``base``; ``bits`` has a word for each of its bits."""
    t = ptr32(table)
    b = ptr32(bits)
    t[0] = int(base)
    size = 1
    bit = 0
    while bit < 8:
        word = b[bit]
        i = 0
        while i < size:
            t[size + i] = t[i] ^ word
            i += 1
        size += size
        bit += 1
    return 0


@micropython.viper
def begin_words(plane: object, table: object, target: object, count: int) -> int:
    """Write ``count`` words, each as the table has it for its byte of the plane."""
    p = ptr8(plane)
    w = ptr32(table)
    t = ptr32(target)
    i = 0
    while i < count:
        t[i] = w[p[i]]
        i += 1
    return 0


@micropython.viper
def add_bits(plane: object, table: object, target: object, count: int) -> int:
    """Change ``count`` words that were begun by what the table has for their bytes."""
    p = ptr8(plane)
    w = ptr32(table)
    t = ptr32(target)
    i = 0
    while i < count:
        t[i] = t[i] ^ w[p[i]]
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
