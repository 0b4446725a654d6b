"""Damage to bytes: what a bad disk, a cut connection, a careless editor or an enemy does.

One rule: every kind of damage is a function of the bytes and random numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

Damage = Callable[[bytes, Random], bytes]

ODD = (
    "\0", "\x01", "\x07", "\x0b", "\x1b[2J", "\x7f", "\x85", "\xa0", "\ufeff", "\u2028", "\u202e",
    "\ufb00", "\u0661", "\u00b2", "\u212a", "\u0130", "\ud7ff", "\ue000", "\uffff", "\U0001f9ea",
    "\U0010ffff", "e\u0301", "\r", "\r\n", "\n", "\t", " ", '"', '""', "'", "\\", "%s", "$(x)",
    "<", "&amp;", "]]>", "#", ",", ";", "=", "[", "]", "{", "}", "(", ")", "/", "../", "-", "_",
)  # fmt: skip
"""Characters that parsers stumble over."""

NUMBERS = (
    "0", "-0", "-1", "1", "2", "00", "07", "1.0", "1e3", "1e400", "-1e400", "nan", "inf", "-inf",
    "0.1", "1_000", "0x1", "0b1", "0o7", "0xFFFFFFFF", "255", "256", "65535", "65536", "2147483647",
    "2147483648", "4294967295", "4294967296", "9223372036854775807", "9223372036854775808",
    "18446744073709551616", "1" + "0" * 30, "9" * 400, "9" * 5000, "1e-400", "true", "null",
)  # fmt: skip
"""Numbers at and beyond the edges of what types hold."""

_DIGITS = b"0123456789"
_MOST = 400_000
"""So long an input may become; larger ones are the business of the bombs."""


def _place(data: bytes, random: Random) -> int:
    return random.randrange(len(data) + 1)


def _span(data: bytes, random: Random) -> tuple[int, int]:
    """A part of the bytes, mostly a short one."""
    begin = _place(data, random)
    size = random.choice((1, 2, 4, 16, 64, 256, max(1, len(data) // 2)))
    return begin, min(len(data), begin + random.randint(1, size))


def flip(data: bytes, random: Random) -> bytes:
    """Some bits change."""
    spoiled = bytearray(data)
    for _ in range(random.choice((1, 1, 1, 2, 8)) if data else 0):
        spoiled[random.randrange(len(spoiled))] ^= 1 << random.randrange(8)
    return bytes(spoiled)


def overwrite(data: bytes, random: Random) -> bytes:
    """A part becomes other bytes."""
    begin, end = _span(data, random)
    filler = random.choice((b"\0", b"\xff", b" ", None))
    fresh = filler * (end - begin) if filler is not None else random.randbytes(end - begin)
    return data[:begin] + fresh + data[end:]


def cut(data: bytes, random: Random) -> bytes:
    """The end is missing, or the beginning."""
    at = _place(data, random)
    return data[at:] if random.random() < 0.2 else data[:at]


def drop(data: bytes, random: Random) -> bytes:
    """A part is missing."""
    begin, end = _span(data, random)
    return data[:begin] + data[end:]


def double(data: bytes, random: Random) -> bytes:
    """A part is there twice, or very often."""
    begin, end = _span(data, random)
    times = random.choice((2, 2, 2, 3, 40, 1000))
    return (data[:begin] + data[begin:end] * times + data[end:])[:_MOST]


def move(data: bytes, random: Random) -> bytes:
    """A part stands elsewhere."""
    begin, end = _span(data, random)
    rest = data[:begin] + data[end:]
    at = _place(rest, random)
    return rest[:at] + data[begin:end] + rest[at:]


def insert_odd(data: bytes, random: Random) -> bytes:
    """Put a character in an unexpected place."""
    odd = random.choice(ODD).encode("utf-8", "surrogatepass")
    if random.random() < 0.2:
        odd = random.choice(
            (b"\x80", b"\xff", b"\xc0\x80", b"\xed\xa0\x80", b"\xf8\x88\x80\x80\x80")
        )
    at = _place(data, random)
    return data[:at] + odd * random.choice((1, 1, 1, 3, 200)) + data[at:]


def change_number(data: bytes, random: Random) -> bytes:
    """A number becomes another."""
    digits = [at for at, byte in enumerate(data) if byte in _DIGITS]
    if not digits:
        return insert_odd(data, random)
    begin = random.choice(digits)
    end = begin
    while end < len(data) and data[end] in _DIGITS:
        end += 1
    return data[:begin] + random.choice(NUMBERS).encode() + data[end:]


def nest(data: bytes, random: Random) -> bytes:
    """Brackets, deeper than anybody writes."""
    before, after = random.choice(
        (("[", "]"), ("{", "}"), ('{"a":', "}"), ("(", ")"), ("<a>", "</a>"))
    )
    depth = random.choice((20, 300, 3000, 20_000))
    at = _place(data, random)
    return data[:at] + (before * depth + after * depth).encode() + data[at:]


def swap_lines(data: bytes, random: Random) -> bytes:
    """Lines are in another order, doubled or missing."""
    lines = data.splitlines(keepends=True)
    if not lines:
        return data
    one, two = random.randrange(len(lines)), random.randrange(len(lines))
    match random.randrange(4):
        case 0:
            lines[one], lines[two] = lines[two], lines[one]
        case 1:
            del lines[one]
        case 2:
            lines.insert(two, lines[one])
        case _:
            lines[one] = lines[one].rstrip(b"\r\n") + lines[two]
    return b"".join(lines)


def change_word(data: bytes, random: Random) -> bytes:
    """One word stands where another stood."""
    words = data.replace(b",", b" ").replace(b"=", b" ").replace(b'"', b" ").split()
    if not words:
        return data
    old, new = random.choice(words), random.choice(words)
    at = data.find(old, _place(data, random))
    return data if at < 0 else data[:at] + new + data[at + len(old) :]


def other_marks(data: bytes, random: Random) -> bytes:
    """Line ends, separators and encodings of other systems."""
    text = data.decode("utf-8", "replace")
    return random.choice(
        (
            b"\xef\xbb\xbf" + data,
            data.replace(b"\n", b"\r\n"),
            data.replace(b"\n", b"\r"),
            data.replace(b",", b";"),
            data.replace(b'"', b"'"),
            text.encode("utf-16"),
            text.encode("latin-1", "replace"),
            text.swapcase().encode(),
        )
    )


BYTES: tuple[Damage, ...] = (flip, flip, overwrite, cut, drop, double, move)
TEXT: tuple[Damage, ...] = (
    *BYTES, insert_odd, insert_odd, change_number, change_number, nest, swap_lines, change_word,
    other_marks,
)  # fmt: skip


def damaged(data: bytes, random: Random, kinds: Sequence[Damage]) -> bytes:
    """Damage once, and sometimes again."""
    while True:
        data = random.choice(kinds)(data, random)[:_MOST]
        if random.random() < 0.7:
            return data
