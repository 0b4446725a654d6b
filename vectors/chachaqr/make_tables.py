"""Tables of the ChaCha quarter round, from the definition in RFC 8439, section 2.1.

Words are loaded as a, b, c, d, most significant byte first. The bytes of a result are read on ``q``
while the next words are shifted in. Random words come from a seeded generator, so that the tables
are the same every time.
"""

from __future__ import annotations

import random
from pathlib import Path

HERE = Path(__file__).parent
HEADER = "clk,shift,step,data,q,ready,repeat,label,note"
Words = tuple[int, int, int, int]

RFC_2_1_1: Words = (0x11111111, 0x01020304, 0x9B8D6F43, 0x01234567)
"""The test vector of section 2.1.1."""
RFC_2_2_1: Words = (0x516461B1, 0x2A5F714C, 0x53372767, 0x3D631689)
"""Words 2, 7, 8 and 13 of the state in section 2.2.1."""


def rotate(word: int, count: int) -> int:
    """Return a 32-bit word turned left."""
    return (word << count | word >> (32 - count)) & 0xFFFFFFFF


def lines(words: Words) -> list[Words]:
    """Return the words a, b, c, d after each of the four lines of the quarter round."""
    a, b, c, d = words
    after = []
    for count in (16, 12, 8, 7):
        if count in (16, 8):
            a = (a + b) & 0xFFFFFFFF
            d = rotate(d ^ a, count)
        else:
            c = (c + d) & 0xFFFFFFFF
            b = rotate(b ^ c, count)
        after.append((a, b, c, d))
    return after


def quarter_round(words: Words) -> Words:
    """Return the words after the whole quarter round."""
    return lines(words)[-1]


def to_bytes(words: Words) -> bytes:
    """Return the bytes in the order in which the design takes and shows them."""
    return b"".join(word.to_bytes(4, "big") for word in words)


def shift_rows(new: bytes, old: bytes, label: str, note: str) -> list[str]:
    """Sixteen bytes in; after each clock ``q`` shows the next byte of the previous contents."""
    shown = old[1:] + new[:1]
    texts = [(label, note)] + [("", "")] * 15
    return [
        f"C,1,0,0x{byte:02X},0x{out:02X},H,,{text},{remark}"
        for byte, out, (text, remark) in zip(new, shown, texts, strict=True)
    ]


def step_rows(words: Words) -> list[str]:
    """Four steps. After an odd number of lines the order is c, d, a, b, so ``q`` shows c."""
    rows = []
    for number, (a, _, c, _) in enumerate(lines(words), start=1):
        top = (a if number % 2 == 0 else c) >> 24
        ready = "H" if number == 4 else "L"
        rows.append(f"C,0,1,0x00,0x{top:02X},{ready},,,line {number}")
    return rows


def table(title: str, cases: list[tuple[Words, str, str]]) -> str:
    """Load, step, read for every case. The register holds zeros after reset."""
    rows = []
    before = bytes(16)
    for words, label, note in cases:
        rows += shift_rows(to_bytes(words), before, label, note)
        rows += step_rows(words)
        before = to_bytes(quarter_round(words))
    rows.append(f"C,0,0,0xFF,0x{before[0]:02X},H,3,hold,neither shift nor step")
    rows += shift_rows(bytes(16), before, "read the last result", "")
    return "\n".join([f"# {title}", HEADER, *rows, ""])


def published() -> str:
    """Return the vectors that the RFC prints, and words that are easy to follow by hand."""
    return table(
        "RFC 8439: its two worked quarter rounds, then words with few bits",
        [
            (RFC_2_1_1, "RFC 8439 2.1.1", "ea2a92f4 cb1cf8ce 4581472e 5881c4bb"),
            (RFC_2_2_1, "RFC 8439 2.2.1", "bdb886dc cfacafd2 e46bea80 ccc07c79"),
            ((0, 0, 0, 0), "zeros", "stay zeros"),
            ((0, 1, 0, 0), "one bit", ""),
            ((0xFFFFFFFF, 1, 0, 0), "longest carry in a", ""),
            ((0, 0, 0xFFFFFFFF, 0x00010000), "longest carry in c", "d is 1 after the first line"),
        ],
    )


def seeded() -> str:
    """Do a hundred quarter rounds of random words."""
    source = random.Random(8439)
    cases = []
    for number in range(100):
        a, b, c, d = (source.getrandbits(32) for _ in range(4))
        cases.append(((a, b, c, d), f"random {number}", f"{a:08x} {b:08x} {c:08x} {d:08x}"))
    return table("Quarter rounds of random words (seed 8439), results by RFC 8439 2.1", cases)


def tables() -> dict[str, str]:
    """List every table of the design: file name and text."""
    return {"published.csv": published(), "random.csv": seeded()}


if __name__ == "__main__":
    for name, text in tables().items():
        (HERE / name).write_text(text, encoding="utf-8")
