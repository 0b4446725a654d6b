"""Tables of the Hamming code, from the construction in Hamming's paper (BSTJ 29, 1950).

A code word is a set of positions 1 to 7 that hold a one. The check bit at position 1, 2 or 4 makes
the parity even over all positions whose binary number has that bit; the checking number that a
receiver forms is the position of a single error. Bit 0 is the paper's extra parity over everything.
"""

from __future__ import annotations

from functools import reduce
from itertools import combinations
from operator import xor
from pathlib import Path

HERE = Path(__file__).parent
HEADER = "decode,x,y,double,label,note"
DATA_POSITIONS = (7, 6, 5, 3)
"""Positions of the data bits, least significant first: the paper writes a value from the left."""


def checking_number(word: int) -> int:
    """Return the exclusive or of all positions that hold a one: 0 for a code word."""
    return reduce(xor, (position for position in range(1, 8) if word >> position & 1), 0)


def parity(word: int) -> int:
    """1 if the word has an odd number of ones."""
    return word.bit_count() & 1


def encode(data: int) -> int:
    """Return the code word of four data bits: bit k is position k, bit 0 the parity of all."""
    word = sum((data >> i & 1) << position for i, position in enumerate(DATA_POSITIONS))
    number = checking_number(word)
    word |= sum(1 << check for check in (1, 2, 4) if number & check)
    return word | parity(word)


def decode(word: int) -> tuple[int, int]:
    """Return what the decoder shows for any received word: byte ``y`` and ``double``.

    An odd word has one error, at the checking number (0: the parity bit itself). An even word with
    a checking number has two errors and is not touched.
    """
    number = checking_number(word)
    single = parity(word)
    fixed = word ^ 1 << number if single else word
    data = sum((fixed >> position & 1) << i for i, position in enumerate(DATA_POSITIONS))
    return single << 7 | number << 4 | data, int(not single and number != 0)


def decode_row(word: int, label: str = "", note: str = "") -> str:
    """One received word."""
    y, double = decode(word)
    return f"1,0x{word:02X},0x{y:02X},{'H' if double else 'L'},{label},{note}"


def errors() -> str:
    """Each data word: encoded, received whole, with each single error, with each double error."""
    rows = []
    for data in range(16):
        word = encode(data)
        rows.append(f"0,0x{data:02X},0x{word:02X},L,data {data:04b},encode")
        rows.append(decode_row(word, note="no error"))
        rows += [decode_row(word ^ 1 << bit, note=f"error in bit {bit}") for bit in range(8)]
        rows += [
            decode_row(word ^ 1 << first ^ 1 << second, note=f"errors in bits {first} and {second}")
            for first, second in combinations(range(8), 2)
        ]
    title = "# Hamming (1950): every single and every double error of every code word"
    return "\n".join([title, HEADER, *rows, ""])


def exhaustive() -> str:
    """List every level of every input, three or more errors included."""
    rows = [
        f"0,0x{x:02X},0x{encode(x & 15):02X},L,{'encode' if x == 0 else ''}," for x in range(256)
    ]
    rows += [decode_row(word, label="decode" if word == 0 else "") for word in range(256)]
    return "\n".join(["# Hamming (1950): all 512 input words", HEADER, *rows, ""])


def tables() -> dict[str, str]:
    """List every table of the design: file name and text."""
    return {"errors.csv": errors(), "exhaustive.csv": exhaustive()}


if __name__ == "__main__":
    for name, text in tables().items():
        (HERE / name).write_text(text, encoding="utf-8")
