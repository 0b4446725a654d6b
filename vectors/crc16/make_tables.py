"""Writes the tables of the serial CRC from the definition of CRC-16/IBM-3740.

Source: catalogue of parametrised CRC algorithms: width 16, polynomial 0x1021, initial value
0xffff, input and output not reflected, no final exclusive-or, check value 0x29B1 for the nine
characters 123456789. A message followed by its own CRC leaves the remainder zero. The remainder
is computed here by long division of the message polynomial, not by a shift register.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field
from pathlib import Path

Row = dict[str, object]

COLUMNS = ["clk", "rst_n", "start", "en", "din", "hi", "crc", "zero", "repeat", "label", "note"]
GENERATOR = 0x11021
CHECK = b"123456789"


def remainder(bits: list[int]) -> int:
    """CRC of a message of bits: divide (message + first 16 ones) by the generator."""
    width = len(bits) + 16
    dividend = 0
    for bit in bits:
        dividend = dividend << 1 | bit
    dividend = dividend << 16 ^ 0xFFFF << width - 16
    for power in range(width - 1, 15, -1):
        if dividend >> power & 1:
            dividend ^= GENERATOR << power - 16
    return dividend


@dataclass
class Author:
    """Writes rows while keeping the message shifted in so far."""

    bits: list[int] = field(default_factory=list)

    def row(self, levels: str, hi: int, clk: str = "C", **more: object) -> Row:
        """One vector; ``levels`` holds RST_N, START, EN and DIN."""
        rst_n, start, en, din = (int(level) for level in levels)
        if not rst_n or (start and clk == "C"):
            self.bits = []
        elif en and clk == "C":
            self.bits.append(din)
        crc = remainder(self.bits)
        inputs = {"clk": clk, "rst_n": rst_n, "start": start, "en": en, "din": din, "hi": hi}
        shown = f"0x{crc >> 8:02X}" if hi else f"0x{crc & 0xFF:02X}"
        return inputs | {"crc": shown, "zero": "L" if crc else "H"} | more

    def message(self, data: bytes, label: str) -> list[Row]:
        """Shift a message in, most significant bits first; the shown byte changes each bit."""
        rows: list[Row] = []
        for index, byte in enumerate(data):
            rows += [self.row(f"101{byte >> 7 - k & 1}", k % 2) for k in range(8)]
            rows[-8]["label"] = f"{label} {index}: 0x{byte:02X}"
        return rows

    def result(self, label: str, note: str = "") -> list[Row]:
        """Both bytes of the remainder, without a clock."""
        return [
            self.row("1000", 1, "0", label=label, note=note),
            self.row("1000", 0, "0", label="low byte"),
        ]


def check() -> list[Row]:
    """Run the catalogue's check value, then what a careless copy gets wrong."""
    author = Author()
    rows = author.result("after reset", "the initial value")
    rows += author.message(CHECK, "character")
    rows += author.result("check value", "0x29B1 in the catalogue")
    rows.append(author.row("1001", 1, repeat=20, label="held while EN is low"))
    rows += author.message(b"\x29\xb1", "own CRC")
    rows += author.result("remainder zero", "message followed by its CRC")
    rows.append(author.row("1111", 0, label="start goes over EN"))
    rows += author.message(b"\x00\x00", "zeros")
    rows += author.result("leading zeros count", "the initial value is not zero")
    rows.append(author.row("0011", 1, "0", label="reset needs no clock"))
    rows.append(author.row("0011", 0, label="reset goes over EN"))
    rows += author.message(b"A", "character")
    return rows + author.result("one character")


def stream() -> list[Row]:
    """Shift in the bytes 0 to 255 in order as one message, every bit tested."""
    author = Author()
    rows = [author.row("1100", 1, label="start")]
    rows += author.message(bytes(range(256)), "byte")
    return rows + author.result("remainder of 256 bytes")


def as_csv(rows: list[Row]) -> str:
    """Rows as CSV text under the columns of this design."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def tables() -> dict[str, str]:
    """Every table of this design: file name and CSV text."""
    return {"check.csv": as_csv(check()), "stream.csv": as_csv(stream())}


if __name__ == "__main__":
    for name, text in tables().items():
        (Path(__file__).parent / name).write_text(text, encoding="utf-8", newline="")
