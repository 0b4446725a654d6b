"""A block of vectors: the arrays that hold it on the board, and how they are filled.

A block's body has, for each field of ``FIELDS`` and each of the four bytes of its words, a mode
byte: ``CONSTANT`` is followed by one byte, the others by one byte per vector, to be read as it
is, as the difference (exclusive or) or as the sum to the vector before. Bodies are deflated
where that is shorter.
"""

from array import array

from .protocol import CONSTANT, FIELDS, WINDOW_BITS

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

    def load(self, body: object, count: int) -> None:
        """Fill the first ``count`` vectors from a block's body (inflated already)."""
        at = 0
        job = array("I", [count, 0, 0, 0])
        for k in range(len(FIELDS)):
            for plane in range(4):
                job[1] = plane
                job[2] = body[at]
                job[3] = at + 1
                at += 2 if body[at] == CONSTANT else 1 + count
                fill_plane(self.fields[k], body, job)


def body_size(count: int) -> int:
    """The most bytes that the body of a block of ``count`` vectors can have."""
    return len(FIELDS) * 4 * (count + 1)


@micropython.viper
def fill_plane(target: object, body: object, job: object) -> int:
    """Write one byte of every word; ``job`` is count, plane, mode, offset in ``body``."""
    t = ptr8(target)
    b = ptr8(body)
    j = ptr32(job)
    count = int(j[0])
    to = int(j[1])
    mode = int(j[2])
    at = int(j[3])
    i = 0
    last = 0
    if mode == 3:
        last = int(b[at])
        while i < count:
            t[to] = last
            to += 4
            i += 1
        return 0
    while i < count:
        byte = int(b[at])
        if mode == 1:
            byte = byte ^ last
        elif mode == 2:
            byte = (byte + last) & 255
        t[to] = byte
        last = byte
        to += 4
        at += 1
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
