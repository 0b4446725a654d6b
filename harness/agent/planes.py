"""The loops that make words out of the bytes of a body: words as they are, planes, their forms.

One rule: each loop does one step for all vectors of a block, and takes no memory. What a plane is
stands in this folder's README.
"""

try:
    import micropython
except ImportError:
    from .cpython import micropython, ptr8, ptr32


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
