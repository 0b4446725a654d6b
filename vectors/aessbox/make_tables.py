"""Tables of the AES S-box, from the definition in FIPS 197, sections 4.2 and 5.1.1.

The S-box is the inverse in GF(2^8), modulo x^8 + x^4 + x^3 + x + 1, followed by an affine map over
bits. The inverse is found here by search, so that nothing is shared with the design's tower field.
"""

from __future__ import annotations

from pathlib import Path

HERE = Path(__file__).parent
HEADER = "inv,a,s,label,note"


def multiply(left: int, right: int) -> int:
    """Product in GF(2^8), FIPS 197 section 4.2."""
    product = 0
    for bit in range(8):
        if right >> bit & 1:
            product ^= left << bit
    for bit in range(14, 7, -1):
        if product >> bit & 1:
            product ^= 0x11B << (bit - 8)
    return product


def inverse(value: int) -> int:
    """Find the element whose product with ``value`` is 1; 0 maps to itself (section 5.1.1)."""
    return next((other for other in range(256) if multiply(value, other) == 1), 0)


def affine(value: int) -> int:
    """Bit i of the result is b(i) + b(i+4) + b(i+5) + b(i+6) + b(i+7) + c(i), c = 0x63."""
    result = 0
    for i in range(8):
        taps = (i, i + 4, i + 5, i + 6, i + 7)
        bit = sum(value >> tap % 8 & 1 for tap in taps) + (0x63 >> i & 1)
        result |= (bit & 1) << i
    return result


def sbox() -> list[int]:
    """Return the S-box as a list of 256 bytes."""
    return [affine(inverse(value)) for value in range(256)]


def inverse_sbox(box: list[int]) -> list[int]:
    """Return the list that undoes ``box``."""
    return [box.index(value) for value in range(256)]


def directed(box: list[int], back: list[int]) -> str:
    """List the few cases that a person would try first."""
    cases = [
        (0, 0x53, "example", "FIPS 197 5.1.1: 0x53 becomes 0xed"),
        (0, 0x00, "zero", "the affine constant alone"),
        (0, 0x01, "one", "its own inverse"),
        (0, 0x52, "to zero", "the only byte that becomes 0x00"),
        (0, 0xFF, "all ones", ""),
        (1, 0xED, "example back", "FIPS 197 figure 14"),
        (1, 0x63, "zero back", ""),
        (1, 0x00, "from zero", ""),
        (1, 0xFF, "all ones back", ""),
    ]
    cases += [(0, 1 << bit, f"bit {bit}", "walking one") for bit in range(8)]
    cases += [(1, 1 << bit, f"bit {bit} back", "walking one") for bit in range(8)]
    rows = [
        f"{inv},0x{a:02X},0x{(back if inv else box)[a]:02X},{label},{note}"
        for inv, a, label, note in cases
    ]
    return "\n".join(
        ["# FIPS 197, figures 7 and 14: values that are easy to look up", HEADER, *rows, ""]
    )


def exhaustive(box: list[int], back: list[int]) -> str:
    """List every byte through both boxes; labels mark the rows of the printed figures."""
    rows = []
    for inv, table in enumerate((box, back)):
        figure = "figure 14" if inv else "figure 7"
        for a, s in enumerate(table):
            label = f"{figure} row {a >> 4:x}" if a % 16 == 0 else ""
            rows.append(f"{inv},0x{a:02X},0x{s:02X},{label},")
    return "\n".join(["# FIPS 197, figures 7 and 14: all values", HEADER, *rows, ""])


def tables() -> dict[str, str]:
    """List every table of the design: file name and text."""
    box = sbox()
    back = inverse_sbox(box)
    return {"directed.csv": directed(box, back), "exhaustive.csv": exhaustive(box, back)}


if __name__ == "__main__":
    for name, text in tables().items():
        (HERE / name).write_text(text, encoding="utf-8")
