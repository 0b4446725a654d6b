"""Tables of PRESENT-80, from the definition in Bogdanov et al., CHES 2007, section 3.

Key and text go in most significant byte first; the ciphertext comes out in the same order while the
next text is shifted in. Random keys come from a seeded generator, so that the tables are the same
every time.
"""

from __future__ import annotations

import random
from pathlib import Path

HERE = Path(__file__).parent
HEADER = "clk,op,data,q,done,repeat,label,note"
SBOX = (0xC, 5, 6, 0xB, 9, 0, 0xA, 0xD, 3, 0xE, 0xF, 8, 4, 7, 1, 2)
ONES_64 = (1 << 64) - 1
ONES_80 = (1 << 80) - 1

PUBLISHED = (
    (0, 0, 0x5579C1387B228445),
    (ONES_80, 0, 0xE72C46C0F5945049),
    (0, ONES_64, 0xA112FFC72F68417B),
    (ONES_80, ONES_64, 0x3333DCD3213210D2),
)
"""Key, plaintext, ciphertext of appendix I."""

WAIT, KEY, TEXT, GO = range(4)


def permute(state: int) -> int:
    """Bit i moves to 16 i mod 63; bit 63 stays."""
    return sum((state >> i & 1) << (63 if i == 63 else 16 * i % 63) for i in range(64))


def substitute(state: int) -> int:
    """Return the S-box on each of the sixteen nibbles."""
    return sum(SBOX[state >> 4 * i & 15] << 4 * i for i in range(16))


def next_key(key: int, counter: int) -> int:
    """Return the key register after one update (section 3, key schedule)."""
    key = (key << 61 | key >> 19) & ONES_80
    key = key & ~(15 << 76) | SBOX[key >> 76] << 76
    return key ^ counter << 15


def states(key: int, text: int) -> list[int]:
    """Return the text after adding the first round key, then after each round with its next key."""
    text ^= key >> 16
    after = [text]
    for counter in range(1, 32):
        key = next_key(key, counter)
        text = permute(substitute(text)) ^ key >> 16
        after.append(text)
    return after


def encrypt(key: int, text: int) -> int:
    """Return the ciphertext of one block."""
    return states(key, text)[-1]


def key_rows(key: int, shown: int, label: str, note: str) -> list[str]:
    """Ten bytes of key; ``q`` still shows the top byte of the text register."""
    texts = [(label, note)] + [("", "")] * 9
    return [
        f"C,{KEY},0x{byte:02X},0x{shown:02X},H,,{text},{remark}"
        for byte, (text, remark) in zip(key.to_bytes(10, "big"), texts, strict=True)
    ]


def text_rows(new: int, old: int, note: str) -> list[str]:
    """Eight bytes of text; ``q`` shows the next byte of the previous contents."""
    data = new.to_bytes(8, "big")
    shown = old.to_bytes(8, "big")[1:] + data[:1]
    notes = [note] + [""] * 7
    return [
        f"C,{TEXT},0x{byte:02X},0x{out:02X},H,,,{remark}"
        for byte, out, remark in zip(data, shown, notes, strict=True)
    ]


def loop_rows(key: int, text: int) -> list[str]:
    """Start, then wait for ``done`` with a match loop."""
    top = encrypt(key, text) >> 56
    return [
        f"C,{GO},0x00,0x{states(key, text)[0] >> 56:02X},L,,,first round key added",
        f"C,{WAIT},0x00,,H,until 40,,31 rounds",
        f"0,{WAIT},0x00,0x{top:02X},H,,,",
    ]


def counted_rows(key: int, text: int) -> list[str]:
    """Start, then look at every one of the 31 rounds."""
    tops = [state >> 56 for state in states(key, text)]
    rows = [f"C,{GO},0x00,0x{tops[0]:02X},L,,,first round key added"]
    for number, top in enumerate(tops[1:], start=1):
        done = "H" if number == 31 else "L"
        rows.append(f"C,{WAIT},0x00,0x{top:02X},{done},,,round {number}")
    return rows


def published() -> str:
    """Appendix I, first round by round, then with the match loop."""
    rows = []
    before = 0
    for run in (counted_rows, loop_rows):
        for number, (key, text, cipher) in enumerate(PUBLISHED, start=1):
            way = "round by round" if run is counted_rows else "until done"
            rows += key_rows(key, before >> 56, f"vector {number} {way}", f"expects {cipher:016X}")
            rows += text_rows(text, before, "")
            rows += run(key, text)
            before = cipher
    rows += text_rows(0, before, "read the last result")
    return "\n".join(["# Bogdanov et al., CHES 2007, appendix I", HEADER, *rows, ""])


def seeded() -> str:
    """Encrypt sixty blocks: eighteen with a single bit in key or text, then random ones."""
    source = random.Random(2007)
    cases = [(1 << bit, 0, f"key bit {bit}") for bit in range(0, 80, 8)]
    cases += [(0, 1 << bit, f"text bit {bit}") for bit in range(0, 64, 8)]
    cases += [
        (source.getrandbits(80), source.getrandbits(64), f"random {number}") for number in range(42)
    ]
    rows = []
    before = 0
    for key, text, label in cases:
        cipher = encrypt(key, text)
        rows += key_rows(key, before >> 56, label, f"expects {cipher:016X}")
        rows += text_rows(text, before, "")
        rows += loop_rows(key, text)
        before = cipher
    rows += text_rows(0, before, "read the last result")
    title = (
        "# Single bits, then random keys and texts (seed 2007), ciphertexts by CHES 2007 section 3"
    )
    return "\n".join([title, HEADER, *rows, ""])


def tables() -> dict[str, str]:
    """List every table of the design: file name and text."""
    return {"published.csv": published(), "random.csv": seeded()}


if __name__ == "__main__":
    for name, text in tables().items():
        (HERE / name).write_text(text, encoding="utf-8")
